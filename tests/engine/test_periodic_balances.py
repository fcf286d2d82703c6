"""Charge and energy over a period of the shipped chopped circuits, by the averages that anybody can ask for.

Kirchhoff's current law for averages, and the first law: what sources give is the heat that leaves, all stores being back
where they were. Both are mathematics, so the tolerance is 1e-9 of what goes through.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.elements.base import Domain
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.periodic_points import PeriodicPoints
from circuitsim.measure.conditions import Conditions, make_bench
from circuitsim.measure.readings import step_values

CHOPPED = ("minibus-condenser-fan", "generic-pwm")
HERTZ = (20_000.0, 400.0)
"""Of the stage: the current never stops, and it stops in every period at the low steps."""


@cache
def points_of(name: str, hertz: float) -> tuple[cs.Netlist, PeriodicPoints]:
    """All steps, warm."""
    circuit = cs.load(name)
    net = make_bench(circuit).net
    values = step_values(circuit, [(s, Conditions()) for s in circuit.steps]) | {("U1", "frequency"): hertz}
    points = cs.solve_batch(compile_netlist(net), values, size=len(circuit.steps))
    assert isinstance(points, PeriodicPoints)
    assert points.periodic.all()
    return net, points


def test_both_ways_of_conduction_are_among_them() -> None:
    for name in CHOPPED:
        dead = [points_of(name, hertz)[1].shares()["dead"] for hertz in HERTZ]
        assert (dead[0][1:] == 0).all()
        assert (dead[1][1:] > 0.05).any()


@pytest.mark.parametrize("hertz", HERTZ)
@pytest.mark.parametrize("name", CHOPPED)
def test_no_charge_is_left_at_any_node(name: str, hertz: float) -> None:
    net, points = points_of(name, hertz)
    given, sizes = {}, {}
    for e in net.elements.values():
        flows = points.flows(e.name)
        for t in e.terminals:
            if t.domain is Domain.ELECTRICAL:
                node = e.nodes[t.name]
                given[node] = given.get(node, 0.0) + flows[t.name]
                sizes[node] = sizes.get(node, 0.0) + np.abs(flows[t.name])
    assert len(given) > 30
    for node, left in given.items():
        assert (np.abs(left) <= 1e-9 * sizes[node] + 1e-9).all(), node


@pytest.mark.parametrize("hertz", HERTZ)
@pytest.mark.parametrize("name", CHOPPED)
def test_what_sources_give_is_the_heat_that_leaves(name: str, hertz: float) -> None:
    net, points = points_of(name, hertz)
    given, lost = np.zeros(points.size), np.zeros(points.size)
    for e in net.elements.values():
        outputs, flows = points.outputs(e.name), points.flows(e.name)
        given += outputs["source power"]
        lost += outputs["heat"] - sum(flows[t.name] for t in e.terminals if e.nodes[t.name] == "ambient")
    # At 'off' only the controllers' own fractions of a watt are left: a nanowatt is then the floor of 1 nA at 12 V.
    assert given == pytest.approx(lost, rel=1e-9, abs=2e-8)
    assert given[-1] > 100


@pytest.mark.parametrize("name", CHOPPED)
def test_off_and_full_on_are_the_direct_current_points(name: str) -> None:
    """A duty of 0 and of 1: every average is the one of the circuit that nothing chops, and nothing swings."""
    _, points = points_of(name, HERTZ[0])
    plain = points.solved.given
    assert points.duty[[0, -1]] == pytest.approx([0.0, 1.0], abs=1e-6)
    electrical = [k for n, k in points.system.index.items() if points.system.domains.get(n) is Domain.ELECTRICAL]
    for sample in (0, -1):
        found, direct = (x[electrical, sample] for x in (points.solved.x, plain.x))
        # The corner of the averaged law's duty leaves 1e-6 of the supply to the diode at the ends of its range.
        assert found == pytest.approx(direct, abs=2e-5)
        low = points.voltages("MOT-")
        assert low.high[sample] - low.low[sample] < 1e-4
