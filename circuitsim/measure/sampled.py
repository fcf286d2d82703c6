"""Many periodic waveforms at once, as straight pieces: what the functions of instruments make of each.

The batch is the last axis of everything. All of it is exact for straight pieces; averages, mean squares and extremes of a
chopped circuit are those of its waveforms themselves. `measure.traces` has the same for one waveform.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.periodic_points import PeriodicPoints, Wave
from circuitsim.measure.instruments import COUNTED, FORM_FACTOR
from circuitsim.measure.traces import Figures, Trace, moving_extremes, piecewise_mean, stretch_points

__all__ = ["STEADY", "Sampled"]

Array = NDArray[np.float64]
_POINTS = np.append(stretch_points(33)[:-1], 1.0 - 1e-9)
"""Where each stretch of a period is looked at, as a share of it: the last one just before what follows."""
STEADY = 1e-9
"""Share of a value (plus 1 nV or 1 nA) below which a swing is rounding."""
_LEVEL = 1.0  # s; the length of what never changes
_HYSTERESIS = 0.1  # of the swing, between the two levels of a counter


@dataclass(frozen=True)
class Sampled:
    """Waveforms, one an entry of the last axis.

    length, first, last: duration of each piece, s, and the values at its two ends, (pieces, batch); a piece of no duration is
    not there; mean, mean_square, low, high: over a period, (batch,). NaN where there is no waveform.
    """

    length: Array
    first: Array
    last: Array
    mean: Array
    mean_square: Array
    low: Array
    high: Array

    @classmethod
    def of_wave(cls, points: PeriodicPoints, wave: Wave) -> Sampled:
        """Take what a probe sees on a chopped circuit."""
        orbit = points.solved.steady.orbit
        times = orbit.start[:, None] + orbit.length[:, None] * _POINTS[None, :, None]
        values = wave.trace(times.reshape(-1, times.shape[2])).reshape(times.shape)
        lengths = orbit.length[:, None] * (np.diff(_POINTS) / _POINTS[-1])[None, :, None]
        length, first, last = (a.reshape(-1, a.shape[2]) for a in (lengths, values[:, :-1], values[:, 1:]))
        return cls(length, first, last, wave.average, wave.rms**2, wave.low, wave.high)

    @classmethod
    def rectangle(cls, low: Array, high: Array, share: Array, period: Array) -> Sampled:
        """Make rectangles that are `low` for a share of each period."""
        ends = np.stack([low, high])
        mean, square = (share * low**n + (1 - share) * high**n for n in (1, 2))
        never = (share <= 0) | (share >= 1)  # one of the two levels does not come up
        level = np.where(share >= 1, low, high)
        least, most = (np.where(never, level, f(low, high)) for f in (np.minimum, np.maximum))
        return cls(np.stack([share * period, (1 - share) * period]), ends, ends, mean, square, least, most)

    @classmethod
    def level(cls, value: Array) -> Sampled:
        """Make what never changes."""
        ends = value[None]
        return cls(np.full(ends.shape, _LEVEL), ends, ends, value, value**2, value, value)

    def take(self, chosen: Any) -> Sampled:
        """Give some of them."""
        return Sampled(
            self.length[:, chosen], self.first[:, chosen], self.last[:, chosen], self.mean[chosen], self.mean_square[chosen],
            self.low[chosen], self.high[chosen],
        )  # fmt: skip

    def put(self, where: NDArray[np.bool_], other: Sampled) -> Sampled:
        """Give these with others in the place of some."""
        count = max(len(self.length), len(other.length))

        def merged(mine: Array, theirs: Array) -> Array:
            if mine.ndim == 1:
                return np.where(where, theirs, mine)
            padded = [np.concatenate([a, np.zeros((count - len(a), a.shape[1]))]) for a in (theirs, mine)]
            return np.where(where, *padded)

        names = ("length", "first", "last", "mean", "mean_square", "low", "high")
        return Sampled(*(merged(getattr(self, n), getattr(other, n)) for n in names))

    @property
    def period(self) -> Array:
        """Length of a period, s."""
        return np.asarray(self.length.sum(axis=0))

    @property
    def swing(self) -> Array:
        """Largest less least value."""
        return self.high - self.low

    @property
    def steady(self) -> NDArray[np.bool_]:
        """Where nothing changes but the last digits; not so where there is no waveform."""
        return self.swing <= STEADY * (np.abs(self.low) + np.abs(self.high) + 1.0)

    def trace(self, k: int) -> Trace:
        """Give one of them alone."""
        lasts = self.length[:, k] > 0
        ends = np.cumsum(self.length[lasts, k])
        times = np.stack([np.concatenate([[0.0], ends[:-1]]), ends], axis=1).ravel()
        values = np.stack([self.first[lasts, k], self.last[lasts, k]], axis=1).ravel()
        exact = Figures(*(float(a[k]) for a in (self.mean, self.mean_square, self.low, self.high)))
        return Trace(times, values, periodic=True, exact=exact)

    def value(self, function: str, capture: float = 0.0) -> Array:
        """Give what a function of an instrument shows, SI, (batch,); NaN for a duty or a frequency of what hardly changes.

        function: see `FUNCTIONS`; capture: over how long a minimum or maximum is averaged, s.
        """
        if function in ("min", "max"):
            return self.averaged_range(capture)[function == "max"]
        if function in ("scope-min", "scope-max"):
            return self.high if function == "scope-max" else self.low
        if function == "ac+dc":
            return np.sqrt(np.maximum(self.mean_square, 0.0))
        if function in ("duty", "frequency"):
            count = self.share_above() if function == "duty" else self.rises() / self.period
            return np.where(self.swing >= COUNTED, count, np.nan)
        ac = {"ac": self.ripple, "ac-average": self.rectified}[function]()
        return np.where(self.steady, 0.0, ac)

    def ripple(self) -> Array:
        """Root mean square without the average."""
        return np.sqrt(np.maximum(self.mean_square - self.mean**2, 0.0))

    def rectified(self) -> Array:
        """Mean of |v - average|, scaled as an average-responding meter does."""
        a, b = self.first - self.mean, self.last - self.mean
        with np.errstate(all="ignore"):
            split = (a * a + b * b) / (2 * np.abs(a - b))
        each = np.where(a * b < 0, split, np.abs(a + b) / 2)
        return np.asarray(FORM_FACTOR * (self.length * each).sum(axis=0) / self.period)

    def share_above(self) -> Array:
        """Share of the time spent above half way between the extremes."""
        level = (self.low + self.high) / 2
        a, b = self.first, self.last
        with np.errstate(all="ignore"):
            part = np.clip((np.maximum(a, b) - level) / np.abs(a - b), 0.0, 1.0)
        share = np.where(a == b, (a > level).astype(float), part)
        return np.asarray((self.length * share).sum(axis=0) / self.period)

    def rises(self) -> Array:
        """Count how often a period rises past half way, a tenth of the swing being left for what jitters."""
        middle, edge = (self.low + self.high) / 2, _HYSTERESIS * self.swing / 2
        values = np.stack([self.first, self.last], axis=1).reshape(-1, self.low.size)
        there = np.repeat(self.length > 0, 2, axis=0)
        state = np.where(there & (values > middle + edge), 1, np.where(there & (values <= middle - edge), -1, 0))
        twice = np.concatenate([state, state])  # the second time round, what came before is known
        order = np.where(twice != 0, np.arange(len(twice))[:, None], 0)
        seen = np.take_along_axis(twice, np.maximum.accumulate(order, axis=0), axis=0)
        return np.asarray(((seen[1:] == 1) & (seen[:-1] == -1))[len(state) - 1 :].sum(axis=0), float)

    def averaged_range(self, capture: float) -> tuple[Array, Array]:
        """Give the least and the largest average over a time, s: what a meter's minimum and maximum keep."""
        low, high = self.low.copy(), self.high.copy()
        moving = np.flatnonzero(~self.steady & np.isfinite(self.mean))
        if capture > 0 and moving.size:
            some = self.take(moving)
            pieces = (some.length, some.first, some.last)
            off = some.mean - piecewise_mean(*pieces)  # the average is known exactly, the pieces are chords
            ends = (v + off for v in moving_extremes(*pieces, capture, periodic=True))
            low[moving], high[moving] = (np.clip(v, some.low, some.high) for v in ends)
        return low, high
