"""Periodic orbits of piecewise-affine systems: exact over one period, a whole batch at a time.

In each mode x' = a·x + b. A period is a row of phases of given lengths (a switch on, then off); within a phase the mode
changes when a guard of the mode falls to zero (the current of a diode, say). The orbit is the fixed point of the map over
one period, found by Newton's method: the map is affine while the order of the modes stays, and its slope is the product of
exp(a·t) over the segments, because x' is continuous where a guard is zero. With one state a guard's time is a closed form;
with several it is bracketed on a grid and refined by bisection and Newton steps.

All formulas are exact in the eigenvectors of a: with λ an eigenvalue, q the state along it and r its rate at the start of a
segment, q(t) = q + r·φ₁, ∫q = q·t + r·φ₂, φ₁ = (exp(λt) - 1)/λ, φ₂ = (exp(λt) - 1 - λt)/λ² (by expm1, or by series where
λt is small). ∫q·qᵀ follows from d(q·qᵀ)/dt = Λ·q·qᵀ + q·qᵀ·Λ + β·qᵀ + q·βᵀ. Own derivation of textbook algebra. A matrix that
is next to defective (critically damped) is moved by 1e-10 of its size first.

Shapes: states n, modes m, outputs p, guards g, batch B; the batch is the last axis of everything that goes in or comes out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.exponentials import Course, Modal, split_modes

__all__ = ["Affine", "Guard", "Orbit", "Outputs", "Phase", "Waves", "periodic_orbit"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

SHORTEST = 1e-9
"""Share of a period below which a segment is left out of least and largest values: no instrument sees it."""
_SEGMENTS = 12  # in one phase; ringing that opens and shuts a diode more often is not followed
_ROUNDS = 60
_GRID = np.unique(np.concatenate([np.linspace(0.0, 1.0, 41), np.logspace(-6.0, -1.6, 23)]))
_FAST = 8.0  # radians of ringing in a segment past which the grid is made finer at its beginning
_FINE = 160  # points there, sixteen to a turn: ten turns, after which what rings is as good as gone
_CLOSE = 1e-12  # of the state's size: where the map's fixed point counts as found


@dataclass(frozen=True)
class Guard:
    """What must not be negative while a mode holds: slope·x + level, (n, B) and (B,); then mode `follows` takes over."""

    slope: Array
    level: Array
    follows: int


@dataclass(frozen=True)
class Affine:
    """One mode: x' = a·x + b, shapes (n, n, B) and (n, B), with its guards."""

    a: Array
    b: Array
    guards: tuple[Guard, ...] = ()


@dataclass(frozen=True)
class Phase:
    """A stretch of the period: its length in seconds, (B,), and the modes it may begin in.

    The first of them whose guards are all at least zero is taken, or else the last.
    """

    length: Array
    modes: tuple[int, ...]


@dataclass(frozen=True)
class Outputs:
    """Quantities to look at, y = c·x + d, mode by mode: shapes (m, p, n, B) and (m, p, B)."""

    c: Array
    d: Array


@dataclass(frozen=True)
class Waves:
    """What outputs do over a period, (p, B) each: mean, mean square, least and largest value."""

    mean: Array
    mean_square: Array
    low: Array
    high: Array

    @property
    def rms(self) -> Array:
        """Root mean square."""
        return np.sqrt(np.maximum(self.mean_square, 0.0))


class Orbit:
    """A periodic orbit as segments in time, each in one mode.

    Attributes
    ----------
    mode : array of int
        Mode of each segment, (segments, B).
    start, length : array
        When each begins, s after the start of the first phase, and how long it lasts (0: not there), (segments, B).
    period : array
        Length of the period, s, (B,).
    accepted : array of bool
        Whether the fixed point was found, (B,).
    modes : int
        Number of modes of the system.
    """

    def __init__(self, modal: Modal, segments: Sequence[tuple[Index, Array, Array]], period: Array, accepted: Any) -> None:
        self._modal, self.period, self.accepted, self.modes = modal, period, accepted, modal.modes
        self.mode = np.array([mode for mode, _, _ in segments])
        self.length = np.array([t for _, _, t in segments])
        self.start = np.concatenate([np.zeros((1, period.size)), np.cumsum(self.length, axis=0)[:-1]])
        self._x = np.array([x for _, x, _ in segments])  # (segments, B, n)

    @cached_property
    def first(self) -> Array:
        """State at the start of the period, (n, B)."""
        return np.ascontiguousarray(self._x[0].T)

    @cached_property
    def moments(self) -> tuple[Array, Array, Array]:
        """Share of the period, mean and covariance of the state WITHIN each mode: (m, B), (m, n, B), (m, n, n, B)."""
        time, whole, square = self._integrals
        share = time / self.period
        safe = np.where(time > 0, time, 1.0)
        mean = whole / safe[:, None]
        spread = square / safe[:, None, None] - mean[:, :, None] * mean[:, None, :]
        return share, mean, spread

    @cached_property
    def _integrals(self) -> tuple[Array, Array, Array]:
        """Time, ∫x and ∫x·xᵀ in each mode: (m, B), (m, n, B), (m, n, n, B)."""
        n, size = self._x.shape[2], self.period.size
        time = np.zeros((self.modes, size))
        whole, square = np.zeros((self.modes, n, size)), np.zeros((self.modes, n, n, size))
        for mode, x, t in zip(self.mode, self._x, self.length, strict=True):
            first, second = self._modal.integrals(mode, x, t)
            for m in range(self.modes):
                here = (mode == m) & (t > 0)
                time[m] += np.where(here, t, 0.0)
                whole[m] += np.where(here, first.T, 0.0)
                square[m] += np.where(here, np.moveaxis(second, 0, -1), 0.0)
        return time, whole, square

    def waves(self, y: Outputs) -> Waves:
        """Give mean, mean square and extremes of outputs."""
        share, centre, spread = self.moments
        middle = np.einsum("mpnb,mnb->mpb", y.c, centre) + y.d
        ripple = np.einsum("mpib,mijb,mpjb->mpb", y.c, spread, y.c)
        mean = (share[:, None] * middle).sum(axis=0)
        power = (share[:, None] * (middle**2 + np.maximum(ripple, 0.0))).sum(axis=0)
        low, high = self._extremes(y)
        return Waves(mean, power, low, high)

    def _extremes(self, y: Outputs) -> tuple[Array, Array]:
        low, high = np.full(y.d.shape[1:], np.inf), np.full(y.d.shape[1:], -np.inf)
        for mode, x, t in zip(self.mode, self._x, self.length, strict=True):
            seen = np.flatnonzero(t > SHORTEST * self.period)
            if seen.size:
                m, level = mode[seen], _picked(y.d[..., seen], mode[seen])
                course = self._modal.take(seen).course(m, x[seen], np.moveaxis(_picked(y.c[..., seen], m), -1, 0))
                least, most = _extent(course, t[seen])
                low[:, seen] = np.minimum(low[:, seen], least.T + level)
                high[:, seen] = np.maximum(high[:, seen], most.T + level)
        return low, high

    def at(self, times: Array, y: Outputs) -> Array:
        """Values of outputs at times, s; times: (k,) or (k, B), of any period. Gives (k, p, B).

        At an edge the value is that of the segment which begins there; segments too short to be seen are passed over.
        """
        times = np.broadcast_to(np.asarray(times, float).reshape(len(times), -1), (len(times), self.period.size))
        within = np.mod(times, self.period)
        out = np.zeros((len(times), *y.d.shape[1:]))
        begun = np.zeros(self.period.size, bool)
        for mode, x, begin, t in zip(self.mode, self._x, self.start, self.length, strict=True):
            c, d = _picked(y.c, mode), _picked(y.d, mode)
            lasts = t > SHORTEST * self.period
            from_on = np.where(begun, begin, 0.0)  # the first that is seen holds from the start of the period on
            begun |= lasts
            for k, moment in enumerate(within):
                here = (moment >= from_on) & lasts
                if here.any():
                    state = self._modal.after(mode, x, np.clip(moment - begin, 0.0, t))
                    out[k] = np.where(here, _value(c, d, state), out[k])
        return out

    def marks(self, sample: int) -> list[tuple[int, float, float]]:
        """Mode, start and end (s) of each segment of one sample that is long enough to be seen; neighbours are joined."""
        found: list[tuple[int, float, float]] = []
        for mode, begin, t in zip(self.mode[:, sample], self.start[:, sample], self.length[:, sample], strict=True):
            if t <= SHORTEST * self.period[sample]:
                continue
            if found and found[-1][0] == mode:
                found[-1] = (int(mode), found[-1][1], float(begin + t))
            else:
                found.append((int(mode), float(begin), float(begin + t)))
        return found


def _grid(course: Course, t: Array) -> Array:
    """Give the times at which segments of lengths t are looked at, rising, (points, B)."""
    times = _GRID[:, None] * t
    turns = np.abs(course.rates.imag).max(axis=(1, 2))
    if not (turns * t > _FAST).any():
        return times
    fine = np.arange(1, _FINE + 1)[:, None] * (np.pi / 8) / np.maximum(turns, 1e-300)
    return np.sort(np.concatenate([times, np.minimum(fine, t)]), axis=0)


def _ringing(course: Course, t: Array) -> list[Index]:
    """Part segments into those that need no finer grid and those that do."""
    fast = np.abs(course.rates.imag).max(axis=(1, 2)) * t > _FAST
    return [k for k in (np.flatnonzero(~fast), np.flatnonzero(fast)) if k.size]


def _extent(course: Course, t: Array) -> tuple[Array, Array]:
    """Least and largest value along segments of lengths t, (B, p) each."""
    if course.rates.shape[-1] < 2:  # one exponential has its extremes at the ends
        values = course.value(np.stack([0 * t, t])[:, :, None])
        return values.min(axis=0), values.max(axis=0)
    low, high = np.empty(course.start.shape), np.empty(course.start.shape)
    for part in _ringing(course, t):
        values = _turning(course.take(part), t[part])
        low[part], high[part] = values.min(axis=0), values.max(axis=0)
    return low, high


def _turning(course: Course, t: Array) -> Array:
    """Values on a grid, and where they turn beside the largest and the least of these, (points, B, p)."""
    grid, samples = _grid(course, t), np.arange(t.size)[:, None]
    values, slopes = course.value(grid[:, :, None]), course.slope(grid[:, :, None])
    found = [values]
    for sign in (1.0, -1.0):  # halve the bracket of the slope's sign change beside the largest and the least
        best = np.argmax(sign * values, axis=0)
        rising = np.take_along_axis(sign * slopes, best[None], 0)[0] > 0
        below = np.where(rising, best, np.maximum(best - 1, 0))
        left, right = grid[below, samples], grid[np.minimum(below + 1, len(grid) - 1), samples]
        for _ in range(28):  # a value is flat where it turns: half of the digits of the time give all of its own
            middle = 0.5 * (left + right)
            up = sign * course.slope(middle) > 0
            left, right = np.where(up, middle, left), np.where(up, right, middle)
        found.append(course.value(left)[None])
    return np.concatenate(found)


def _picked(stack: Array, mode: Index) -> Array:
    """Give, for each sample, the entry of its mode: (m, …, B) → (…, B)."""
    return np.moveaxis(stack[mode, ..., np.arange(mode.size)], 0, -1)


def _value(c: Array, d: Array, x: Array) -> Array:
    out: Array = np.einsum("pnb,bn->pb", c, x) + d
    return out


def periodic_orbit(modes: Sequence[Affine], phases: Sequence[Phase], start: Array | None = None) -> Orbit:
    """Find the periodic orbit.

    Parameters
    ----------
    modes : sequence of Affine
        All modes; guards and phases speak of them by number.
    phases : sequence of Phase
        In order; their lengths add up to the period. Lengths may be zero.
    start : array
        A guess of the state at the beginning, (n, B).

    Returns
    -------
    Orbit
        With `accepted` false for samples whose fixed point was not found.
    """
    search = _Search(split_modes([m.a for m in modes], [m.b for m in modes]), modes, phases)
    n, size = modes[0].b.shape
    x = np.zeros((size, n)) if start is None else np.ascontiguousarray(start.T, dtype=float)
    best, least = x, np.full(size, np.inf)
    for k in range(_ROUNDS):
        segments, end, slope, complete = search.once_round(x)
        gap = end - x
        size_of = 1e-3 + np.abs(end) + np.abs(x)
        off = (np.abs(gap) / size_of).max(axis=1, initial=0.0)
        better = off < least
        best, least = np.where(better[:, None], x, best), np.where(better, off, least)
        if (least < _CLOSE).all():
            break
        # Newton on the map; every other late step is the map itself, which always contracts in a passive circuit.
        x = end if k > 8 and k % 2 else x + _solve(np.eye(n) - slope, gap)
    segments, end, _, complete = search.once_round(best)
    period = np.asarray(sum(p.length for p in phases), float)
    good = (least < 1e-10) & complete & np.isfinite(end).all(axis=1)
    return Orbit(search.modal, segments, period, good)


def _solve(full: Array, right: Array) -> Array:
    """Solve for matrices one and all; a singular one (no loss at all) takes the plain step."""
    n = right.shape[1]
    if n == 0:
        return right
    if n == 1:
        return np.asarray(right / np.where(np.abs(full[:, :, 0]) > 1e-15, full[:, :, 0], 1.0))
    poor = ~(np.abs(np.linalg.det(full)) > 1e-300)
    full = np.where(poor[:, None, None], np.eye(n), full)
    return np.asarray(np.linalg.solve(full, right[:, :, None])[:, :, 0])


class _Search:
    """Follows samples over one period from given states."""

    def __init__(self, modal: Modal, modes: Sequence[Affine], phases: Sequence[Phase]) -> None:
        self.modal, self.phases = modal, phases
        self.most = max((len(m.guards) for m in modes), default=0)
        size, n = modal.batch, modal.states
        self.slope = np.zeros((len(modes), size, self.most, n))
        self.level = np.full((len(modes), size, self.most), np.inf)
        self.follows = np.zeros((len(modes), max(self.most, 1)), np.intp)
        for m, mode in enumerate(modes):
            for g, guard in enumerate(mode.guards):
                self.slope[m, :, g], self.level[m, :, g] = guard.slope.T, guard.level
                self.follows[m, g] = guard.follows
        self.guarded = np.array([bool(m.guards) for m in modes])
        self.samples = np.arange(size)

    def once_round(self, x: Array) -> tuple[list[tuple[Index, Array, Array]], Array, Array, Any]:
        """Give the segments, the state after a period, the slope of the map, and whether all phases were completed."""
        segments: list[tuple[Index, Array, Array]] = []
        slope = np.broadcast_to(np.eye(x.shape[1]), (x.shape[0], x.shape[1], x.shape[1]))
        complete = np.ones(x.shape[0], bool)
        for phase in self.phases:
            left = np.array(np.broadcast_to(phase.length, self.samples.shape), float)
            mode = self._entered(phase.modes, x)
            for _ in range(_SEGMENTS):
                t, follows, guard = self._next(mode, x, left)
                segments.append((mode, x, t))
                x, moved = self._onto(mode, guard, self.modal.after(mode, x, t)), self.modal.slope(mode, t)
                slope = moved @ slope
                left, mode = np.maximum(left - t, 0.0), follows
                if not (left > 0).any():
                    break
            complete &= left <= 0
        return segments, x, slope, complete

    def _guards(self, mode: Index, x: Array) -> Array:
        at = self.samples
        return np.asarray(np.einsum("bgn,bn->bg", self.slope[mode, at], x) + self.level[mode, at])

    def _entered(self, modes: tuple[int, ...], x: Array) -> Index:
        chosen = np.full(self.samples.size, modes[-1], np.intp)
        for m in reversed(modes[:-1]):
            mode = np.full_like(chosen, m)
            chosen = np.where((self._guards(mode, x) >= 0).all(axis=1), mode, chosen)
        return chosen

    def _onto(self, mode: Index, guard: Index, x: Array) -> Array:
        """Put states on the guard that ended their segment (-1: none): after a diode's zero, rounding would be volts."""
        at = np.flatnonzero(guard >= 0)
        if at.size:
            slope = self.slope[mode[at], at, guard[at]]
            value = np.einsum("bn,bn->b", slope, x[at]) + self.level[mode[at], at, guard[at]]
            size = np.einsum("bn,bn->b", slope, slope)
            x[at] -= slope * (value / np.where(size > 0, size, 1.0))[:, None]
        return x

    def _next(self, mode: Index, x: Array, left: Array) -> tuple[Array, Index, Index]:
        """Give how long each sample stays in its mode, at most `left`, the mode after, and the guard that ended it."""
        t, after, ended = left.copy(), mode.copy(), np.full(mode.size, -1, np.intp)
        at = np.flatnonzero((left > 0) & self.guarded[mode])
        if at.size:
            closed = x.shape[1] < 2
            times = self._closed(at, mode[at], x[at]) if closed else self._searched(at, mode[at], x[at], left[at])
            which = np.argmin(times, axis=1)
            first = times[np.arange(at.size), which]
            happens = first < left[at]
            at, which = at[happens], which[happens]
            t[at], ended[at] = first[happens], which
            after[at] = self.follows[mode[at], which]
        return t, after, ended

    def _closed(self, at: Index, mode: Index, x: Array) -> Array:
        """Time at which a guard with one exponential falls to zero: value + fall·φ₁(λ, t) = 0."""
        course = self.modal.take(at).course(mode, x, self.slope[mode, at])
        value, fall = course.start + self.level[mode, at], course.slope(np.zeros((at.size, 1)))
        with np.errstate(all="ignore"):
            need = np.where(fall < 0, np.maximum(value, 0.0) / -fall, np.inf)
            rate = self.modal.rates[mode, at].real if self.modal.states else np.zeros((at.size, 1))
            z = rate * need
            time = np.where(np.abs(z) < 1e-14, need, np.log1p(np.where(z > -1, z, -0.5)) / np.where(rate == 0, 1.0, rate))
        return np.where((z > -1) & np.isfinite(need), time, np.inf)

    def _searched(self, at: Index, mode: Index, x: Array, left: Array) -> Array:
        """Time at which guards first fall below zero, by a grid over what is left and then by halving and Newton steps."""
        level = self.level[mode, at]
        course = self.modal.take(at).course(mode, x, self.slope[mode, at])
        times = np.full(level.shape, np.inf)
        for part in _ringing(course, left):
            times[part] = _first_fall(course.take(part), level[part], left[part])
        return times


def _first_fall(course: Course, level: Array, left: Array) -> Array:
    """Time at which each course + level first falls below zero within `left`, or infinity: (B, p)."""
    grid = _grid(course, left)
    values = course.value(grid[:, :, None]) + level
    tiny = 1e-13 * (1e-3 + np.abs(np.where(np.isfinite(values), values, 0.0)).max(axis=0))
    falls = (values[1:] < -tiny) & (values[:-1] >= -tiny)
    times = np.full(level.shape, np.inf)
    sample, guard = np.nonzero(falls.any(axis=0))
    if sample.size:
        k = np.argmax(falls[:, sample, guard], axis=0)
        single = course.single(sample, guard)
        times[sample, guard] = _zero(single, level[sample, guard], grid[k, sample], grid[k + 1, sample])
    return times


def _zero(course: Course, level: Array, low: Array, high: Array) -> Array:
    """Time at which each course + level falls through zero between two times, (k,)."""
    t = 0.5 * (low + high)
    for _ in range(60):
        value = course.value(t[:, None])[:, 0] + level
        low, high = np.where(value >= 0, t, low), np.where(value >= 0, high, t)
        with np.errstate(all="ignore"):
            newton = t - value / course.slope(t[:, None])[:, 0]
        after = np.where((newton > low) & (newton < high), newton, 0.5 * (low + high))
        if (np.abs(after - t) <= 1e-14 * high).all():
            return after
        t = after
    return t
