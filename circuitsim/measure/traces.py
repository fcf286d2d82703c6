"""Waveforms as straight pieces with jumps between them: their averages, extremes, runs, and what a filter leaves of them.

All of it is exact for straight pieces. A first-order filter y' = (u - y)/τ on a piece u = v + m·s gives
y(s) = (y₀ - v + m·τ)·exp(-s/τ) + v + m·(s - τ). Textbook algebra, own derivation.

Functions on pieces take arrays with the pieces as first axis, so that many records are worked at once; `Trace` is one record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from circuitsim.errors import InputError

__all__ = [
    "Figures",
    "Trace",
    "Waved",
    "longest_run",
    "moving_extremes",
    "piecewise_mean",
    "smoothed",
    "smoothed_extremes",
    "stretch_points",
    "wave_trace",
]

Array = NDArray[np.float64]
_AT_ONCE = 200_000  # averages
_EARLY = (1e-6, 1e-4, 1e-3)  # of a stretch


@dataclass(frozen=True)
class Figures:
    """Average, mean square, least and largest value of a waveform."""

    mean: float
    mean_square: float
    low: float
    high: float

    @property
    def rms(self) -> float:
        """True RMS of all of it, the average included (AC+DC)."""
        return float(np.sqrt(max(self.mean_square, 0.0)))

    @property
    def ac(self) -> float:
        """True RMS of what is left without the average (AC-coupled)."""
        return float(np.sqrt(max(self.mean_square - self.mean**2, 0.0)))


def smoothed(length: Array, first: Array, last: Array, time_constant: float, start: Array | float) -> Array:
    """Send straight pieces through a first-order filter; give what leaves it at their beginnings and at the end.

    Parameters
    ----------
    length, first, last : array
        Duration, s, and the values at the two ends of each piece, (pieces, …). A piece of no duration is passed over.
    time_constant : float
        τ, s, above zero.
    start : array or float
        What leaves the filter at the beginning.

    Returns
    -------
    array
        (pieces + 1, …).
    """
    fade, pushed = _filter_steps(length, first, last, time_constant)
    out = np.empty((length.shape[0] + 1, *np.broadcast_shapes(first.shape, length.shape)[1:]))
    out[0] = start
    for k in range(length.shape[0]):
        out[k + 1] = out[k] * fade[k] + pushed[k]
    return out


def _filter_steps(length: Array, first: Array, last: Array, time_constant: float) -> tuple[Array, Array]:
    """Give exp(-t/τ) of each piece, and what the piece adds: y₁ = fade·y₀ + pushed."""
    z = length / time_constant
    fade, fill = np.exp(-z), -np.expm1(-z)
    # The rise m·τ·(z - fill) is (last - first)·(1 - fill/z), by its series where z is small.
    share = np.where(z < 1e-4, z / 2 - z**2 / 6, 1 - fill / np.where(z < 1e-4, 1.0, z))
    return fade, first * fill + (last - first) * share


def smoothed_extremes(length: Array, first: Array, last: Array, time_constant: float, out: Array) -> tuple[Array, Array]:
    """Give the least and largest value that leaves the filter, turning points within the pieces included: (…,) each.

    out: what `smoothed` gave for the same pieces.
    """
    with np.errstate(all="ignore"):
        slope = (last - first) / length
        swing = out[:-1] - first + slope * time_constant
        turn = time_constant * np.log(swing / (slope * time_constant))
        inside = (turn > 0) & (turn < length)
        there = np.where(inside, first + slope * turn, out[:-1])  # where it turns, y equals the input
    return np.minimum(out.min(axis=0), there.min(axis=0)), np.maximum(out.max(axis=0), there.max(axis=0))


def longest_run(length: Array, first: Array, last: Array, level: float | Array, above: bool) -> Array:
    """Give how long, at most, the pieces stay above (or below) a level without a break, s: (…,); level: one, or (…,)."""
    sign = 1.0 if above else -1.0
    a, b = sign * (first - level), sign * (last - level)
    with np.errstate(all="ignore"):
        crossing = length * np.where(a == b, 0.0, a / (a - b))
    begin = np.where(a > 0, np.where(b > 0, length, crossing), 0.0)  # from the start of the piece on
    end = np.where(b > 0, np.where(a > 0, length, length - crossing), 0.0)  # up to its end
    breaks = ~((a > 0) & (b > 0)) & (length > 0)
    at = np.zeros((length.shape[0] + 1, *length.shape[1:]))
    np.cumsum(length, axis=0, out=at[1:])
    # The run that goes on at the end of each piece began at the last break before.
    began = np.zeros(at.shape)
    began[1:] = np.maximum.accumulate(np.where(breaks, at[1:] - end, 0.0), axis=0)
    runs = np.where(breaks, at[:-1] + begin - began[:-1], 0.0)
    return np.asarray(np.maximum(runs.max(axis=0), at[-1] - began[-1]))


def piecewise_mean(length: Array, first: Array, last: Array) -> Array:
    """Average of straight pieces over all of their time: (…,)."""
    return np.asarray((length * (first + last) / 2).sum(axis=0) / length.sum(axis=0))


def moving_extremes(length: Array, first: Array, last: Array, time: float, *, periodic: bool) -> tuple[Array, Array]:
    """Give the least and the largest average over `time` seconds on end, (batch,) each; exact for straight pieces.

    length, first, last: (pieces, batch). periodic: the pieces repeat themselves; else a record shorter than `time` has its
    average alone. The average moves by (u(s + time) - u(s))/time: between the ends of pieces that is straight, so extremes are
    at these ends and where it is zero.
    """
    found = np.empty((2, length.shape[1]))
    step = max(1, _AT_ONCE // (2 * len(length) + 2))
    for k in range(0, length.shape[1], step):
        part = slice(k, k + step)
        found[:, part] = _Moving(length[:, part], first[:, part], last[:, part]).extremes(time, periodic)
    return found[0], found[1]


class _Moving:
    """Some waveforms, each over a time of 1 and less its average."""

    def __init__(self, length: Array, first: Array, last: Array) -> None:
        self.total, self.mean = length.sum(axis=0), piecewise_mean(length, first, last)
        share = length / self.total
        self.first = first - self.mean
        self.slope = np.where(share > 0, last - first, 0.0) / np.where(share > 0, share, 1.0)
        self.edge, self.sum = (np.zeros((len(length) + 1, length.shape[1])) for _ in range(2))
        np.cumsum(share, axis=0, out=self.edge[1:])
        self.edge[1:] /= self.edge[-1]  # the last edge is 1 to the last digit
        np.cumsum(share * (first + last - 2 * self.mean) / 2, axis=0, out=self.sum[1:])
        self.batch = np.arange(length.shape[1])
        self.marks = (self.edge + self.batch).T.ravel()  # one after the other on one axis

    def _at(self, t: Array) -> tuple[Array, Array, Array]:
        """Give the integral up to times from 0 to 1, the value and the slope there, (times, batch) each."""
        n = len(self.first)
        k = np.searchsorted(self.marks, (t + self.batch).ravel(), side="right").reshape(t.shape) - 1
        k = np.clip(k - self.batch * (n + 1), 0, n - 1)
        first, slope, edge, begun = (np.take_along_axis(a, k, axis=0) for a in (self.first, self.slope, self.edge, self.sum))
        part = t - edge
        return begun + part * (first + slope * part / 2), first + slope * part, slope

    def extremes(self, time: float, periodic: bool) -> tuple[Array, Array]:
        """See `moving_extremes`."""
        width = time / self.total
        last = np.ones(width.shape) if periodic else np.maximum(1 - width, 0.0)  # where the last average begins
        behind = self.edge - width
        starts = np.sort(
            np.minimum(np.concatenate([self.edge, np.mod(behind, 1.0) if periodic else np.maximum(behind, 0.0)]), last), 0
        )
        ends = np.mod(starts + width, 1.0) if periodic else np.minimum(starts + width, 1.0)
        average = (self._at(ends)[0] - self._at(starts)[0]) / width
        gap = np.diff(starts, axis=0)
        middle = starts[:-1] + gap / 2
        later = np.mod(middle + width, 1.0) if periodic else np.minimum(middle + width, 1.0)
        (_, a, rise_a), (_, b, rise_b) = self._at(middle), self._at(later)
        bend = rise_b - rise_a
        rate = b - a - bend * gap / 2  # at the beginning of the gap
        with np.errstate(all="ignore"):
            turn = -rate / bend
            turned = average[:-1] + rate * turn / (2 * width)
        there = np.where((turn > 0) & (turn < gap), turned, average[:-1])
        low = np.minimum(average.min(axis=0), there.min(axis=0))
        high = np.maximum(average.max(axis=0), there.max(axis=0))
        short = (width >= 1) & (not periodic)
        return self.mean + np.where(short, 0.0, low), self.mean + np.where(short, 0.0, high)


class Trace:
    """One waveform, as straight lines between points; two points at one time are a jump.

    Parameters
    ----------
    times, values : array
        Points in order, s and the unit of the waveform.
    periodic : bool
        Whether the waveform repeats itself: its period is the time from the first point to the last.
    exact : Figures
        Average and so on where they are known better than from the points.

    Raises
    ------
    InputError
        Fewer than two points, no duration, times that go back, or what is no finite number.
    """

    def __init__(self, times: ArrayLike, values: ArrayLike, *, periodic: bool = False, exact: Figures | None = None) -> None:
        self.times, self.values = np.array(times, float).ravel(), np.array(values, float).ravel()
        self.periodic, self._exact = periodic, exact
        if self.times.size != self.values.size or self.times.size < 2:
            found = f"{self.times.size} times and {self.values.size} values"
            raise InputError(f"a waveform needs two points or more, as many times as values; found {found}", key="times")
        if not (np.isfinite(self.times).all() and np.isfinite(self.values).all()):
            raise InputError("a waveform's times and values must be finite numbers", key="times")
        if (np.diff(self.times) < 0).any() or not self.times[-1] > self.times[0]:
            raise InputError("a waveform's times must rise, from the first to a later last one", key="times")

    @classmethod
    def rectangle(cls, low: float, high: float, duty: float, period: float) -> Trace:
        """Make a periodic rectangle that is `high` for the share `duty` (0 to 1) of the period, first, and then `low`.

        Raises InputError for a duty outside 0 to 1, or a period that is not above zero.
        """
        if not 0 <= duty <= 1:
            raise InputError(f"duty {duty} is not from 0 to 1", key="duty")
        if not period > 0:
            raise InputError(f"period {period} s is not above zero", key="period")
        if duty in (0, 1):
            return cls([0.0, period], [high if duty else low] * 2, periodic=True)
        edge = duty * period
        return cls([0.0, edge, edge, period], [high, high, low, low], periodic=True)

    @property
    def duration(self) -> float:
        """From the first point to the last, s; the period of a periodic one."""
        return float(self.times[-1] - self.times[0])

    @cached_property
    def pieces(self) -> tuple[Array, Array, Array]:
        """Duration, first and last value of each piece that lasts."""
        length = np.diff(self.times)
        lasts = length > 0
        return length[lasts], self.values[:-1][lasts], self.values[1:][lasts]

    @cached_property
    def figures(self) -> Figures:
        """Average, mean square and extremes over the whole of it."""
        if self._exact is not None:
            return self._exact
        length, a, b = self.pieces
        mean = float((length * (a + b) / 2).sum()) / self.duration
        square = float((length * (a * a + a * b + b * b) / 3).sum()) / self.duration
        low, high = min(a.min(), b.min()), max(a.max(), b.max())
        return Figures(min(max(mean, low), high), square, float(low), float(high))  # rounding may pass an extreme

    @cached_property
    def mean_deviation(self) -> float:
        """Mean of |v - average|: what a rectifier behind a capacitor passes on."""
        length, a, b = self.pieces
        a, b = a - self.figures.mean, b - self.figures.mean
        crosses = a * b < 0
        with np.errstate(all="ignore"):
            split = (a * a + b * b) / (2 * np.abs(a - b))
        return float((length * np.where(crosses, split, np.abs(a + b) / 2)).sum()) / self.duration

    def share_above(self, level: float) -> float:
        """Share of the time spent above a level."""
        length, a, b = self.pieces
        with np.errstate(all="ignore"):
            part = np.clip((np.maximum(a, b) - level) / np.abs(a - b), 0.0, 1.0)
        share = np.where(a == b, (a > level).astype(float), part)
        return float((length * share).sum()) / self.duration

    def rises(self, low: float, high: float) -> int:
        """Count how often it rises past `high` after it was at or below `low` (two levels, so that noise does not count)."""
        values = self.values
        state = np.where(values > high, 1, np.where(values <= low, -1, 0))
        if self.periodic:
            state = np.concatenate([state, state])
        seen = state[state != 0]
        count = int(((seen[1:] == 1) & (seen[:-1] == -1)).sum())
        if not self.periodic:
            return count
        once = seen[: seen.size // 2]
        return count - int(((once[1:] == 1) & (once[:-1] == -1)).sum())

    def at(self, times: ArrayLike) -> Array:
        """Values at times, s; at a jump the one after it. A record keeps its first and last value outside its time."""
        t = self._placed(times)
        k = np.clip(np.searchsorted(self.times, t, side="right") - 1, 0, self.times.size - 1)
        after = np.minimum(k + 1, self.times.size - 1)
        width = self.times[after] - self.times[k]
        share = np.where(width > 0, (t - self.times[k]) / np.where(width > 0, width, 1.0), 0.0)
        return np.asarray(self.values[k] + share * (self.values[after] - self.values[k]))

    def _placed(self, times: ArrayLike) -> Array:
        t = np.asarray(times, float)
        if self.periodic:
            return np.asarray(self.times[0] + np.mod(t - self.times[0], self.duration))
        return np.asarray(np.clip(t, self.times[0], self.times[-1]))

    def integral(self, times: ArrayLike) -> Array:
        """Integrate from the first point to times, s (outside a record: as if its end values lasted)."""
        t = np.asarray(times, float)
        inside = self._placed(t)
        rounds = np.round((t - inside) / self.duration) if self.periodic else np.zeros(t.shape)
        k = np.clip(np.searchsorted(self.times, inside, side="right") - 1, 0, self.times.size - 1)
        below = np.concatenate([[0.0], np.cumsum(np.diff(self.times) * (self.values[1:] + self.values[:-1]) / 2)])
        part = (inside - self.times[k]) * (self.values[k] + self.at(inside)) / 2
        outside = 0.0 if self.periodic else (t - inside) * self.at(inside)
        return np.asarray(rounds * self.figures.mean * self.duration + below[k] + part + outside)

    def filtered(self, time_constant: float) -> Array:
        """What a first-order filter of τ seconds lets through, at the beginnings of the pieces and at the end.

        A periodic waveform has gone on for ever; before a record lay its first value.
        """
        length, a, b = self.pieces
        if not self.periodic:
            return smoothed(length, a, b, time_constant, float(a[0]))
        once = smoothed(length, a, b, time_constant, 0.0)
        return smoothed(length, a, b, time_constant, once[-1] / -np.expm1(-self.duration / time_constant))

    def filtered_range(self, time_constant: float) -> tuple[float, float]:
        """Least and largest value behind a first-order filter of τ seconds."""
        low, high = smoothed_extremes(*self.pieces, time_constant, self.filtered(time_constant))
        return float(low), float(high)

    def filtered_at(self, time_constant: float, times: ArrayLike) -> Array:
        """What a first-order filter of τ seconds lets through at times, s, within the waveform."""
        length, a, b = self.pieces
        out, t = self.filtered(time_constant), self._placed(times)
        starts = self.times[0] + np.concatenate([[0.0], np.cumsum(length)])[:-1]
        k = np.clip(np.searchsorted(starts, t, side="right") - 1, 0, length.size - 1)
        part = t - starts[k]
        fade, pushed = _filter_steps(part, a[k], a[k] + (b[k] - a[k]) * part / length[k], time_constant)
        return np.asarray(out[k] * fade + pushed)

    def squared(self, parts: int = 16) -> Trace:
        """Give the waveform of the squares, each piece as so many straight parts."""
        length, a, b = self.pieces
        share = np.linspace(0.0, 1.0, parts + 1)[:, None]
        starts = self.times[0] + np.concatenate([[0.0], np.cumsum(length)])[:-1]
        times, values = starts + share * length, (a + share * (b - a)) ** 2
        return Trace(times.T.ravel(), values.T.ravel(), periodic=self.periodic)

    def longest(self, level: float, *, above: bool) -> float:
        """Longest time without a break above (or below) a level, s; infinite for a periodic one that never leaves."""
        if not self.periodic:
            return float(longest_run(*self.pieces, level, above))
        length, a, b = (np.concatenate([p, p]) for p in self.pieces)
        run = float(longest_run(length, a, b, level, above))
        return np.inf if run >= 2 * self.duration * (1 - 1e-12) else run

    def averaged_range(self, time: float) -> tuple[float, float]:
        """Least and largest average over `time` seconds on end, wherever in the waveform they begin; 0: over no time.

        A record shorter than that has its average alone.
        """
        f = self.figures
        if time <= 0:
            return f.low, f.high
        length, first, last = (p[:, None] for p in self.pieces)
        low, high = moving_extremes(length, first, last, time, periodic=self.periodic)
        off = f.mean - piecewise_mean(length, first, last)  # the exact average counts, where it is known
        least, most = (float(np.clip((v + off)[0], f.low, f.high)) for v in (low, high))
        return least, most


class Waved(Protocol):
    """What one probe sees over a period, exactly (see `circuitsim.engine.periodic_points.Wave`); one entry a sample."""

    @property
    def average(self) -> Array:
        """Average over a period."""

    @property
    def rms(self) -> Array:
        """Root mean square, the average included."""

    @property
    def low(self) -> Array:
        """Least value."""

    @property
    def high(self) -> Array:
        """Largest value."""

    def trace(self, times: Array) -> Array:
        """Values at times in seconds after switch-on, (times, samples)."""


def stretch_points(count: int) -> Array:
    """Give where a stretch is looked at, as shares of it: evenly, and close to its beginning, where what is fast dies away.

    A voltage that a few picofarads or nanosiemens bring to rest is a jump to every instrument; it must not be a ramp from the
    first of the even points to the second.
    """
    return np.unique(np.concatenate([np.linspace(0.0, 1.0, count), _EARLY]))


def wave_trace(wave: Waved, edges: Sequence[float], sample: int = 0, points: int = 64) -> Trace:
    """Make the trace of one sample of a periodic waveform.

    Parameters
    ----------
    wave
        Exact averages and extremes, which the trace keeps, and values at any time.
    edges
        Where the stretches of the period begin, s, and where the last one ends.
    points
        In each stretch, evenly, and a few close to its beginning; between them the trace is straight.
    """
    exact = Figures(*(float(v[sample]) for v in (wave.average, wave.rms**2, wave.low, wave.high)))
    times: list[Array] = []
    seen: list[Array] = []
    for begin, end in pairwise(edges):
        inner = begin + (end - begin) * stretch_points(points)
        times.append(inner)
        seen.append(np.append(inner[:-1], end - 1e-9 * (end - begin)))  # just before what follows
    values = wave.trace(np.concatenate(seen))[:, sample]
    return Trace(np.concatenate(times), values, periodic=True, exact=exact)
