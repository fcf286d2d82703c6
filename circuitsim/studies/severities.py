"""Likelihood along the severity of each fault: solved where it matters, interpolated between.

Severities span decades and likelihoods are narrow, so a grid alone misses them. What is interpolated are the predicted
readings, not the likelihood; where interpolation may be off, that doubt is added to the variance, so a narrow peak between
two grid points still shows, and is then solved for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from circuitsim.measure.faults import Fault
from circuitsim.studies.allowance import Bench
from circuitsim.studies.likelihood import Likelihood, shared_by
from circuitsim.studies.sightings import Sightings

__all__ = ["Between", "Course", "Density", "follow", "solve"]

Array = NDArray[np.float64]
Faults = tuple[Fault, ...]
GRID = 9
_FINE = 2  # points in an interval to begin with: between two solved points the likelihood is near a parabola
_ZOOMS = 12
_STEEP = 0.5  # nats from one point to the next, near the peak
_NEAR = 10.0  # nats below the best; what is further away is not refined
_ROUNDS = 6
_AHEAD, _EARLY = 20, 2  # so many courses, the most hopeful, are refined in the first rounds whatever they promise
_TRIED = 2  # intervals, the likeliest, whose best place is solved next
_JUMP = 2e-3  # shares; so narrow is the interval in which a fuse opens
_DOUBTFUL = 0.2  # standard deviations; interpolation that is off by more is worth solving anew
_TURNS = 0.1  # rad/s; slower is standing
_CLOSE = 2e-4  # shares of the plausible range


class Course:
    """One fault (or set of faults) along one severity.

    make: share of the plausible range (0 to 1) → faults; graded: whether there is a severity at all. The rest is filled by
    `follow`: shares in rising order, and there predicted values, slopes (spread), covariances by tolerances (shared) and
    speeds. against: for a fault that comes and goes, what the circuit is while it is not there.
    """

    def __init__(self, name: str, make: Callable[[float], Faults], *, graded: bool, against: Course | None = None) -> None:
        self.name, self.make, self.graded, self.against = name, make, graded, against
        self.share = np.zeros(0)
        self.value = self.spread = self.shared = self.speed = np.zeros(0)
        self.blown: list[tuple[str, ...]] = []
        self._density: Density | None = None
        self.last: Array | None = None

    def start(self) -> list[float]:
        """Shares to begin with."""
        return np.linspace(0, 1, GRID).tolist() if self.graded else [0.5]

    def jumps(self) -> list[tuple[float, float]]:
        """Give the intervals in which a fuse opens."""
        pairs = zip(pairwise(self.share.tolist()), pairwise(self.blown), strict=True)
        return [ends for ends, (a, b) in pairs if a != b]

    def across(self, share: float, reach: float) -> list[float]:
        """Give the nearest solved share at which, at some reading, the fan turns where it stands at a share, or the other way.

        Nothing where there is none within reach.
        """
        turns = self.speed > _TURNS
        here = turns[int(np.argmin(np.abs(self.share - share)))]
        other = np.flatnonzero((turns != here).any(axis=1) & (np.abs(self.share - share) < reach))
        return [float(x) for x in self.share[other[np.argsort(np.abs(self.share[other] - share))[:1]]]]

    def put(self, share: float, value: Array, spread: Array, speed: Array, blown: tuple[str, ...]) -> None:
        """Enter what was solved at a share."""
        self.last = None if self._density is None else self._density.logs
        self._density = None
        at = int(np.searchsorted(self.share, share))
        first = not self.share.size

        def entered(kept: Array, new: Array) -> Array:
            return np.array([new]) if first else np.insert(kept, at, new, axis=0)

        self.value, self.spread = entered(self.value, value), entered(self.spread, spread)
        self.shared = entered(self.shared, shared_by(spread[None])[0])
        self.speed = entered(self.speed, speed)
        self.share = np.insert(self.share, at, share)
        self.blown.insert(at, blown)

    def at(self, share: Array) -> Between:
        """Give what lies at shares of the plausible range, interpolated."""
        if self.share.size == 1:
            nearest = np.zeros(share.size, np.intp)
            rows = (self.value[nearest], self.shared[nearest], self.speed[nearest])
            return Between(*rows, np.zeros_like(rows[0]), nearest)
        left, part = _places(self.share, share)
        value, shared, speed = (_between(v, left, part) for v in (self.value, self.shared, self.speed))
        doubt = _doubt(self.value, self.share, left, part)
        # A fuse that opens in between is a jump: halves belong to either side.
        jump = np.array([a != b for a, b in pairwise(self.blown)])[left]
        nearest = left + (part > 0.5)
        for whole, nodes in ((value, self.value), (shared, self.shared), (speed, self.speed)):
            whole[jump] = nodes[nearest[jump]]
        doubt[jump] = 0.0
        return Between(value, shared, speed, doubt, nearest)

    def slopes(self, share: Array) -> Array:
        """Give the slopes at shares, interpolated, (shares, readings, numbers)."""
        if self.share.size == 1:
            return np.repeat(self.spread, share.size, axis=0)
        return _between(self.spread, *_places(self.share, share))

    def density(self, likelihood: Likelihood, sightings: Sightings, floor: float = -math.inf) -> Density:
        """Give the likelihood along the severity, with the doubt of interpolation in the variance.

        floor: log likelihood below which nobody looks closely.
        """
        if self._density is None:
            self._density = self._dense(likelihood, sightings, floor)
        return self._density

    def _dense(self, likelihood: Likelihood, sightings: Sightings, floor: float) -> Density:
        def look(share: Array) -> tuple[Array, Array]:
            found = self.at(share)
            if self.against is None:
                logs = likelihood.judge(found.value, found.shared, found.doubt**2).total
            else:
                logs = likelihood.flicker(found.value, found.shared, self.against.value, self.against.shared, found.doubt**2)
            return logs + sightings.logs(found.speed, [self.blown[k] for k in found.nearest]), found.doubt.max(
                axis=1, initial=0.0
            )

        if self.share.size == 1:
            share = np.array([0.5])
            logs, doubt = look(share)
            return Density(share, logs, doubt, np.ones(1))
        share = _fine(self.share)
        logs, doubt = look(share)
        hope, places = self._hope(likelihood, logs)
        for _ in range(_ZOOMS if hope > floor - 4 * _NEAR else 0):
            more = _between_points(share, logs)
            if not more.size:
                break
            new_logs, new_doubt = look(more)
            order = np.argsort(np.concatenate([share, more]), kind="stable")
            share, logs, doubt = (
                np.concatenate(pair)[order] for pair in ((share, more), (logs, new_logs), (doubt, new_doubt))
            )  # fmt: skip
        weight = np.gradient(share)
        weight[[0, -1]] /= 2
        return Density(share, logs, doubt, weight, hope, tuple(places))

    def take(self, density: Density) -> None:
        """Take a likelihood along the severity that was found out more closely."""
        self._density = density

    def _hope(self, likelihood: Likelihood, logs: Array) -> tuple[float, list[float]]:
        """Give what the likelihood could come to if nothing were in doubt, and the places of that, the best first.

        Between two solved severities readings are taken as straight, within what that may miss: the best place of each
        interval is then known in closed form (least squares in the metric of the covariance), and the volume of the doubt is
        taken out again.
        """
        inside = np.flatnonzero(np.diff(self.share) > _CLOSE)
        if not inside.size or not likelihood.numbers.size:
            return float(logs.max()), []
        numbers = likelihood.numbers
        first, step = self.value[inside], np.nan_to_num(np.diff(self.value, axis=0)[inside])
        shared = 0.5 * (self.shared[inside] + self.shared[inside + 1])
        doubt = _doubt(self.value, self.share, inside, np.full(inside.size, 0.5)) ** 2
        inverse, _, left = likelihood.solved(first, shared, doubt)
        pulled = np.einsum("vij,vj->vi", inverse, step[:, numbers])
        part = np.einsum("vi,vi->v", pulled, left) / np.maximum(np.einsum("vi,vi->v", pulled, step[:, numbers]), 1e-300)
        part = np.clip(part, 0.0, 1.0)
        value = first + part[:, None] * step
        narrow = np.linalg.slogdet(likelihood.covariance(shared))[1]
        wide = np.linalg.slogdet(likelihood.covariance(shared, doubt))[1]
        totals = likelihood.judge(value, shared, doubt).total + 0.5 * (wide - narrow)
        places = self.share[inside] + part * np.diff(self.share)[inside]
        inner = (part > 0.0) & (part < 1.0)
        order = [k for k in np.argsort(-totals).tolist() if inner[k] and totals[k] > totals.max() - _NEAR]
        return float(max(logs.max(), totals.max())), places[order][:_TRIED].tolist()


@dataclass(frozen=True)
class Between:
    """Values, covariances by tolerances, speeds and doubts at some shares, and the number of the nearest solved one."""

    value: Array
    shared: Array
    speed: Array
    doubt: Array
    nearest: NDArray[np.intp]


@dataclass(frozen=True)
class Density:
    """Likelihood along the severity.

    logs: of the likelihood at shares; doubt: of interpolation there (largest, SI); weight: of the quadrature; hope: what the
    logarithm may come to once the doubt is gone; places: where.
    """

    share: Array
    logs: Array
    doubt: Array
    weight: Array
    hope: float = -math.inf
    places: tuple[float, ...] = ()

    @property
    def evidence(self) -> float:
        """Logarithm of the likelihood averaged over the plausible severities, which are equally likely along their scale."""
        top = float(self.logs.max())
        return top + float(np.log((self.weight * np.exp(self.logs - top)).sum() / self.weight.sum()))

    def posterior(self) -> Array:
        """Weights of the shares, given the readings; their sum is 1."""
        weight = self.weight * np.exp(self.logs - self.logs.max())
        return np.asarray(weight / weight.sum())

    def quantiles(self, levels: Sequence[float]) -> Array:
        """Give shares at levels of the posterior."""
        total = np.cumsum(self.posterior())
        return np.array([self.share[min(int(np.searchsorted(total, level)), self.share.size - 1)] for level in levels])


def follow(
    bench: Bench, courses: Sequence[Course], likelihood: Likelihood, sightings: Sightings, columns: Sequence[int],
    floor: float, rounds: int = _ROUNDS,
) -> None:  # fmt: skip
    """Solve courses on their grid (unless they have one), then where their likelihood is.

    columns: of the bench, those that the readings and sightings stand in; floor: log likelihood of something to compare
    with (the healthy vehicle, say), so that hopeless courses rest.
    """
    fresh = [(c, x) for c in courses if not c.share.size for x in c.start()]
    if fresh:
        solve(bench, fresh, columns)
    active, best = list(courses), floor
    for turn in range(rounds):
        for course in sorted(active, key=_promise):
            best = max(best, float(course.density(likelihood, sightings, best).logs.max()))
        hopes = {c: c.density(likelihood, sightings).hope for c in active if c.graded}
        worth = min(best - _NEAR, sorted(hopes.values())[-_AHEAD:][0] if hopes and turn < _EARLY else math.inf)
        active = [c for c in hopes if hopes[c] >= worth or _jumps(c)]
        wanted = [(c, x) for c in active for x in _wanted(c, c.density(likelihood, sightings), likelihood)]
        if not wanted:
            return
        solve(bench, wanted, columns)


def _promise(course: Course) -> float:
    """Sort what was likeliest before to the front; what was never looked at comes last."""
    return -float(course.last.max()) if course.last is not None else math.inf


def _jumps(course: Course) -> bool:
    """Whether it is not known closely enough where a fuse opens: the readings on its near side may not have been seen yet."""
    return any(b - a > _JUMP for a, b in course.jumps())


def solve(bench: Bench, wanted: Sequence[tuple[Course, float]], columns: Sequence[int]) -> None:
    """Solve courses at shares."""
    vehicles = [c.make(x) for c, x in wanted]
    shown = bench.show(vehicles, columns)
    for k, (course, x) in enumerate(wanted):
        course.put(x, shown.value[k], shown.spread[k], shown.speed[k], shown.blown[k])


def _wanted(course: Course, density: Density, likelihood: Likelihood) -> list[float]:
    """Give the shares at which a course is to be solved next: its peak, and the flanks of it."""
    peak = int(np.argmax(density.logs))
    near = np.flatnonzero(density.logs > density.logs[peak] - 4.0)
    picks = [*density.places, density.share[peak], density.share[near[0]], density.share[near[-1]]]
    found: list[float] = [0.5 * (a + b) for a, b in course.jumps() if b - a > _JUMP]
    for x in picks:
        taken = np.concatenate([course.share, found])
        if np.abs(taken - x).min() > _CLOSE and _worth(course, likelihood, float(x)):
            found.append(float(x))
    return found


def _worth(course: Course, likelihood: Likelihood, x: float) -> bool:
    """Whether interpolation at a share is in doubt by a part of what a reading may be off there, given all others."""
    left, part = _places(course.share, np.array([x]))
    doubt = _doubt(course.value, course.share, left, part)[0]
    numbers = likelihood.numbers
    if not numbers.size:
        return bool((doubt > 1e-3).any())
    inverse = likelihood.solved(course.value[left], _between(course.shared, left, part))[0][0]
    return bool((doubt[numbers] ** 2 * np.diagonal(inverse) > _DOUBTFUL**2).any())


def _between_points(share: Array, logs: Array) -> Array:
    """Give where to look closer: the tops of parabolas through three points, and steep places near the peak."""
    top = float(logs.max())
    x0, x1, x2 = share[:-2], share[1:-1], share[2:]
    first = (logs[1:-1] - logs[:-2]) / (x1 - x0)
    second = ((logs[2:] - logs[1:-1]) / (x2 - x1) - first) / (x2 - x0)
    with np.errstate(all="ignore"):
        at = 0.5 * (x0 + x1) - 0.5 * first / second
        height = logs[1:-1] + (at - x1) * (first + second * (at - x0))
        wanted = (second < 0) & (at > x0) & (at < x2) & (height > np.maximum(logs[1:-1], np.maximum(logs[:-2], logs[2:])) + 0.1)
    vertices = at[wanted & (height > top - 30.0)]
    low, high = np.minimum(logs[:-1], logs[1:]), np.maximum(logs[:-1], logs[1:])
    steep = (high > top - 8.0) & (high - low > _STEEP) & (np.diff(share) > 1e-7)
    middles = 0.5 * (share[:-1] + share[1:])[steep]
    more = np.unique(np.concatenate([vertices, middles]))
    nearest = np.abs(share[np.clip(np.searchsorted(share, more), 0, share.size - 1)] - more)
    nearest = np.minimum(nearest, np.abs(share[np.clip(np.searchsorted(share, more) - 1, 0, share.size - 1)] - more))
    return np.asarray(more[nearest > 1e-8])


def _fine(share: Array) -> Array:
    """Divide each interval."""
    steps = np.arange(_FINE) / _FINE
    inner = share[:-1, None] + steps * np.diff(share)[:, None]
    return np.append(inner.ravel(), share[-1])


def _places(share: Array, at: Array) -> tuple[NDArray[np.intp], Array]:
    left = np.clip(np.searchsorted(share, at, side="right") - 1, 0, share.size - 2)
    return left, (at - share[left]) / (share[left + 1] - share[left])


def _between(values: Array, left: NDArray[np.intp], part: Array) -> Array:
    weight = part.reshape((-1,) + (1,) * (values.ndim - 1))
    return np.asarray(values[left] * (1 - weight) + values[left + 1] * weight)


def _doubt(values: Array, share: Array, left: NDArray[np.intp], part: Array) -> Array:
    """Bound what linear interpolation misses: by the change of slope at both ends, and a share of the step itself."""
    step, width = np.nan_to_num(np.diff(values, axis=0)), np.diff(share)
    bend = np.zeros_like(step)  # largest second derivative beside each interval
    if len(step) > 1:
        slope = step / width[:, None]
        second = np.abs(np.diff(slope, axis=0)) / (0.5 * (width[1:] + width[:-1]))[:, None]
        bend[:-1] += second
        bend[1:] = np.maximum(bend[1:], second)
    place = (part * (1 - part))[:, None]
    curved = np.minimum(0.5 * bend[left] * width[left, None] ** 2, np.abs(step[left]))
    return np.asarray(place * (curved + 0.02 * np.abs(step[left])))
