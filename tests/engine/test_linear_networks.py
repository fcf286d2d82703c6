"""Laws that every resistive network keeps, tried on random ones: charge, energy, rails, superposition, order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import circuitsim as cs

# The same examples in every run, so that a failure comes back; no deadline, since a first compilation is slow.
REPEATABLE = settings(derandomize=True, deadline=None, max_examples=40)


@dataclass(frozen=True)
class Branch:
    """A resistor, a voltage source with its resistance, or a current source (ohms infinite) between two nodes."""

    name: str
    a: str
    b: str
    ohms: float
    value: float = 0.0

    def element(self) -> cs.Element:
        if self.name.startswith("I"):
            return cs.CurrentSource(self.name, self.a, self.b, current=self.value)
        if self.name.startswith("V"):
            return cs.VoltageSource(self.name, self.a, self.b, emf=self.value, resistance=self.ohms)
        return cs.Resistor(self.name, self.a, self.b, resistance=self.ohms)


def build(branches: Sequence[Branch]) -> cs.Netlist:
    net = cs.Netlist("random")
    for branch in branches:
        net.add(branch.element())
    return net


@st.composite
def networks(draw: st.DrawFn, sources: int = 3, decades: float = 3.0) -> tuple[Branch, ...]:
    """A connected network of resistors over some decades, with sources across random pairs; all nodes reach ground."""
    n = draw(st.integers(2, 9))
    names = ["GND", *(f"n{k}" for k in range(1, n))]
    ohms = st.floats(-decades / 2, decades / 2).map(lambda power: 10.0**power)
    pairs = [(names[draw(st.integers(0, k - 1))], names[k]) for k in range(1, n)]
    node = st.sampled_from(names)
    extra = st.tuples(node, node).filter(lambda pair: pair[0] != pair[1])
    pairs += draw(st.lists(extra, min_size=1, max_size=2 * n))
    ends = [name for pair in pairs for name in pair]
    pairs += [(name, "GND") for name in names[1:] if ends.count(name) == 1]  # no loose ends
    branches = [Branch(f"R{k}", a, b, draw(ohms)) for k, (a, b) in enumerate(pairs)]
    for k in range(draw(st.integers(1, sources))):
        a, b = draw(extra)
        volts = draw(st.floats(-24.0, 24.0).filter(lambda v: abs(v) > 0.1))
        branches.append(Branch(f"V{k}", a, b, draw(ohms), volts))
    if sources > 1 and draw(st.booleans()):
        branches.append(Branch("I", *draw(extra), float("inf"), draw(st.floats(-5.0, 5.0))))
    return tuple(branches)


def spread(branches: Sequence[Branch]) -> float:
    """How far the conductances lie apart: what a sum of the largest does to the smallest."""
    ohms = [branch.ohms for branch in branches if np.isfinite(branch.ohms)]
    return max(ohms) / min(ohms)


def rail(branches: Sequence[Branch]) -> float:
    """A voltage that no node of the network can pass."""
    volts = sum(abs(b.value) for b in branches if b.name.startswith("V"))
    pushed = sum(abs(b.value) for b in branches if b.name.startswith("I"))
    return volts + pushed * sum(b.ohms for b in branches if b.name.startswith("R"))


def voltages(branches: Sequence[Branch]) -> dict[str, float]:
    net = build(branches)
    point = cs.solve(net)
    return {node: point.voltage(node) for node in net.nodes()}


@REPEATABLE
@given(networks(decades=9.0))
def test_charge_balances_at_every_node(branches: tuple[Branch, ...]) -> None:
    """Kirchhoff's current law, by each element's own flow, ground included."""
    net = build(branches)
    point = cs.solve(net)
    left, terms = dict.fromkeys(net.nodes(), 0.0), dict.fromkeys(net.nodes(), 0.0)
    for branch in branches:
        span = abs(point.voltage(branch.a)) + abs(point.voltage(branch.b)) + abs(branch.value)
        for terminal, node in net.elements[branch.name].nodes.items():
            left[node] += point.flow(branch.name, terminal)
            terms[node] += abs(branch.value) if branch.name == "I" else span / branch.ohms
    # The acceptance rule leaves 1e-12 of a node's terms, and these sums as much; ground has no balance of its own and
    # collects what all others leave. The rule has a floor of 1 nA, as a node with nothing on it is not exactly at zero.
    terms["GND"] = sum(terms.values())
    assert all(abs(left[node]) <= 2e-12 * (terms[node] + 1e-9) for node in left)
    assert point.residual < 1e-12


@REPEATABLE
@given(networks(sources=1, decades=9.0))
def test_voltages_lie_within_the_rails(branches: tuple[Branch, ...]) -> None:
    """One source, seen from its minus: no node lies below that or above its plus."""
    source = branches[-1]
    found = voltages([replace(source, ohms=0.0) if b is source else b for b in branches])
    low, high = sorted((found[source.a], found[source.b]))
    assert high - low == pytest.approx(abs(source.value), rel=1e-12)  # rounding
    # Conductances over nine decades: rounding of the largest against the smallest, in a sum of some ten.
    slack = 1e-15 * spread(branches[:-1]) * abs(source.value)
    assert all(low - slack <= v <= high + slack for v in found.values())


@REPEATABLE
@given(networks())
def test_power_delivered_is_heat(branches: tuple[Branch, ...]) -> None:
    """Tellegen: what the sources deliver is what turns into heat."""
    point = cs.solve(build(branches))
    delivered = sum(point.output(b.name, "source power") for b in branches)
    heat = [point.output(b.name, "heat") for b in branches]
    assert min(heat) >= 0
    turnover = sum(abs(point.output(b.name, "source power")) for b in branches) + sum(heat)
    # The acceptance rule leaves 1e-12 of each node's terms; the conductances span three decades.
    assert abs(delivered - sum(heat)) <= 1e-9 * turnover


@REPEATABLE
@given(networks())
def test_superposition(branches: tuple[Branch, ...]) -> None:
    """The answer to all sources is the sum of the answers to each alone."""
    together = voltages(branches)
    alone = dict.fromkeys(together, 0.0)
    for source in branches:
        if source.value:
            dead = [b if b is source or not b.value else replace(b, value=0.0) for b in branches]
            for node, volts in voltages(dead).items():
                alone[node] += volts
    # A linear solution is good to rounding times the spread of its conductances (three decades, ten terms a sum).
    slack = 1e-14 * spread(branches) * rail(branches)
    assert alone == pytest.approx(together, abs=slack)


@REPEATABLE
@given(networks(), st.randoms(use_true_random=False))
def test_order_and_names_do_not_matter(branches: tuple[Branch, ...], random: object) -> None:
    """Elements added in another order, and nodes and elements renamed, give the same voltages."""
    shuffled = list(branches)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    names = sorted({node for b in branches for node in (b.a, b.b)} - {"GND"})
    renamed = {node: f"z{len(names) - k}" for k, node in enumerate(names)} | {"GND": "GND"}
    other = [replace(b, name=f"{b.name}{99 - k}", a=renamed[b.a], b=renamed[b.b]) for k, b in enumerate(shuffled)]
    other = [replace(b, name="I" + b.name if b.name[0] == "I" else b.name) for b in other]
    first, second = voltages(branches), voltages(other)
    # Another order of the same sums: rounding, times three decades of conductance; 1e-12 of the rail.
    slack = max(1e-12, 1e-15 * spread(branches)) * rail(branches)
    assert {node: second[renamed[node]] for node in first} == pytest.approx(first, abs=slack)


@REPEATABLE
@given(networks(sources=1), st.floats(0.1, 10.0))
def test_scaling(branches: tuple[Branch, ...], factor: float) -> None:
    """All resistances times a factor: the same voltages. The source times a factor: so are they."""
    base = voltages(branches)
    stretched = voltages([replace(b, ohms=b.ohms * factor) for b in branches])
    raised = voltages([replace(b, value=b.value * factor) for b in branches])
    slack = 1e-14 * spread(branches) * rail(branches) * max(1.0, factor)  # as for superposition
    assert stretched == pytest.approx(base, abs=slack)
    assert raised == pytest.approx({node: volts * factor for node, volts in base.items()}, abs=slack)


@REPEATABLE
@given(networks(sources=1))
def test_reciprocity(branches: tuple[Branch, ...]) -> None:
    """A current pushed in at one node raises another by as much as the same current there would raise the first."""
    nodes = sorted({node for b in branches for node in (b.a, b.b)} - {"GND"})
    here, there = nodes[0], nodes[-1]
    dead = [replace(b, value=0.0) for b in branches]
    one = voltages([*dead, Branch("I", here, "GND", float("inf"), 1.0)])[there]
    two = voltages([*dead, Branch("I", there, "GND", float("inf"), 1.0)])[here]
    slack = 1e-14 * spread(branches) * sum(b.ohms for b in branches)  # as for superposition
    assert one == pytest.approx(two, abs=slack)
