"""Readings of waveforms: what functions show of a level, of chopping and of a command line; and their bands."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

import circuitsim as cs
from circuitsim.library.functions import FUNCTIONS, WAVE_INSTRUMENTS
from circuitsim.measure import Conditions, Measured, Task, measure
from circuitsim.measure import meter as find_meter
from circuitsim.measure.instruments import SCOPE, TIMING
from circuitsim.measure.waving import LEVEL, UNKNOWN

PWM, LINEAR = "minibus-condenser-fan", "tractor-cab-fan"
LOW, COMMAND = ("MOT-", "GND"), ("CMD", "GND")


@cache
def load(name: str) -> cs.Circuit:
    return cs.load(name)


def taken(
    circuit: cs.Circuit, step: str, names: list[str], leads: tuple[str, str] = ("", ""), at: str = "", capture: float = 0.0,
    **conditions: Any,
) -> dict[str, Measured]:  # fmt: skip
    """Readings by the name of the instrument."""
    state = Conditions.read(circuit, **conditions)
    tasks = [Task(step, state, name, *leads, at, capture if name in ("min", "max") else 0.0) for name in names]
    return dict(zip(names, measure(circuit, tasks, find_meter("standard")), strict=True))


def with_values(circuit: cs.Circuit, **values: Any) -> cs.Circuit:
    """The circuit with parameters of U1 replaced."""
    net = circuit.net.copy()
    net.elements["U1"] = net.elements["U1"].replaced(**values)
    return replace(circuit, net=net)


# Levels -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "step"), [(LINEAR, "2"), (PWM, "off"), (PWM, "3")])
def test_a_level_gives_the_trivial_answers(name: str, step: str) -> None:
    """Direct current, a chopper that is off, one that is full on: AC 0, all else the level, and nothing to count."""
    found = taken(load(name), step, ["voltmeter", *FUNCTIONS], LOW, capture=0.1)
    dc = found["voltmeter"]
    for function in ("ac", "ac-average"):
        assert found[function].expected == 0.0
        assert found[function].band.low == 0.0  # none shows less
        assert 0 < found[function].band.high < 0.06  # digits alone
    for function in ("ac+dc", "min", "max", "scope-min", "scope-max"):
        assert found[function].expected == pytest.approx(dc.expected, rel=1e-9)
    # A minimum has the accuracy of the DC range: its band is the same.
    assert (found["min"].band.low, found["max"].band.high) == pytest.approx((dc.band.low, dc.band.high), rel=1e-6)
    for function in ("duty", "frequency"):
        assert math.isnan(found[function].expected)
        assert math.isnan(found[function].band.low)
        assert found[function].verdict == LEVEL


def test_a_level_below_zero() -> None:
    """Leads the wrong way round: AC+DC knows no sign, the others do."""
    found = taken(load(LINEAR), "2", ["voltmeter", "ac+dc", "max"], LOW[::-1], capture=0.1)
    dc = found["voltmeter"]
    assert dc.expected < -1
    assert found["max"].expected == pytest.approx(dc.expected)
    assert found["ac+dc"].expected == pytest.approx(-dc.expected)
    slopes = {c.what: c.slope for c in found["ac+dc"].contributions}
    assert slopes == pytest.approx({c.what: -c.slope for c in dc.contributions})


def test_where_the_current_limit_acts_the_waveform_is_not_known() -> None:
    circuit = with_values(load(PWM), current_limit=3.0)
    found = taken(circuit, "1", ["voltmeter", "duty", "scope-max"], LOW)
    assert math.isfinite(found["voltmeter"].expected)
    for name in ("duty", "scope-max"):
        assert (found[name].verdict, math.isnan(found[name].expected)) == (UNKNOWN, True)
    command = taken(circuit, "1", ["duty"], COMMAND)["duty"]  # its own pulses are known all the same
    assert command.expected == pytest.approx(0.55, abs=1e-9)
    assert 0.53 < command.band.low < command.expected < command.band.high < 0.57


# Chopping ---------------------------------------------------------------------------------------------------------


def test_functions_of_a_chopped_low_side_hang_together() -> None:
    """AC² + DC² is (AC+DC)²; with both plateaus flat to a tenth of a volt the duty gives all of them. Mathematics."""
    found = taken(load(PWM), "2", ["voltmeter", *FUNCTIONS], LOW, capture=0.1)
    v = {name: m.expected for name, m in found.items()}
    assert v["ac+dc"] ** 2 == pytest.approx(v["ac"] ** 2 + v["voltmeter"] ** 2, rel=1e-9)
    swing, duty = v["scope-max"] - v["scope-min"], v["duty"]
    assert v["voltmeter"] == pytest.approx(v["scope-min"] + duty * swing, abs=0.1)
    assert v["ac"] == pytest.approx(swing * math.sqrt(duty * (1 - duty)), rel=0.01)
    assert v["ac-average"] == pytest.approx(math.pi / math.sqrt(2) * swing * duty * (1 - duty), rel=0.02)
    assert v["frequency"] == pytest.approx(20_000.0, rel=1e-9)
    # 20 kHz: over 100 ms, or 1 ms, nothing is left but the average.
    assert (v["min"], v["max"]) == pytest.approx((v["voltmeter"],) * 2, rel=1e-9)


def test_a_clamp_has_the_same_functions() -> None:
    names = ["clamp", "clamp-ac", "clamp-ac+dc", "clamp-min", "clamp-scope-min", "clamp-scope-max", "clamp-frequency"]
    v = {name: m.expected for name, m in taken(load(PWM), "1", names, at="M1").items()}
    assert v["clamp-ac+dc"] ** 2 == pytest.approx(v["clamp-ac"] ** 2 + v["clamp"] ** 2, rel=1e-9)
    # A triangle's RMS is its height over 2·√3, which an exponential of a small part of its time constant is to a per cent.
    assert v["clamp-ac"] == pytest.approx((v["clamp-scope-max"] - v["clamp-scope-min"]) / (2 * math.sqrt(3)), rel=0.01)
    assert v["clamp-frequency"] == pytest.approx(20_000.0)


@pytest.mark.parametrize(
    ("leads", "names", "keys"),
    [
        (LOW, ("ac", "ac+dc", "ac-average", "duty", "scope-min", "scope-max"), ("U1.gain", "U1.diode_drop")),
        (COMMAND, ("ac", "ac+dc", "duty", "min", "max"), ("BAT.emf", "U2.on_resistance")),
    ],
)
def test_slopes_are_those_of_a_circuit_that_is_changed(
    leads: tuple[str, str], names: tuple[str, ...], keys: tuple[str, ...]
) -> None:
    """Against the circuit with one number moved by half a standard uncertainty: within 2 %, which curvature takes."""
    circuit = load(PWM)
    found = taken(circuit, "1", list(names), leads, capture=1e-3)
    for key in keys:
        element, parameter = key.split(".")
        net = circuit.net.copy()
        nominal, step = net.elements[element].values[parameter], 0.0
        for m in found.values():
            step = next((0.5 * c.tolerance.standard(nominal) for c in m.contributions if c.what == key), step)
        changed = []
        for sign in (1, -1):
            net = circuit.net.copy()
            net.elements[element].values[parameter] = nominal + sign * step
            changed.append(taken(replace(circuit, net=net), "1", list(names), leads, capture=1e-3))
        for name in names:
            slope = next((c.slope for c in found[name].contributions if c.what == key), 0.0)
            moved = (changed[0][name].expected - changed[1][name].expected) / (2 * step or 1.0)
            # Below a ten-thousandth of the band a slope is left out or is noise.
            floor = 1e-4 * found[name].band.standard / (step or 1.0)
            assert slope == pytest.approx(moved, rel=0.02, abs=floor), (name, key)


def test_band_of_a_command_duty_is_that_of_two_rectangles() -> None:
    """Its tolerance ±0.01 and the meter's ±0.006, both rectangular: P(|x| > t) = (a + b - t)²/(4ab) at the ends. GUM."""
    m = taken(load(PWM), "1", ["duty"], COMMAND)["duty"]
    a, b = 0.01, 0.001 + TIMING.ac_share / 3
    half = a + b - math.sqrt(0.05 * 4 * a * b)
    # 4,096 points in strata, of two that are independent: the quantile is good to a hundredth or so.
    assert (m.band.high - m.band.low) / 2 == pytest.approx(half, rel=0.015)
    assert m.band.standard == pytest.approx(math.hypot(a, b) / math.sqrt(3), rel=1e-6)


def test_band_of_a_scope_is_its_own_error_where_the_circuit_is_certain() -> None:
    """A diode's drop and the supply are known to a tenth of a volt; 3 % of 13 V and a step of 8 bits are more."""
    m = taken(load(PWM), "1", ["scope-max"], LOW)["scope-max"]
    assert (m.band.high - m.band.low) / 2 == pytest.approx(SCOPE.screen.limit(m.expected), rel=0.15)


@pytest.mark.parametrize("step", ["1", "3"])
def test_minimum_and_maximum_bracket_the_average(step: str) -> None:
    """The least average over a time is no more than the average, and the largest no less; 10 ms are a whole period here."""
    for capture in (1e-3, 5e-3, 12e-3):
        found = taken(load(PWM), step, ["voltmeter", "min", "max"], COMMAND, capture=capture)
        low, dc, high = (found[n].expected for n in ("min", "voltmeter", "max"))
        assert low <= dc <= high
    whole = taken(load(PWM), step, ["min", "max"], COMMAND, capture=10e-3)
    # Pulses are rectangles at the averages of all else, so their average is the circuit's to some tenths of a millivolt.
    assert (whole["min"].expected, whole["max"].expected) == pytest.approx((dc, dc), rel=1e-3)
    assert whole["min"].expected == pytest.approx(whole["max"].expected, rel=1e-9)


def test_a_short_pulse_shows_by_its_share_of_the_capture_time() -> None:
    """0.95 of 10 ms is pulled low, so it is high for 0.5 ms: half of 1 ms, all of 0.5 ms. Plain arithmetic."""
    top, low = (taken(load(PWM), "3", [n], COMMAND, capture=0.4e-3)[n].expected for n in ("max", "min"))
    for capture, share in ((0.5e-3, 1.0), (1e-3, 0.5), (5e-3, 0.1)):
        m = taken(load(PWM), "3", ["max"], COMMAND, capture=capture)["max"]
        assert m.expected == pytest.approx(low + share * (top - low), abs=1e-6)
        assert m.band.low < m.expected < m.band.high


# Beside the waveform ----------------------------------------------------------------------------------------------


def test_a_slow_command_shakes_a_dc_meter() -> None:
    """At 10 Hz the filter and the averaging of a DC meter leave a part of the pulses: the band is wider than at 1 kHz."""
    circuit = load(PWM)
    widths = []
    for hertz in (10.0, 1000.0):
        net = circuit.net.copy()
        net.elements["U2"] = net.elements["U2"].replaced(frequency=hertz)
        m = taken(replace(circuit, net=net), "1", ["voltmeter"], COMMAND)["voltmeter"]
        widths.append(m.band.high - m.band.low)
    assert widths[0] > widths[1] + 0.1


def test_every_function_is_an_instrument_and_one_of_a_clamp() -> None:
    assert set(WAVE_INSTRUMENTS) == {*FUNCTIONS, *(f"clamp-{name}" for name in FUNCTIONS)}
    assert {WAVE_INSTRUMENTS[n] for n in ("ac", "min", "scope-max")} == {"V"}
    assert {WAVE_INSTRUMENTS[f"clamp-{n}"] for n in ("ac", "min", "scope-max")} == {"A"}
    assert (WAVE_INSTRUMENTS["duty"], WAVE_INSTRUMENTS["clamp-frequency"]) == ("1", "Hz")
