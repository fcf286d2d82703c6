"""Many waveforms at once: each as `Trace` and the instruments have it alone, and by the mathematics of a rectangle."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuitsim.library.functions import FUNCTIONS
from circuitsim.measure import METERS
from circuitsim.measure.instruments import (
    COUNTED,
    ac_dc_reading,
    ac_reading,
    average_ac_reading,
    duty_reading,
    extreme_readings,
    frequency_reading,
    show_function,
)
from circuitsim.measure.sampled import Sampled
from circuitsim.measure.traces import Trace

METER = METERS["standard"]
EXACT = 1e-12


def of_traces(traces: list[Trace]) -> Sampled:
    """The same waveforms side by side, with pieces of no duration where one has fewer."""
    pieces = [trace.pieces for trace in traces]
    most = max(len(p[0]) for p in pieces)
    padded = [np.stack([np.pad(p[k], (0, most - len(p[k]))) for p in pieces], axis=1) for k in range(3)]
    f = [trace.figures for trace in traces]
    figures = [np.array([getattr(g, name) for g in f]) for name in ("mean", "mean_square", "low", "high")]
    return Sampled(*padded, *figures)


def rectangles(low: float, high: float, share: list[float], period: float = 0.01) -> Sampled:
    size = len(share)
    return Sampled.rectangle(np.full(size, low), np.full(size, high), np.array(share), np.full(size, period))


# Rectangles -------------------------------------------------------------------------------------------------------


def test_a_rectangle_by_its_mathematics() -> None:
    """AC: A·√(d·(1 - d)); AC+DC: A·√d from zero; average-responding: 1.1107 times 2·A·d·(1 - d)."""
    share_low = [0.1, 0.5, 0.8]
    wave, high = rectangles(0.0, 12.0, share_low), 1 - np.array(share_low)
    assert wave.value("ac") == pytest.approx(12 * np.sqrt(high * (1 - high)), rel=EXACT)
    assert wave.value("ac+dc") == pytest.approx(12 * np.sqrt(high), rel=EXACT)
    form = math.pi / (2 * math.sqrt(2))
    assert wave.value("ac-average") == pytest.approx(form * 24 * high * (1 - high), rel=EXACT)
    assert wave.value("duty") == pytest.approx(high, rel=EXACT)
    assert wave.value("frequency") == pytest.approx(100.0, rel=EXACT)
    assert (wave.value("scope-min"), wave.value("scope-max")) == (pytest.approx(0.0), pytest.approx(12.0))


def test_a_minimum_is_an_average_over_the_capture_time() -> None:
    """10 ms of a period, low for 0.5, 2 and 5 ms: half of 1 ms and all of it; 0.5, 2 and 5 of 6 ms. Plain arithmetic."""
    wave = rectangles(1.0, 11.0, [0.05, 0.2, 0.5])
    assert wave.value("min", 1e-3) == pytest.approx([6.0, 1.0, 1.0])
    assert wave.value("max", 1e-3) == pytest.approx([11.0] * 3)
    assert wave.value("min", 6e-3) == pytest.approx([11 - 5 / 6, 11 - 20 / 6, 11 - 50 / 6])
    assert wave.value("max", 6e-3) == pytest.approx([11.0, 11.0, 11 - 10 / 6])
    assert wave.value("min", 0.0) == pytest.approx([1.0] * 3)


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_one_level_alone_is_a_level(share: float) -> None:
    wave = rectangles(0.1, 12.0, [share])
    level = 0.1 if share else 12.0
    assert wave.steady[0]
    shown = {name: float(wave.value(name, 1e-3)[0]) for name in FUNCTIONS}
    assert (shown["ac"], shown["ac-average"]) == (0.0, 0.0)
    assert [shown[n] for n in ("ac+dc", "min", "max", "scope-min", "scope-max")] == pytest.approx([level] * 5)
    assert math.isnan(shown["duty"])
    assert math.isnan(shown["frequency"])


def test_too_small_a_swing_is_not_counted() -> None:
    wave = Sampled.rectangle(np.array([5.0, 5.0]), 5.0 + COUNTED * np.array([0.9, 1.1]), np.full(2, 0.3), np.full(2, 1e-3))
    assert np.isnan(wave.value("duty")).tolist() == [True, False]
    assert np.isnan(wave.value("frequency")).tolist() == [True, False]
    assert wave.value("ac")[0] > 0


def test_what_is_not_known_is_no_reading() -> None:
    wave = Sampled.level(np.array([np.nan, 3.0]))
    for name in FUNCTIONS:
        assert math.isnan(float(wave.value(name, 1e-3)[0]))


# Against one at a time --------------------------------------------------------------------------------------------

POINTS = st.lists(st.tuples(st.sampled_from([1e-3, 2e-3, 7e-3]), st.floats(-20, 20)), min_size=2, max_size=6)


@settings(deadline=None)  # machines differ
@given(st.lists(POINTS, min_size=1, max_size=3), st.sampled_from([1e-4, 2e-3, 5e-3, 1.0]))
def test_each_is_as_the_instruments_show_it_alone(waves: list[list[tuple[float, float]]], capture: float) -> None:
    """Straight pieces with jumps at the end of the period; `Trace` is tested against quadrature and counting."""
    traces = []
    for points in waves:
        times, values = np.cumsum([0.0, *(t for t, _ in points)]), [points[0][1], *(v for _, v in points)]
        traces.append(Trace(times, values, periodic=True))
    many = of_traces(traces)
    for k, trace in enumerate(traces):
        low, high = (s.value for s in extreme_readings(trace, METER, capture))
        alone = {
            "ac": ac_reading(trace, METER).value, "ac+dc": ac_dc_reading(trace, METER).value,
            "ac-average": average_ac_reading(trace, METER).value, "duty": duty_reading(trace).value, "min": low, "max": high,
            "frequency": frequency_reading(trace).value, "scope-min": trace.figures.low, "scope-max": trace.figures.high,
        }  # fmt: skip
        assert set(alone) == set(FUNCTIONS)
        for name, value in alone.items():
            # A level is halved down to 1e-12 of the swing; a root doubles the rounding of squares.
            assert float(many.value(name, capture)[k]) == pytest.approx(value, rel=1e-9, abs=2e-6, nan_ok=True), name


def test_some_of_them_and_others_in_their_place() -> None:
    wave, flat = rectangles(0.0, 10.0, [0.2, 0.4, 0.6]), Sampled.level(np.array([1.0, 2.0, 3.0]))
    assert wave.take([2, 0]).value("duty") == pytest.approx([0.4, 0.8])
    mixed = flat.put(np.array([False, True, False]), wave)
    assert mixed.value("ac+dc") == pytest.approx([1.0, math.sqrt(60.0), 3.0])
    assert mixed.steady.tolist() == [True, False, True]
    assert mixed.value("frequency")[1] == pytest.approx(100.0)
    assert mixed.trace(1).figures.mean == pytest.approx(6.0)


# Displays ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "value", "unit", "display", "limit"),
    [
        # Standard meter on AC: ±(1.5 % + 5 digits) of its 60 V range, and of its 6 V one; DC: ±(0.5 % + 2 digits).
        ("ac", 8.0, "V", "8.00 V", 0.12 + 0.05),
        ("ac+dc", 5.0, "V", "5.000 V", 0.075 + 0.005),
        ("min", 8.0, "V", "8.00 V", 0.04 + 0.02),
        ("max", 8.0, "A", "8.00 A", 0.16 + 0.05),  # a clamp: ±(2 % + 5 digits) of its 60 A
        ("scope-max", 8.0, "V", "8.00 V", 0.24 + 40 / 256),
        ("duty", 0.333, "V", "33.3 %", 0.001 + 0.005),
        ("frequency", 20_000.0, "V", "20 kHz", 20.0),
    ],
)
def test_what_is_on_the_display(name: str, value: float, unit: str, display: str, limit: float) -> None:
    """Accuracies are assumed, as the module says; here their arithmetic."""
    shown = show_function(name, value, METER, unit)
    assert (shown.display, shown.value) == (display, value)
    assert shown.limit == pytest.approx(limit, rel=1e-9)
    assert show_function(name, math.nan, METER, unit).display == "-"
