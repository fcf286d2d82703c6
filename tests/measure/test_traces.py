"""Waveforms of straight pieces: averages, runs and filters against closed forms, quadrature and random waveforms."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuitsim.errors import InputError
from circuitsim.measure.traces import Figures, Trace, longest_run, smoothed, smoothed_extremes, wave_trace

NUMBERS = st.floats(-50, 50).map(lambda v: round(v, 3))
EXACT = 1e-9  # rounding of some hundred additions of numbers up to 50

POINTS = st.lists(st.tuples(st.sampled_from([0.0, 0.1, 0.3, 1.0, 2.5]), NUMBERS), min_size=1, max_size=12)


def trace_of(points: list[tuple[float, float]], periodic: bool = False) -> Trace:
    """Make a waveform of (time since the last point, value); it begins at 0 and lasts at least a tenth of a second."""
    times = np.concatenate([[0.0], np.cumsum([t for t, _ in points]) + 0.1])
    return Trace(times, [points[-1][1], *(v for _, v in points)], periodic=periodic)


@given(POINTS, st.booleans())
def test_figures_keep_the_laws_of_averages(points: list[tuple[float, float]], periodic: bool) -> None:
    trace = trace_of(points, periodic)
    f = trace.figures
    assert f.low <= f.mean <= f.high
    assert f.rms**2 == pytest.approx(f.mean**2 + f.ac**2, abs=1e-6)  # the difference of squares up to 2500
    assert f.ac <= (f.high - f.low) / 2 + 1e-6  # Popoviciu's inequality on variances
    assert trace.mean_deviation <= f.ac + 1e-6  # mean |x| is no more than rms


@given(POINTS, st.floats(-3, 3), st.floats(-20, 20))
def test_scaling_and_shifting(points: list[tuple[float, float]], gain: float, shift: float) -> None:
    trace = trace_of(points)
    other = Trace(trace.times, gain * trace.values + shift)
    assert other.figures.mean == pytest.approx(gain * trace.figures.mean + shift, abs=EXACT)
    assert other.figures.ac == pytest.approx(abs(gain) * trace.figures.ac, abs=1e-5)  # a root of a difference near zero
    assert other.mean_deviation == pytest.approx(abs(gain) * trace.mean_deviation, abs=EXACT)
    ends = sorted(gain * v + shift for v in trace.averaged_range(0.2))
    assert other.averaged_range(0.2) == pytest.approx(tuple(ends), abs=EXACT)


@given(POINTS)
def test_averages_are_those_of_quadrature(points: list[tuple[float, float]]) -> None:
    """Simpson's rule is exact for squares of straight lines."""
    trace = trace_of(points)
    length, a, b = trace.pieces
    middle = (a + b) / 2
    assert trace.figures.mean_square == pytest.approx(
        float((length * (a**2 + 4 * middle**2 + b**2) / 6).sum()) / trace.duration, abs=1e-6
    )
    assert float(trace.integral(trace.times[-1])) == pytest.approx(trace.figures.mean * trace.duration, abs=EXACT)


def test_the_integral_of_a_periodic_one_goes_on() -> None:
    wave = Trace.rectangle(1.0, 4.0, 0.25, 2.0)
    assert wave.integral([0.0, 0.5, 2.0, 21.0, -2.0]).tolist() == pytest.approx([0.0, 2.0, 3.5, 10 * 3.5 + 2.0 + 0.5, -3.5])


def test_values_at_times() -> None:
    wave = Trace.rectangle(0.0, 1.0, 0.5, 2.0)
    assert wave.at([0.0, 0.99, 1.0, 1.99, 2.0, 5.5]).tolist() == [1.0, 1.0, 0.0, 0.0, 1.0, 0.0]
    record = Trace([0, 1, 1, 2], [0, 2, 5, 5])
    assert record.at([-1, 0.5, 1, 3]).tolist() == [0.0, 1.0, 5.0, 5.0]


def test_a_filter_against_the_response_to_a_step() -> None:
    """1 - exp(-t/τ) (OpenStax University Physics 2, 14.4, for R-L: 95 % after three time constants)."""
    out = smoothed(np.full(3, 0.5), np.ones(3), np.ones(3), 0.5, 0.0)
    assert out.tolist() == pytest.approx([0, *(1 - math.exp(-k) for k in (1, 2, 3))], abs=1e-14)
    assert out[-1] == pytest.approx(0.950, abs=0.0005)  # the printed digits


def test_a_filter_against_the_response_to_a_ramp() -> None:
    """Behind a ramp m·t the output is m·(t - τ·(1 - exp(-t/τ))) (closed form)."""
    record = Trace([0.0, 2.0], [0.0, 6.0])
    t = np.linspace(0, 2, 9)
    wanted = 3 * (t - 0.4 * (1 - np.exp(-t / 0.4)))
    assert record.filtered_at(0.4, t).tolist() == pytest.approx(wanted.tolist(), abs=1e-13)


@pytest.mark.parametrize("constant", [1e3, 1e6, 1e9])
def test_a_slow_filter_loses_no_digits(constant: float) -> None:
    """∫u/τ is all that comes through: the next term is smaller by t/τ."""
    out = smoothed(np.array([1.0]), np.array([2.0]), np.array([4.0]), constant, 0.0)
    assert out[-1] * constant == pytest.approx(3.0, rel=2 / constant)


def test_a_periodic_filter_against_the_r_l_load_on_a_chopper() -> None:
    """An R-L load is a first-order filter: 220 V, 5 Ω, 7.5 mH, 1 kHz, duty 0.5: 18.37 to 25.63 A.

    Power-electronics textbook example of a step-down chopper (the print from memory, the closed form exact to 18.367 and
    25.633).
    """
    wave = Trace.rectangle(0.0, 220 / 5, 0.5, 1e-3)
    low, high = wave.filtered_range(7.5e-3 / 5)
    assert (low, high) == (pytest.approx(18.367, abs=0.0005), pytest.approx(25.633, abs=0.0005))  # the printed digits


@given(POINTS, st.sampled_from([0.01, 0.3, 4.0]))
@settings(max_examples=40)
def test_a_filter_against_many_small_steps(points: list[tuple[float, float]], constant: float) -> None:
    """The trapezoidal rule for y' = (u - y)/τ, with steps so small that its error is below 1e-3."""
    trace = trace_of(points)
    out = trace.filtered(constant)
    y = trace.pieces[1][0]
    for k, (length, a, b) in enumerate(zip(*trace.pieces, strict=True)):
        n = math.ceil(40 * length / constant) + 4
        h, u = length / n, np.linspace(a, b, n + 1)
        for before, after in pairwise(u.tolist()):
            y = ((1 - h / 2 / constant) * y + h / 2 / constant * (before + after)) / (1 + h / 2 / constant)
        assert out[k + 1] == pytest.approx(y, abs=2e-2)  # 100·(1/40)²/6
    low, high = smoothed_extremes(*trace.pieces, constant, out)
    grid = trace.filtered_at(constant, np.linspace(0, trace.duration, 400))
    assert low <= grid.min() + EXACT
    assert high >= grid.max() - EXACT
    assert trace.figures.low - EXACT <= low
    assert high <= trace.figures.high + EXACT


def test_an_extreme_between_two_points_of_a_filter() -> None:
    """From 1, behind a ramp from 0 at 1 a second with τ = 1: y = 2·exp(-t) + t - 1 is least at ln 2, where it is ln 2."""
    piece = np.array([3.0]), np.array([0.0]), np.array([3.0])
    low, _ = smoothed_extremes(*piece, 1.0, smoothed(*piece, 1.0, 1.0))
    assert low == pytest.approx(math.log(2), abs=1e-14)


def test_runs() -> None:
    record = Trace([0, 1, 1, 2, 4, 4, 6], [0, 0, 5, 5, 9, 1, 1])
    assert record.longest(4.0, above=True) == pytest.approx(3.0)
    assert record.longest(7.0, above=True) == pytest.approx(1.0)  # from 3 s, where the ramp passes 7, to 4 s
    assert record.longest(4.0, above=False) == pytest.approx(2.0)
    assert record.longest(9.0, above=True) == 0.0
    assert Trace([0, 1], [0.0, 0.0]).longest(1.0, above=False) == 1.0


@given(POINTS, NUMBERS)
def test_runs_against_counting_on_a_grid(points: list[tuple[float, float]], level: float) -> None:
    trace = trace_of(points)
    step = 1e-3
    samples = trace.at(np.arange(0, trace.duration, step)) > level
    best = run = 0
    for above in samples:
        run = run + 1 if above else 0
        best = max(best, run)
    found = trace.longest(level, above=True)
    # A grid may join two runs with a dip between samples, and cuts up to a step off each end.
    assert found <= best * step + 2 * step
    dips = any(abs(v - level) < 0.2 for v in trace.values)
    assert dips or found >= (best - 2) * step


@given(POINTS, st.lists(NUMBERS, min_size=3, max_size=3))
def test_many_records_at_once_are_as_each_alone(points: list[tuple[float, float]], gains: list[float]) -> None:
    length, a, b = trace_of(points).pieces
    many = [np.stack([p * g for g in gains], axis=1) for p in (a, b)]
    lengths = np.stack([length] * 3, axis=1)
    runs = longest_run(lengths, *many, 1.0, above=True)
    outs = smoothed(lengths, *many, 0.3, 0.0)
    for k, g in enumerate(gains):
        assert runs[k] == pytest.approx(float(longest_run(length, a * g, b * g, 1.0, above=True)), abs=1e-12)
        assert outs[:, k].tolist() == pytest.approx(smoothed(length, a * g, b * g, 0.3, 0.0).tolist(), abs=1e-12)


def test_averages_over_a_capture_time() -> None:
    """A dip of 30 ms shows whole in 10 ms and by three tenths in 100 ms; a triangle's top by its area. Plain arithmetic."""
    record = Trace([0, 1, 1, 1.03, 1.03, 2], [12, 12, 3, 3, 12, 12])
    assert record.averaged_range(0.01) == pytest.approx((3.0, 12.0), abs=1e-9)
    assert record.averaged_range(0.1) == pytest.approx((12 - 9 * 0.3, 12.0), abs=1e-9)
    triangle = Trace([0, 1, 2], [0, 1, 0])
    assert triangle.averaged_range(0.5) == pytest.approx((0.25, 0.875), abs=1e-9)
    assert triangle.averaged_range(0.0) == (0.0, 1.0)
    assert triangle.averaged_range(3.0) == pytest.approx((0.5, 0.5), abs=1e-12)  # longer than all of it


def test_averages_of_a_periodic_one_reach_over_its_end() -> None:
    wave = Trace([0, 1, 1, 9, 9, 10], [7, 7, 0, 0, 7, 7], periodic=True)
    assert wave.averaged_range(1.9) == pytest.approx((0.0, 7.0), abs=1e-9)
    assert wave.averaged_range(4.0) == pytest.approx((0.0, 3.5), abs=1e-9)
    assert wave.averaged_range(10.0) == pytest.approx((1.4, 1.4), abs=1e-9)
    assert wave.averaged_range(11.0)[1] == pytest.approx((14.0 + 7.0) / 11, abs=1e-9)
    assert wave.longest(1.0, above=True) == pytest.approx(2.0)
    assert wave.longest(-1.0, above=True) == math.inf


@given(POINTS, st.sampled_from([0.05, 0.4, 1.5, 40.0]), st.booleans())
def test_averages_bracket_the_mean_and_are_those_of_the_integral(
    points: list[tuple[float, float]], capture: float, periodic: bool
) -> None:
    """Against a fine grid of beginnings: none lies outside, and one is close by."""
    trace = trace_of(points, periodic)
    low, high = trace.averaged_range(capture)
    f = trace.figures
    assert f.low - EXACT <= low <= high <= f.high + EXACT
    if periodic:
        assert low - EXACT <= f.mean <= high + EXACT
    elif capture >= trace.duration:
        assert (low, high) == pytest.approx((f.mean, f.mean), abs=EXACT)
        return
    begin = trace.times[0] + np.linspace(0, trace.duration if periodic else trace.duration - capture, 4001)
    seen = (trace.integral(begin + capture) - trace.integral(begin)) / capture
    assert seen.min() >= low - 1e-7
    assert seen.max() <= high + 1e-7
    # Between two beginnings of the grid an average moves by the height over the capture time, at most.
    reach = (f.high - f.low) / capture * (begin[1] - begin[0]) + 1e-7
    assert seen.min() <= low + reach
    assert seen.max() >= high - reach


def test_squares_and_counts() -> None:
    ramp = Trace([0, 1], [0, 3])
    assert ramp.squared(64).figures.mean == pytest.approx(3.0, rel=1e-3)  # straight parts: 1/(2·64²) of the end
    assert ramp.share_above(1.0) == pytest.approx(2 / 3)
    assert Trace.rectangle(0, 5, 0.3, 1e-3).share_above(2.5) == pytest.approx(0.3)
    assert Trace.rectangle(0, 5, 0.3, 1e-3).rises(2, 3) == 1
    assert Trace([0, 1, 1, 2, 2, 3, 3, 4], [0, 0, 5, 5, 0, 0, 5, 5]).rises(2, 3) == 2
    assert Trace([0, 1], [4, 4], periodic=True).rises(2, 3) == 0


class _Sine:
    """A rectified sine: average 2/π, square 1/2 (mathematics)."""

    average, rms, low, high = (np.array([v]) for v in (2 / math.pi, math.sqrt(0.5), 0.0, 1.0))

    @staticmethod
    def trace(times: np.ndarray) -> np.ndarray:
        return np.abs(np.sin(2 * math.pi * times))[:, None]


def test_a_trace_of_a_waveform_that_is_known_exactly() -> None:
    trace = wave_trace(_Sine(), [0.0, 0.5, 1.0])
    assert trace.periodic
    assert trace.figures == Figures(2 / math.pi, pytest.approx(0.5), 0.0, 1.0)
    bare = Trace(trace.times, trace.values, periodic=True)
    assert bare.figures.mean == pytest.approx(2 / math.pi, rel=3e-4)  # π²/12/63² for chords of 63 parts
    assert float(trace.at(0.25)) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize(
    ("times", "values", "text"),
    [
        ([0], [1], "two points or more"),
        ([0, 1], [1], "2 times and 1 values"),
        ([0, 1], [1, float("nan")], "finite"),
        ([0, 2, 1], [1, 1, 1], "must rise"),
        ([1, 1], [1, 2], "must rise"),
    ],
)
def test_what_is_no_waveform(times: list[float], values: list[float], text: str) -> None:
    with pytest.raises(InputError, match=text):
        Trace(times, values)


@pytest.mark.parametrize(("duty", "period", "key"), [(1.2, 1, "duty"), (-0.1, 1, "duty"), (0.5, 0, "period")])
def test_what_is_no_rectangle(duty: float, period: float, key: str) -> None:
    with pytest.raises(InputError) as caught:
        Trace.rectangle(0, 1, duty, period)
    assert caught.value.key == key
