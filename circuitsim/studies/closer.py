"""A closer look at live suspects: slopes taken where the parts of the vehicle would have to lie, not at their nominal values.

To first order about the nominal vehicle a reading of a nearly stalled motor, say, is off by more than a meter can tell. So the
numbers of each live suspect are moved to where the readings and their tolerances together put them (Gauss-Newton), and the
readings are linearised there: Laplace's method at the mode. Where the fan of the nominal vehicle stands, and with a little less
of the fault would turn, no slope tells of that: such a suspect is looked at from both sides. Joints that scatter by factors
are moved in their logarithm, which takes their true shape into account. (Numbers between limits are taken as normal; that
shifts all suspects alike.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from circuitsim.studies.allowance import Bench
from circuitsim.studies.likelihood import Likelihood, shared_by
from circuitsim.studies.severities import Course, Density
from circuitsim.studies.sightings import Sightings

__all__ = ["Climb", "Look", "look_closer"]

Array = NDArray[np.float64]
_ROUNDS, _PATIENCE = 20, 5  # steps at most, and those that are made whatever is promised
_SETTLED = 0.1  # nats; where no more is to be gained by the slopes, a place is left
_LONGER = 3.0  # times the last part of the way; 1 is all of it
_STRIDE = 2.5  # standard deviations; furthest that a number is moved at once
_REACH = 0.1  # shares; furthest that a severity is moved at once
_APART = 1e-3  # shares between which a slope along the severity is taken
_BROAD = 0.15  # shares; a severity that is known less closely is looked at in three places
_HOPELESS = 25.0  # nats below the best
_WIDEST = 0.5  # shares; standard deviation of a severity that readings hardly tell
_DEEP = 1e3  # nats below, for severities that are ruled out


@dataclass(frozen=True)
class Look:
    """One place to look at: of which course (-1: the healthy vehicle), at which share, and whether that may move."""

    course: int
    share: float
    moves: bool


def look_closer(
    bench: Bench, columns: Sequence[int], likelihood: Likelihood, sightings: Sightings, courses: Sequence[Course],
    densities: Sequence[Density], floor: float = -math.inf,
) -> tuple[list[Density], float]:  # fmt: skip
    """Give the densities of some courses anew, and the logarithm of the healthy vehicle's likelihood.

    Parameters
    ----------
    bench, columns
        Where faults are solved, and which of its readings were taken.
    likelihood, sightings
        Of those readings, and of what was seen.
    courses, densities
        Live suspects, with the likelihood along the severity of each as it is to first order.
    floor
        Log likelihood below which nothing counts: if no suspect promises more after some rounds, it is left at that.
    """
    looks = [Look(-1, 0.5, False)]
    for k, density in enumerate(densities):
        low, middle, high = (float(x) for x in density.quantiles([0.05, 0.5, 0.95]))
        peak = float(density.share[int(np.argmax(density.logs))])
        if not courses[k].graded:
            looks.append(Look(k, 0.5, False))
        elif high - low < _BROAD:
            looks += [Look(k, x, True) for x in (peak, *courses[k].across(peak, _REACH))]
        else:
            looks += [Look(k, x, False) for x in dict.fromkeys((low, middle, high))]
    work = Climb(bench, columns, likelihood, sightings, courses, looks)
    for k in range(_ROUNDS):
        if not work.open.size or (k >= _PATIENCE and work.promised < floor):
            break
        work.step(work.open)
        if k:
            work.drop()
    found = []
    for k, density in enumerate(densities):
        mine = [j for j, look in enumerate(looks) if look.course == k]
        found.append(_anew(density, work, mine))
    return found, float(work.best[0])


class Climb:
    """All places at once: where numbers and severities are likeliest, and what the readings say there.

    open: places that have not settled, and may come to something; at, kept: shares and strays of the highest so far; best: log
    likelihood there, to first order about that place; width: standard deviation of the share there; lost: how many readings
    have no point there.
    """

    def __init__(
        self, bench: Bench, columns: Sequence[int], likelihood: Likelihood, sightings: Sightings,
        courses: Sequence[Course], looks: Sequence[Look],
    ) -> None:  # fmt: skip
        self.bench, self.columns, self.likelihood, self.sightings = bench, list(columns), likelihood, sightings
        self.make = [courses[look.course].make if look.course >= 0 else (lambda _: ()) for look in looks]
        self.moves = np.array([look.moves for look in looks])
        self.share = np.array([look.share for look in looks])
        self.strays = np.zeros((len(looks), len(bench.what)))
        self.best = np.full(len(looks), -math.inf)
        self.at, self.width = self.share.copy(), np.full(len(looks), math.inf)
        self._height, self._promise = (np.full(len(looks), -math.inf) for _ in range(2))
        self.lost = np.full(len(looks), len(self.columns))
        self.kept = self.strays.copy()
        # The way on from the highest so far, of the severity and of the numbers; by how much it rises there at first, in nats
        # for the whole way; and which part of it was gone.
        self._way, self._ways = np.zeros(len(looks)), self.strays.copy()
        self._rise, self._part = np.zeros(len(looks)), np.ones(len(looks))
        self.open = np.arange(len(looks))

    def step(self, some: NDArray[np.intp]) -> None:
        """Look at some places, keep what is higher, and move on from there."""
        share, strays, moves = self.share[some], self.strays[some], self.moves[some]
        size, ahead = some.size, np.where(share > 0.5, -_APART, _APART)
        sides = np.flatnonzero(moves)
        vehicles = [self.make[k](float(x)) for k, x in zip(some, share, strict=True)]
        vehicles += [self.make[some[j]](float(share[j] + ahead[j])) for j in sides]
        shown = self.bench.show(vehicles, self.columns, np.concatenate([strays, strays[sides]]), patient=False)
        slopes, numbers = shown.spread[:size], self.likelihood.numbers
        back, shared = shown.value[:size] - np.einsum("vmn,vn->vm", slopes, strays), shared_by(slopes)
        judged = self.likelihood.judge(back, shared)
        total = judged.total + self.sightings.logs(shown.speed[:size], list(shown.blown[:size]))
        along = np.zeros((size, numbers.size))
        along[sides] = np.nan_to_num((shown.value[size:] - shown.value[sides])[:, numbers] / ahead[sides, None])
        doubtful = judged.let_go
        inverse, _, left = self.likelihood.solved(back, shared, doubtful)
        sharp = np.einsum("vi,vij,vj->v", along, inverse, along)
        merit = self._merit(shown.value[:size], strays, doubtful)
        # Short of the top the slopes promise a height that nobody has seen: only the height here counts, with their width.
        promised = -0.5 * np.einsum("vi,vij,vj->v", left, inverse, left)
        lacking = np.maximum(promised - merit, 0.0)
        along_left = np.einsum("vi,vij,vj->v", along, inverse, left)
        moved = np.clip(along_left / np.maximum(sharp, 1e-12), -_REACH, _REACH)
        on = np.where(moves, np.clip(share + moved, 0, 1), share)
        rest = left - along * (on - share)[:, None]
        goal = np.einsum("vmn,vmi,vi->vn", slopes[:, numbers], inverse, rest)
        lost = np.isnan(shown.value[:size, numbers]).sum(axis=1)  # where there is no point, nothing speaks against the place
        higher = (lost < self.lost[some]) | ((lost == self.lost[some]) & (merit > self._height[some]))
        better = higher & np.isfinite(total)
        self._go_on(some, better, merit)
        new = some[better]
        self._height[new], self.best[new], self.at[new] = merit[better], (total - lacking)[better], self.share[new]
        self.lost[new] = lost[better]
        self.width[new] = 1 / np.sqrt(np.maximum(sharp[better], 1e-12))
        self.kept[new], self._promise[new] = self.strays[new], total[better]
        self._way[new] = (on - share)[better]
        self._ways[new] = np.clip(goal - strays, -_STRIDE, _STRIDE)[better]
        gain = lacking + 0.5 * np.abs(along_left * (on - share))
        self._rise[new] = 2 * gain[better]
        self.open = np.setdiff1d(self.open, some[better & (gain < _SETTLED) & (lost == 0)])
        self.share[some] = np.clip(self.at[some] + self._part[some] * self._way[some], 0, 1)
        self.strays[some] = self.kept[some] + self._part[some, None] * self._ways[some]

    def _go_on(self, some: NDArray[np.intp], better: NDArray[np.bool_], merit: Array) -> None:
        """Set how far to go next: further where it came out better; else to the top of the parabola through what was seen."""
        part, rise = self._part[some], self._rise[some]
        with np.errstate(all="ignore"):
            top = part * rise * part / (2 * (self._height[some] + rise * part - merit))
        shorter = np.clip(np.where(np.isfinite(top), top, 0.0), 0.1 * part, 0.5 * part)
        self._part[some] = np.where(better, np.minimum(_LONGER * part, 1.0), shorter)

    @property
    def promised(self) -> float:
        """What the highest places of all could come to by their slopes."""
        return float(self._promise.max())

    def drop(self) -> None:
        """Leave places whose slopes do not even promise to come near the best that has settled."""
        settled = np.setdiff1d(np.arange(self.best.size), self.open)
        top = self.best[settled].max(initial=-math.inf)
        self.open = self.open[self._promise[self.open] > top - _HOPELESS]

    def _merit(self, value: Array, strays: Array, doubtful: Array) -> Array:
        """Give the logarithm of the joint density of readings and strays, up to a constant."""
        none = np.zeros((len(value), value.shape[1], value.shape[1]))
        inverse, _, left = self.likelihood.solved(value, none, doubtful)
        return np.asarray(-0.5 * ((strays**2).sum(axis=1) + np.einsum("vi,vij,vj->v", left, inverse, left)))


def _anew(density: Density, work: Climb, mine: Sequence[int]) -> Density:
    """Give a density as a closer look has it; as it was, where that found no point for some reading."""
    if not np.isfinite(work.best[list(mine)]).all() or work.lost[list(mine)].any():
        return density
    shares, tops = work.at[list(mine)], work.best[list(mine)]
    if work.moves[mine[0]]:
        best = int(np.argmax(tops))
        return _narrow(float(shares[best]), min(float(work.width[mine[best]]), _WIDEST), float(tops[best]))
    more = tops - np.interp(shares, density.share, density.logs)
    return replace(density, logs=density.logs + np.interp(density.share, shares, more))


def _narrow(at: float, width: float, top: float) -> Density:
    """Give a normal density along the severity, cut off at the ends of the plausible range."""
    share = np.unique(np.clip(at + width * np.linspace(-6, 6, 49), 0.0, 1.0))
    logs = top - 0.5 * ((share - at) / width) ** 2
    share = np.concatenate([[share[0] - 1e-9], share, [share[-1] + 1e-9]])
    logs = np.concatenate([[top - _DEEP], logs, [top - _DEEP]])
    weight = np.gradient(share)
    weight[[0, -1]] = max(share[1], 0.0), max(1.0 - share[-2], 0.0)
    return Density(share, logs, np.zeros(share.size), np.maximum(weight, 0.0), top)
