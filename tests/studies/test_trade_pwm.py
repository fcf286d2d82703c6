"""What the trade knows of chopping (PWM) ground sides: meters, scopes, lamps, plugs, coasting and windmilling.

Trade facts are common practice, with no source; what Kirchhoff or plain arithmetic says is marked so. The same stories about
linear stages, and about unplugging in general, are in test_trade.py and test_trade_transient.py.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.elements import Resistor
from circuitsim.elements.base import Element, Law, Parameter, Symbols, Unknown, rotational
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.points import solve_batch
from circuitsim.measure.conditions import Conditions, make_bench
from circuitsim.measure.readings import step_values
from circuitsim.studies.waveform import waveform

Load = Callable[[str], cs.Circuit]
Variant = Callable[..., cs.Circuit]
MINIBUS, CHOPPED = "minibus-condenser-fan", ("minibus-condenser-fan", "generic-pwm")
LAMP = "lamp:X4.A/harness:X4.B/harness"


@cache
def shown(circuit: str, instrument: str, probe: str, step: str, **conditions: Any) -> cs.Reading:
    """One expected reading."""
    (r,) = cs.predict(circuit, instrument=instrument, probe=probe, step=step, **conditions).readings
    return r


def duty_of(circuit: str, step: str) -> float:
    """Share of the period for which the stage's switch is on."""
    return waveform(circuit, step=step).duty


# The low side -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CHOPPED)
def test_a_meters_duty_on_the_low_side_is_inverted(name: str, chart_of: Callable[[str], cs.Chart]) -> None:
    """High is switch off: what a meter counts as high is one less the switch's share, so it falls step by step.

    Common practice, no source.
    """
    found = [r for r in chart_of(name).readings if (r.instrument, r.leads, r.fitted) == ("duty", "MOT- : GND", ())]
    counted = {r.step: r.expected for r in found if math.isfinite(r.expected)}
    assert len(counted) >= 2
    assert list(counted.values()) == sorted(counted.values(), reverse=True)
    for step, high in counted.items():
        assert high == pytest.approx(1 - duty_of(name, step), abs=1e-6)
    top = found[-1]  # full on: there is nothing to count
    assert (top.display, top.step) == ("-", chart_of(name).operating_points[-1].step)


def test_the_average_on_a_dc_meter_is_a_voltage_that_is_never_there() -> None:
    """A DC meter reads 7.5 V where a scope sees 0 V and 13 V and nothing between. Common practice, no source."""
    dc, low, high = (shown(MINIBUS, n, "MOT-:GND", "1").expected for n in ("voltmeter", "scope-min", "scope-max"))
    assert low < 0.3
    assert high > 12.6  # a diode above supply while the current freewheels
    assert low + 4 < dc < high - 4


def test_a_fast_chopper_passes_by_min_and_max() -> None:
    """A minimum that must last 100 ms, or 1 ms, shows the average of 20 kHz; one that needs 5 µs shows the levels.

    Common practice, no source.
    """
    dc = shown(MINIBUS, "voltmeter", "MOT-:GND", "2").expected
    for capture in ("100 ms", "1 ms"):
        assert shown(MINIBUS, "min", "MOT-:GND", "2", capture=capture).expected == pytest.approx(dc, rel=1e-6)
        assert shown(MINIBUS, "max", "MOT-:GND", "2", capture=capture).expected == pytest.approx(dc, rel=1e-6)
    assert shown(MINIBUS, "min", "MOT-:GND", "2", capture="5 µs").expected < 0.3
    assert shown(MINIBUS, "max", "MOT-:GND", "2", capture="5 µs").expected > 12.6


def test_meters_that_are_no_true_rms_disagree() -> None:
    """An average-responding meter is right for a sine; of a rectangle with duty d it shows 1.1107·2·√(d·(1 - d)) times the RMS.

    Plain mathematics (a form factor of π/(2√2)).
    """
    for step in ("1", "2"):
        true, other = (shown(MINIBUS, n, "MOT-:GND", step).expected for n in ("ac", "ac-average"))
        d = duty_of(MINIBUS, step)
        assert other / true == pytest.approx(math.pi / math.sqrt(2) * math.sqrt(d * (1 - d)), rel=0.01)


def test_where_the_current_stops_the_plateau_is_supply_less_back_emf(variant: Variant, load: Load) -> None:
    """At 400 Hz the current dies in every period: the low side then rests between, at the feed less what the motor makes.

    Common practice, no source; Kirchhoff's law. The shortcut by the average is off by more than two there.
    """
    slow = variant(load(MINIBUS), {("U1", "frequency"): 400.0})
    low, across, amps = (waveform(slow, step="1", probe=p) for p in ("MOT-:GND", "MOT+:MOT-", "at:M1"))
    assert [m.mode for m in low.marks] == ["on", "freewheel", "dead"]
    late = 0.1 * low.marks[2].start + 0.9 * low.marks[2].end
    assert float(amps.trace.at(late)) == pytest.approx(0.0, abs=1e-6)
    state = Conditions.read(slow)
    values = step_values(slow, [("1", state)])
    points = solve_batch(compile_netlist(make_bench(slow).net), values, frozen=True, size=1)
    emf = float(points.output("M1", "back emf")[0])
    assert float(across.trace.at(late)) == pytest.approx(emf, abs=1e-3)  # a microampere through the brush film
    assert 1.0 < float(low.trace.at(late)) < 11.0
    # A meter counts what lies above half way, here 6.6 V: the plateau lies below, so its duty says nothing of the switch.
    assert float(low.trace.at(late)) < (low.trace.figures.low + low.trace.figures.high) / 2
    assert shown_of(slow, "duty", "MOT-:GND", "1") == pytest.approx(low.share("freewheel"), abs=1e-3)


def shown_of(circuit: cs.Circuit, instrument: str, probe: str, step: str) -> float:
    """What an instrument shows on a circuit of one's own."""
    return cs.predict(circuit, instrument=instrument, probe=probe, step=step).readings[0].expected


def test_clamps_at_the_fuse_and_on_the_motor_lead_differ_in_ripple_too() -> None:
    """The fuse's current comes in blocks, the motor's hardly moves: less average, far more AC. Common practice, no source."""
    motor, fuse = (shown(MINIBUS, "voltmeter", p, "1").expected for p in ("at:M1", "at:F4"))
    assert fuse < 0.6 * motor
    ripple, blocks = (shown(MINIBUS, "ac", p, "1").expected for p in ("at:M1", "at:F4"))
    assert blocks > 3 * ripple
    assert ripple < 0.15 * motor


# The command ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CHOPPED)
def test_an_open_collector_duty_command_reads_as_an_average(name: str, load: Load) -> None:
    """A DC meter shows supply times the share of the time that the wire is let go. Common practice, no source.

    The wire is pulled to some tenths of a volt, so the average lies above that by so much times the duty.
    """
    step = "1"
    average, supply = (shown(name, "voltmeter", p, step).expected for p in ("CMD:GND", "U1+:GND"))
    high = shown(name, "duty", "CMD:GND", step).expected
    low = shown(name, "min", "CMD:GND", step, capture="1 ms").expected
    assert 0 < low < 0.3
    assert average == pytest.approx(high * supply + (1 - high) * low, rel=2e-3)
    circuit = load(name)
    (duty,) = (t.values[circuit.step_index(step)] for (_, p), t in circuit.step_tables.items() if p == "duty")
    assert high == pytest.approx(1 - duty, abs=1e-9)


def test_the_command_is_slow_and_the_stage_is_fast() -> None:
    """A meter's frequency tells the two wires apart. Common practice, no source."""
    assert shown(MINIBUS, "frequency", "CMD:GND", "1").expected == pytest.approx(100.0)
    assert shown(MINIBUS, "frequency", "MOT-:GND", "1").expected == pytest.approx(20_000.0)


# Plugs and lamps --------------------------------------------------------------------------------------------------


def test_controller_unplugged_nothing_chops() -> None:
    """The low-side pin of the harness reads battery at every step, on a meter and on a scope. Common practice, no source."""
    for step in ("off", "2", "3"):
        dc, low, high = (
            shown(MINIBUS, n, "X5.2/harness:GND", step, unplug="X5") for n in ("voltmeter", "scope-min", "scope-max")
        )
        assert dc.expected == pytest.approx(12.6, abs=0.02)
        assert low.expected == pytest.approx(dc.expected, abs=1e-6)
        assert high.expected == pytest.approx(dc.expected, abs=1e-6)
    duty = shown(MINIBUS, "duty", "X5.2/harness:GND", "2", unplug="X5")
    assert duty.display == "-"


def test_controller_unplugged_the_whole_chart_has_its_points(load: Load) -> None:
    """With the controller off and the ignition off the motor hangs between an open relay and an open plug: it floats."""
    chart = cs.predict(load(MINIBUS), unplug="X5")
    assert all(p.verdict == "at rest" for p in chart.operating_points)
    off = [r for r in chart.readings if r.ignition == "off"]
    assert [r.display for r in off] == ["12.59 V"]
    dark = cs.predict(load(MINIBUS), unplug="X5", ignition="off", probe="MOT+:GND", step="off").readings[0]
    assert dark.floating
    assert abs(dark.expected) < 1e-3


@pytest.mark.parametrize(("name", "parted"), [(MINIBUS, ("X4", "X5")), ("generic-pwm", ("X5",))])
def test_whatever_is_unplugged_with_the_ignition_off_has_a_point(name: str, parted: tuple[str, ...], load: Load) -> None:
    chart = cs.predict(load(name), unplug=parted, ignition="off", probe=["BAT+:BAT-", "MOT-:GND"], step="off")
    assert chart.readings[0].expected == pytest.approx(12.6, abs=0.02)
    assert abs(chart.readings[1].expected) < 1e-3


def test_motor_plug_off_the_stages_half_shows_no_pulses() -> None:
    """Nothing pulls the controller's half up: near zero at every step, whatever the stage does. Common practice, no source."""
    for step in ("1", "3"):
        assert shown(MINIBUS, "scope-max", "X4.B/harness:GND", step, unplug="X4").expected == pytest.approx(0.0, abs=1e-3)
        assert shown(MINIBUS, "duty", "X4.B/harness:GND", step, unplug="X4").display == "-"


def test_motor_plug_off_an_internal_pull_up_shows_the_pulses(load: Load, variant: Variant) -> None:
    """A stage that watches its low side through 10 kΩ shows supply there, chopped: a meter's duty is that of the plugged fan.

    Common practice, no source.
    """
    watched = variant(load(MINIBUS), add=[Resistor("PULL", "U1.supply", "U1.low", resistance=10e3)])
    found = {
        n: cs.predict(watched, instrument=n, probe="X4.B/harness:GND", step="1", unplug="X4").readings[0].expected
        for n in ("voltmeter", "scope-min", "scope-max", "duty")
    }
    assert found["scope-min"] == pytest.approx(0.0, abs=0.05)
    assert found["scope-max"] == pytest.approx(12.6, abs=0.1)
    assert found["duty"] == pytest.approx(shown(MINIBUS, "duty", "MOT-:GND", "1").expected, abs=2e-3)
    assert found["voltmeter"] == pytest.approx(found["duty"] * found["scope-max"], abs=0.05)


def test_a_lamp_in_the_motors_place_shows_the_pulses(chart_of: Callable[[str], cs.Chart]) -> None:
    """Stage and command are judged with the motor out of it: 0 V and battery, the duty of the plugged fan, full on at the top.

    A lamp has no current to freewheel: the largest value is battery, no diode above it. Common practice, no source.
    """
    chart = chart_of(MINIBUS)

    def there(instrument: str, step: str) -> cs.Reading:
        return chart.at(step=step, red="X4.B/harness", unplugged="X4", instrument=instrument, fitted=LAMP)

    for step in ("1", "2"):
        low, high, duty, dc = (there(n, step).expected for n in ("scope-min", "scope-max", "duty", "voltmeter"))
        assert low < 0.05
        assert high == pytest.approx(12.6, abs=0.02)
        assert duty == pytest.approx(chart.at(step=step, red="MOT-", instrument="duty").expected, abs=2e-3)
        assert dc == pytest.approx(low + duty * (high - low), abs=0.01)
    assert there("voltmeter", "3").expected < 0.05
    assert there("duty", "3").display == "-"
    assert chart.at(step="1", red="X4.B/harness", unplugged="X4", instrument="voltmeter").expected == pytest.approx(
        0.0, abs=1e-3
    )


def test_the_lamp_tells_the_effective_value() -> None:
    """It glows by RMS, so it is brighter than the average voltage says. Common practice, no source."""
    lamp = shown(MINIBUS, "lamp", "X4.A/harness:X4.B/harness", "1", unplug="X4")
    volts = {
        n: shown(MINIBUS, n, "X4.A/harness:X4.B/harness", "1", unplug="X4", fit=LAMP).expected for n in ("voltmeter", "ac+dc")
    }
    assert volts["ac+dc"] > 1.3 * volts["voltmeter"]
    # Cold filaments take more: the share of rated power lies above the square of the voltage's.
    assert lamp.expected > (volts["voltmeter"] / 12) ** 2 * 1.5


# Coasting and windmilling -----------------------------------------------------------------------------------------


def test_switched_off_and_coasting_the_low_side_lacks_the_back_emf(load: Load) -> None:
    """Off reads supply at the low side only once the fan has stopped: common practice, no source, and Kirchhoff's law."""
    circuit = load(MINIBUS)
    course = cs.transient(circuit, "40 s", then=[("3 s", {"step": "off"})])
    seen = course.at([3.05, 5.0, 9.0, 39.0])
    feed, low = (seen.points.voltage(circuit.node(p)) for p in ("MOT+", "MOT-"))
    emf = seen.points.output("M1", "back emf")
    assert emf[0] > 5.0
    assert low == pytest.approx(feed - emf, abs=0.02)
    assert np.all(np.diff(low) > 0)
    assert low[-1] == pytest.approx(feed[-1], abs=0.05)


class Wind(Element):
    """Air that turns the wheel at a given speed."""

    terminals = (rotational("shaft"),)
    parameters = (Parameter("speed", "rad/s", "speed that it holds", low=-1e4),)
    unknowns = (Unknown("torque", "N·m", "torque of the shaft on it", pivot=("shaft",)),)

    @staticmethod
    def law(s: Symbols) -> Law:
        return Law(flows={"shaft": s.torque}, balances={"torque": s.shaft - s.speed})


def test_off_and_windmilling_the_low_side_lacks_the_back_emf(load: Load, variant: Variant) -> None:
    """A wheel that the wind turns takes its back-EMF off the low side, and nothing chops. Common practice, no source."""
    speed = 100.0
    blown = variant(load(MINIBUS), add=[Wind("WIND", "FAN", speed=speed)])
    emf = blown.net.elements["M1"].values["constant"] * speed
    feed, low = (shown_of(blown, "voltmeter", p, "off") for p in ("MOT+:GND", "MOT-:GND"))
    assert feed - low == pytest.approx(emf, abs=0.02)
    assert shown_of(blown, "ac", "MOT-:GND", "off") == 0.0


def test_an_open_feed_on_a_spinning_chopped_motor_decays(load: Load) -> None:
    """Its relay opened at speed, the feed shows what the motor makes and falls with the speed. Common practice, no source."""
    circuit = load(MINIBUS)
    course = cs.transient(circuit, "40 s", then=[("3 s", {"ignition": "off"})])
    seen = course.at([3.1, 5.0, 9.0, 39.0])
    across = seen.points.voltage(circuit.node("MOT+"), circuit.node("MOT-"))
    emf = seen.points.output("M1", "back emf")
    assert across[0] > 3.0
    # What the controller still takes for itself comes from the motor, through its winding and brushes.
    assert across[1:] == pytest.approx(emf[1:], abs=0.7)
    assert np.all(np.diff(across) < 0)
    assert abs(across[-1]) < 0.1


def test_pulling_the_plug_of_a_running_chopped_motor_kills_the_stages_half(load: Load) -> None:
    """The motor's half shows what it makes, the stage's half nothing. Common practice, no source."""
    circuit = load(MINIBUS)
    course = cs.transient(circuit, "3 s", then=[("2 s", {"unplug": "X4"})])
    seen = course.at([2.5])
    made = float(seen.points.voltage(circuit.node("X4.A/part"), circuit.node("X4.B/part"))[0])
    assert made == pytest.approx(float(seen.points.output("M1", "back emf")[0]), abs=0.02)
    assert abs(float(seen.points.current("M1")[0])) < 1e-3
    assert abs(float(seen.points.voltage(circuit.node("X4.B/harness"))[0])) < 0.05
