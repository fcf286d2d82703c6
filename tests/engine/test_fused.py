"""The recorder of straight-line programs, and the fused correction against the general solver."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import sympy as sp

import circuitsim as cs
from circuitsim.engine.anchored import PREDICTED, Anchored
from circuitsim.engine.chains import Reduction
from circuitsim.engine.native import available
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.recording import Recorder
from circuitsim.engine.system import Evaluator
from circuitsim.engine.tracing import RUN, SETUP, Trace
from circuitsim.library import circuit_names
from circuitsim.measure import Conditions, make_bench
from circuitsim.measure.readings import step_values

RNG = np.random.default_rng(3)
RUNGS = np.array([1e7, 6800.0, 2500.0, 900.0, 60.0])


def run(trace: Trace, term, x: list[np.ndarray], p: list) -> np.ndarray:
    """Write, compile and run a recorded value."""
    source, kept, buffers = trace.write([("out[0]", term)], "go")
    scope = trace.scope()
    exec(trace.write_setup(kept, "setup") + source, scope)  # our own recorded program
    out = np.empty((1, x[0].size))
    scope["go"](x, scope["setup"](p, []), list(np.empty((buffers, x[0].size))), out)
    return out[0]


EXPRESSIONS = [
    "x*y + a*x - b",
    "(x - y)*(x - y)/(a*(1 + b*(x - 20)))",
    "-2*x/(a*b) + 2*y/(a*b)",
    "x**3/y**2 - sqrt(a)*Abs(x - y)",
    "tanh(x/a) - exp(-y) + x**Rational(9, 40)",
    "1/(x*y) - a/(x*y)",
    "b - x",
    "a*b",
]


@pytest.mark.parametrize("text", EXPRESSIONS)
def test_recorded_expressions_equal_sympy(text):
    symbols = {n: sp.Symbol(n, real=True) for n in "xyab"}
    expression = sp.sympify(text, locals=symbols)
    trace = Trace()
    names = {"x": trace.input("x[0]", RUN), "y": trace.input("x[1]", RUN)}
    names |= {"a": trace.input("p[0]", SETUP), "b": trace.input("p[1]", SETUP)}
    x, y = RNG.uniform(0.5, 3.0, (2, 50))
    got = run(trace, trace.expression(expression, names), [x, y], [1.7, 0.3])
    want = sp.lambdify([symbols[n] for n in "xyab"], expression, "numpy")(x, y, 1.7, 0.3) * np.ones(50)
    # Reordered sums and products of a few terms: some units in the last place.
    np.testing.assert_allclose(got, want, rtol=1e-13)


def test_equal_values_are_recorded_once():
    trace = Trace()
    x, y = trace.input("x[0]", RUN), trace.input("x[1]", RUN)
    assert trace.subtract(x, y) == trace.negative(trace.subtract(y, x))
    assert trace.product([x, y, x]) == trace.product([x, x, y])
    assert trace.add(x, trace.negative(x)) == 0.0
    assert trace.multiply(x, 0.0) == 0.0
    before = len(trace.values)
    trace.sum([x, trace.negative(y)])
    assert len(trace.values) == before


def test_parameter_work_is_done_in_setup():
    trace = Trace()
    x = trace.input("x[0]", RUN)
    a, b = trace.input("p[0]", SETUP), trace.input("p[1]", SETUP)
    source, kept, _ = trace.write([("out[0]", trace.product([a, x, b]))], "go")
    assert len(kept) == 1
    assert source.count("multiply") == 1


def test_kept_positive_factors_are_guarded():
    trace = Trace()
    z = sp.Symbol("z", real=True)
    from circuitsim.elements.limits import kept_positive

    term = trace.input("x[0]", RUN)
    assert trace.expression(kept_positive(z), {"z": term}) == term
    assert trace.guards == [term]


def bench() -> cs.Netlist:
    net = cs.Netlist("bench")
    net.chain("GND", cs.Battery("BAT", emf=12.6, resistance=0.012, charge_resistance=0.1), "BAT+")
    net.chain(
        "BAT+",
        cs.Fuse("F1", rating=30.0),
        cs.Wire("W1", area=2.5e-6, length=2.0),
        cs.Pin("X4.A", resistance=0.003),
        "MOT+",
    )
    net.add(cs.Motor("M1", "MOT+", "MOT-", "FAN", resistance=0.2, constant=0.028, friction=0.02))
    net.add(cs.ForwardCurvedFan("FAN1", "FAN", torque=0.4, speed=300.0))
    net.chain("MOT-", cs.Pin("X4.B", resistance=0.003), "LOW")
    net.add(
        cs.LinearController("U1", supply="BAT+", low="LOW", power_ground="PG", signal_ground="PG", command="CMD",
                            cooling_shaft="FAN", gain=1.12, offset=-0.6, pull_up=2000.0)
    )  # fmt: skip
    net.chain("PG", cs.Contact("G1", resistance=0.002), "GND")
    net.chain("CMD", cs.LadderRung("S1", resistance=3000.0), "GND")
    return net


def batch(size: int) -> tuple[np.ndarray, dict]:
    labels = RNG.integers(0, RUNGS.size, size)
    values = {
        ("S1", "resistance"): RUNGS[labels] * RNG.uniform(0.98, 1.02, size),
        ("M1", "resistance"): 0.2 * RNG.uniform(0.9, 1.1, size),
        ("M1", "friction"): 0.02 * RNG.uniform(0.5, 1.5, size),
        ("X4.A", "resistance"): 0.003 * np.exp(0.35 * RNG.normal(size=size)),
        ("BAT", "emf"): RNG.uniform(12.3, 12.8, size),
    }
    return labels, values


WAYS = [False, pytest.param(True, marks=pytest.mark.skipif(not available(), reason="llvmlite is not installed"))]


def anchored(frozen: bool = False, native: bool = False) -> Anchored:
    return Anchored(compile_netlist(bench()), {("S1", "resistance"): RUNGS}, RUNGS.size, frozen=frozen, native=native)


@pytest.mark.parametrize("native", WAYS)
@pytest.mark.parametrize("frozen", [True, False])
def test_the_fast_way_equals_the_general_way(frozen, native):
    solver = anchored(frozen, native)
    labels, values = batch(1500)
    fast = solver.solve(labels, values)
    general = solver.compiled.solve(values, frozen=frozen)
    assert fast.solution.accepted.all()
    assert general.solution.accepted.all()
    assert (fast.method == PREDICTED).mean() > 0.95
    # Both stop when one more correction is below 1e-9 of the value plus a floor of 1 µK at most.
    np.testing.assert_allclose(fast.x, general.x, rtol=3e-9, atol=3e-6)


@pytest.mark.parametrize("native", WAYS)
def test_results_do_not_depend_on_company_or_threads(native):
    solver = anchored(native=native)
    labels, values = batch(9000)
    whole = solver.solve(labels, values, threads=2)
    part = slice(100, 160)
    alone = solver.solve(labels[part], {k: v[part] for k, v in values.items()})
    # The prediction's matrix product may round otherwise for another width; the accepted answer may not.
    np.testing.assert_allclose(whole.x[:, part], alone.x, rtol=3e-9, atol=3e-6)
    assert whole.solution.accepted.all()


@pytest.mark.parametrize("native", WAYS)
def test_threads_may_share_a_solver(native):
    """Programs are made when first asked for, here by several threads at once."""
    labels, values = batch(600)
    solver = anchored(native=native)
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda _: solver.solve(labels, values, threads=2).x, range(8)))
    assert all(np.array_equal(x, found[0]) for x in found)


@pytest.mark.parametrize("native", WAYS)
def test_a_batch_may_be_one_or_none(native):
    labels, values = batch(1)
    solver = anchored(native=native)
    assert solver.solve(labels, {k: v[0] for k, v in values.items()}).solution.accepted.all()
    assert solver.solve(labels[:0], {}).size == 0


def test_what_the_fast_way_does_not_accept_goes_the_general_way():
    labels, values = batch(60)
    values["M1", "friction"] = RNG.uniform(0.0, 1.0, 60)  # far from its nominal point: running, stalled
    solved = anchored().solve(labels, values)
    assert solved.solution.accepted.all()
    assert (solved.method != PREDICTED).any()


def test_the_residual_is_an_upper_bound():
    labels, values = batch(300)
    solved = anchored().solve(labels, values)
    fast = solved.method == PREDICTED
    plan = solved.compiled.plan(False)
    entries, slopes = solved.laws(solved.x)
    exact = (np.abs(plan.balances(entries)) / plan.scale(entries, slopes, solved.x)).max(axis=0)
    # The two evaluate the laws in another order, so they differ by rounding, some 1e-15 of the scale.
    assert (exact[fast] <= solved.solution.residual[fast] + 1e-14).all()
    assert exact.max() < 1e-12


def evaluated(reduction: Reduction, results, laws: Evaluator, x: np.ndarray, given: np.ndarray) -> np.ndarray:
    """Record what `results(recorder)` asks for, and run it at reduced unknowns x."""
    trace = Trace()
    terms = results(Recorder(reduction, trace))
    source, kept, buffers = trace.write([(f"out[{k}]", t) for k, t in enumerate(terms)], "go")
    scope = trace.scope()
    exec(trace.write_setup(kept, "setup") + source, scope)  # our own recorded program
    flat = [float(v) for g in laws.base for v in g[:, :, 0].ravel()]
    out = np.empty((len(terms), x.shape[1]))
    scope["go"](list(x), scope["setup"](flat, list(given)), list(np.empty((buffers, x.shape[1]))), out)
    return out


@pytest.mark.parametrize("frozen", [True, False])
def test_slopes_are_those_of_the_balances(frozen):
    compiled = compile_netlist(bench())
    point = compiled.solve({}, frozen=frozen)
    reduction = Reduction(compiled.plan(frozen), point.laws)
    start = np.append(point.x[list(reduction.kept), 0], [8.0] * len(reduction.chains))
    given = point.x[len(compiled.system.variables) :]
    cells: list[tuple[int, int]] = []

    def slopes(record: Recorder):
        found = record.assemble(record.unknowns()).cells
        cells[:] = found
        return [record.trace.sum(parts) for parts in found.values()]

    def balances(record: Recorder):
        sums = record.assemble(record.unknowns(), slopes=False).sums
        return [record.trace.sum(sums[k]) for k in range(reduction.size)]

    at = evaluated(reduction, slopes, point.laws, start[:, None], given)[:, 0]
    full = np.zeros((reduction.size, reduction.size))
    for (row, column), value in zip(cells, at, strict=True):
        full[row, column] = value
    width = 1e-5 * (1 + np.abs(start))
    ends = [evaluated(reduction, balances, point.laws, start[:, None] + s * np.diag(width), given) for s in (1, -1)]
    # Central differences over 1e-5: truncation some 1e-9 of the third derivative, rounding 1e-16/1e-5 of the terms' sizes.
    found, size = (ends[0] - ends[1]) / (2 * width), np.abs(full).max(axis=1, keepdims=True)
    np.testing.assert_allclose(found / size, full / size, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("frozen", [True, pytest.param(False, marks=pytest.mark.slow)])
def test_the_rule_holds_on_every_node_of_the_whole_circuit(frozen):
    """The chains' own balances stand for the nodes inside; here the rule is applied to the circuit as it was drawn."""
    names = [name for name in circuit_names() if not (frozen and name.startswith("generic"))]
    for name in names:
        circuit = cs.load(name)
        modes = step_values(circuit, [(step, Conditions()) for step in circuit.steps])
        net = make_bench(circuit).net
        compiled = compile_netlist(net)
        # Numpy's program: the compiled one gives the same (tests/engine/test_native_circuits.py), and takes seconds to make.
        solver = Anchored(compiled, modes, len(circuit.steps), frozen=frozen, native=False)
        labels = np.repeat(np.arange(len(circuit.steps)), 60)
        values = {k: np.broadcast_to(v, (len(circuit.steps),))[labels] for k, v in modes.items()}
        for element in net.elements.values():
            for p in element.parameters:
                if p.name in ("resistance", "length", "friction", "emf") and (element.name, p.name) not in values:
                    drawn = element.values[p.name] * RNG.uniform(0.9, 1.1, labels.size)
                    values[element.name, p.name] = np.clip(drawn, p.low, p.high)
        solved = solver.solve(labels, values)
        plan = compiled.plan(frozen)
        entries, slopes = solved.laws(solved.x)
        balances = plan.balances(entries)
        error = (np.abs(balances) / plan.scale(entries, slopes, solved.x)).max(axis=0)
        step = plan.solve_dense(plan.cells(slopes), -balances)
        allowed = 1e-9 * np.abs(solved.x[plan.free]) + plan.floor[plan.free]
        assert (solved.method == PREDICTED).mean() > 0.9, name
        assert solved.solution.accepted.all(), name
        assert error.max() < 1e-12, name
        assert (np.abs(step) / allowed).max() < 1.0, name


def test_a_chain_is_one_unknown_whatever_is_spliced_in():
    def size(splices: int) -> int:
        net = bench()
        net.chain("MOT-", *(cs.Contact(f"SP{k}", resistance=0.001) for k in range(splices)), "SENSE")
        net.chain("SENSE", cs.Resistor("R1", resistance=100.0), "GND")
        compiled = compile_netlist(net)
        return Reduction(compiled.plan(False), Evaluator.of(compiled.system, {}, 1)).size

    assert size(9) == size(2)


class Growing(cs.Element):
    """A body that warms itself the more the warmer it is, where gain > 0: unstable at its surroundings' temperature."""

    terminals = (cs.thermal("body"), cs.thermal("surroundings", "ambient"))
    parameters = (cs.Parameter("gain", "W/K", "heat made a kelvin", 1.0, low=-1e6),)

    @staticmethod
    def law(s: cs.Symbols) -> cs.Law:
        heat = s.gain * (s.body - s.surroundings)
        return cs.Law(flows={"body": -heat, "surroundings": heat}, stores={"body": 10.0 * s.body})


@pytest.mark.parametrize("native", WAYS)
def test_a_point_that_a_disturbance_would_leave_is_no_reading(native):
    net = bench()
    net.add(Growing("G", gain=-1.0))
    solver = Anchored(compile_netlist(net), {("S1", "resistance"): RUNGS}, RUNGS.size, native=native)
    solved = solver.solve(
        np.zeros(2, np.intp), {("G", "gain"): np.array([-1.0, 2.0]), ("S1", "resistance"): RUNGS[:1].repeat(2)}
    )
    assert solved.method[0] == PREDICTED
    assert solved.solution.accepted[0]
    assert solved.method[1] != PREDICTED
    assert not (solved.solution.accepted[1] and not solved.unstable[1])
