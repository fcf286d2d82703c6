"""What the trade knows of motors, fans and what controls them, told by the shipped circuits.

Where a docstring says so, the fact is common practice with no source; the numbers in the asserts are then the trade's
own round ones. Feeds, grounds, plugs, commands and meters are in `test_trade`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.engine.points import Points

Load = Callable[[str], cs.Circuit]
Variant = Callable[..., cs.Circuit]
Solve = Callable[..., Points]

LINEAR = ("tractor-cab-fan", "generic-linear")
BYPASSED = "harvester-cooler-fan"
CHOPPED = ("minibus-condenser-fan", "generic-pwm")
PACKS = ("coach-defroster-fan", "generic-pack")
EVERY = (*LINEAR, BYPASSED, *CHOPPED, *PACKS)
FORWARD_CURVED = ("tractor-cab-fan", "coach-defroster-fan")
AXIAL = ("minibus-condenser-fan", "harvester-cooler-fan")


def value(circuit: cs.Circuit, element: str, parameter: str) -> float:
    return circuit.net.elements[element].values[parameter]


def stage_volts(points: Points) -> np.ndarray:
    """Over the output stage itself, from its low-side pin to its power-ground pin."""
    return points.voltage("U1.low", "U1.pg")


def swept(circuit: cs.Circuit, count: int) -> dict[tuple[str, str], np.ndarray]:
    """A finely stepped command: rungs of a ladder, or the panel's level."""
    if ("S2", "resistance") in circuit.step_tables:
        return {("S2", "resistance"): np.geomspace(100.0, 30e3, count)}
    return {("U2", "level"): np.linspace(2.4, 5.6, count)}


# Output stages ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", LINEAR)
def test_field_effect_stage_leaves_a_few_tenths_at_full_speed(name: str, load: Load) -> None:
    """About 0.2 V from the motor's low side to ground. Common practice, no source."""
    circuit = load(name)
    found = cs.predict(circuit, probe="MOT-:GND", step=circuit.steps[-1]).readings[0]
    assert 0.1 < found.expected < 0.35


def test_bipolar_stage_keeps_near_a_volt(load: Load, solve: Solve, variant: Variant) -> None:
    """Without the relay around it. Common practice, no source."""
    points = solve(variant(load(BYPASSED), {("U1", "bypass"): 0.0}))
    assert 0.8 < stage_volts(points)[-1] < 1.2


def test_relay_at_the_top_step_bypasses_the_stage(load: Load, solve: Solve) -> None:
    """0.1 V or less over the stage, at the top step alone. Common practice, no source."""
    found = stage_volts(solve(load(BYPASSED)))
    assert found[-1] <= 0.1
    assert (found[:-1] > 2.0).all()


@pytest.mark.parametrize("name", LINEAR)
def test_on_resistance_is_half_as_much_again_or_more_when_hot(name: str, load: Load, solve: Solve) -> None:
    """1.5 to 1.8 times at 125 °C against 25 °C, so that the warm low side is higher. Common practice, no source."""
    circuit = load(name)
    # All bodies held at the temperature around: the stage's volts over its amperes at full drive.
    ohms = []
    for ambient in (25.0, 125.0):
        points = solve(circuit, ambient=ambient)
        ohms.append(stage_volts(points)[-1] / points.output("U1", "current")[-1])
    assert 1.5 <= ohms[1] / ohms[0] <= 1.8
    cold, warm = (solve(circuit, since=since) for since in ("cold", "warm"))
    assert stage_volts(warm)[-1] > 1.02 * stage_volts(cold)[-1]
    assert warm.voltage("MOT-")[-1] > cold.voltage("MOT-")[-1]


@pytest.mark.parametrize("name", [*LINEAR, BYPASSED])
def test_low_side_follows_the_command_in_a_straight_line_below_full_speed(name: str, load: Load, solve: Solve) -> None:
    """Against the stage's own ground, slope and offset are the stage's; at the top it leaves the line.

    Common practice, no source.
    """
    circuit = load(name)
    points = solve(circuit, "1", values=swept(circuit, 101))
    low, command = (points.voltage(node, "U1.sg") for node in ("U1.low", "U1.cmd"))
    line = value(circuit, "U1", "gain") * command + value(circuit, "U1", "offset")
    regulated = (line > 1.2) & (points.speed("FAN") > 0)
    assert regulated.sum() > 20
    # The corner at full drive and off is rounded over some millivolts; in between nothing is left of it.
    assert low[regulated] == pytest.approx(line[regulated], abs=2e-3)
    if name in LINEAR:
        assert low[0] > line[0] + 0.2


@pytest.mark.parametrize("name", [*LINEAR, BYPASSED])
def test_charted_low_side_and_command_lie_on_one_line_too(name: str, load: Load) -> None:
    """As a person meets it: two readings against the chassis at three middle steps. Common practice, no source."""
    chart = cs.predict(load(name), probe=["CMD:GND", "MOT-:GND"])
    x, y = ([chart.at(step=s, red=red).expected for s in ("1", "2", "3")] for red in ("CMD", "MOT-"))
    between = np.interp(x[1], sorted((x[0], x[2])), sorted((y[0], y[2]), reverse=(x[0] < x[2]) == (y[0] > y[2])))
    # Drops in wires and grounds, up to some tens of millivolts, bend the line of the readings by less than 0.05 V.
    assert y[1] == pytest.approx(between, abs=0.05)


@pytest.mark.parametrize("name", [*LINEAR, BYPASSED])
def test_linear_stage_is_hottest_with_its_low_side_at_some_0_37_of_supply(name: str, load: Load, solve: Solve) -> None:
    """With a fan load, roughly 0.35 to 0.4; a step or two below the top, never the top itself.

    Common practice, no source. Where it lies follows from current ∝ speed²: (V - v)·v² peaks at v = 2/3 V, and what
    the winding and the brushes drop moves it up; a hundredth is allowed for each.
    """
    circuit = load(name)
    points = solve(circuit, "1", values=swept(circuit, 301))
    heat, low = points.output("U1", "dissipation"), points.voltage("MOT-")
    hottest = int(heat.argmax())
    assert 0.33 <= low[hottest] / points.voltage("BAT+", "BAT-")[hottest] <= 0.42
    steps = solve(circuit).output("U1", "dissipation")
    assert int(steps.argmax()) in (2, 3)
    assert steps[-1] < 0.3 * steps.max()


def test_stalled_motor_moves_the_peak_to_half_supply_and_far_hotter(load: Load, solve: Solve, variant: Variant) -> None:
    """V·(V - v)/R peaks at half supply. Plain physics; brushes and wires move it by a few hundredths."""
    circuit = load("tractor-cab-fan")
    stalled = variant(circuit, {("U1", "current_limit"): "500 A"}, add=[cs.LockedShaft("SEIZED", "FAN")])
    turning, standing = (solve(c, "1", values=swept(c, 301)) for c in (circuit, stalled))
    heat = standing.output("U1", "dissipation")
    share = standing.voltage("U1.low", "U1.pg") / standing.voltage("BAT+", "BAT-")
    assert 0.42 <= share[int(heat.argmax())] <= 0.55
    assert heat.max() > 4 * turning.output("U1", "dissipation").max()


def test_dragging_motor_heats_its_controller(load: Load, solve: Solve, variant: Variant) -> None:
    """The cause of many a dead controller: more current at the same low side. Common practice, no source."""
    circuit = load("tractor-cab-fan")
    good, dragging = solve(circuit), solve(variant(circuit, {("M1", "friction"): "0.12 N·m"}))
    assert (dragging.output("U1", "dissipation")[1:4] > 1.15 * good.output("U1", "dissipation")[1:4]).all()


@pytest.mark.parametrize("what", ["crimp", "brushes", "drag"])
def test_motor_faults_leave_feed_and_low_side_good_on_a_regulated_step(what: str, load: Load, variant: Variant) -> None:
    """Only the current shows them. Common practice, no source."""
    circuit = load("tractor-cab-fan")
    change = {
        "crimp": {("M1.crimp+", "resistance"): "0.3 Ω"},
        "brushes": {("M1.brush+", "resistance"): "0.2 Ω", ("M1", "brush_drop"): "2.5 V"},
        "drag": {("M1", "friction"): "0.15 N·m"},
    }[what]
    probe = {"probe": ["MOT+:GND", "MOT-:GND", "at:M1"], "step": ["2", "3"]}
    good, bad = (cs.predict(c, **probe) for c in (circuit, variant(circuit, change)))
    for a, b in zip(good.readings, bad.readings, strict=True):
        inside = a.low <= b.expected <= a.high
        assert inside == (a.unit == "V"), a.leads


def test_at_the_saturated_step_a_low_current_reads_a_lower_low_side(load: Load, variant: Variant) -> None:
    """The stage is a resistance there. Common practice, no source."""
    circuit = load("tractor-cab-fan")
    weak = variant(circuit, {("M1.crimp+", "resistance"): "0.3 Ω"})
    good, bad = (cs.predict(c, probe=["MOT-:GND", "at:M1"], step="4").readings for c in (circuit, weak))
    assert bad[1].expected < 0.7 * good[1].expected
    assert bad[0].expected < 0.8 * good[0].expected


@pytest.mark.parametrize("name", EVERY)
def test_low_side_jumpered_to_ground_runs_full_speed_and_spares_the_fuse(name: str, load: Load, solve: Solve) -> None:
    """Full speed whenever fed, off or not, and no more than the fuse carries for good. Common practice, no source."""
    circuit = load(name)
    fuse = next(e.name for e in circuit.net.elements.values() if e.kind == "fuse")
    full = solve(circuit)
    points = solve(circuit, fit=["jumper:MOT-:GND"])
    # The jumper's own 30 mΩ stands in place of stage or pack: a few percent.
    assert points.speed("FAN") == pytest.approx(np.full(points.size, full.speed("FAN")[-1]), rel=0.05)
    assert (points.current(fuse) < value(circuit, fuse, "rating")).all()
    dead = solve(circuit, fit=["jumper:MOT-:GND"], ignition="off")
    assert set(dead.verdicts) == {"at rest"}


@pytest.mark.parametrize("name", EVERY)
def test_full_speed_takes_well_under_the_fuse_rating(name: str, load: Load, solve: Solve) -> None:
    """60 to 75 % at full speed; wider here, 50 to 90 %, with the engine running too. Common practice, no source."""
    circuit = load(name)
    fuse = next(e.name for e in circuit.net.elements.values() if e.kind == "fuse")
    for engine in ("off", "running"):
        share = solve(circuit, engine=engine).current(fuse)[-1] / value(circuit, fuse, "rating")
        assert 0.5 < share < 0.9


def test_low_side_joined_to_supply_stops_the_fan_and_gives_the_stage_the_dead_short(load: Load, solve: Solve) -> None:
    """Never do it. Cold, the stage sinks all that its limit lets it; warm there is no such state.

    Common practice, no source.
    """
    circuit = load("tractor-cab-fan")
    joined = {"fit": ["jumper:MOT-:BAT+"]}
    points = solve(circuit, "3", **joined)
    assert points.speed("FAN")[0] < 0.15 * solve(circuit, "3").speed("FAN")[0]
    assert points.output("U1", "current")[0] == pytest.approx(value(circuit, "U1", "current_limit"), rel=0.01)
    assert points.output("U1", "dissipation")[0] > 10 * solve(circuit, "3").output("U1", "dissipation")[0]
    warm = solve(circuit, "3", since="warm", **joined)
    assert warm.verdicts[0].startswith("runs away")


def test_controller_out_of_its_duct_has_no_lasting_temperature(load: Load, solve: Solve, variant: Variant) -> None:
    """It runs seconds only: with no air its sink passes what it stands. Common practice, no source."""
    circuit = load("tractor-cab-fan")
    blocked = variant(circuit, {("U1", "duct"): 0.0})
    normal, hot = (solve(c, "3", since="warm").temperature("U1.body")[0] for c in (circuit, blocked))
    assert normal < 60
    assert hot > normal + 40
    cold = [solve(c, "3").current("M1")[0] for c in (circuit, blocked)]
    assert cold[0] == pytest.approx(cold[1], rel=1e-9)  # for seconds, nothing differs but the solver's rule


# Chopping ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CHOPPED)
def test_chopped_low_side_reads_the_duty_upside_down(name: str, load: Load, solve: Solve) -> None:
    """A DC meter averages: high is switch off, so 1 - reading/supply is the duty. Common practice, no source."""
    points = solve(load(name))
    share = 1 - points.voltage("MOT-") / points.voltage("U1.supply")
    duty = points.output("U1", "duty")
    assert (np.diff(duty) > 0.1).all() if name.startswith("mini") else (np.diff(duty) > 0).all()
    # The freewheel diode adds its 0.6 V while off, the switch and the ground their tenths while on: 1/20 of 12 V each.
    assert share[1:] == pytest.approx(duty[1:], abs=0.06)
    assert points.voltage("MOT-")[0] == pytest.approx(points.voltage("BAT+")[0], abs=0.02)


@pytest.mark.parametrize("name", CHOPPED)
def test_clamp_at_the_fuse_and_on_the_motor_lead_read_different_currents(name: str, load: Load, solve: Solve) -> None:
    """While the stage is off the motor's current goes round by the diode: the fuse carries the duty's share of it.

    Common practice, no source.
    """
    circuit = load(name)
    points = solve(circuit)
    fuse = next(e.name for e in circuit.net.elements.values() if e.kind == "fuse")
    fed, motor, duty = points.current(fuse), points.current("M1"), points.output("U1", "duty")
    # Besides, the fuse may feed the stage's own supply and pull-up: some tens of milliamperes.
    assert fed == pytest.approx(duty * motor, abs=0.05)
    assert (fed[1:3] < 0.9 * motor[1:3]).all()


# Fans and motors --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", FORWARD_CURVED)
def test_blocked_forward_curved_wheel_draws_less_and_speeds_up(name: str, load: Load, solve: Solve, variant: Variant) -> None:
    """Common practice, no source."""
    circuit = load(name)
    clear, blocked = (solve(c) for c in (circuit, variant(circuit, {("FAN1", "restriction"): 100.0})))
    assert (blocked.current("M1")[1:] < 0.95 * clear.current("M1")[1:]).all()
    assert (blocked.speed("FAN")[1:] > clear.speed("FAN")[1:]).all()


@pytest.mark.parametrize("name", AXIAL)
def test_blocked_axial_wheel_draws_more(name: str, load: Load, solve: Solve, variant: Variant) -> None:
    """Usually. Common practice, no source."""
    circuit = load(name)
    clear, blocked = (solve(c) for c in (circuit, variant(circuit, {("FAN1", "restriction"): 100.0})))
    assert (blocked.current("M1")[1:] > 1.05 * clear.current("M1")[1:]).all()
    assert (blocked.speed("FAN")[1:] < clear.speed("FAN")[1:]).all()


@pytest.mark.parametrize("name", EVERY)
def test_affinity_laws_hold_from_step_to_step_of_one_system(name: str, load: Load, solve: Solve) -> None:
    """Flow ∝ n, torque ∝ n², power ∝ n³ (DOE-HDBK-1012/3-92): exact in the law, so only the solver's rule is left."""
    points = solve(load(name))
    fan = points.outputs("FAN1")
    n = points.speed("FAN")[1:] / points.speed("FAN")[-1]
    for what, power in (("airflow", 1), ("torque", 2), ("power", 3)):
        assert fan[what][1:] / fan[what][-1] == pytest.approx(n**power, rel=1e-9)


def test_affinity_laws_do_not_reach_a_changed_system(load: Load, solve: Solve, variant: Variant) -> None:
    """A half blocked filter: less air at more speed, which no power of the speed gives. Plain physics."""
    circuit = load("tractor-cab-fan")
    clear, dusty = (solve(c, "4") for c in (circuit, variant(circuit, {("FAN1", "restriction"): 3.0})))
    assert dusty.speed("FAN") > clear.speed("FAN")
    assert dusty.output("FAN1", "airflow") < 0.9 * clear.output("FAN1", "airflow")


@pytest.mark.parametrize("name", EVERY)
def test_weak_magnets_turn_as_fast_or_faster_with_more_current(name: str, load: Load, solve: Solve, variant: Variant) -> None:
    """A tenth less flux. Through a pack's resistors the added current costs speed again, so there only the top counts.

    Common practice, no source.
    """
    circuit = load(name)
    weak = variant(circuit, {("M1", "constant"): 0.9 * value(circuit, "M1", "constant")})
    good, bad = solve(circuit), solve(weak)
    assert (bad.current("M1")[1:] > 1.03 * good.current("M1")[1:]).all()
    direct = slice(-1, None) if name in PACKS else slice(1, None)
    assert (bad.speed("FAN")[direct] >= good.speed("FAN")[direct]).all()


@pytest.mark.parametrize("name", EVERY)
def test_bigger_impeller_turns_slower_with_more_current(name: str, load: Load, solve: Solve, variant: Variant) -> None:
    """A tenth more diameter: torque with its fifth power. Common practice, no source."""
    circuit = load(name)
    good, big = (solve(c) for c in (circuit, variant(circuit, {("FAN1", "impeller"): 1.1})))
    assert (big.speed("FAN")[1:] < good.speed("FAN")[1:]).all()
    assert (big.current("M1")[1:] > 1.05 * good.current("M1")[1:]).all()


@pytest.mark.parametrize("name", EVERY)
def test_magnets_lose_a_fifth_of_a_percent_a_kelvin(name: str, load: Load, solve: Solve) -> None:
    """Back-EMF over speed, all bodies at 20 and at 70 °C. Common practice, no source."""
    k = [p.output("M1", "back emf")[-1] / p.speed("FAN")[-1] for p in (solve(load(name), ambient=t) for t in (20.0, 70.0))]
    # 0.2 % × 50 K, a straight line in the law.
    assert k[1] / k[0] == pytest.approx(0.90, abs=1e-6)


def test_winding_gains_0_39_percent_a_kelvin(load: Load, solve: Solve, variant: Variant) -> None:
    """IEC 60028: 0.393 %/K at 20 °C. Volts over amperes of a held shaft, the brushes' drop taken off."""
    circuit = variant(load("tractor-cab-fan"), add=[cs.LockedShaft("HELD", "FAN")])
    ohms = []
    for ambient in (20.0, 70.0):
        points = solve(circuit, "4", ambient=ambient)
        drop = points.voltage("M1+", "M1-") - value(circuit, "M1", "brush_drop")
        ohms.append((drop / points.current("M1"))[0])
    assert ohms[1] / ohms[0] == pytest.approx(1 + 0.00393 * 50, rel=1e-6)  # the film is past its onset a hundred times


@pytest.mark.parametrize("name", EVERY)
def test_contact_in_series_with_the_motor_has_a_worst_resistance(name: str, load: Load, solve: Solve) -> None:
    """Its heat rises, then falls as it throttles its own current; and so does its temperature, with no jump.

    Plain physics. The joint is cooled well here, so that its hottest is still a reading: the worst resistance comes
    before any runaway.
    """
    circuit = load(name)
    ohms = np.geomspace(1e-3, 1e2, 61)
    site = "M1.crimp+"
    values = {(site, "resistance"): ohms, (site, "thermal_resistance"): 1.0}
    points = solve(circuit, circuit.steps[-1], values=values, since="warm")
    assert not any(site in verdict for verdict in points.verdicts)
    heat = points.temperature(f"{site}.body") - 20.0
    worst = int(heat.argmax())
    assert 0 < worst < 60
    assert (np.diff(heat[: worst + 1]) > 0).all()
    assert (np.diff(heat[worst:]) < 0).all()
    assert heat[-1] < 0.2 * heat[worst]
