"""Traps of such laws, each with a check, the shipped kinds or circuits that pass it, and a planted one that does not.

Traps of the solver are in `test_traps_solver`. Others whose check stands elsewhere: negative resistance, power out of
nothing, current without voltage (tests/elements/test_passive_monotone), charge and energy
(tests/elements/test_conservation), dead shorts, floating clusters, unstable and impossible circuits, breakaway
(tests/engine/test_extremes).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import sympy as sp
from numpy.typing import NDArray

import circuitsim as cs
from circuitsim.elements import element_kinds
from circuitsim.elements.base import (
    Domain,
    Element,
    Law,
    Limit,
    Parameter,
    Symbols,
    Unknown,
    electrical,
    rotational,
    thermal,
)
from circuitsim.elements.common import GRIP
from circuitsim.elements.smooth import positive_part
from circuitsim.engine.newton import newton
from circuitsim.engine.operating import Compiled, compile_netlist
from circuitsim.engine.points import Points
from circuitsim.engine.statement import statement_of
from circuitsim.engine.system import Evaluator
from circuitsim.measure import meter

Array = NDArray[np.float64]
Load = Callable[[str], cs.Circuit]
Plain = Callable[[cs.Circuit], Compiled]
KINDS = {name: kind for name, kind in element_kinds().items() if kind.__module__.startswith("circuitsim.")}
NAMES = cs.circuit_names()
METER = 12.6e-7  # A; what a 10 MΩ meter draws on 12.6 V


# A pivot that cannot be zero -------------------------------------------------------------------------------------


def pivots(kind: type[Element]) -> dict[str, bool]:
    """Say for each unknown whether its balance can be solved for itself or for a terminal it names, whatever the state.

    A slope that is zero somewhere is no pivot: one slope must keep its sign over states and parameters, the ends of the
    accepted ranges among them.
    """
    statement = statement_of(kind)
    rng = np.random.default_rng(0)
    ends = {p.name: (p.low, min(p.high, 1e3), min(max(0.5, p.low), p.high)) for p in kind.parameters}
    inputs = [rng.choice([*ends.get(name, (-30.0, 0.0, 30.0))], 2000) for name in statement.inputs[:-1]]
    out = np.empty((len(statement.rows) + len(statement.slopes), 2000))
    statement.evaluate([*inputs, 1.0], out)
    slopes = dict(zip(statement.jacobian, out[len(statement.rows) :], strict=True))

    def holds(unknown: str, variable: str) -> bool:
        slope = slopes.get((statement.rows.index(unknown), statement.variables.index(variable)), np.zeros(1))
        return bool((slope > 0).all() or (slope < 0).all())

    return {u.name: any(holds(u.name, v) for v in (u.name, *u.pivot)) for u in kind.unknowns}


class Unpivoted(Element):
    """An ideal source that forgets to say which terminal its balance can be solved for."""

    terminals = (electrical("plus"), electrical("minus"))
    parameters = (Parameter("emf", "V", "held voltage"), Parameter("resistance", "Ω", "in series", 0.0))
    unknowns = (Unknown("current", "A", "into plus"),)
    conducts = (("plus", "minus"),)
    ends = ("minus", "plus")

    @staticmethod
    def law(s: Symbols) -> Law:
        balance = s.plus - s.minus - s.emf - s.resistance * s.current
        return Law(flows={"plus": s.current, "minus": -s.current}, balances={"current": balance})


@pytest.mark.parametrize("name", [n for n, kind in KINDS.items() if kind.unknowns])
def test_every_balance_has_a_pivot_that_is_never_zero(name: str) -> None:
    assert all(pivots(KINDS[name]).values())


def test_a_balance_without_a_pivot_is_caught_and_still_solved_right() -> None:
    """The check finds it; the fixed order would divide by zero, and the pivoted path then gives the right answer."""
    assert pivots(Unpivoted) == {"current": False}
    net = cs.Netlist("unpivoted")
    net.chain("GND", Unpivoted("V", emf=12.0), "a", cs.Resistor("R", resistance=4.0), "GND")
    points = cs.solve_batch(net)
    assert points.solved.method[0] > 0, "not the first way"
    assert points.voltage("a")[0] == pytest.approx(12.0, rel=1e-9)  # the rule
    assert points.flow("V", "plus")[0] == pytest.approx(-3.0, rel=1e-9)


# Valid ranges ----------------------------------------------------------------------------------------------------


def unguarded(kind: type[Element]) -> list[str]:
    """Bodies of its own whose temperature enters an electrical or shaft law, with no limit that speaks of them."""
    statement = statement_of(kind)
    heat = {t.name for t in kind.terminals if t.domain is Domain.THERMAL}
    own = [t.name for t in kind.terminals if t.domain is Domain.THERMAL and t.default in ("own", None)]
    guarded = {str(symbol) for limit in statement.law.limits for symbol in sp.sympify(limit.value).free_symbols}
    used = {
        str(symbol)
        for row, e in zip(statement.rows, statement.expressions, strict=True) if row not in heat
        for symbol in sp.sympify(e).free_symbols
    }  # fmt: skip
    return [body for body in own if body in used and body not in guarded]


class NaiveCopper(Element):
    """Copper with the straight law alone: below -234 °C its resistance is negative, and no limit says so."""

    terminals = (electrical("a"), electrical("b"), thermal("body"), thermal("air", "ambient"))
    parameters = (Parameter("resistance", "Ω", "at 20 °C"), Parameter("rise", "K/W", "body to air", 10.0))
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        v, loss = s.a - s.b, (s.body - s.air) / s.rise
        i = v / (s.resistance * (1 + 0.00393 * (s.body - 20)))
        return Law(flows={"a": i, "b": -i, "body": loss - v * i, "air": -loss}, stores={"body": s.body})


class LimitedCopper(NaiveCopper):
    """The same with a limit: outside it a point is a verdict."""

    @staticmethod
    def law(s: Symbols) -> Law:
        found = NaiveCopper.law(s)
        return Law(found.flows, stores=found.stores, limits=(Limit("wire temperature", s.body, -60, 250),))


@pytest.mark.parametrize("name", KINDS)
def test_every_temperature_that_matters_has_its_range(name: str) -> None:
    assert unguarded(KINDS[name]) == []


def test_a_law_without_its_range_is_caught() -> None:
    assert unguarded(NaiveCopper) == ["body"]
    assert unguarded(LimitedCopper) == []


def naive_root(kind: type[Element], start: float) -> Points:
    """Solve 1 A through 1 Ω of it from a start far below absolute zero, where the straight law has a root."""
    net = cs.Netlist("naive")
    net.chain("GND", cs.VoltageSource("V", emf=10.0), "a", kind("C", resistance=1.0), "GND")
    compiled = compile_netlist(net)
    x = compiled.system.rest(np.array([20.0]))
    x[compiled.system.index["C.body"]] = start
    plan = compiled.plan(False)
    x[compiled.system.index["a"]] = 10.0
    from circuitsim.engine.operating import Solved

    solution = newton(plan, Evaluator.of(compiled.system, {}, 1), x, dense=True)
    return Points(Solved(compiled, Evaluator.of(compiled.system, {}, 1), False, solution, np.zeros(1, np.int64)))


def test_a_tiny_residual_alone_accepts_nothing() -> None:
    """The straight law has a root below absolute zero: T = 20 + 10·100/(1 + α(T - 20)), T - 20 = -646 K.

    Newton converges there with a residual of rounding. Unlimited it would pass for a reading; the limit makes it a
    verdict; and a law that is kept positive has no such root at all.
    """
    naive, limited = (naive_root(kind, -600.0) for kind in (NaiveCopper, LimitedCopper))
    cold = (-1 - np.sqrt(1 + 4 * 0.00393 * 1000)) / (2 * 0.00393)
    for points in (naive, limited):
        assert points.residual[0] < 1e-12
        assert points.temperature("C.body")[0] == pytest.approx(20 + cold, rel=1e-9)  # the rule
    assert not naive.verdicts[0].startswith(("outside", "runs away")), "nothing tells"
    assert limited.verdicts[0].startswith("outside validity at C")
    assert not limited.valid[0]
    net = cs.Netlist("kept positive")
    net.chain("GND", cs.VoltageSource("V", emf=10.0), "a", cs.Contact("C", resistance=1.0, thermal_resistance=10.0), "GND")
    compiled = compile_netlist(net)
    x = np.repeat(compiled.system.rest(np.array([20.0])), 64, axis=1)
    x[compiled.system.index["C.body"]] = np.linspace(-5000, 5000, 64)
    warm = Points(compiled.solve(start=x, size=64)).temperature("C.body")
    assert np.ptp(warm) < 1e-5
    assert warm[0] > 20


# Smooth limits ---------------------------------------------------------------------------------------------------


class SlowTail(Element):
    """A rectifier rounded by a square root: half a volt from the corner it still carries much of a meter's current."""

    terminals = (electrical("a"), electrical("b"))
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        from sympy import sqrt

        v, width = s.a - s.b, 0.002 * s.smooth
        i = (v + sqrt(v**2 + width**2)) / 2
        return Law(flows={"a": i, "b": -i})


class FastTail(Element):
    """The same with an exponential tail."""

    terminals = (electrical("a"), electrical("b"))
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        i = positive_part(s.a - s.b, 0.002 * s.smooth)
        return Law(flows={"a": i, "b": -i})


def tail(kind: type[Element], volts: float) -> float:
    """Current at a voltage at which the sharp law carries none."""
    net = cs.Netlist("tail")
    net.chain("GND", cs.VoltageSource("V", emf=volts), "a", kind("D"), "GND")
    return abs(cs.solve(net).flow("D", "a"))


def test_exponential_tails_carry_nothing_that_a_meter_would_see() -> None:
    """Less than 1 % of what a 10 MΩ meter draws, half a volt from the corner; the algebraic tail is caught."""
    assert tail(FastTail, -0.5) < 0.01 * METER
    assert tail(SlowTail, -0.5) > METER


def moved_digits(net: cs.Netlist, values: dict[tuple[str, str], Array], size: int, frozen: bool) -> list[str]:
    """Nodes whose voltage moves by half a digit of a 6,000-count meter when every width is halved."""
    compiled = compile_netlist(net)
    whole, half = (Points(compiled.solve(values, smooth=w, frozen=frozen, size=size)) for w in (1.0, 0.5))
    assert whole.accepted.all()
    assert half.accepted.all()
    nodes = [node for node, domain in net.nodes().items() if domain is Domain.ELECTRICAL]
    found = []
    for node in nodes:
        a, b = whole.voltage(node), half.voltage(node)
        digits = [meter("standard").range_for(v, "V").digit for v in a]
        if (np.abs(a - b) > 0.5 * np.array(digits)).any():
            found.append(node)
    return found


@pytest.mark.parametrize("frozen", [True, False], ids=["cold", "warm"])
@pytest.mark.parametrize("name", NAMES)
def test_halved_widths_move_no_displayed_digit_of_any_circuit(name: str, frozen: bool, load: Load) -> None:
    from circuitsim.measure.conditions import Conditions
    from circuitsim.measure.readings import step_values

    circuit = load(name)
    values = step_values(circuit, [(step, Conditions()) for step in circuit.steps])
    assert moved_digits(circuit.net, values, len(circuit.steps), frozen) == []


class WideCorner(Element):
    """A stage that holds 1 V, its corner rounded over 0.2 V."""

    terminals = (electrical("a"), electrical("b"))
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        i = positive_part(s.a - s.b - 1.0, 0.2 * s.smooth) / 0.01
        return Law(flows={"a": i, "b": -i})


def test_a_corner_that_is_too_wide_is_caught() -> None:
    net = cs.Netlist("wide")
    net.chain("GND", cs.VoltageSource("V", emf=12.0), "b+", cs.Resistor("R", resistance=2.0), "low", WideCorner("U"), "GND")
    assert moved_digits(net, {}, 1, True) == ["low"]


# Friction --------------------------------------------------------------------------------------------------------


class TiredFriction(Element):
    """Dry friction as a tanh over 20 rad/s: a shaft that should stand creeps."""

    terminals = (rotational("shaft"),)
    parameters = (Parameter("torque", "N·m", "against the motion"),)

    @staticmethod
    def law(s: Symbols) -> Law:
        from sympy import tanh

        return Law(flows={"shaft": s.torque * tanh(s.shaft / 20.0)})


def stands(brake: Element) -> tuple[float, str]:
    """Half the breakaway torque on a shaft: its speed and verdict."""
    net = cs.Netlist("brake")
    net.chain("GND", cs.VoltageSource("V", emf=1.0), "a", cs.Resistor("R", resistance=1.0), "b")
    net.add(cs.Motor("M1", "b", "GND", "shaft", resistance=1.0, constant=0.1, brush_drop=0.0, friction=0.0))
    net.add(brake)
    point = cs.solve(net, frozen=True)
    return point.speed("shaft"), point.verdict


def test_below_breakaway_the_shaft_stands() -> None:
    """1 V over 2 Ω and 0.1 N·m/A push with 0.05 N·m against 0.1 N·m."""
    assert stands(cs.ConstantTorque("B", "shaft", torque=0.1)) == (0.0, "stalled")
    speed, verdict = stands(TiredFriction("B", "shaft", torque=0.1))
    assert verdict == "running", "the planted one is caught by its creep"
    assert speed > 1.0
    assert GRIP.pivot == ("shaft",)
