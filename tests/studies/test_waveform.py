"""Waveforms of whole circuits: what is marked, what meters make of it, the motor's speed from its ripple."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.errors import InputError, UnknownNameError
from circuitsim.measure.traces import Trace
from circuitsim.measure.waving import UNKNOWN
from circuitsim.report.waves import wave_figure, wave_text
from circuitsim.studies.waveform import WaveformReport, waveform

MINIBUS = "minibus-condenser-fan"


@cache
def _report(circuit: str = MINIBUS, **options: Any) -> WaveformReport:
    return waveform(circuit, **options)


def _shown(report: WaveformReport) -> dict[str, float]:
    return {r.what: r.value for r in report.readings}


def test_the_low_side_of_a_chopping_stage() -> None:
    """Low while on, a diode above the supply while freewheeling; duty is inverted (common practice, no source)."""
    report = _report(step="2")
    figures = report.trace.figures
    assert [m.mode for m in report.marks] == ["on", "freewheel"]
    assert 0 < figures.low < 0.5
    assert 12.6 < figures.high < 14
    assert report.share("on") == pytest.approx(report.duty)
    assert _shown(report)["duty"] == pytest.approx(1 - report.duty, abs=1e-6)  # high is switch off
    assert _shown(report)["frequency"] == pytest.approx(1 / report.period)


def test_a_dc_meter_shows_the_average_of_the_trace() -> None:
    report = _report(step="2")
    f = report.trace.figures
    shown = _shown(report)
    bare = Trace(report.trace.times, report.trace.values, periodic=True).figures
    # 64 points a stretch, in which the voltage is all but straight.
    assert (bare.mean, bare.rms, bare.low, bare.high) == pytest.approx((f.mean, f.rms, f.low, f.high), abs=1e-5)
    assert shown["DC"] == f.mean
    assert shown["true RMS, AC+DC"] ** 2 == pytest.approx(shown["DC"] ** 2 + shown["true RMS, AC"] ** 2)


def test_the_dc_reading_is_that_of_the_chart() -> None:
    reading = cs.predict(MINIBUS, step="2", probe="MOT-:GND").readings[0]
    assert _report(step="2").trace.figures.mean == pytest.approx(reading.expected, abs=1e-6)  # two solves of 1e-9


def test_a_clamp_sees_a_triangle() -> None:
    """The current rises while on and falls while freewheeling; the average lies between."""
    report = _report(step="1", probe="at:M1")
    edge = report.marks[0].end
    rising = report.trace.values[report.trace.times < edge]
    falling = report.trace.values[report.trace.times > edge]
    assert (np.diff(rising) > 0).all()
    assert (np.diff(falling) < 0).all()
    assert report.trace.figures.low < report.trace.figures.mean < report.trace.figures.high


def test_no_chopping_gives_a_level() -> None:
    report = _report("tractor-cab-fan", step="2")
    reading = cs.predict("tractor-cab-fan", step="2", probe="MOT-:GND").readings[0]
    assert report.marks == ()
    assert math.isnan(report.duty)
    assert [r.what for r in report.readings] == ["DC"]
    assert report.trace.figures.low == report.trace.figures.high == pytest.approx(reading.expected, abs=1e-6)


@pytest.mark.parametrize(
    ("options", "volts"),
    [({"step": "off"}, 12.59), ({"step": "2", "ignition": "off"}, 0.0), ({"step": "2", "unplug": "X4"}, 0.0)],
)
def test_a_stage_that_is_not_seen_to_chop_gives_a_level(options: dict[str, str], volts: float) -> None:
    """Off, without supply, or with nothing on its output: no frequency, no duty, and what is rounding is nothing."""
    report = _report(**options)
    assert (report.marks, report.unknown) == ((), "")
    assert report.trace.figures.low == report.trace.figures.high == report.trace.figures.mean
    assert report.trace.figures.mean == pytest.approx(volts, abs=0.005)
    assert [r.what for r in report.readings] == ["DC"]
    assert volts or report.trace.figures.mean == 0.0


def test_where_the_current_limit_acts_there_is_no_waveform() -> None:
    """In the words of the chart, which gives no reading of a waveform there either."""
    circuit = cs.load(MINIBUS)
    net = circuit.net.copy()
    net.elements["U1"] = net.elements["U1"].replaced(current_limit=3.0)
    report = waveform(replace(circuit, net=net), step="2")
    assert report.unknown == UNKNOWN
    assert report.to_dict()["unknown"] == UNKNOWN
    assert UNKNOWN[1:] in wave_text(report)
    assert "Nothing chops" not in wave_text(report)


def test_a_swing_of_next_to_nothing_is_not_blown_up() -> None:
    """An axis that spans the last digits of 13 A has no ticks that can be read."""
    plain = _report(step="2")
    wave = Trace([0.0, 1e-5, 2e-5], [13.0, 13.0 + 1e-7, 13.0], periodic=True)
    axes = wave_figure(replace(plain, trace=wave)).axes[0]
    low, high = axes.get_ylim()
    assert low < 13.0 < high
    assert high - low > 0.1
    ticks = [t for t in axes.get_yticks() if low <= t <= high]
    assert len(ticks) >= 3
    assert axes.yaxis.get_major_formatter().get_offset() == ""


@pytest.mark.parametrize(("circuit", "step", "bars"), [(MINIBUS, "1", 12), (MINIBUS, "3", 10), ("tractor-cab-fan", "4", 11)])
def test_a_clamp_gives_the_speed(circuit: str, step: str, bars: int) -> None:
    """From the frequency of the ripple, beside a chopping stage or not: within a thousandth (a twelfth of a turn by lines)."""
    report = _report(circuit, step=step, probe="at:M1", bars=bars)
    assert report.ripple is not None
    assert report.ripple.recovered == pytest.approx(report.speed, rel=1e-3)
    assert 0 < report.ripple.swing < 0.3 * report.trace.figures.mean
    assert report.ripple.times[-1] == pytest.approx(math.tau / report.speed, rel=0.01)


def test_a_weak_ripple_beside_a_strong_chopping_line() -> None:
    """140 humps a turn ripple by a millionth of what the stage chops: the speed is still the motor's."""
    ripple = _report(step="1", probe="at:M1", bars=35, brushes=4).ripple
    assert ripple is not None
    assert ripple.recovered == pytest.approx(ripple.speed, rel=1e-3)
    assert not ripple.masked


def test_a_masked_ripple_is_said_to_be() -> None:
    report = _report(step="2", probe="at:M1", bars=12)
    assert report.ripple is not None
    assert "masked" not in wave_text(report)
    for found, said in (
        (3 * report.ripple.speed, "the frequency read is not the commutation's"),
        (math.nan, "not found: ripple"),
    ):
        text = wave_text(replace(report, ripple=replace(report.ripple, recovered=found)))
        assert "ripple masked by chopping" in text
        assert said in text


def test_plain_values_and_csv() -> None:
    report = _report(step="2")
    found = json.loads(json.dumps(report.to_dict(), allow_nan=False))
    assert found["average"] == report.trace.figures.mean
    assert found["marks"][0]["mode"] == "on"
    rows = list(csv.reader(io.StringIO(report.to_csv())))
    assert rows[0] == ["time, s", "MOT- : GND, V", "stretch"]
    assert [rows[1][2], rows[-1][2]] == ["on", "freewheel"]
    switched = [k for k in range(2, len(rows)) if rows[k][2] != rows[k - 1][2]]
    assert len(switched) == 1
    assert float(rows[switched[0]][1]) > 12 > float(rows[switched[0] - 1][1])
    assert json.loads(json.dumps(_report("tractor-cab-fan", step="2").to_dict(), allow_nan=False))["duty"] is None


def test_what_is_not_accepted() -> None:
    with pytest.raises(InputError, match="needs --probe at:M1") as caught:
        waveform(MINIBUS, bars=12)
    assert caught.value.key == "bars"
    with pytest.raises(UnknownNameError, match="step"):
        waveform(MINIBUS, step="9")
    with pytest.raises(InputError, match="stands"):
        waveform(MINIBUS, step="off", probe="at:M1", bars=12)
