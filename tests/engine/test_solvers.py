"""Two ways to the same numbers: the fast elimination and the pivoted one, a batch and its samples one by one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.engine.newton import newton
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.points import Points
from circuitsim.engine.system import Evaluator

Bench = Callable[..., cs.Netlist]
CONTROLS = ["linear", "pwm", "pack", "wire"]


@pytest.mark.parametrize("frozen", [True, False])
@pytest.mark.parametrize("control", CONTROLS)
def test_fast_and_pivoted_elimination_agree(control: str, frozen: bool, bench: Bench) -> None:
    """One linear solution at the operating point, random right-hand sides, by both paths."""
    compiled = compile_netlist(bench(control))
    solved = compiled.solve(frozen=frozen)
    plan = compiled.plan(frozen)
    x = np.repeat(solved.x, 8, axis=1)
    laws = Evaluator.of(compiled.system, {}, 8)
    cells = plan.cells(laws(x)[1])
    right = np.random.default_rng(0).normal(size=(plan.n, 8))
    fast, pivoted = plan.solve(plan.factor(cells), right), plan.solve_dense(cells, right)
    full = plan.dense(cells)
    # Each solves its equations backward stably where it may, but the fast path has no pivoting: its answer must satisfy
    # them to 1e-8 of the terms, so that a correction of 1e-9 means what it says.
    terms = np.einsum("kij,jk->ik", np.abs(full), np.abs(fast)) + np.abs(right)
    assert (np.abs(np.einsum("kij,jk->ik", full, fast) - right) <= 1e-8 * terms).all()
    assert (np.abs(np.einsum("kij,jk->ik", full, pivoted) - right) <= 1e-10 * terms).all()


@pytest.mark.parametrize("control", CONTROLS)
def test_newton_by_both_paths_ends_at_the_same_point(control: str, bench: Bench) -> None:
    compiled = compile_netlist(bench(control))
    air = np.full(5, 20.0)
    laws = Evaluator.of(compiled.system, {("BAT", "emf"): np.linspace(11.0, 14.0, 5)}, 5)
    start = compiled.system.rest(air)
    cold = newton(compiled.plan(True), laws, start)
    fast, dense = (newton(compiled.plan(False), laws, cold.x, dense=dense) for dense in (False, True))
    assert fast.accepted.all()
    assert dense.accepted.all()
    # The acceptance rule: 1e-9 of each value, with floors of 1 nV and 1 µK.
    assert np.abs(fast.x - dense.x) == pytest.approx(0.0, abs=2e-6)
    assert fast.x == pytest.approx(dense.x, rel=2e-9, abs=2e-6)


def test_newton_leaves_its_start_alone(bench: Bench) -> None:
    compiled = compile_netlist(bench())
    laws = Evaluator.of(compiled.system, {}, 1)
    start = compiled.system.rest(np.array([20.0]))
    kept = start.copy()
    newton(compiled.plan(True), laws, start)
    assert (start == kept).all()


@pytest.mark.parametrize("control", CONTROLS)
def test_a_batch_is_its_samples(control: str, bench: Bench) -> None:
    """Each sample of a batch is the point it would be alone, bit by bit or nearly so."""
    net = bench(control)
    emf, ohms, ambient = [9.0, 12.0, 15.0], [0.2, 0.3, 0.6], [-20.0, 20.0, 50.0]
    values = {("BAT", "emf"): np.array(emf), ("M1", "resistance"): np.array(ohms)}
    batch = cs.solve_batch(net, values, ambient=np.array(ambient))
    for k in range(3):
        single = cs.solve_batch(net, {("BAT", "emf"): emf[k], ("M1", "resistance"): ohms[k]}, ambient=ambient[k])
        # The same arithmetic; numpy's vectors may round a last digit differently than its scalars.
        assert single.solved.x[:, 0] == pytest.approx(batch.solved.x[:, k], rel=1e-12, abs=1e-12)
        assert single.verdicts[0] == batch.verdicts[k]


def test_a_batch_longer_than_a_chunk() -> None:
    net = cs.Netlist("long")
    net.chain("GND", cs.VoltageSource("V", emf=12.0), "a", cs.Resistor("R", resistance=1.0), "GND")
    ohms = np.linspace(1.0, 2.0, 10_000)
    points = cs.solve_batch(net, {("R", "resistance"): ohms})
    assert points.accepted.all()
    assert points.current("R") == pytest.approx(12.0 / ohms, rel=1e-12)  # a division
    assert len(points.verdicts) == points.size == 10_000


def test_netlist_may_change_after_compiling() -> None:
    net = cs.Netlist("frozen copy")
    net.chain("GND", cs.VoltageSource("V", emf=12.0), "a", cs.Resistor("R", resistance=1.0), "GND")
    compiled = compile_netlist(net)
    net.elements["R"].values["resistance"] = 5.0
    net.add(cs.Resistor("R2", "a", "GND", resistance=1.0))
    assert Points(compiled.solve()).current("R")[0] == 12.0
    assert cs.solve_batch(compiled).current("R")[0] == 12.0


def test_parameters_given_equal_parameters_built_in(bench: Bench) -> None:
    net = bench("wire")
    given = cs.solve_batch(net, {("M1", "resistance"): 0.5, ("X1", "resistance"): 0.02})
    for name, ohms in {"M1": 0.5, "X1": 0.02}.items():
        net.elements[name] = net.elements[name].replaced(resistance=ohms)
    assert (cs.solve_batch(net).solved.x == given.solved.x).all()


@pytest.fixture
def simple() -> cs.Netlist:
    net = cs.Netlist("simple")
    net.chain("GND", cs.VoltageSource("V", emf=12.0), "a", cs.Contact("R", resistance=1.0), "GND")
    return net


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({("Q", "resistance"): 1.0}, "unknown element of simple 'Q'; accepted: V, R"),
        ({("R", "resistence"): 1.0}, "did you mean 'resistance'?"),
        ({("R", "resistance"): [1.0, -2.0]}, "contact R: resistance is -2 Ω, accepted: from 1 µΩ to "),
        ({("R", "resistance"): [1.0, float("nan")]}, "resistance"),
        ({("V", "emf"): [1.0, float("inf")]}, "no finite number"),
        ({("R", "resistance"): [1.0, 2.0, 3.0], ("V", "emf"): [1.0, 2.0]}, "V.emf: 2 values for 3 samples"),
        ({("R", "resistance"): [[1.0, 2.0], [3.0, 4.0]]}, "R.resistance"),
        ({("R", "resistance"): "1 Ω"}, "R.resistance"),
    ],
)
def test_wrong_values_are_told(values: dict[tuple[str, str], object], message: str, simple: cs.Netlist) -> None:
    with pytest.raises(cs.InputError) as caught:
        cs.solve_batch(simple, values)
    assert message in str(caught.value)


@pytest.mark.parametrize("ambient", [float("nan"), float("inf"), -300.0, [20.0, 30.0]])
def test_wrong_ambients_are_told(ambient: float | list[float], simple: cs.Netlist) -> None:
    """No number, one below absolute zero, or two for a batch of three."""
    with pytest.raises(cs.InputError, match="ambient"):
        cs.solve_batch(simple, {("R", "resistance"): [1.0, 2.0, 3.0]}, ambient=ambient)


def test_a_point_tells_what_it_is(simple: cs.Netlist, bench: Bench) -> None:
    cold, warm = cs.solve(simple, frozen=True), cs.solve(simple, ambient=30.0)
    assert cold.verdict == "steady"
    assert cold.branch == "Newton from rest; bodies still at ambient"
    assert warm.branch == "Newton from rest; heat settled"
    assert warm.residual < 1e-12
    assert warm.iterations >= 1
    assert warm.temperature("ambient") == 30.0
    assert warm.temperature("R.body") > 30.0
    assert cold.temperature("R.body") == 20.0
    assert cs.solve(bench()).verdict == "running"


@pytest.mark.parametrize(
    ("ask", "message"),
    [
        (lambda p: p.voltage("b"), "unknown node of simple 'b'"),
        (lambda p: p.voltage("R.body"), "node 'R.body' is thermal, not electrical"),
        (lambda p: p.temperature("a"), "node 'a' is electrical, not thermal"),
        (lambda p: p.speed("a"), "node 'a' is electrical, not rotational"),
        (lambda p: p.current("Q"), "unknown element of simple 'Q'"),
        (lambda p: p.output("R", "curent"), "did you mean 'current'?"),
        (lambda p: p.flow("R", "c"), "unknown terminal of R 'c'; accepted: a, b, body, surroundings"),
        (lambda p: p.flow("Q", "a"), "unknown element of simple 'Q'"),
    ],
)
def test_wrong_questions_are_told(ask: Callable[[cs.Point], float], message: str, simple: cs.Netlist) -> None:
    point = cs.solve(simple)
    with pytest.raises(cs.InputError) as caught:
        ask(point)
    assert message in str(caught.value)


def test_results_cannot_be_changed(simple: cs.Netlist) -> None:
    points = cs.solve_batch(simple)
    for array in (points.residual, points.accepted, points.iterations, points.solved.x):
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0


def test_solving_checks_the_graph() -> None:
    net = cs.Netlist("loose")
    net.chain("GND", cs.VoltageSource("V", emf=12.0), "a", cs.Resistor("R", resistance=1.0), "end")
    with pytest.raises(cs.InputError, match="'end' is a loose end"):
        cs.solve(net)


TWO_TERMINAL = [
    cs.Resistor("E", resistance=2.0),
    cs.Contact("E", resistance=2.0),
    cs.Lamp("E", power=21.0),
    cs.Leak("E", conductance=0.5),
    cs.VoltageSource("E", emf=3.0, resistance=2.0),
    cs.Battery("E", emf=3.0, resistance=2.0),
    cs.CurrentSource("E", current=1.0),
    cs.Alternator("E", regulated=13.0, running=1.0),
]


@pytest.mark.parametrize("element", TWO_TERMINAL, ids=lambda e: e.kind)
def test_current_is_into_the_first_terminal(element: cs.Element) -> None:
    """One sign for all: `current` is what flows into the first terminal that the kind names."""
    net = cs.Netlist("signs")
    net.chain("GND", cs.VoltageSource("V", emf=12.0, resistance=1.0), "a", element, "GND")
    point = cs.solve(net)
    first = element.terminals[0].name
    assert point.current("E") == pytest.approx(point.flow("E", first), rel=1e-12)  # the same number, or a rounding of it
