"""Following a batch of circuits in time: step sizes, sudden changes, limits that are reached.

Each sample has its own time and step and leaves the batch when it is there. A sudden change (key-on, a plug pulled) is taken
by two steps of implicit Euler of a nanosecond, in which all that stores nothing falls into place. A sample in which a law
leaves its range (a fuse or a cutout opens, something melts) stops there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.landing import fallen
from circuitsim.engine.newton import Solution, newton
from circuitsim.engine.radau import NODES, Attempt, Matrices, Tolerance, attempt, interpolate, step_factor
from circuitsim.engine.stepping import EulerLaws, StepPlan
from circuitsim.engine.system import Evaluator
from circuitsim.engine.verdicts import Breach, breaches

__all__ = ["RELATIVE", "Follower", "Stop", "Taken"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Place = tuple[int, int, int]

RELATIVE = 1e-5
"""Allowed error of a step as a share of the value, by default."""
_ABSOLUTE = {"°C": 100.0, "rad/s": 10.0}  # × the relative one; 1 for the others
_FIRST = 1e-7  # s
_CROSSING = 1e-7  # s
_ATTEMPTS = 20_000


@dataclass(frozen=True)
class Taken:
    """A step that was taken by some samples: when it began and how long it was, s, (batch,); x there, (rows, batch); what the
    stages moved, (3, n, batch).
    """  # noqa: D205

    samples: Index
    time: Array
    length: Array
    x: Array
    moved: Array


@dataclass(frozen=True)
class Stop:
    """Why and when a sample stopped: the verdict, and the time, s."""

    time: float
    verdict: str


class Follower:
    """Samples on their way.

    Attributes
    ----------
    x, time : array
        Where and when each sample is, (rows, batch) and (batch,).
    stops : dict
        Sample → why it stopped before its time.
    taken : list
        The steps, when they are kept.
    attempts : int
        Steps tried, those that were refused among them.
    """

    def __init__(
        self, plan: StepPlan, laws: Evaluator, x: Array, *, time: float = 0.0, relative: float = RELATIVE, keep: bool = False
    ) -> None:
        self.plan, self.laws, self.keep = plan, laws, keep
        units = [plan.system.units[k] for k in plan.free.tolist()]
        absolute = np.array([relative * _ABSOLUTE.get(unit, 1.0) for unit in units])[:, None]
        self.tolerance = Tolerance(relative, absolute)
        self.x, self.time = x.copy(), np.full(laws.size, time)
        self.step = np.full(laws.size, _FIRST)
        self.stops: dict[int, Stop] = {}
        self.taken: list[Taken] = []
        self.attempts = 0
        self._moved = np.zeros((3, plan.n, laws.size))
        self._before = np.full(laws.size, np.inf)  # length of the step that moved so
        self._fresh = np.ones(laws.size, bool)
        self._most = np.full(laws.size, 8.0)  # times the last step that the next may be
        self._over: list[dict[Place, float]] = [{} for _ in range(laws.size)]
        self.crossings = 0
        self.start, self.length = self.x.copy(), np.zeros(laws.size)  # of the last step of each sample

    def change(self, laws: Evaluator) -> Solution:
        """Let other laws hold from now on: what stores nothing falls into place. Gives the last of the two short steps."""
        self.laws = laws
        for _ in range(2):
            found = fallen(self.plan, self.laws, self.x)
            self.x[:] = found.x
        self.step[:], self._before[:], self._fresh[:] = _FIRST, np.inf, True
        self.start[:], self.length[:] = self.x, 0.0
        for k in np.flatnonzero(~found.accepted).tolist():
            self._stop(k, "unconverged")
        self._watch()
        return found

    def _stop(self, sample: int, verdict: str) -> None:
        self.stops.setdefault(sample, Stop(float(self.time[sample]), verdict))

    def _watch(self) -> None:
        """Look at the limits right after a change: some stop a sample, some begin to count."""
        over: list[dict[Place, float]] = [{} for _ in self._over]
        for found in breaches(self.laws, self.x):
            k = found.sample
            if found.lasting:
                over[k][found.place] = self._over[k].get(found.place, float(self.time[k]))
            else:
                self._stop(k, found.verdict)
        self._over = over

    def to(self, end: float) -> None:
        """Follow all samples to a time, s, or to where they stop."""
        laws: Evaluator | None = None
        before: Index = np.zeros(0, np.intp)
        for _ in range(_ATTEMPTS):
            stopped = np.zeros(self.time.size, bool)
            stopped[list(self.stops)] = True
            active = np.flatnonzero((self.time < end) & ~stopped)
            if not active.size:
                return
            if laws is None or not np.array_equal(active, before):
                one = self.laws.take(active)
                laws, before = one.take(np.tile(np.arange(active.size), 3)), active
            self._advance(active, one, laws, end)
        for k in active.tolist():
            self._stop(k, "unconverged")

    def _advance(self, active: Index, one: Evaluator, stages: Evaluator, end: float) -> None:
        """Try one step of each active sample, and take it where it is good."""
        self.attempts += 1
        x, left = self.x[:, active], end - self.time[active]
        h = self.step[active]
        last = h > 0.999 * left
        h = np.where(last, left, np.where(h > 0.5 * left, 0.5 * left, h))
        at = Matrices(*self.plan.matrices(one, x))
        fresh = self._fresh[active]
        guess = self._guess(active, h)
        tried = attempt(self.plan, one, stages, x, h, at, self.tolerance, guess, fresh)
        if not tried.found.all():
            lost = np.flatnonzero(~tried.found)
            three = one.take(np.tile(lost, 3))
            again = attempt(
                self.plan, one.take(lost), three, x[:, lost], h[lost], at.take(lost), self.tolerance, guess[:, :, lost],
                fresh[lost], stubborn=True,
            )  # fmt: skip
            tried.put(lost, again)
        good = tried.found & (tried.error < 1)
        factor = step_factor(tried)
        factor = np.where(good, np.minimum(factor, self._most[active]), np.minimum(factor, 0.9))
        self.step[active], self._most[active] = h * factor, np.where(good, 8.0, 1.0)
        self._before[active] = np.where(good, self._before[active], np.inf)
        if good.any():
            self._take(active, good, tried, h, last, end)
        for k in active[~good & (h * factor < _CROSSING)].tolist():
            self._cross(k, end)

    def _cross(self, sample: int, end: float) -> None:
        """Pass a corner, at which something jumps however short the step, by a short step of implicit Euler."""
        one, x = self.laws.take(slice(sample, sample + 1)), self.x[:, sample : sample + 1]
        h = min(_CROSSING, end - self.time[sample])
        laws = EulerLaws.of_step(one, self.plan, x, h)
        found = newton(self.plan, laws, x, limit=60)
        if not found.accepted[0]:
            self._stop(sample, "unconverged")
            return
        moved = (found.x - x)[self.plan.free]
        shares = NODES[:, None, None]
        taken = Taken(np.array([sample]), self.time[[sample]], np.array([h]), x.copy(), shares * moved)
        self.x[:, sample] = found.x[:, 0]
        self.time[sample] = end if h < _CROSSING else self.time[sample] + h
        self.step[sample], self._before[sample], self._fresh[sample] = _CROSSING, np.inf, False
        self.crossings += 1
        self._keep(taken)

    def _take(
        self, active: Index, good: NDArray[np.bool_], tried: Attempt, h: Array, last: NDArray[np.bool_], end: float
    ) -> None:
        samples = active[good]
        taken = Taken(samples, self.time[samples], h[good], self.x[:, samples], tried.moved[:, :, good])
        ends = np.where(last[good], end, taken.time + taken.length)
        self.x[np.ix_(self.plan.free, samples)] += taken.moved[2]
        self.time[samples] = ends
        self._moved[:, :, samples], self._before[samples], self._fresh[samples] = taken.moved, taken.length, False
        self._keep(taken)

    def _keep(self, taken: Taken) -> None:
        self.start[:, taken.samples], self.length[taken.samples] = taken.x, taken.length
        if self.keep:
            self.taken.append(taken)
        self._look(taken)

    def _guess(self, active: Index, h: Array) -> Array:
        """Guess what the stages move: the last step's cubic drawn on, where there is one."""
        before, moved = self._before[active], self._moved[:, :, active]
        ratio = np.where(np.isfinite(before), h / np.where(np.isfinite(before), before, 1.0), 0.0)
        ends = moved[2]
        guess = [np.where(ratio > 0, interpolate(moved, 1 + c * ratio) - ends, 0.0) for c in NODES]
        return np.stack(guess)

    def _look(self, taken: Taken) -> None:
        """Stop the samples in which a law has left its range within the step, at the moment when it did."""
        laws, free = self.laws.take(taken.samples), self.plan.free
        hit: set[int] = set()
        ends: list[list[Breach]] = [[] for _ in taken.samples]
        for number, moved in enumerate(taken.moved):
            x = taken.x.copy()
            x[free] += moved
            for found in breaches(laws, x):
                if not found.lasting:
                    hit.add(found.sample)
                elif number == 2:
                    ends[found.sample].append(found)
        for k, sample in enumerate(taken.samples.tolist()):
            if ends[k] or self._over[sample]:
                self._count(laws, taken, k, ends[k])
        for k in sorted(hit):
            share, verdict = self._moment(laws, taken, k, None)
            self._end(taken, k, share, verdict)

    def _count(self, laws: Evaluator, taken: Taken, k: int, passed: list[Breach]) -> None:
        """Count for how long limits that may be passed for a while have been, and stop where that is too long."""
        sample, start, length = int(taken.samples[k]), float(taken.time[k]), float(taken.length[k])
        over: dict[Place, float] = {}
        for found in passed:
            since = self._over[sample].get(found.place)
            if since is None:
                since = start + self._moment(laws, taken, k, found.place)[0] * length
            over[found.place] = since
            if since + found.lasting <= start + length:
                self._end(taken, k, max(0.0, (since + found.lasting - start) / length), found.verdict)
        self._over[sample] = over

    def _there(self, taken: Taken, k: int, share: float) -> Array:
        x = taken.x[:, k : k + 1].copy()
        x[self.plan.free] += interpolate(taken.moved[:, :, k : k + 1], share)
        return x

    def _moment(self, laws: Evaluator, taken: Taken, k: int, place: Place | None) -> tuple[float, str]:
        """Find the share of a step at which a limit, or any that may not be passed at all, is first passed; and the verdict."""
        one = laws.take(slice(k, k + 1))

        def passed(share: float) -> str:
            found = [b for b in breaches(one, self._there(taken, k, share)) if (b.place == place if place else not b.lasting)]
            return max(found, key=lambda b: b.excess).verdict if found else ""

        shares = np.linspace(0, 1, 33)[1:].tolist()
        high = next((s for s in shares if passed(s)), 1.0)
        low = high - shares[0]
        for _ in range(30):
            middle = (low + high) / 2
            low, high = (low, middle) if passed(middle) else (middle, high)
        return high, passed(high)

    def _end(self, taken: Taken, k: int, share: float, verdict: str) -> None:
        """Let a sample stop within a step, unless it did so before."""
        sample, time = int(taken.samples[k]), float(taken.time[k] + share * taken.length[k])
        if sample in self.stops and self.stops[sample].time <= time:
            return
        self.x[:, sample : sample + 1], self.time[sample] = self._there(taken, k, share), time
        self.length[sample] = share * taken.length[k]
        self.stops[sample] = Stop(time, verdict)
