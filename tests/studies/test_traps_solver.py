"""Traps of solving such circuits: the wrong root, steps that run away, a balance met too early, samples that get lost.

Each has a check that a planted element or circuit fails or bites on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
import pytest
from numpy.typing import NDArray

import circuitsim as cs
from circuitsim.elements.base import Element, Law, Parameter, Symbols, electrical
from circuitsim.engine.operating import Compiled, compile_netlist
from circuitsim.engine.points import Points
from circuitsim.engine.system import Evaluator

Array = NDArray[np.float64]


# Which root ------------------------------------------------------------------------------------------------------


class Tunnel(Element):
    """Current that rises, falls and rises again with the voltage: with a load line it has three crossings."""

    terminals = (electrical("a"), electrical("b"))
    parameters = (Parameter("capacitance", "F", "charge by voltage", 1e-6),)
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        v = s.a - s.b
        i = v**3 - 6 * v**2 + 10 * v
        return Law(flows={"a": i, "b": -i}, stores={"a": s.capacitance * v, "b": -s.capacitance * v})


def roots_found(net: cs.Netlist, starts: int, reach: float) -> set[float]:
    """All settled, valid points that random starts end at, by the voltage of node 'd'."""
    compiled = compile_netlist(net)
    rng = np.random.default_rng(3)
    x = np.repeat(compiled.system.rest(np.array([20.0])), starts, axis=1)
    x[: len(compiled.system.variables)] += rng.uniform(-reach, reach, (len(compiled.system.variables), starts))
    points = Points(compiled.solve(start=x, size=starts))
    return {round(float(v), 6) for v, ok in zip(points.voltage("d"), points.valid, strict=True) if ok}


def three_crossings(kind: type[Element] | None) -> cs.Netlist:
    net = cs.Netlist("crossings")
    part = kind("T") if kind else cs.Resistor("T", resistance=0.5)
    net.chain("GND", cs.VoltageSource("V", emf=6.2), "s", cs.Resistor("R", resistance=1.0), "d", part, "GND")
    return net


def test_the_answer_is_the_root_reached_from_rest() -> None:
    """v³ - 6v² + 10v = 6.2 - v crosses at three voltages; from rest at 0 V the first is met, and stays.

    The middle one is unstable, and no start may end there as a reading.
    """
    crossings = np.sort(np.roots([1.0, -6.0, 11.0, -6.2]).real)
    assert (np.diff(crossings) > 0.1).all()
    point = cs.solve(three_crossings(Tunnel))
    # Told apart from the others by tenths of a volt; the rule leaves nanovolts.
    assert point.voltage("d") == pytest.approx(crossings[0], abs=1e-8)
    assert point.verdict == "steady"


def test_many_starts_tell_a_circuit_with_several_roots_from_one_with_one() -> None:
    """The check of 64 starts bites: it finds both stable crossings of the planted part, and one of a resistor."""
    assert len(roots_found(three_crossings(None), 64, 10.0)) == 1
    assert len(roots_found(three_crossings(Tunnel), 64, 10.0)) >= 2


# Newton, and when it is done -------------------------------------------------------------------------------------


class Saturating(Element):
    """i = atan(v/1 mV): a step of Newton's from far away lands further away still."""

    terminals = (electrical("a"), electrical("b"))
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        from sympy import atan

        i = atan((s.a - s.b) / 0.001)
        return Law(flows={"a": i, "b": -i})


def full_steps(f: Callable[[float], float], slope: Callable[[float], float], x: float, count: int) -> float:
    """Newton with full steps only."""
    for _ in range(count):
        x -= f(x) / slope(x)
        if not np.isfinite(x) or abs(x) > 1e6:
            break
    return x


def test_newton_is_globalised() -> None:
    """Full steps run away from 1 V; the solver, whose steps must shorten what is still missing, does not."""

    def f(v: float) -> float:
        return float(np.arctan(v / 0.001)) + v / 1e3

    assert abs(full_steps(f, lambda v: 0.001 / (1e-6 + v**2) + 1e-3, 1.0, 60)) > 1e2 or abs(f(1.0)) == 0
    net = cs.Netlist("saturating")
    net.chain("a", Saturating("S"), "GND")
    net.chain("a", cs.Resistor("R", resistance=1e3), "GND")
    compiled = compile_netlist(net)
    starts = np.repeat(compiled.system.rest(np.array([20.0])), 64, axis=1)
    starts[compiled.system.index["a"]] = np.linspace(-100, 100, 64)
    points = Points(compiled.solve(start=starts, size=64))
    assert points.accepted.all()
    assert np.abs(points.voltage("a")).max() < 2e-9  # its floor is 1 nV


class Flat(Element):
    """1 A + (v - 1)³ µA: near 1 V its balance is met to 1e-12 long before its voltage is known."""

    terminals = (electrical("a"), electrical("b"))
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        i = 1 + 1e-6 * (s.a - s.b - 1) ** 3
        return Law(flows={"a": i, "b": -i})


def backward_error(compiled: Compiled, x: Array) -> float:
    plan = compiled.plan(True)
    entries, slopes = Evaluator.of(compiled.system, {}, 1)(x)
    return float(np.abs(plan.balances(entries) / plan.scale(entries, slopes, x)).max())


def test_a_met_balance_is_not_yet_an_answer() -> None:
    """At 1.005 V the backward error is below 1e-12 already: rule (a) alone would take 5 mV for nothing.

    With rule (b), one more correction below 1e-9, it goes on until the law itself rounds to 1 A, which it does within
    (2e-16/1e-6)^⅓ V = 0.6 mV: as near as floats can tell.
    """
    net = cs.Netlist("flat")
    net.chain("GND", cs.CurrentSource("I", current=1.0), "a", Flat("F"), "GND")
    compiled = compile_netlist(net)
    near = compiled.system.rest(np.array([20.0]))
    near[compiled.system.index["a"]] = 1.005
    assert backward_error(compiled, near) < 1e-12
    points = Points(compiled.solve(start=near))
    moved = abs(points.voltage("a")[0] - 1.0)
    assert not points.accepted[0] or moved < 0.6e-3


# Nothing is lost in a batch --------------------------------------------------------------------------------------


def ladder_of(kinds: Iterable[Element]) -> cs.Netlist:
    net = cs.Netlist("mixed")
    net.chain("GND", cs.VoltageSource("V", emf=12.0), "a", cs.Resistor("R", resistance=1.0), "d", *kinds, "GND")
    return net


def test_samples_that_fail_are_marked_and_the_others_are_untouched() -> None:
    """Nothing is dropped silently: a batch with samples that have no answer gives the rest as alone, and says so."""

    class Gap(Element):
        """Draws `need` amperes and its voltage's square: without a point where the source cannot give as much."""

        terminals = (electrical("a"), electrical("b"))
        parameters = (Parameter("need", "A", "at no voltage", 1.0),)
        conducts = (("a", "b"),)
        ends = ("a", "b")

        @staticmethod
        def law(s: Symbols) -> Law:
            i = s.need + (s.a - s.b) ** 2
            return Law(flows={"a": i, "b": -i})

    needs = np.array([1.0, 100.0, 2.0, 50.0, 3.0])
    batch = cs.solve_batch(ladder_of([Gap("G")]), {("G", "need"): needs})
    assert batch.accepted.tolist() == [True, False, True, False, True]
    for k in (0, 2, 4):
        alone = cs.solve_batch(ladder_of([Gap("G")]), {("G", "need"): needs[k]})
        assert batch.voltage("d")[k] == pytest.approx(alone.voltage("d")[0], rel=1e-12)  # rounding of vectors
    with pytest.raises(cs.SolveError, match="2 of 5"):
        batch.require("planted")
