"""What the trade knows of feeds, grounds, plugs, meters and lamps, told by the shipped circuits.

Where a docstring says so, the fact is common practice with no source; the numbers in the asserts are then the trade's
own round ones. The command wire is in `test_trade_commands`; motors, fans and output stages in `test_trade_machines`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.elements.base import Element, Law, Parameter, Symbols, Unknown, rotational
from circuitsim.engine.points import Points
from circuitsim.measure.conditions import make_bench

Load = Callable[[str], cs.Circuit]
ChartOf = Callable[[str], cs.Chart]
Variant = Callable[..., cs.Circuit]
Solve = Callable[..., Points]

FALLING = ("tractor-cab-fan", "generic-linear", "minibus-condenser-fan", "generic-pwm")
RISING = ("harvester-cooler-fan",)
PACKS = ("coach-defroster-fan", "generic-pack")
CONTROLLED = FALLING + RISING
EVERY = CONTROLLED + PACKS
# A meter of 6,000 counts shows 10 mV a digit from 6 V up: two digits are what a person calls 'the same'.
SAME = 0.02


def volts(circuit: cs.Circuit, probe: str, **conditions: object) -> list[float]:
    """What a 10 MΩ meter reads between two points, step by step."""
    return [r.expected for r in cs.predict(circuit, probe=probe, **conditions).readings]


def low_side_plug(circuit: cs.Circuit) -> tuple[str, str]:
    """The connector of what controls the ground side, and the harness's half of its low-side pin."""
    (found,) = {(r.unplugged[0], r.red) for r in circuit.readings if r.unplugged not in ((), ("X4",)) and "low side" in r.label}
    return found


def test_every_circuit_is_told_about() -> None:
    assert sorted(EVERY) == sorted(cs.circuit_names())


# Supply and ground ------------------------------------------------------------------------------------------------


def test_supply_sags_about_a_fifth_of_a_volt_from_rest_to_full_speed(chart_of: ChartOf) -> None:
    """Key-off to running at full speed costs some 0.2 V, and is no worry: common practice, no source."""
    chart = chart_of("tractor-cab-fan")
    rest = chart.at(step="off", red="BAT+", black="BAT-", ignition="off").expected
    running = chart.at(step="4", red="U1+").expected
    assert 0.1 < rest - running < 0.3
    sag = [rest - chart.at(step=s, red="U1+").expected for s in ("off", "1", "2", "3", "4")]
    assert (np.diff(sag) > 0).all()


@pytest.mark.parametrize("name", EVERY)
def test_running_engine_raises_supply_feed_current_and_speed(name: str, load: Load, solve: Solve) -> None:
    """A charging voltage some volts above rest lifts all that hangs on it; plain physics."""
    circuit = load(name)
    off, running = (solve(circuit, engine=engine) for engine in ("off", "running"))
    for red, black in (("BAT+", "BAT-"), ("MOT+", "GND")):
        gain = running.voltage(circuit.node(red), circuit.node(black)) - off.voltage(circuit.node(red), circuit.node(black))
        assert (gain > 0.5).all()
    on = slice(1, None)
    assert (running.current("M1")[on] > off.current("M1")[on]).all()
    assert (running.speed("FAN")[on] > off.speed("FAN")[on]).all()


def test_signal_ground_shared_with_a_bad_power_ground_speeds_up_the_middle_steps(
    load: Load, solve: Solve, variant: Variant
) -> None:
    """One resistive eyelet for both grounds, command against the panel's ground: middle steps gain, the top one loses.

    The motor's current lifts the controller's signal ground, so that the command looks lower. Plain physics.
    """
    circuit = load("tractor-cab-fan")
    good = solve(circuit)
    bad = solve(variant(circuit, {("G1.eyelet", "resistance"): 0.05}))
    change = bad.speed("FAN") / good.speed("FAN").clip(1.0) - 1
    assert (change[1:4] > 0.001).all()
    assert (change[1:4] < 0.02).all(), "slightly"
    assert change[4] < -0.02


def test_signal_ground_of_its_own_keeps_the_middle_steps(load: Load, solve: Solve, variant: Variant) -> None:
    """With an eyelet of its own for the signal ground a bad power ground costs the top step alone. Plain physics."""
    circuit = load("tractor-cab-fan")
    eyelet = cs.Contact("G9.eyelet", "W6/end", "GND", resistance="2 mΩ")
    separate = variant(circuit, add=[eyelet], moved={("W6", "b"): "W6/end"})
    good = solve(separate).speed("FAN")
    bad = solve(variant(separate, {("G1.eyelet", "resistance"): 0.05})).speed("FAN")
    # The stage's own volts against its signal ground do not see the power ground: a thousandth is left by the heat
    # and the supply, which fall together.
    assert bad[1:4] == pytest.approx(good[1:4], rel=1e-3)
    assert bad[4] < 0.98 * good[4]


# Plugs ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", EVERY)
def test_mated_pin_is_two_nodes_and_unplugging_opens_all_of_them(name: str, load: Load) -> None:
    """Every pin of an unplugged connector has a harness half and a part half, joined by nothing. Plain physics."""
    circuit = load(name)
    for connector in (c for c in circuit.connectors.values() if c.unpluggable):
        bench = make_bench(circuit, [connector.name])
        for pin in connector.pins:
            halves = [circuit.node(f"{pin}/{half}") for half in ("harness", "part")]
            assert halves[0] != halves[1]
            assert pin not in bench.net.elements
            assert not any(set(halves) <= set(e.nodes.values()) for e in bench.net.elements.values())


@pytest.mark.parametrize("name", EVERY)
def test_motor_plug_off_the_motors_half_is_dead(name: str, load: Load) -> None:
    """Both pins of the motor's own half read nothing at every step. Common practice, no source."""
    for pin in ("X4.A", "X4.B"):
        assert volts(load(name), f"{pin}/part:GND", unplug="X4") == pytest.approx([0.0] * len(load(name).steps), abs=1e-4)


@pytest.mark.parametrize("name", EVERY)
def test_motor_plug_off_the_harness_half_has_battery_on_its_feed(name: str, load: Load) -> None:
    """Feed and battery post read the same with nothing drawn. Common practice, no source."""
    circuit = load(name)
    feed, post = (np.array(volts(circuit, p, unplug="X4")) for p in ("X4.A/harness:GND", "BAT+:BAT-"))
    assert feed == pytest.approx(post, abs=SAME)


@pytest.mark.parametrize("name", EVERY)
def test_motor_plug_off_the_controllers_half_reads_near_zero(name: str, load: Load) -> None:
    """Nothing pulls the low side up: near zero at every step, with and without drive. Common practice, no source."""
    # A tenth of a volt is what a person calls near zero beside 12 V.
    assert volts(load(name), "X4.B/harness:GND", unplug="X4") == pytest.approx([0.0] * len(load(name).steps), abs=0.1)


@pytest.mark.parametrize("name", ["tractor-cab-fan", "minibus-condenser-fan"])
def test_motor_plug_off_an_internal_pull_up_shows_on_the_controllers_half(name: str, load: Load, variant: Variant) -> None:
    """A controller that watches its low side through 100 kΩ shows supply there when off, and takes it down when driven.

    Common practice, no source.
    """
    circuit = variant(load(name), add=[cs.Resistor("R.watch", "U1.supply", "U1.low", resistance="100 kΩ")])
    found = volts(circuit, "X4.B/harness:GND", unplug="X4")
    supply = volts(circuit, "U1+:GND", unplug="X4")
    # Off: 100 kΩ against the meter's 10 MΩ and the stage's leakage of some tens of MΩ take off a few percent.
    assert found[0] == pytest.approx(supply[0], rel=0.05)
    assert found[0] < supply[0]
    assert found[-1] < 0.1


@pytest.mark.parametrize("name", EVERY)
def test_controller_unplugged_its_low_side_pin_reads_battery_through_the_motor(name: str, load: Load) -> None:
    """At every step alike, since nothing draws but the meter's microampere. Common practice, no source."""
    circuit = load(name)
    connector, pin = low_side_plug(circuit)
    found, post = (np.array(volts(circuit, p, unplug=connector)) for p in (f"{pin}:GND", "BAT+:BAT-"))
    assert found == pytest.approx(post, abs=SAME)
    assert np.ptp(found) < 1e-6


@pytest.mark.parametrize("name", EVERY)
def test_controller_unplugged_the_reading_is_what_a_10_megohm_meter_draws(name: str, load: Load, solve: Solve) -> None:
    """The motor's brush film drops some microvolts at a microampere, and the motor stands. Plain physics."""
    circuit = load(name)
    connector, pin = low_side_plug(circuit)
    meter = cs.Voltmeter("VM", circuit.node(pin), "GND", conductance=1e-7)
    points = solve(circuit, unplug=[connector], extra=[meter])
    supply = points.voltage("BAT+")
    # Leakage of the open plug is picosiemens: the meter's own current is all there is, to a part in a thousand.
    assert points.current("M1") == pytest.approx(supply * 1e-7, rel=1e-3)
    assert (points.speed("FAN") == 0).all()
    assert set(points.verdicts) == {"at rest"}


# Off --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", FALLING)
def test_off_reads_supply_at_command_and_low_side(name: str, load: Load) -> None:
    """On a falling command both lie at supply when off, the fan standing. Common practice, no source."""
    circuit = load(name)
    supply = volts(circuit, "U1+:GND", step="off")[0]
    assert volts(circuit, "CMD:GND", step="off")[0] == pytest.approx(supply, abs=SAME)
    assert volts(circuit, "MOT-:GND", step="off")[0] == pytest.approx(supply, abs=SAME)


@pytest.mark.parametrize("name", [*RISING, *PACKS])
def test_off_reads_supply_at_the_low_side(name: str, load: Load) -> None:
    """Common practice, no source."""
    circuit = load(name)
    assert volts(circuit, "MOT-:GND", step="off")[0] == pytest.approx(volts(circuit, "BAT+:GND", step="off")[0], abs=SAME)


class Windmill(Element):
    """Air or gravity that turns the wheel at a given speed."""

    terminals = (rotational("shaft"),)
    parameters: ClassVar = (Parameter("speed", "rad/s", "speed that it holds", low=-1e4),)
    unknowns: ClassVar = (Unknown("torque", "N·m", "torque of the shaft on it", pivot=("shaft",)),)

    @staticmethod
    def law(s: Symbols) -> Law:
        return Law(flows={"shaft": s.torque}, balances={"torque": s.shaft - s.speed})


@pytest.mark.parametrize("name", ["tractor-cab-fan", "harvester-cooler-fan", "coach-defroster-fan"])
def test_off_and_windmilling_the_low_side_lacks_the_back_emf(name: str, load: Load, solve: Solve, variant: Variant) -> None:
    """Supply at the low side when off is for a standing fan: a turning one takes off its back-EMF. Plain physics."""
    speed = 100.0
    circuit = variant(load(name), add=[Windmill("WIND", "FAN", speed=speed)])
    points = solve(circuit, "off", extra=[cs.Voltmeter("VM", "MOT-", "GND")])
    emf = circuit.net.elements["M1"].values["constant"] * speed
    # A microampere through the brush film takes off no more than a digit.
    assert points.voltage("BAT+") - points.voltage("MOT-") == pytest.approx(emf, abs=SAME)


# Path and meter ---------------------------------------------------------------------------------------------------


def lamp_and_meter(circuit: cs.Circuit) -> tuple[float, str]:
    """The motor's feed at the unplugged plug: volts on a 10 MΩ meter, and how a test lamp to ground looks."""
    shown = [
        cs.predict(circuit, unplug="X4", probe="X4.A/harness:GND", step="off", instrument=kind).readings[0]
        for kind in ("voltmeter", "lamp")
    ]
    return shown[0].expected, shown[1].display


def test_battery_on_the_meter_and_a_bright_lamp_is_a_good_path(load: Load) -> None:
    """Common practice, no source."""
    found, lamp = lamp_and_meter(load("tractor-cab-fan"))
    assert (found > 12.0, lamp) == (True, "bright")


@pytest.mark.parametrize(("ohms", "look"), [("15 Ω", "dim"), ("10 kΩ", "dark")])
def test_battery_on_the_meter_and_no_bright_lamp_is_ohms_in_the_path(
    ohms: str, look: str, load: Load, variant: Variant
) -> None:
    """An unloaded 12 V proves little: a thousandth of 10 MΩ costs no digit. Common practice, no source."""
    good, _ = lamp_and_meter(load("tractor-cab-fan"))
    found, lamp = lamp_and_meter(variant(load("tractor-cab-fan"), {("X2.1", "resistance"): ohms}))
    assert found == pytest.approx(good, abs=SAME)
    assert lamp == look


def test_neither_meter_nor_lamp_is_an_open(load: Load, variant: Variant) -> None:
    """Common practice, no source."""
    found, lamp = lamp_and_meter(variant(load("tractor-cab-fan"), {("X2.1", "resistance"): 1e12}))
    assert found == pytest.approx(0.0, abs=1e-3)
    assert lamp == "dark"


@pytest.mark.parametrize("name", EVERY)
def test_lamp_in_the_motors_place_is_dark_off_and_bright_at_full_speed(name: str, load: Load) -> None:
    """The stage and its command are judged with the motor out of it. Common practice, no source."""
    circuit = load(name)
    chart = cs.predict(circuit, unplug="X4", probe="X4.A/harness:X4.B/harness", instrument="lamp")
    looks = [r.display for r in chart.readings]
    assert (looks[0], looks[-1]) == ("dark", "bright")
    share = [r.expected for r in chart.readings]
    assert (np.diff(share) > 0).all()


@pytest.mark.parametrize("name", EVERY)
def test_millivolts_over_the_fuse_tell_the_motor_current(name: str, load: Load) -> None:
    """Where no clamp fits: volts over ohms, cold, with what else the fuse feeds. Common practice, no source."""
    circuit = load(name)
    (fuse,) = {r.red.partition(".")[0] for r in circuit.readings if "fuse" in r.label and r.instrument == "voltmeter"}
    chart = cs.predict(circuit, probe=[f"{fuse}.a:{fuse}.b", f"at:{fuse}"])
    ohms = circuit.net.elements[fuse].values["resistance"]
    for step in circuit.steps[1:]:
        drop, amps = chart.at(step=step, red=f"{fuse}.a", black=f"{fuse}.b"), chart.at(step=step, at=fuse)
        # Ohm's law; the test points take in one fuse clip at most, and the solver's rule is far finer.
        assert drop.expected == pytest.approx(amps.expected * ohms, rel=0.3)
        assert drop.expected < 0.1


def test_ohmmeter_cannot_clear_a_joint_or_a_winding(load: Load, variant: Variant) -> None:
    """At a milliampere the brush film is ohms, and the leads are counts: a third more in the winding stays in band.

    Common practice, no source.
    """
    sound = variant(load("tractor-cab-fan"), {("M1", "resistance"): "0.3 Ω ±8 %"})
    burnt = variant(sound, {("M1.crimp+", "resistance"): "100 mΩ"})
    probe = {"unplug": "X4", "probe": "X4.A/part:X4.B/part", "instrument": "ohmmeter", "step": "off"}
    good, bad = (cs.predict(c, **probe).readings[0] for c in (sound, burnt))
    assert good.expected > 1.0, "not the 0.3 Ω of its copper"
    assert good.low < bad.expected < good.high
    # Plugged and loaded, the same joint is a volt that any meter shows.
    crimp = {"probe": "M1.lead+/out:M1.crimp+/out", "step": "4"}
    drops = [cs.predict(c, **crimp).readings[0] for c in (sound, burnt)]
    assert drops[1].expected > 1.0 > 10 * drops[0].high


@pytest.mark.parametrize("name", EVERY)
def test_current_belongs_in_the_standard_chart(name: str, load: Load, chart_of: ChartOf) -> None:
    """By clamp, and by millivolts over the fuse, at every step that runs. Common practice, no source."""
    circuit, chart = load(name), chart_of(name)
    for step in circuit.steps[1:]:
        assert chart.at(step=step, at="M1").unit == "A"
        assert any("fuse" in r.label and r.unit == "V" for r in chart.readings if r.step == step)


@pytest.mark.parametrize("name", EVERY)
def test_shop_rule_stands_beside_the_band(name: str, chart_of: ChartOf) -> None:
    """In band does not prove the part: a rule is shown where there is one. Common practice, no source."""
    chart = chart_of(name)
    low = [r for r in chart.readings if r.red == "MOT-" and r.black == "GND"]
    assert low
    assert all(r.rule for r in low)
    rows = chart.to_csv().splitlines()
    for rule in {r.rule for r in low}:
        assert sum(rule in row for row in rows) >= sum(r.rule == rule for r in low)


TAKE_CARE = {
    "low side to supply": EVERY,
    "fingers": EVERY,
    "bigger fuse": EVERY,
    "filament lamp": CONTROLLED,
    "seconds only": ("tractor-cab-fan", "generic-linear", "harvester-cooler-fan"),
    "pierce": EVERY,
}


@pytest.mark.parametrize(("words", "name"), [(w, n) for w, names in TAKE_CARE.items() for n in names])
def test_cautions_are_given_where_they_matter(words: str, name: str, load: Load) -> None:
    """Common practice, no source."""
    assert any(words in caution for caution in load(name).cautions)
