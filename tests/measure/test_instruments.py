"""What instruments show of waveforms: the mathematics of a rectangle, worked rows, and laws that hold for any waveform."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from circuitsim.elements import Lamp
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.points import Points
from circuitsim.errors import InputError
from circuitsim.measure import METERS
from circuitsim.measure.instruments import (
    COUNTED,
    FORM_FACTOR,
    SCOPE,
    TIMING,
    ac_dc_reading,
    ac_reading,
    average_ac_reading,
    dc_reading,
    dc_record,
    duty_reading,
    extreme_readings,
    frequency_reading,
    lamp_reading,
    lamp_share,
    meter_readings,
    scope_readings,
)
from circuitsim.measure.traces import Trace
from circuitsim.network import Netlist

METER = METERS["standard"]
EXACT = 1e-12  # closed forms of rectangles, to rounding


def sine(peak: float = 1.0, frequency: float = 50.0, points: int = 2001) -> Trace:
    t = np.linspace(0, 1 / frequency, points)
    return Trace(t, peak * np.sin(2 * math.pi * frequency * t), periodic=True)


@pytest.mark.parametrize("amplitude", [1.0, 12.6, 24.0])
@pytest.mark.parametrize("duty", [0.1, 0.25, 0.5, 0.9])
def test_a_rectangle_from_0_to_a(duty: float, amplitude: float) -> None:
    """Mathematics of averages: D·A; A·√(D - D²); A·√D; 1.1107·2·A·D·(1 - D); crest factor 1/√D."""
    wave = Trace.rectangle(0.0, amplitude, duty, 1e-3)
    assert dc_reading(wave, METER).value == pytest.approx(duty * amplitude, rel=EXACT)
    assert ac_reading(wave, METER).value == pytest.approx(amplitude * math.sqrt(duty - duty**2), rel=1e-10)
    assert ac_dc_reading(wave, METER).value == pytest.approx(amplitude * math.sqrt(duty), rel=EXACT)
    assert average_ac_reading(wave, METER).value == pytest.approx(FORM_FACTOR * 2 * amplitude * duty * (1 - duty), rel=EXACT)
    assert duty_reading(wave).value == pytest.approx(duty, rel=EXACT)
    assert frequency_reading(wave).value == pytest.approx(1000.0, rel=EXACT)
    assert wave.figures.high / ac_dc_reading(wave, METER).value == pytest.approx(1 / math.sqrt(duty), rel=EXACT)


def test_the_crest_factor_at_a_tenth() -> None:
    """A duty of 10 % has a crest factor of 3.16 (mathematics of averages)."""
    wave = Trace.rectangle(0.0, 5.0, 0.1, 1e-3)
    assert wave.figures.high / wave.figures.rms == pytest.approx(3.16, abs=0.005)  # the printed digits


def test_a_symmetric_square_wave_on_an_average_responding_meter() -> None:
    """It reads 1.111 times the true value (a page of meter theory; π/(2√2) by mathematics)."""
    wave = Trace.rectangle(-3.0, 3.0, 0.5, 1e-2)
    assert average_ac_reading(wave, METER).value / ac_reading(wave, METER).value == pytest.approx(1.111, abs=0.0005)


def test_a_sine_on_an_average_responding_meter_is_right() -> None:
    wave = sine(10.0)
    assert average_ac_reading(wave, METER).value == pytest.approx(10 / math.sqrt(2), rel=1e-5)  # 2000 chords: π²/6/1000²
    assert ac_reading(wave, METER).value == pytest.approx(10 / math.sqrt(2), rel=1e-5)


def test_a_chopper_with_a_resistor() -> None:
    """220 V at duty 50 % with a switch that keeps 2 V: average 109 V, RMS 154.15 V (worked page, info4eee.com, 2022)."""
    wave = Trace.rectangle(0.0, 218.0, 0.5, 1e-3)
    assert dc_reading(wave, METER).value == pytest.approx(109, abs=0.5)  # the printed digits
    assert ac_dc_reading(wave, METER).value == pytest.approx(154.15, abs=0.005)


def test_the_current_of_an_r_l_chopper_on_a_clamp() -> None:
    """220 V, 5 Ω, 7.5 mH, 1 kHz, duty 0.5: average 22.0 A, RMS 22.1 A (textbook example; exact 22.1005)."""
    t = np.linspace(0, 5e-4, 400)
    rise = 44 - (44 - 18.367) * np.exp(-t / 1.5e-3)
    fall = 25.633 * np.exp(-t / 1.5e-3)
    wave = Trace([*t, *(t + 5e-4)], [*rise, *fall], periodic=True)
    dc, rms = dc_reading(wave, METER, "A"), ac_dc_reading(wave, METER, "A")
    assert dc.value == pytest.approx(22.0, abs=0.001)  # the ends have three decimals
    assert rms.value == pytest.approx(22.1005, abs=0.001)
    assert dc.display == "22.00 A"
    assert dc.limit == pytest.approx(0.02 * 22 + 0.05)  # ±(2 % + 5 digits of 10 mA), the clamp of this meter


def test_an_open_collector_reads_as_its_average() -> None:
    """12.6 V pulled low for 45 % of 100 Hz: 6.93 V on a DC meter, whose swing is less than a digit or two."""
    wave = Trace.rectangle(0.0, 12.6, 0.55, 0.01)
    shown = dc_reading(wave, METER)
    assert shown.value == pytest.approx(6.93, abs=1e-9)
    assert 0 <= shown.ripple < 0.02
    assert shown.low < 6.93 < shown.high
    assert duty_reading(wave).display == "55.0 %"
    assert frequency_reading(wave).display == "100 Hz"


def test_ripple_behind_a_filter_alone() -> None:
    """An update of next to nothing leaves the filter alone: the extremes of the R-L closed form."""
    wave = Trace.rectangle(0.0, 1.0, 0.5, 1e-3)
    quick = replace(TIMING, update=1e-9, smoothing=1.5e-3)
    high = (1 - math.exp(-1 / 3)) / (1 - math.exp(-2 / 3))
    assert dc_reading(wave, METER, timing=quick).ripple == pytest.approx(high - 0.5, rel=1e-5)  # averaged over 1e-9 s


def test_ripple_of_averaging_alone() -> None:
    """A window of 1.5 periods of a rectangle: half a period is too many, by up to A·(1 - D)·D/… = (1 - 0.5)/1.5·0.5 = 1/6."""
    wave = Trace.rectangle(0.0, 1.0, 0.5, 1.0)
    slow = replace(TIMING, update=1.5, smoothing=0.0)
    assert dc_reading(wave, METER, timing=slow).ripple == pytest.approx(1 / 6, rel=EXACT)
    whole = replace(TIMING, update=3.0, smoothing=0.0)
    assert dc_reading(wave, METER, timing=whole).ripple == 0.0


@given(st.floats(0.05, 0.95), st.floats(0.2, 50.0))
def test_ripple_is_never_beaten(duty: float, frequency: float) -> None:
    """However the readings fall into the period, none is further off than the stated swing."""
    wave = Trace.rectangle(0.0, 10.0, duty, 1 / frequency)
    shown = dc_reading(wave, METER)
    begin = np.linspace(0, 1 / frequency, 97)[:-1]
    end = begin + TIMING.update
    plain = (wave.integral(end) - wave.integral(begin)) / TIMING.update
    moved = wave.filtered_at(TIMING.smoothing, end) - wave.filtered_at(TIMING.smoothing, begin)
    readings = plain - TIMING.smoothing * moved / TIMING.update
    assert np.abs(readings - shown.value).max() <= shown.ripple + 0.02  # of 10 V: extremes between two of 513 starts


def test_readings_of_a_record() -> None:
    record = Trace([0, 1, 1, 2], [12, 12, 6, 6])
    times, values = dc_record(record, replace(TIMING, update=0.5, smoothing=0.0))
    assert times.tolist() == pytest.approx([0.5, 1.0, 1.5, 2.0])
    assert values.tolist() == pytest.approx([12, 12, 6, 6])
    _, behind = dc_record(record, replace(TIMING, update=0.5, smoothing=0.1))
    late = 6 * 0.1 * (1 - math.exp(-5)) / 0.5  # what the filter still holds back: ∫6·exp(-t/τ) over the update
    assert behind.tolist() == pytest.approx([12, 12, 6 + late, 6 + late * math.exp(-5)])
    shown = dc_reading(record, METER, timing=replace(TIMING, update=0.5, smoothing=0.0))
    assert (shown.value, shown.ripple) == (pytest.approx(9.0), pytest.approx(3.0))


def test_a_record_shorter_than_an_update() -> None:
    with pytest.raises(InputError, match="shorter than one update"):
        dc_record(Trace([0, 0.1], [1, 1]))


@pytest.mark.parametrize(("capture", "shown"), [(0.001, 3.0), (0.03, 3.0), (0.06, 7.5), (0.3, 11.1)])
def test_minimum_is_averaged_over_its_capture_time(capture: float, shown: float) -> None:
    """A dip of 30 ms shows by its share of the capture time (plain arithmetic)."""
    record = Trace([0, 1, 1, 1.03, 1.03, 2], [12, 12, 3, 3, 12, 12])
    least, most = extreme_readings(record, METER, capture)
    assert least.value == pytest.approx(shown, abs=1e-9)
    assert most.value == pytest.approx(12.0, abs=1e-9)
    assert least.what == "minimum"


def test_peak_mode_sees_a_fast_chopper_and_the_slow_one_does_not() -> None:
    slow = {s.what: s.value for s in meter_readings(Trace.rectangle(0.2, 12.4, 0.6, 0.01), METER)}
    assert slow["peak minimum"] == pytest.approx(0.2)
    assert slow["peak maximum"] == pytest.approx(12.4)
    assert slow["minimum"] == slow["maximum"] == pytest.approx(0.4 * 0.2 + 0.6 * 12.4)  # nothing lasts 100 ms: the average
    fast = {s.what: s.value for s in meter_readings(Trace.rectangle(0.2, 12.4, 0.6, 5e-5), METER)}
    assert fast["peak maximum"] == pytest.approx(7.52)  # nor 1 ms of 50 µs


def test_accuracy_on_ac_is_the_worse_one() -> None:
    shown = ac_reading(Trace.rectangle(0.0, 10.0, 0.5, 1e-3), METER)
    assert shown.limit == pytest.approx(0.015 * 5 + 5 * 0.001)  # ±(1.5 % + 5 digits of 1 mV in the 6 V range), assumed
    assert shown.display == "5.000 V"


def test_a_level_for_duty_may_be_given() -> None:
    ramp = Trace([0, 1], [0, 10], periodic=True)
    assert duty_reading(ramp, 2.0).value == pytest.approx(0.8)
    assert frequency_reading(ramp, 2.0).value == pytest.approx(1.0)
    level = Trace([0, 1], [5, 5], periodic=True)  # nothing to count
    assert math.isnan(frequency_reading(level).value)
    assert frequency_reading(level).display == duty_reading(level).display == "-"


def test_the_share_of_a_lamp_is_that_of_its_law() -> None:
    """Half its voltage, by the element's own law in a circuit."""
    net = Netlist("lamp")
    net.add(Lamp("L", "a", "GND", power=5.0, voltage=12.0))
    from circuitsim.elements import VoltageSource

    net.chain("GND", VoltageSource("V", emf=6.0), "a")
    share = Points(compile_netlist(net).solve()).output("L", "power share")[0]
    assert float(lamp_share(6.0, 5.0, 12.0)) == pytest.approx(float(share), rel=1e-9)
    assert float(lamp_share(12.0, 5.0, 12.0)) == pytest.approx(1.0, rel=1e-9)


def test_a_lamp_glows_by_rms() -> None:
    """A fast rectangle of 12 V at duty 0.25 is as bright as 6 V DC; a slow one flickers."""
    fast = lamp_reading(Trace.rectangle(0.0, 12.0, 0.25, 1e-3))
    steady = lamp_reading(Trace([0, 1], [6.0, 6.0], periodic=True))
    assert fast.value == pytest.approx(steady.value, rel=EXACT)
    assert fast.display == "dim"
    assert fast.ripple < 0.01
    slow = lamp_reading(Trace.rectangle(0.0, 12.0, 0.25, 2.0))
    assert slow.ripple > 0.5
    assert lamp_reading(Trace([0, 1], [12.6, 12.6])).display == "bright"


def test_a_scope_samples() -> None:
    record = Trace([0, 1e-3, 1e-3, 1.004e-3, 1.004e-3, 2e-3], [12, 12, 0, 0, 12, 12])
    least, most, swing = scope_readings(record, start=5e-6)
    assert (least.value, most.value, swing.value) == (12.0, 12.0, 0.0)  # 4 µs slip through between samples of 10 µs
    fine = scope_readings(record, replace(SCOPE, interval=1e-6))
    assert (fine[0].value, fine[2].value) == (0.0, 12.0)
    assert fine[0].limit == pytest.approx(40 / 256)


@given(st.lists(st.tuples(st.sampled_from([0.01, 0.1, 0.7]), st.floats(-50, 50)), min_size=2, max_size=8))
def test_laws_that_hold_for_any_waveform(points: list[tuple[float, float]]) -> None:
    times = np.cumsum([0.0, *(t for t, _ in points)])
    wave = Trace(times, [points[-1][1], *(v for _, v in points)], periodic=True)
    dc, ac, both, average = (f(wave, METER).value for f in (dc_reading, ac_reading, ac_dc_reading, average_ac_reading))
    assert both**2 == pytest.approx(dc**2 + ac**2, abs=1e-6)  # squares up to 2500
    assert average <= FORM_FACTOR * ac + 1e-6
    least, most = (s.value for s in extreme_readings(wave, METER, 1e-3))
    assert wave.figures.low - 1e-9 <= least <= most <= wave.figures.high + 1e-9
    counted = wave.figures.high - wave.figures.low >= COUNTED
    assert 0 <= duty_reading(wave).value <= 1 if counted else math.isnan(duty_reading(wave).value)
    assert all(s.low <= s.value <= s.high for s in meter_readings(wave, METER) if counted or s.unit == "V")
