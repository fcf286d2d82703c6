"""The periodic steady state of whole circuits: modes, coupling with speed and heat, limits, balances, and what a clamp sees."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import ModuleType
from typing import Any

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.elements import LockedShaft, element_kinds
from circuitsim.elements.base import Domain
from circuitsim.engine import rounds
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.periodic import LIMITED, PERIODIC, chop
from circuitsim.engine.periodic_points import PeriodicPoints, periodic_points
from circuitsim.engine.statement import statement_of
from circuitsim.errors import SolveError

Bench = Callable[..., cs.Netlist]
SWITCHING = {name: kind for name, kind in element_kinds().items() if kind.modes() is not None}


def coil(
    *, duty: float, frequency: float, emf: float = 5.0, supply: float = 13.5, resistance: float = 0.25, henry: float = 150e-6,
    diode: float = 0.7, feed: float = 0.0, capacitor: float = 0.0,
) -> cs.Netlist:  # fmt: skip
    """A coil with a back-EMF between an ideal supply and the stage; the stage's own ohms are a millionth of an ohm."""
    net = cs.Netlist("coil")
    net.chain("GND", cs.VoltageSource("V1", emf=supply), "B+", cs.Resistor("RF", resistance=feed), "P")
    coil = cs.Inductor("L1", inductance=henry, resistance=resistance)
    net.chain("P", coil, "E+", cs.VoltageSource("E", "LOW", "E+", emf=emf), "LOW", backwards=["E"])
    if capacitor:
        net.add(cs.Capacitor("C1", "P", "LOW", capacitance=capacitor, resistance=0.3, leakage=1e-12))
    net.chain("GND", cs.VoltageSource("VC", emf=0.0), "CMD")
    net.add(
        cs.PwmController(
            "U1", supply="B+" if feed == 0 else "P", low="LOW", power_ground="GND", signal_ground="GND", command="CMD",
            gain=0.0, offset=duty, frequency=frequency, on_resistance=1e-6, diode_drop=diode, diode_resistance=1e-6,
            quiescent=0.0, leakage=1e-9, current_limit=1e6, on_coefficient=0.0,
        )
    )  # fmt: skip
    return net


def solved(net: cs.Netlist, values: Any = None, **options: Any) -> PeriodicPoints:
    points = cs.solve_batch(net, values, **options)
    assert isinstance(points, PeriodicPoints)
    return points


def duties(net: cs.Netlist, duty: np.ndarray) -> dict[tuple[str, str], np.ndarray]:
    """A command for each duty of the bench's stage, whose supply is its battery of 12.6 V."""
    stage = net.elements["U1"].values
    return {("VC", "emf"): 12.6 * (1 - (duty - stage["offset"]) / stage["gain"])}


# What the modes declare -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SWITCHING)
def test_every_mode_is_affine_in_voltages_and_currents(name: str) -> None:
    """Its second derivatives are zero where the supply is there (its own quiescent current is rounded off below a volt)."""
    import sympy as sp

    kind = SWITCHING[name]
    modes = kind.modes()
    assert modes is not None
    for law in modes.laws.values():
        statement = statement_of(law)
        electrical = [t.name for t in kind.terminals if t.domain is Domain.ELECTRICAL]
        moving = [sp.Symbol(v, real=True) for v in (*electrical, *(u.name for u in kind.unknowns))]
        values = {sp.Symbol(p.name, real=True): sp.Float(p.default) for p in kind.parameters}
        values |= {sp.Symbol(p.name, real=True): sp.Integer(0) for p in kind.parameters if p.name == "quiescent"}
        for row in (*electrical, "drive"):
            flow = sp.sympify(dict(zip(statement.rows, statement.expressions, strict=True))[row]).subs(values)
            bends = [sp.diff(flow, a, b) for a in moving for b in moving]
            assert all(sp.simplify(bend) == 0 for bend in bends)


@pytest.mark.parametrize("name", SWITCHING)
def test_modes_speak_of_what_is_there(name: str) -> None:
    kind = SWITCHING[name]
    modes = kind.modes()
    assert modes is not None
    for law in (*modes.laws.values(), modes.mean):
        assert law.terminals == kind.terminals
        assert law.parameters == kind.parameters
        assert [u.name for u in law.unknowns] == [u.name for u in kind.unknowns]
    for mode, guards in modes.guards.items():
        for output, follows in guards:
            assert output in statement_of(modes.laws[mode]).law.outputs
            assert follows in modes.laws
    assert modes.share in statement_of(modes.mean).law.outputs
    assert {m for phase in modes.phases for m in phase} <= set(modes.laws)


# Closed forms -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hertz", "expected"),
    [
        (20e3, (5.0084, 6.1916, 5.6, 5.6104, 6.4, 7.1)),
        (400.0, (0.0, 29.7665, 12.42914, 16.62644, 8.10728, 5.39272)),
    ],
)
def test_a_circuit_gives_the_closed_form(hertz: float, expected: tuple[float, ...]) -> None:
    """Derived rows (closed form, checked by an integrator): least, largest, average, RMS amperes; motor and low side."""
    points = solved(coil(duty=0.5, frequency=hertz))
    current, motor, low = points.currents("L1"), points.voltages("P", "LOW"), points.voltages("LOW")
    found = [float(v[0]) for v in (current.low, current.high, current.average, current.rms, motor.average, low.average)]
    # The stage's micro-ohms and its leakage of a nanosiemens move the fifth digit of none of them by more than one.
    assert found == pytest.approx(expected, abs=2e-4)
    assert float(points.current("L1")[0]) == pytest.approx(float(current.average[0]), rel=1e-9)
    assert float(points.voltage("LOW")[0]) == pytest.approx(float(low.average[0]), rel=1e-9)


def test_a_circuit_with_two_states_is_that_of_equations_written_by_hand(chopping: ModuleType) -> None:
    """The benchmark writes the loop equations of the same circuit down by itself."""
    compared = 0
    for drawn in [c for c in chopping.draw(60) if c.capacitor]:
        c = replace(drawn, feed=0.02, on=1e-6, diode=1e-6, series=0.3)
        expected = chopping.solved(*chopping.matrices_of([c]))[0]
        if expected[2, 3] < -c.diode_drop:
            continue  # rings below ground, where the circuit's stage has a body diode and the hand's has none
        points = solved(
            coil(
                duty=c.duty, frequency=c.frequency, emf=c.emf, supply=c.supply, resistance=c.winding, henry=c.inductance,
                diode=c.diode_drop, feed=0.02, capacitor=c.capacitor,
            )
        )  # fmt: skip
        waves = [points.currents("L1"), points.currents("RF"), points.voltages("P", "LOW"), points.voltages("LOW")]
        found = np.array([[w.average[0], w.rms[0], w.low[0], w.high[0]] for w in waves]).T
        # The hand's stage leaks 100 nS, the circuit's 1 nS; at 27 V that is 3 µA.
        assert chopping.error(found, expected) < 2e-5
        compared += 1
    assert compared >= 5


# Limits -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("frozen", [True, False])
@pytest.mark.parametrize("duty", [-0.1, 1.1])
def test_off_and_full_on_are_the_direct_current_points(bench: Bench, duty: float, frozen: bool) -> None:
    net = bench("pwm")
    values = duties(net, np.array([duty]))
    compiled = compile_netlist(net)
    plain = compiled.solve(values, frozen=frozen, size=1)
    exact = chop(plain)
    assert exact.method[0] == PERIODIC
    rows = [k for k, name in enumerate(compiled.system.index_rows) if name != "U1:drive"]  # has two meanings
    # Both hold 1e-9 of the value; smooth corners of the averaged law are below that here.
    assert exact.x[rows, 0] == pytest.approx(plain.x[rows, 0], rel=2e-9, abs=2e-8)


def ideal(net: cs.Netlist) -> cs.Netlist:
    """The bench with supply and ground of next to no resistance, so that neither moves with the switch."""
    del net.elements["BAT"]
    net.add(cs.VoltageSource("BAT", "B+", "GND", emf=12.6))
    net.elements["X9"] = net.elements["X9"].replaced(resistance=1e-6)
    return net


def test_with_rising_frequency_the_averaged_model_comes_out(bench: Bench) -> None:
    """The averaged law holds while current and supply are steady; it leaves out ripple, which falls as 1/f."""
    net = ideal(bench("pwm"))
    frequency = np.geomspace(3e2, 3e6, 5)
    values = duties(net, np.full(5, 0.6)) | {("U1", "frequency"): frequency}
    compiled = compile_netlist(net)
    plain, exact = cs.Points(compiled.solve(values, frozen=True)), periodic_points(compiled, values, frozen=True)
    off = np.abs(exact.speed("shaft") / plain.speed("shaft") - 1)
    assert off[0] > 0.01
    assert (np.diff(off[:4]) < 0).all()
    # The micro-ohm left in the ground, at some 10 A, moves the stage's reference by 1e-6 of its 12.6 V.
    assert off[-1] < 2e-6
    assert exact.currents("M1").ripple[-1] < 1e-2


def test_average_motor_voltage_rises_with_duty(bench: Bench) -> None:
    net = bench("pwm")
    points = solved(net, duties(net, np.linspace(0.0, 1.0, 41)) | {("U1", "frequency"): 700.0}, frozen=True)
    assert points.accepted.all()
    assert (np.diff(points.voltage("MOT+", "MOT-")) > -1e-9).all()
    assert (np.diff(points.speed("shaft")) > -1e-9).all()


def test_a_peak_past_the_current_limit_leaves_the_averaged_law(bench: Bench) -> None:
    net = bench("pwm", load=LockedShaft("STUCK", "shaft"))
    values = duties(net, np.array([0.6])) | {("U1", "current_limit"): 8.0}
    points = solved(net, values, frozen=True)
    assert points.solved.method[0] == LIMITED
    assert points.accepted[0]
    assert "limit" in points.branches[0]
    assert np.isnan(points.currents("M1").average[0])
    assert float(points.current("M1")[0]) == pytest.approx(float(cs.Points(points.solved.given).current("M1")[0]), rel=1e-6)


def asleep(bench: Bench, duty: list[float]) -> tuple[cs.Netlist, dict[Any, Any]]:
    """A stage that wakes at a voltage it never gets: asleep at any command."""
    net = bench("pwm")
    net.elements["U1"] = net.elements["U1"].replaced(wakes_at=30.0)
    return net, duties(net, np.array(duty))


def test_a_stage_that_is_asleep_keeps_the_averaged_point(monkeypatch: pytest.MonkeyPatch, bench: Bench) -> None:
    """Where it never switches there is nothing to find; where it does, a search that fails is said to have failed."""
    net, values = asleep(bench, [0.3, 0.8])
    plain = cs.Points(compile_netlist(net).solve(values, frozen=True))
    iterate = rounds._iterate

    def unsettled(*args: Any, **options: Any) -> Any:
        found = iterate(*args, **options)
        found.settled[:] = False
        return found

    monkeypatch.setattr(rounds, "_iterate", unsettled)
    points = periodic_points(compile_netlist(net), values, frozen=True)
    assert isinstance(points, PeriodicPoints)
    assert points.accepted.all()
    assert points.level.all()
    assert not points.periodic.any()
    assert points.voltage("MOT-") == pytest.approx(plain.voltage("MOT-"), abs=1e-12)
    assert points.branches == plain.branches
    points = periodic_points(compile_netlist(bench("pwm")), duties(net, np.array([0.5])), frozen=True)
    assert not points.accepted.any()
    with pytest.raises(SolveError, match="no periodic state"):
        points.require()


def test_a_stage_without_a_motor_has_no_current_and_no_trouble(bench: Bench) -> None:
    net = bench("pwm", motor=False)
    points = solved(net, duties(net, np.array([0.5])), frozen=True)
    assert points.accepted[0]
    assert abs(float(points.currents_into("U1", "low").high[0])) < 1e-6
    # Its own 10 mA through 3 mΩ lifts its ground by 30 µV.
    assert float(points.voltage("MOT-")[0]) == pytest.approx(0.0, abs=3.1e-5)


# Balances ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hertz", [20e3, 300.0])
@pytest.mark.parametrize("motor", [{}, {"brush_drop": 0.9, "brush_onset": 2.0}])
def test_energy_over_a_period_balances(bench: Bench, hertz: float, motor: dict[str, float]) -> None:
    """What sources give is the heat that leaves; all stores are back where they were. A wide brush onset bends the law."""
    net = bench("pwm", **motor)
    points = solved(net, duties(net, np.array([0.3, 0.55, 0.8])) | {("U1", "frequency"): hertz})
    assert points.periodic.all()
    given, lost = np.zeros(3), np.zeros(3)
    for name, e in net.elements.items():
        outputs, flows = points.outputs(name), points.flows(name)
        given += outputs["source power"]
        lost += outputs["heat"] - sum(flows[t.name] for t in e.terminals if e.nodes[t.name] == "ambient")
    assert given == pytest.approx(lost, rel=1e-9)


def test_heat_follows_the_mean_square(bench: Bench) -> None:
    """A wire in the chopped loop warms with R·i² (RMS), not with the square of the average."""
    net = bench("pwm")
    points = solved(net, duties(net, np.array([0.4])) | {("U1", "frequency"): 300.0})
    wire, hot = net.elements["W1"], float(points.temperature("W1.body")[0])
    ohms = wire.values["resistivity"] * wire.values["length"] / wire.values["area"] * (1 + 0.00393 * (hot - 20))
    current = points.currents("W1")
    given = (hot - 20) * wire.values["length"] / wire.values["rise"]
    assert given == pytest.approx(ohms * float(current.rms[0]) ** 2, rel=1e-9)
    assert float(current.rms[0]) > 1.3 * float(current.average[0])


def test_currents_into_the_stage_add_up_at_every_moment(bench: Bench) -> None:
    net = bench("pwm")
    points = solved(net, duties(net, np.array([0.4])) | {("U1", "frequency"): 300.0}, frozen=True)
    names = ("supply", "low", "power_ground", "signal_ground", "command")
    waves = [points.currents_into("U1", name) for name in names]
    assert float(sum(w.average for w in waves)[0]) == pytest.approx(0.0, abs=1e-9)
    times = np.linspace(0, float(points.period[0]), 101)
    assert sum(w.trace(times) for w in waves) == pytest.approx(np.zeros((101, 1)), abs=1e-9)


def test_a_sample_does_not_depend_on_its_batch(bench: Bench) -> None:
    net = bench("pwm")
    values = duties(net, np.array([0.2, 0.5, 0.9]))
    together = solved(net, values, frozen=True)
    alone = solved(net, duties(net, np.array([0.5])), frozen=True)
    assert together.solved.x[:, 1] == pytest.approx(alone.solved.x[:, 0], rel=2e-9, abs=2e-8)
    taken = PeriodicPoints(together.solved.take(np.array([1])))
    assert float(taken.currents("M1").rms[0]) == pytest.approx(float(together.currents("M1").rms[1]), rel=1e-12)


# Stories ----------------------------------------------------------------------------------------------------------


def chart_points(name: str, step: str, frequency: float | None = None) -> PeriodicPoints:
    circuit = cs.load(name)
    net = circuit.net.copy()
    k = circuit.step_index(step)
    values = {key: np.array([table.values[k]]) for key, table in circuit.step_tables.items()}
    values |= {key: np.array([float(condition == "ignition")]) for key, condition in circuit.switched.items()}
    if frequency:
        values["U1", "frequency"] = np.array([frequency])
    return solved(net, values, frozen=True)


def test_duty_is_inverted_at_the_low_side() -> None:
    """High is switch off: the low side lies near ground while on, a diode above supply while off. Plain physics."""
    points = chart_points("minibus-condenser-fan", "2")
    low, marks = points.voltages("MOT-"), points.marks(0)
    assert [m.mode for m in marks] == ["on", "freewheel"]
    on, off = (float(low.trace(np.array([0.5 * (m.start + m.end)]))[0, 0]) for m in marks)
    assert on < 0.5 < 12.0 < off
    high_share = 1 - float(points.duty[0])
    assert float(low.average[0]) == pytest.approx(on + high_share * (off - on), abs=0.05)  # its slopes are slight


def test_where_the_current_stops_the_plateau_is_supply_less_back_emf() -> None:
    points = chart_points("minibus-condenser-fan", "1", frequency=400.0)
    marks = {m.mode: m for m in points.marks(0)}
    assert list(marks) == ["on", "freewheel", "dead"]
    late = np.array([0.1 * marks["dead"].start + 0.9 * marks["dead"].end])
    plateau = float(points.voltages("MOT-").trace(late)[0, 0])
    feed, back = float(points.voltages("MOT+").trace(late)[0, 0]), float(points.output("M1", "back emf")[0])
    assert plateau == pytest.approx(feed - back, abs=1e-5)
    assert float(points.currents("M1").trace(late)[0, 0]) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("name", "fuse"), [("minibus-condenser-fan", "F4"), ("generic-pwm", "F1")])
def test_a_clamp_at_the_fuse_and_one_at_the_motor_differ(name: str, fuse: str) -> None:
    """While the stage is off the motor's current goes round the diode, not through the fuse."""
    points = chart_points(name, "1")
    at_fuse, at_motor = float(points.current(fuse)[0]), float(points.current("M1")[0])
    duty, idle = float(points.duty[0]), 0.015  # the stage's own supply current
    assert at_fuse == pytest.approx(duty * at_motor + idle, rel=0.02)  # the ripple's share in the on-time
    assert at_fuse < 0.6 * at_motor


def test_the_averaged_shortcut_is_off_by_more_than_two_where_the_current_stops() -> None:
    points = chart_points("minibus-condenser-fan", "1", frequency=400.0)
    shortcut = cs.Points(points.solved.given)
    assert float(points.current("M1")[0]) > 2 * float(shortcut.current("M1")[0])
    assert float(points.speed("FAN")[0]) > 1.5 * float(shortcut.speed("FAN")[0])
