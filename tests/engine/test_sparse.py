"""Big networks: the sparse plan gives the same points as the straight-line one, and what is known of meshes and ladders."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import circuitsim as cs
from circuitsim.elements import Law
from circuitsim.engine import modes, operating
from circuitsim.engine.anchored import Anchored
from circuitsim.engine.elimination import Plan
from circuitsim.engine.operating import Compiled, Solved, compile_netlist
from circuitsim.engine.points import Points
from circuitsim.engine.sensitivity import current_answer, sensitivities
from circuitsim.engine.settling import settle
from circuitsim.engine.sparse import SPARSE_FROM, SparsePlan
from circuitsim.engine.stability import unstable
from circuitsim.engine.system import Evaluator
from circuitsim.library import circuit_names
from circuitsim.measure import make_bench

FEW_EXAMPLES = settings(derandomize=True, deadline=None, max_examples=8)


def compiled_as(kind: type[Plan], net: cs.Netlist) -> Compiled:
    """Compile with plans of one kind, whatever the size."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(operating, "SPARSE_FROM", 1 if kind is SparsePlan else 10**9)
        compiled = compile_netlist(net)
        for frozen in (True, False):
            assert type(compiled.plan(frozen)) is kind
    return compiled


def assert_same_points(one: Solved, other: Solved) -> None:
    """Each is accepted with a correction below 1e-9 of the value or a floor (1 nV, 1 µK …): they differ by the sum of both,
    with as much again for what the next corrections would still add."""
    assert one.solution.accepted.all()
    assert other.solution.accepted.all()
    floor = one.compiled.plan(False).floor
    assert (np.abs(one.x - other.x) <= 4 * (1e-9 * np.abs(one.x) + floor)).all()


# The same numbers ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(circuit_names()))
def test_shipped_circuits_have_the_same_points_by_both_plans(name: str) -> None:
    net = make_bench(cs.load(name)).net
    straight, sparse = (compiled_as(kind, net) for kind in (Plan, SparsePlan))
    for frozen in (True, False):
        one, other = straight.solve(frozen=frozen), sparse.solve(frozen=frozen)
        assert_same_points(one, other)
        assert (one.unstable == other.unstable).all()
        assert Points(one).verdicts == Points(other).verdicts


def test_a_batch_of_a_big_network_is_its_samples() -> None:
    net = make_bench(cs.load("tractor-cab-fan")).net
    compiled = compiled_as(SparsePlan, net)
    ambient = np.linspace(-20.0, 50.0, 11)  # more than the 8 whose motions are looked at one by one
    batch = compiled.solve(ambient=ambient)
    assert not batch.unstable.any()
    for k in (0, 4, 10):
        # Same arithmetic; the last digits depend on where the rest of numpy's vectors lay.
        assert batch.x[:, k] == pytest.approx(compiled.solve(ambient=ambient[k]).x[:, 0], rel=1e-9, abs=1e-9)


def test_slopes_against_parameters_are_the_same_by_both_plans(bench: Callable[..., cs.Netlist]) -> None:
    """A motor that runs: with no current to speak of, its slopes would be small differences of large numbers."""
    net = bench("pack")
    solved = compiled_as(Plan, net).solve()
    answer = current_answer(solved, "M1")
    straight = sensitivities(solved, answer)
    sparse = sensitivities(replace(solved, compiled=compiled_as(SparsePlan, net)), answer)
    for one, other in zip(straight, sparse, strict=True):
        # Two pivoted solves of one scaled matrix, whose condition costs some of the 16 digits.
        assert other == pytest.approx(one, rel=1e-8, abs=1e-10 * float(np.abs(one).max(initial=0.0)))


@pytest.mark.parametrize("kind", [Plan, SparsePlan])
def test_right_sides_that_share_a_matrix_are_solved_as_alone(kind: type[Plan], bench: Callable[..., cs.Netlist]) -> None:
    """Several answers of one sample, in any order; a sample whose matrix is not finite spoils its own alone."""
    compiled = compiled_as(kind, bench())
    solved, plan = compiled.solve({("BAT", "emf"): np.array([11.0, 12.0, 13.0])}), compiled.plan(False)
    cells = plan.cells(solved.laws(solved.x)[1])
    rng = np.random.default_rng(3)
    owner = np.array([2, 0, 2, 1, 0, 2], dtype=np.intp)
    right = rng.standard_normal((plan.n, owner.size))
    found = plan.solve_transposed(cells, right, owner)
    for j, k in enumerate(owner):
        matrix = Plan.dense(plan, cells)[k]
        left = np.abs(matrix.T @ found[:, j] - right[:, j])
        assert (left <= 1e-12 * (np.abs(matrix.T) @ np.abs(found[:, j]))).all()  # backward error of a pivoted solve, n·eps
        alone = plan.solve_transposed(cells[:, [k]], right[:, [j]])[:, 0]
        assert found[:, j] == pytest.approx(alone, rel=1e-9, abs=1e-9 * float(np.abs(alone).max()))
    cells[:, 1] = np.nan
    lost = np.isnan(plan.solve_transposed(cells, right, owner)).all(axis=0)
    assert lost.tolist() == (owner == 1).tolist()


def test_settling_in_time_ends_at_the_same_point_by_both_plans() -> None:
    net = make_bench(cs.load("generic-pack")).net
    ends = []
    for kind in (Plan, SparsePlan):
        compiled = compiled_as(kind, net)
        laws = Evaluator.of(compiled.system, {}, 1)
        ends.append(settle(compiled.plan(False), laws, compiled.system.rest(np.array([20.0]))))
    # Settled to 1e-9 of typical sizes a step; 1e7 s steps leave nothing to settle.
    assert ends[1] == pytest.approx(ends[0], rel=1e-6, abs=1e-6)


def test_samples_about_a_nominal_point_work_over_a_sparse_plan() -> None:
    net = make_bench(cs.load("generic-pack")).net
    found = []
    for kind in (Plan, SparsePlan):
        emf = {("BAT", "emf"): np.linspace(12.3, 12.7, 5)}
        key = next((e.name, "emf") for e in net.elements.values() if e.kind == "battery")
        found.append(Anchored(compiled_as(kind, net), {}, 1).solve(np.zeros(5, np.intp), {key: emf["BAT", "emf"]}))
    assert_same_points(*found)


# Sizes and effort ---------------------------------------------------------------------------------------------------


def ladder(rungs: int, series: float = 1.0, shunt: float = 1.0, source: cs.Element | None = None) -> cs.Netlist:
    """Steps `series` and rungs `shunt`, fed at n0."""
    net = cs.Netlist("ladder")
    net.add(source or cs.CurrentSource("FEED", "n0", "GND", current=1.0))
    for k in range(rungs):
        net.add(cs.Resistor(f"S{k}", f"n{k}", f"n{k + 1}", resistance=series))
        net.add(cs.Resistor(f"P{k}", f"n{k + 1}", "GND", resistance=shunt))
    return net


def sheet(width: int, height: int, ohms: float = 1.0, at: str = "GND") -> Iterator[cs.Element]:
    """Resistors between the neighbours of a square lattice, with nodes x:y named `x.y`, the middle one `at`."""

    def node(x: int, y: int) -> str:
        return at if (x, y) == (width // 2, height // 2) else f"{x}.{y}"

    for x in range(width):
        for y in range(height):
            if x + 1 < width:
                yield cs.Resistor(f"H{x}.{y}", node(x, y), node(x + 1, y), resistance=ohms)
            if y + 1 < height:
                yield cs.Resistor(f"V{x}.{y}", node(x, y), node(x, y + 1), resistance=ohms)


def test_the_plan_is_chosen_by_size() -> None:
    assert type(compile_netlist(ladder(SPARSE_FROM - 2)).plan(True)) is Plan  # one node more than rungs
    assert type(compile_netlist(ladder(SPARSE_FROM - 1)).plan(True)) is SparsePlan


@pytest.mark.parametrize("long", [True, False])
def test_a_linear_network_is_factored_once(long: bool) -> None:
    """One factorisation, two solves; a changed source needs no new one, a changed resistance does."""
    net = ladder(400)
    if not long:
        net = cs.Netlist("sheet")
        for element in (cs.CurrentSource("FEED", "5.5", "GND", current=1.0), *sheet(20, 20)):
            net.add(element)
    resistor = "S0" if long else "H0.0"
    compiled = compile_netlist(net)
    plan = compiled.plan(False)
    assert isinstance(plan, SparsePlan)
    solved = compiled.solve()
    assert (solved.method[0], solved.solution.iterations[0], plan.factorisations) == (0, 2, 1)
    compiled.solve({("FEED", "current"): np.linspace(0.0, 5.0, 7)})
    assert plan.factorisations == 1
    compiled.solve({(resistor, "resistance"): np.array([1.0, 2.0, 3.0])})
    assert plan.factorisations == 3


def test_a_plan_serves_threads() -> None:
    """The order of elimination is found by whichever thread is first, with no harm to the others."""
    net = mesh(3)
    net.add(cs.CurrentSource("FEED", "n40", "GND", current=1.0))
    compiled = compile_netlist(net)
    ohms = np.linspace(1.0, 2.0, 16)

    def volts(compiled: Compiled, value: float) -> float:
        return float(Points(compiled.solve({("R1", "resistance"): value})).voltage("n40")[0])

    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(lambda value: volts(compiled, value), ohms))
    alone = [volts(compile_netlist(net), value) for value in ohms]
    assert together == pytest.approx(alone, rel=1e-9)  # the acceptance rule


# What is known of big networks ----------------------------------------------------------------------------------------


def test_a_long_ladder_measures_the_golden_ratio() -> None:
    """Own derivation: x = 1 + 1·x/(1 + x) gives x² = x + 1; what lies n rungs away counts φ^-4n, nothing here."""
    point = cs.solve(ladder(2000))
    assert point.voltage("n0") == pytest.approx((1 + math.sqrt(5)) / 2, rel=1e-9)  # the acceptance rule


def lattice_resistances(side: int) -> np.ndarray:
    """Between the middle of a square sheet of 1 Ω and three points near it, Ω."""
    net = cs.Netlist("sheet")
    middle = side // 2
    steps = {"next": (1, 0), "corner": (1, 1), "knight": (2, 1)}
    for name, (x, y) in steps.items():
        net.add(cs.CurrentSource(name, f"{middle + x}.{middle + y}", "GND", current=0.0))
    for element in sheet(side, side):
        net.add(element)
    currents = {(name, "current"): row for name, row in zip(steps, np.eye(3), strict=True)}
    points = cs.solve_batch(net, currents)
    return np.array([points.voltage(f"{middle + x}.{middle + y}")[k] for k, (x, y) in enumerate(steps.values())])


def test_a_square_sheet_measures_as_the_infinite_one() -> None:
    """D. Atkinson, F. J. van Steenwijk, 'Infinite resistive lattices', Am. J. Phys. 67 (1999) 486, table I; OEIS A355565.

    Of R: 1/2 to the neighbour, 2/π across the corner, 4/π - 1/2 a knight's move away. An edge L away reflects a dipole's
    field, which adds a share of 1/L²: 2 % of (10/L)² holds with room, and a sheet twice as wide is four times nearer.
    """
    infinite = np.array([1 / 2, 2 / math.pi, 4 / math.pi - 1 / 2])
    off = {side: lattice_resistances(side) - infinite for side in (41, 81)}
    assert np.abs(off[81]) == pytest.approx(0.0, abs=0.02 * (10 / 40) ** 2)
    assert off[41] / off[81] == pytest.approx(4.0, rel=0.1)  # 1/L² but for higher orders


def mesh(seed: int, nodes: int = SPARSE_FROM + 20, decades: float = 3.0) -> cs.Netlist:
    """A random connected mesh as a body has: a tree that joins each node to a near one, and short links across it."""
    rng = np.random.default_rng(seed)
    net = cs.Netlist("mesh")
    pairs = [(int(rng.integers(max(0, k - 10), k)), k) for k in range(1, nodes)]
    pairs += [(k, k + int(step)) for k, step in enumerate(rng.integers(1, 12, nodes - 12))]
    for k, (a, b) in enumerate(pairs):
        ohms = float(10 ** rng.uniform(-decades / 2, decades / 2))
        net.add(cs.Resistor(f"R{k}", "GND" if a == 0 else f"n{a}", f"n{b}", resistance=ohms))
    ends = [e.nodes[t] for e in net.elements.values() for t in ("a", "b")]
    for k in range(1, nodes):
        if ends.count(f"n{k}") == 1:  # no loose ends
            net.add(cs.Resistor(f"E{k}", f"n{k}", "GND", resistance=1.0))
    return net


def test_foster_adds_up_the_effective_resistances() -> None:
    """R. M. Foster, 'The average impedance of an electrical network' (1949): Σ R_effective/R over the branches = nodes - 1.

    One ampere into each node in turn gives the whole inverse of the matrix, from one factorisation; it is symmetric
    (reciprocity). Rounding: each answer is right to 1e-9, the sum of all so too.
    """
    net = mesh(1)
    nodes = [n for n in net.nodes() if n != "GND"]
    resistors = list(net.elements.values())
    for node in nodes:
        net.add(cs.CurrentSource(f"I.{node}", node, "GND", current=0.0))
    compiled = compile_netlist(net)
    solved = compiled.solve({(f"I.{n}", "current"): row for n, row in zip(nodes, np.eye(len(nodes)), strict=True)})
    assert compiled.plan(False).factorisations == 1
    at = {n: k for k, n in enumerate(nodes)}
    inverse = solved.x[[solved.system.index[n] for n in nodes]]
    assert inverse == pytest.approx(inverse.T, rel=1e-8, abs=1e-9)

    def effective(e: cs.Element) -> float:
        a, b = (at.get(e.nodes[t]) for t in ("a", "b"))
        own = sum(inverse[k, k] for k in (a, b) if k is not None)
        return float(own if a is None or b is None else own - 2 * inverse[a, b])

    total = sum(effective(e) / e.values["resistance"] for e in resistors)
    assert total == pytest.approx(len(nodes), rel=1e-8)


@FEW_EXAMPLES
@given(st.integers(0, 10_000), st.floats(0.0, 6.0), st.booleans())
def test_random_meshes_keep_energy_and_reciprocity(seed: int, decades: float, ideal: bool) -> None:
    """What the source gives is turned into heat, and a current at one end of a mesh shows at the other as the reverse does."""
    net = mesh(seed, decades=decades)
    net.add(cs.VoltageSource("V", "n40", "n200", emf=10.0, resistance=0.0 if ideal else 0.1))
    net.add(cs.CurrentSource("I1", "n5", "GND", current=0.0))
    net.add(cs.CurrentSource("I2", "n300", "n7", current=0.0))
    values = {("V", "emf"): np.array([10.0, 0.0, 0.0])}
    values |= {("I1", "current"): np.array([0.0, 1.0, 0.0]), ("I2", "current"): np.array([0.0, 0.0, 1.0])}
    points = cs.solve_batch(net, values)
    assert points.accepted.all()
    outputs = [points.outputs(e) for e in net.elements]
    given_, lost = (np.array([o[key] for o in outputs]) for key in ("source power", "heat"))
    # Voltages are right to 1e-9; powers are sums of products of them, over up to `decades` of currents.
    assert lost.sum(axis=0) == pytest.approx(given_.sum(axis=0), rel=1e-6, abs=1e-9)
    there = (points.voltage("n300") - points.voltage("n7"))[1]
    back = points.voltage("n5")[2]
    assert there == pytest.approx(back, rel=1e-6, abs=1e-8)


def body() -> cs.Netlist:
    """A vehicle's body as a sheet of 1 mΩ squares with bolted grounds: a running alternator at one end, loads about it."""
    net = cs.Netlist("body")
    for element in sheet(24, 16, ohms=1e-3, at="MIDDLE"):
        net.add(element)
    net.add(cs.Contact("G1", "1.8", "GND", resistance="2 mΩ"))
    net.add(cs.Alternator("ALT", "B+", "GND", running=1.0))
    net.add(cs.Battery("BAT", "B+", "GND", emf="12.6 V", resistance="10 mΩ"))
    for k, (place, ohms) in enumerate({"20.2": 0.5, "22.14": 1.0, "12.15": 2.4, "3.3": 6.0}.items()):
        net.chain("B+", cs.Wire(f"W{k}", area="2.5 mm²", length="3 m"), f"L{k}+", cs.Resistor(f"L{k}", resistance=ohms),
                  f"L{k}-", cs.Contact(f"X{k}", resistance="3 mΩ"), place)  # fmt: skip
    return net


def test_a_body_with_bolts_carries_what_its_loads_draw() -> None:
    """Charge at the one bolt to the engine."""
    net = body()
    net.check()
    compiled = compile_netlist(net)
    assert isinstance(compiled.plan(False), SparsePlan)
    points = Points(compiled.solve())
    assert points.verdicts == ("steady",)
    drawn = sum(points.current(f"L{k}")[0] for k in range(4))
    assert points.current("G1")[0] == pytest.approx(drawn, rel=1e-8)  # each voltage is right to 1e-9
    assert 30.0 < drawn < 50.0  # 14 V over 0.29 Ω in parallel, less the wires' share
    # Further from the engine's bolt the body stands higher above ground.
    assert points.voltage("22.14")[0] > points.voltage("MIDDLE")[0] > points.voltage("1.8")[0] > 0.0


def test_wires_that_warm_up_in_a_long_harness() -> None:
    """Nonlinear, with bodies: the same point as by the straight-line plan; the first wire carries all."""
    net = cs.Netlist("harness")
    net.add(cs.VoltageSource("V", "n0", "GND", emf=12.0, resistance=0.01))
    for k in range(120):
        net.add(cs.Wire(f"W{k}", f"n{k}", f"n{k + 1}", area="2.5 mm²", length="10 cm"))
        net.add(cs.Resistor(f"P{k}", f"n{k + 1}", "GND", resistance=100.0))
    straight, sparse = (compiled_as(kind, net).solve() for kind in (Plan, SparsePlan))
    assert_same_points(straight, sparse)
    assert Points(sparse).verdicts == ("steady",)


# What is not determined -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rungs", [5, SPARSE_FROM])
def test_sources_that_disagree_are_an_error_at_any_size(rungs: int) -> None:
    net = ladder(rungs, source=cs.VoltageSource("V1", "n0", "GND", emf=12.0))
    net.add(cs.VoltageSource("V2", "n0", "GND", emf=11.0))
    with pytest.raises(cs.SolveError, match=r"in circuit 'ladder', at 'warm', worst balance at 'V1:current'"):
        cs.solve(net)


@pytest.mark.parametrize("rungs", [5, SPARSE_FROM])
def test_a_part_that_floats_is_an_error_at_any_size(rungs: int) -> None:
    net = ladder(rungs)
    net.add(cs.Resistor("R1", "up", "away", resistance=1.0))
    net.add(cs.Resistor("R2", "up", "away", resistance=1.0))
    with pytest.raises(cs.CircuitsimError, match=r"ladder: node 'away' floats: no path to ground from R1, R2"):
        cs.solve(net)


# Stability ------------------------------------------------------------------------------------------------------------


class Growing(cs.Element):
    """A body that warms itself the more the warmer it is: unstable at the temperature of its surroundings."""

    terminals = (cs.thermal("body"), cs.thermal("surroundings", "ambient"))
    parameters = (cs.Parameter("gain", "W/K", "heat made a kelvin", 1.0, low=-1e6),)

    @staticmethod
    def law(s: cs.Symbols) -> Law:
        heat = s.gain * (s.body - s.surroundings)
        return Law(flows={"body": -heat, "surroundings": heat}, stores={"body": 10.0 * s.body})


class Swinging(cs.Element):
    """Two bodies that drive each other round: growing swings of 1 rad/s at `gain`/10 a second."""

    terminals = (cs.thermal("one"), cs.thermal("two"), cs.thermal("surroundings", "ambient"))
    parameters = (cs.Parameter("gain", "W/K", "heat made a kelvin", 1.0, low=-1e6),)

    @staticmethod
    def law(s: cs.Symbols) -> Law:
        one, two = s.one - s.surroundings, s.two - s.surroundings
        flows = {"one": 10 * two - s.gain * one, "two": -10 * one - s.gain * two}
        return Law(flows=flows, stores={"one": 10.0 * s.one, "two": 10.0 * s.two})


def warm_ladder(wires: int, *more: cs.Element) -> cs.Netlist:
    net = ladder(SPARSE_FROM, 0.1, 10.0)
    for k in range(wires):
        net.add(cs.Wire(f"W{k}", f"n{k}", f"n{k + 2}", area="2.5 mm²", length="1 m"))
    for element in more:
        net.add(element)
    return net


@pytest.mark.parametrize("wires", [0, 5, 200])  # nothing else that stores; few stores; many
@pytest.mark.parametrize(
    ("more", "grows"),
    [
        ([], False),
        ([("G", Growing, 1.0)], True),
        ([("G", Growing, -1.0)], False),
        ([("G", Growing, 0.3), ("H", Growing, 0.02)], True),  # two: det J keeps its sign
        ([("S", Swinging, 0.5)], True),
        ([("S", Swinging, -0.5)], False),
    ],
)
def test_growing_motions_are_found_as_in_a_small_circuit(
    wires: int, more: list[tuple[str, type[cs.Element], float]], grows: bool
) -> None:
    """Growth rates of 0.002 to 0.1 a second among wires that settle in a minute; both plans say the same."""
    net = warm_ladder(wires, *(kind(name, gain=gain) for name, kind, gain in more))
    found = []
    for kind in (Plan, SparsePlan) if wires < 10 else (SparsePlan,):
        compiled = compiled_as(kind, net)
        laws = Evaluator.of(compiled.system, {}, 1)
        start = compiled.system.rest(np.array([20.0]))
        solution = compiled._direct(laws, start, frozen=False)
        assert solution.accepted.all()
        found.append(bool(unstable(compiled.plan(False), laws, solution)[0]))
    assert found == [grows] * len(found)


def test_one_body_that_runs_away_is_found_by_the_sign_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """det J has the sign of a stable network unless an odd number of motions grows; two need the map."""
    monkeypatch.setattr(modes, "_farthest", lambda *_: 0.0)
    for gains, grows in (([], False), ([0.3], True), ([0.3, 0.02], False), ([0.3, 0.02, 0.1], True)):
        net = warm_ladder(200, *(Growing(f"G{k}", gain=gain) for k, gain in enumerate(gains)))
        compiled = compile_netlist(net)
        laws = Evaluator.of(compiled.system, {}, 1)
        solution = compiled._direct(laws, compiled.system.rest(np.array([20.0])), frozen=False)
        assert bool(unstable(compiled.plan(False), laws, solution)[0]) is grows
