"""The course in time against closed forms, published values, other integrators, and laws that it must keep."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

import circuitsim as cs
from circuitsim.engine.backward import slopes_at
from circuitsim.engine.following import Follower
from circuitsim.engine.landing import land
from circuitsim.engine.operating import Compiled, compile_netlist
from circuitsim.engine.points import Points
from circuitsim.engine.radau import NODES, WEIGHTS
from circuitsim.engine.reaching import reach, step_plan
from circuitsim.engine.sensitivity import current_answer, voltage_answer
from circuitsim.engine.system import Evaluator
from circuitsim.engine.transient import Course, Phase, follow
from circuitsim.measure.conditions import Conditions, make_bench
from circuitsim.measure.readings import step_values

Array = NDArray[np.float64]
PASSED = 2e-5
"""Of the value: a step may be off by 1e-5 of it, and errors of the steps die away with what they are about."""


def loop(volts: float, ohms: float, henries: float) -> Compiled:
    """A source, a resistor and an inductor whose own resistance is a thousandth of it."""
    net = cs.Netlist("loop")
    net.add(cs.VoltageSource("V", "top", "GND", emf=volts))
    inductor = cs.Inductor("L", inductance=henries, resistance=ohms / 1000)
    net.chain("top", cs.Resistor("R", resistance=ohms * 0.999), "mid", inductor, "GND")
    return compile_netlist(net)


def values_of(circuit: cs.Circuit, step: str, ignition: str = "on") -> dict[tuple[str, str], float]:
    return {k: float(v[0]) for k, v in step_values(circuit, [(step, Conditions(ignition=ignition))]).items()}


# Closed forms and published values -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("time", "amperes"), [(2.5e-3, 3.68), (5e-3, 1.35), (10e-3, 0.183)])
def test_a_current_decays_as_in_the_textbook(time: float, amperes: float) -> None:
    """7.50 mH, 3.00 Ω, 10.0 A: 2.50 ms. OpenStax College Physics 2e, RL circuits (m42425); printed to three digits."""
    compiled = loop(30.0, 3.0, 7.5e-3)
    start = compiled.solve(size=1).x
    course = follow(compiled, 0.02, [Phase(0.0, {("V", "emf"): 0.0})], start=start)
    found = course.at([time]).currents["L"][0]
    assert found == pytest.approx(amperes, abs=0.005 if amperes > 1 else 5e-4)
    assert found == pytest.approx(10 * math.exp(-time / 2.5e-3), rel=PASSED)


def test_a_current_rises_as_in_the_textbook() -> None:
    """2.0 V, 4.0 Ω, 4.0 H: 0.43 A and 0.27 V at the coil after 2 τ, 95.0 % after 3 τ (OpenStax Univ. Physics 2, m58752)."""
    course = follow(loop(2.0, 4.0, 4.0), 6.0)
    two, three = course.at([2.0]), course.at([3.0])
    assert two.currents["L"][0] == pytest.approx(0.43, abs=0.005)
    assert two.points.voltage("mid")[0] == pytest.approx(0.27, abs=0.005)
    assert three.currents["L"][0] / 0.5 == pytest.approx(0.950, abs=0.0005)
    assert three.currents["L"][0] == pytest.approx(0.5 * -math.expm1(-3.0), rel=PASSED)


def test_a_capacitor_charges_by_its_time_constant() -> None:
    """Mathematics: 12 V, 1 kΩ in all, 1 mF; the leakage of 1 nS moves the end by 1e-6."""
    net = cs.Netlist("charging")
    net.add(cs.VoltageSource("V", "top", "GND", emf=12.0))
    net.chain("top", cs.Resistor("R", resistance=990.0), "mid", cs.Capacitor("C", capacitance=1e-3, resistance=10.0), "GND")
    course = follow(net, 5.0)
    for time in (0.1, 1.0, 3.0):
        assert course.at([time]).nodes["C:charged"][0] == pytest.approx(-12 * math.expm1(-time), rel=PASSED)


def heated(capacity: float = 2.0) -> cs.Netlist:
    """A joint of 10 mΩ that 20 A warm: 4 W through 25 K/W, 100 K at last, with 50 s. Its ohms stay as they are."""
    net = cs.Netlist("heated")
    net.add(cs.CurrentSource("I", "top", "GND", current=20.0))
    joint = cs.Contact("X", resistance=0.01, coefficient=0.0, thermal_resistance=25.0, heat_capacity=capacity)
    net.chain("top", joint, "GND")
    return net


@pytest.mark.parametrize("time", [0.5, 10.0, 50.0, 500.0])
def test_a_joint_warms_by_its_time_constant(time: float) -> None:
    """Mathematics: ΔT = P·R·(1 - exp(-t/RC)); within 1 mK, as promised for the time after key-on."""
    found = Points(reach(compile_netlist(heated()), {}, time)).temperature("X.body")[0]
    assert found == pytest.approx(20 - 100 * math.expm1(-time / 50), abs=1e-3)


def tutorial_motor() -> cs.Netlist:
    """The motor of the University of Michigan's control tutorials: J 0.01, b 0.1, K 0.01, R 1, L 0.5 (SI), at 1 V."""
    net = cs.Netlist("tutorial")
    net.add(cs.VoltageSource("V", "plus", "GND", emf=1.0))
    # Its heat goes nowhere in the tutorial: bodies of a great capacity.
    net.add(
        cs.Motor(
            "M", plus="plus", minus="GND", shaft="s", resistance=1.0, constant=0.01, inductance=0.5, inertia=0.01, viscous=0.1,
            friction=0.0, brush_drop=0.0, magnet_coefficient=0.0, winding_heat_capacity=1e9, case_heat_capacity=1e9,
        )
    )  # fmt: skip
    return net


def test_the_motor_of_the_control_tutorials() -> None:
    """Published: 0.1 rad/s a volt, settling near 2 s. Worked out: 0.05417, 0.08304 rad/s at 0.5, 1 s; 2 % at 2.066 s."""
    course = follow(tutorial_motor(), 6.0)
    seen = course.at([0.5, 1.0, 6.0]).nodes["s"]
    assert seen[0] == pytest.approx(0.05417, abs=6e-6)  # half the last digit, and a step's error
    assert seen[1] == pytest.approx(0.08304, abs=6e-6)
    assert seen[2] == pytest.approx(0.0999001, rel=PASSED)
    times = np.linspace(1.5, 3.0, 1501)
    last = times[np.flatnonzero(np.abs(course.at(times).nodes["s"] / 0.0999001 - 1) > 0.02)[-1]]
    assert last == pytest.approx(2.066, abs=0.002)  # a step of the grid, and half the last digit


def test_the_motor_against_the_control_library() -> None:
    """The step response of its transfer function, whose poles are -2.00250 and -9.99750 1/s."""
    control = pytest.importorskip("control", reason="python-control is not installed: an independent step response")
    system = control.tf([0.01], [0.005, 0.06, 0.1001])
    assert sorted(system.poles().real) == pytest.approx([-9.99750, -2.00250], abs=5e-6)
    times = np.linspace(0.0, 4.0, 81)
    _, expected = control.step_response(system, times)
    found = follow(tutorial_motor(), 4.0).at(times[1:]).nodes["s"]
    assert found == pytest.approx(expected[1:], rel=1e-4, abs=1e-6)  # the first is 1e-3 of the last: the step's absolute error
    # The two motions that die away, from the circuit's own matrices.
    compiled = compile_netlist(tutorial_motor())
    plan = step_plan(compiled)
    laws = Evaluator.of(compiled.system, {}, 1)
    _, jacobian, mass = plan.matrices(laws, compiled.solve(size=1, frozen=True).x)
    times_ = np.linalg.eigvals(np.linalg.solve(plan.dense(jacobian)[0], plan.dense(mass)[0])).real
    fast = sorted(-1 / t for t in times_ if 1e-4 < t < 1.0)  # the bodies are slower by far
    assert fast == pytest.approx([-9.99750, -2.00250], rel=1e-5)


# The method ----------------------------------------------------------------------------------------------------------


def test_the_method_is_of_order_five() -> None:
    """Errors after one time constant in 2, 4, 8 and 16 equal steps fall by 2⁵ a halving (Radau IIA with three stages)."""
    compiled = loop(1.0, 1.0, 1.0)
    plan, laws = step_plan(compiled), Evaluator.of(compiled.system, {}, 1)
    tolerance = Follower(plan, laws, compiled.system.rest(np.array([20.0]))).tolerance
    row = compiled.system.index["L:current"]
    errors = []
    for count in (2, 4, 8, 16):
        x = compiled.system.rest(np.array([20.0]))
        for _ in range(count):
            x = land(plan, laws, x, np.array([1.0 / count]), tolerance).solution.x
        errors.append(abs(float(x[row, 0]) + math.expm1(-1.0)))
    orders = [math.log2(a / b) for a, b in pairwise(errors)]
    assert orders == pytest.approx([5, 5, 5], abs=0.3)  # the next term of the error shows in the coarse ones


def test_a_step_as_long_as_you_like_ends_at_rest() -> None:
    """L-stability: one step of a million time constants leaves a millionth of what it began with, and no oscillation."""
    compiled = loop(0.0, 1.0, 1.0)
    plan, laws = step_plan(compiled), Evaluator.of(compiled.system, {}, 1)
    x = compiled.system.rest(np.array([20.0]))
    x[compiled.system.index["L:current"]] = 1.0
    tolerance = Follower(plan, laws, x).tolerance
    found = land(plan, laws, x, np.array([1e6]), tolerance).solution.x
    assert abs(found[compiled.system.index["L:current"], 0]) < 1e-5  # 9/z for large z


@pytest.mark.parametrize("seconds", [pytest.param(0.1, marks=pytest.mark.slow), 120.0])
def test_a_tenth_of_the_tolerance_moves_no_temperature_by_a_tenth_of_a_millikelvin(seconds: float) -> None:
    circuit = cs.load("tractor-cab-fan")
    compiled = compile_netlist(make_bench(circuit).net)
    values = dict(step_values(circuit, [(s, Conditions()) for s in ("2", "4")]))
    hot = np.flatnonzero(compiled.system.thermal)
    loose, tight = (reach(compiled, values, seconds, size=2, relative=r).x for r in (1e-5, 1e-6))
    assert np.abs(loose[hot] - tight[hot]).max() < 1e-4  # a tenth of what is promised
    assert (np.abs(loose - tight) / (1 + np.abs(tight))).max() < 1e-5  # of every voltage, current and speed


@settings(max_examples=5, deadline=None, derandomize=True)
@given(
    volts=st.floats(6.0, 15.0), ohms=st.floats(0.1, 0.6), constant=st.floats(0.02, 0.05), friction=st.floats(0.0, 0.1),
    joint=st.floats(1e-3, 0.05),
)  # fmt: skip
def test_energy_is_kept(volts: float, ohms: float, constant: float, friction: float, joint: float) -> None:
    """What the battery gives is stored or has left as heat, from rest to two seconds.

    Powers are integrated by the method's own weights in every step; both sides are off by a step's error: 1e-4 of the total.
    """
    net = cs.Netlist("energy")
    net.add(cs.Battery("B", "top", "GND", emf=volts, resistance=0.02))
    net.chain("top", cs.Contact("X", resistance=joint), "plus")
    net.add(cs.Motor("M", plus="plus", minus="GND", shaft="s", resistance=ohms, constant=constant, friction=friction))
    net.add(cs.ForwardCurvedFan("F", shaft="s", torque=0.3, speed=300.0))
    course = follow(net, 2.0)
    edges = np.unique(course.steps)
    spans = np.diff(edges)
    seen = course.at((edges[:-1, None] + spans[:, None] * NODES).ravel()).points
    power = sum((seen.outputs(e)["source power"] - seen.outputs(e)["heat"] for e in ("B", "X", "M", "F")), np.zeros(seen.size))
    # What flows into the surroundings leaves.
    for element, terminal in (("B", "air"), ("X", "surroundings"), ("M", "surroundings"), ("F", "air")):
        power += seen.flow(element, terminal)
    weights = (spans[:, None] * WEIGHTS).ravel()
    given_, total = float((power * weights).sum()), float((seen.outputs("B")["source power"] * weights).sum())
    end = course.at([2.0])
    i, w = end.nodes["M:current"][0], end.nodes["s"][0]
    stored = 0.5 * 1.5e-4 * i**2 + 0.5 * (1e-4 + 5e-4) * w**2
    stored += sum(c * (end.nodes[n][0] - 20) for n, c in (("X.body", 2.0), ("M.winding", 80.0), ("M.case", 400.0)))
    assert given_ == pytest.approx(stored, abs=1e-4 * total)


# Where it leads ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["generic-pack", "minibus-condenser-fan", "tractor-cab-fan"])
def test_it_leads_to_the_operating_point(name: str) -> None:
    """The right root by an independent road: random motors and fans, cold and warm air, one that stalls.

    1e-6 of each value (1 V, 1 A, 1 rad/s, 1 °C at least): the balances decide the end, not the steps. 200 are done by
    benchmarks/transients.py.
    """
    circuit = cs.load(name)
    compiled = compile_netlist(make_bench(circuit).net)
    rng, size = np.random.default_rng(7), 6
    steps = [circuit.steps[1 + k % (len(circuit.steps) - 1)] for k in range(size)]
    values = dict(step_values(circuit, [(s, Conditions()) for s in steps]))
    loose = [(circuit.motor, "resistance"), (circuit.motor, "constant")]
    loose += [(e.name, "torque") for e in circuit.net.elements.values() if e.kind.endswith("fan")]
    for key in loose:
        values[key] = circuit.net.elements[key[0]].values[key[1]] * rng.uniform(0.8, 1.2, size)
    stalls = np.arange(size) == size - 1
    values[circuit.motor, "friction"] = np.where(stalls, 20.0, 0.05)
    for p in ("winding_resistance_heat", "case_resistance_heat"):  # so that it can stand there for good
        values[circuit.motor, p] = np.where(stalls, 0.05, circuit.net.elements[circuit.motor].values[p])
    air = rng.uniform(-20, 45, size)
    points = Points(compiled.solve(values, ambient=air, size=size))
    led = Points(reach(compiled, values, 3e4, ambient=air, size=size))
    both = points.valid & led.valid
    assert both[:-1].all()
    assert all(a == b for a, b, good in zip(points.verdicts, led.verdicts, both, strict=True) if good)
    assert bool(points.valid[-1]) == bool(led.valid[-1])
    far = np.abs(points.solved.x - led.solved.x) / np.maximum(np.abs(points.solved.x), 1.0)
    assert far[:, both].max() < 1e-6


def test_one_of_them_stalls_for_good() -> None:
    circuit = cs.load("generic-pack")
    compiled = compile_netlist(make_bench(circuit).net)
    stuck = {(circuit.motor, p): v for p, v in (("friction", 20.0), ("winding_resistance_heat", 0.05))}
    values = values_of(circuit, circuit.steps[1]) | stuck | {(circuit.motor, "case_resistance_heat"): 0.05}
    points, led = Points(compiled.solve(values, size=1)), Points(reach(compiled, values, 3e4))
    assert points.verdicts == led.verdicts == ("stalled",)
    assert led.current(circuit.motor)[0] == pytest.approx(points.current(circuit.motor)[0], rel=1e-6)


@pytest.mark.parametrize(("seconds", "step"), [(0.05, "2"), (120.0, "4")])
def test_slopes_at_a_time_are_those_of_perturbed_courses(seconds: float, step: str) -> None:
    """Against central differences of courses with a tenth of the tolerance: within a hundredth."""
    circuit = cs.load("tractor-cab-fan")
    compiled = compile_netlist(make_bench(circuit).net)
    system, base = compiled.system, values_of(circuit, step)
    keys = [("M1", "resistance"), ("M1", "constant"), ("FAN1", "torque"), ("FAN1", "inertia"), ("S2", "resistance"),
            ("M1", "winding_heat_capacity"), ("F7", "resistance"), ("U1", "on_resistance"), ("U1", "gain")]  # fmt: skip
    change, size = 1e-3, 2 * len(keys)
    nominal = {key: base.get(key, circuit.net.elements[key[0]].values[key[1]]) for key in keys}
    moved = {key: np.full(size, v) for key, v in {**base, **nominal}.items()}
    for k, key in enumerate(keys):
        moved[key][2 * k : 2 * k + 2] *= (1 + change, 1 - change)
    far, here = reach(compiled, moved, seconds, size=size, relative=1e-6), reach(compiled, base, seconds, keep=True)
    low = np.array([system.index[circuit.node("MOT-")]]), np.array([system.index["GND"]])
    for answer, seen in (
        (current_answer(here, "M1"), current_answer(far, "M1").value),
        (voltage_answer(here, *low), far.x[low[0][0]]),
    ):
        found = slopes_at(here, answer)
        expected = np.array([(seen[2 * k] - seen[2 * k + 1]) / (2 * change) for k in range(len(keys))])
        got = np.array([found[g][p, e, 0] * nominal[key] for key in keys for g, p, e in [system.column(*key)]])
        # A slope too small to matter is blurred by the courses' own error: 1e-4 of the largest.
        assert got == pytest.approx(expected, rel=0.01, abs=1e-4 * float(np.abs(expected).max()))


# What happens on the way ---------------------------------------------------------------------------------------------


def test_a_fuse_holds_an_inrush_and_opens_under_a_short() -> None:
    """At 3.5 times its rating a blade fuse opens within half a second (from memory); a motor's inrush is over by then."""
    circuit = cs.load("coach-defroster-fan")
    course = cs.transient(circuit, "5 s")
    fuse, rating = next((n, e.values["rating"]) for n, e in circuit.net.elements.items() if e.kind == "fuse" and n == "F3")
    assert np.abs(course.currents[fuse]).max() > 3.5 * rating
    assert course.stopped == ""
    net = cs.Netlist("short")
    net.add(cs.Battery("B", "top", "GND", emf=12.0, resistance=0.28))
    net.chain("top", cs.Fuse("F", rating=10.0), "out", cs.Switch("S", closed=0.0), "GND")
    closed = [Phase(0.0, {("S", "closed"): 0.0}), Phase(1.0, {("S", "closed"): 1.0}, "shorted")]
    opened = follow(net, 10.0, closed)
    assert opened.stopped == "outside validity at F: the fuse melts"
    assert 1.04 < opened.end < 1.5
    assert [e.what for e in opened.events] == ["shorted", opened.stopped]
    assert opened.events[-1].ends
    net.elements["B"] = net.elements["B"].replaced(resistance=0.02)  # a dead short melts it before that
    melted = follow(net, 10.0, closed)
    assert melted.stopped == "outside validity at F: the fuse melts"
    assert 1.0 < melted.end < 1.02


def test_a_cutout_opens_when_its_body_is_hot_enough() -> None:
    """Mathematics: 100 K to come with 50 s; 80 °C is 60 K above the air, at 50·ln(100/40) s. 1 mK is 1.2 ms there."""
    net = heated()
    net.add(cs.ThermalCutout("C", "GND", "GND", body="X.body", opens_at=80.0))
    course = follow(net, 200.0)
    assert course.stopped == "outside validity at C: the cutout opens"
    assert course.end == pytest.approx(50 * math.log(100 / 40), abs=2e-3)


def test_what_runs_away_stops_there() -> None:
    net = heated()
    net.elements["X"] = net.elements["X"].replaced(resistance=0.05)
    led = Points(reach(compile_netlist(net), {}, 1e4))
    assert led.verdicts == ("runs away at X",)
    assert not led.valid[0]
    assert led.temperature("X.body")[0] == pytest.approx(230.0, abs=0.01)  # where a joint's law ends


def test_a_sudden_change_is_told_before_and_after() -> None:
    course = follow(loop(2.0, 4.0, 4.0), 4.0, [Phase(0.0, {("V", "emf"): 2.0}), Phase(2.0, {("V", "emf"): 0.0}, "off")])
    at = np.flatnonzero(course.times == 2.0)
    assert at.size == 2
    assert course.points.voltage("top")[at] == pytest.approx([2.0, 0.0], abs=1e-9)
    assert np.ptp(course.currents["L"][at]) < 1e-8  # a coil's current does not jump
    assert course.at([2.0]).points.voltage("top")[0] == pytest.approx(0.0, abs=1e-9)


def test_records_name_everything() -> None:
    course = follow(loop(2.0, 4.0, 4.0), 1.0)
    row = course.records()[-1]
    assert row["time"] == 1.0
    assert row["I(L)"] == pytest.approx(-0.5 * math.expm1(-1.0), rel=PASSED)
    assert set(row) >= {"top", "mid", "L:current", "I(R)"}
    assert len(course.records()) == course.times.size
    assert course.points.residual.max() < 1e-12


def test_a_settled_start_stays() -> None:
    circuit = cs.load("generic-pack")
    course = cs.transient(circuit, "10 s", start="warm")
    assert np.ptp(course.currents[circuit.motor]) < 1e-6 * abs(course.currents[circuit.motor][0])


def test_where_it_starts_makes_no_difference_in_the_end() -> None:
    compiled = loop(2.0, 4.0, 4.0)
    found = [follow(compiled, 60.0, start=s).currents["L"][-1] for s in ("rest", "cold", "warm")]
    assert found == pytest.approx([0.5, 0.5, 0.5], rel=1e-6)


BAD: list[tuple[dict[str, object], str]] = [
    ({"start": "hot"}, "accepted: rest, cold, warm"),
    ({"phases": [Phase(1.0)]}, "phases start at 0"),
    ({"phases": [Phase(0.0), Phase(9.0)]}, "before the end"),
    ({"phases": [Phase(0.0), Phase(1.0, {("V", "emf"): 1.0})]}, "V.emf is given for some phases"),
]


@pytest.mark.parametrize(("options", "said"), BAD)
def test_what_can_not_be_is_refused(options: dict[str, object], said: str) -> None:
    with pytest.raises(cs.InputError, match=said):
        follow(loop(2.0, 4.0, 4.0), 5.0, **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("times", [[], [-1.0], [11.0], [math.nan]])
def test_there_is_nothing_to_see_outside(times: list[float]) -> None:
    course: Course = follow(loop(2.0, 4.0, 4.0), 10.0)
    with pytest.raises(cs.InputError, match="from 0 to 10 s"):
        course.at(times)
