"""Two faults at once: cause and consequence among them.

Every fault that comes near the readings, or brings others on, is put beside every other one: what each moves by itself is
added up, which is right to first order and costs next to nothing. The likeliest pairs are then solved, climbed in both
severities, and followed along one of them; those that readings can't tell apart are one suspect. A pair is rare beside a single
fault, but less so where one brings on the other: a dragging motor burns its connector and kills its controller, so replacing
one alone brings it back.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from circuitsim.measure.faults import Fault, PossibleFault
from circuitsim.studies.likelihood import shared_by
from circuitsim.studies.severities import Course, follow

if TYPE_CHECKING:
    from circuitsim.studies.diagnose import Diagnosing

__all__ = ["Pair", "consequences", "weigh_pairs"]

Array = NDArray[np.float64]
SECOND = 0.03
"""Chance of a second fault that has nothing to do with the first (assumed)."""
BROUGHT_ON = 0.15
"""Chance that a fault which brings others on has brought on one of them (assumed)."""
_CAUSES = {"dragging", "seized", "fouled-wheel", "shorted-turns", "suppression-capacitor-shorted", "weak-magnets"}
_BURNT = {"corroded", "spread", "loose-crimp", "blown", "hot", "burnt-contact"}
_KILLED = {"output-open", "output-shorted", "high-on-resistance", "folds-back", "open", "diode-open", "diode-shorted"}
_HIGH_CURRENT = 0.1  # Ω; a joint in which less would show carries the motor's current
_FIRST, _KEPT = 12, 24  # courses that are put beside every other one; pairs that are solved
_BETWEEN = 25  # severities of each at which a pair is judged
_DOUBT = 0.02  # share of a reading by which adding up may be off
_LOST = 1e3  # V or A; a reading without a point is far from any
_CLIMBS, _REACH, _APART, _SETTLED = 14, 0.15, 0.01, 1e-3  # rounds; shares of the plausible range
_NEAR = 20.0  # nats below the best; pairs that are further away are left


@dataclass(frozen=True)
class Pair:
    """Two faults: of the first, its severity is followed; the second's is given. name: ``A + B``."""

    first: PossibleFault
    second: Fault
    other: PossibleFault
    brought_on: bool

    @property
    def name(self) -> str:
        """Both names."""
        return f"{self.first.name} + {self.other.name}"

    @property
    def cure(self) -> str:
        """Both repairs, once if they are the same; the cause first."""
        cures = [self.first.cure, self.other.cure]
        if self.other.kind.name in _CAUSES:
            cures.reverse()
        return " and ".join(dict.fromkeys(cures))

    @property
    def minutes(self) -> float:
        """Of both repairs."""
        same = self.first.cure == self.other.cure
        return self.first.minutes if same else self.first.minutes + self.other.minutes

    @property
    def what(self) -> str:
        """What is wrong, in plain words."""
        link = ", which has brought on: " if self.brought_on else "; and "
        parts = (self.other, self.first) if self.other.kind.name in _CAUSES else (self.first, self.other)
        return link.join(p.kind.what for p in parts)


def consequences(cause: PossibleFault, faults: Mapping[str, PossibleFault]) -> list[str]:
    """Name the faults that a fault may bring on: burnt joints and fuses on the motor's current, a killed controller."""
    if cause.kind.name not in _CAUSES:
        return []
    return [name for name, f in faults.items() if f.site != cause.site and _brought_on(f)]


def _brought_on(fault: PossibleFault) -> bool:
    """Whether a fault is one that too much current brings on: a burnt joint or fuse, a killed stage."""
    if fault.kind.name in _BURNT:
        return fault.kind.name == "blown" or (fault.graded and fault.low < _HIGH_CURRENT)
    return fault.kind.name in _KILLED and "contact" not in fault.kind.on and "wire" not in fault.kind.on


def weigh_pairs(work: Diagnosing) -> list[tuple[Pair, Course, float]]:
    """Give the best pairs: each with its course along the first's severity, and the logarithm of its chance beforehand."""
    others = [family[0] for family in work.members]
    guesses = _guesses(work)
    ends = [(others[g.first], others[g.second]) for g in guesses]
    climbed = _climb(work, ends, [(g.x, g.z) for g in guesses]) if guesses else []
    top = max([work.base, *(c.log + g.before for c, g in zip(climbed, guesses, strict=True))])
    near = [k for k, c in enumerate(climbed) if c.log + guesses[k].before > top - _NEAR]
    courses = [Course(ends[k][0].name, _maker(ends[k][0], climbed[k].second), graded=ends[k][0].graded) for k in near]
    follow(work.weighed.bench, courses, work.likelihood, work.sightings, work.columns, work.base)
    return [
        (_paired(work, *ends[k], climbed[k].second), course, guesses[k].before + climbed[k].width)
        for k, course in zip(near, courses, strict=True)
    ]  # fmt: skip


@dataclass(frozen=True)
class _Guess:
    """Two courses and the shares at which they come nearest together; before: logarithm of their chance beforehand."""

    first: int
    second: int
    x: float
    z: float
    before: float


def _guesses(work: Diagnosing) -> list[_Guess]:
    """Give the likeliest pairs by what each fault moves by itself, to first order."""
    numbers, good = work.likelihood.numbers, np.nan_to_num(work.healthy.value[0])
    evenly = np.linspace(0, 1, _BETWEEN)
    shares = [
        np.union1d(np.clip(d.share, 0, 1), evenly) if c.share.size > 1 else np.array([0.5])
        for c, d in zip(work.courses, work.densities, strict=True)
    ]
    moved = [np.nan_to_num(c.at(x).value - good, nan=_LOST)[:, numbers] for c, x in zip(work.courses, shares, strict=True)]
    every = np.concatenate(moved)
    owner = np.repeat(np.arange(len(moved)), [len(m) for m in moved])
    found: dict[tuple[int, int], tuple[float, _Guess]] = {}
    chances = _before(work)
    for a in _near(work):
        misfit = _misfit(work, a, moved[a], every) if numbers.size else _by_sight(work, a, shares)
        for b in range(len(moved)):
            before = float(chances[a, b])
            if work.members[a][0].site == work.members[b][0].site or before == -math.inf:
                continue
            own = np.flatnonzero(owner == b)
            x, z = np.unravel_index(int(np.argmin(misfit[:, own])), (len(moved[a]), own.size))
            score = before - 0.5 * float(misfit[x, own[z]])
            guess = _Guess(a, b, float(shares[a][x]), float(shares[b][z]), before)
            pair = (min(a, b), max(a, b))
            if pair not in found or score > found[pair][0]:
                found[pair] = score, guess
    return [guess for _, guess in sorted(found.values(), key=lambda one: -one[0])[:_KEPT]]


def _misfit(work: Diagnosing, a: int, moved: Array, every: Array) -> Array:
    """Give how badly one course at its shares, with every other at its own, fits the readings, (shares, all shares).

    moved, every: what that course, and every course, moves the numbers by, (shares, numbers); twice the nats that are lost.
    """
    likelihood, density = work.likelihood, work.densities[a]
    at = work.courses[a].at(density.share[[int(np.argmax(density.logs))]])
    lower = np.linalg.cholesky(likelihood.solved(at.value, at.shared, np.nan_to_num(_DOUBT * at.value) ** 2)[0][0])
    left = (likelihood.value - np.nan_to_num(work.healthy.value[0])[likelihood.numbers] - moved) @ lower
    more = every @ lower
    return np.asarray((left**2).sum(axis=1)[:, None] - 2 * left @ more.T + (more**2).sum(axis=1))


def _by_sight(work: Diagnosing, a: int, shares: Sequence[Array]) -> Array:
    """Give the same where nothing was measured: by what agrees better with what was seen, each by itself."""
    own = [np.interp(x, d.share, d.logs) for x, d in zip(shares, work.densities, strict=True)]
    return np.asarray(-2 * np.maximum(own[a][:, None], np.concatenate(own)))


def _near(work: Diagnosing) -> list[int]:
    """Give the courses that are put beside every other one: those that alone come nearest, and those that bring others on."""
    tops = np.array([float(d.logs.max()) for d in work.densities])
    causes = [k for k, family in enumerate(work.members) if consequences(family[0], work.faults)]
    return list(dict.fromkeys([*np.argsort(-tops)[:_FIRST].tolist(), *causes]))


def _before(work: Diagnosing) -> Array:
    """Logarithm of the chance beforehand of every two courses at once, (courses, courses); -inf for none."""
    chances = work.prior.chances(work.faults)
    own = np.array([sum(chances[f.name] for f in family) for family in work.members])
    found = SECOND * np.outer(own, own)
    for k, family in enumerate(work.members):
        brought = set(consequences(family[0], work.faults))
        share = np.array([sum(f.name in brought for f in other) for other in work.members]) / max(len(brought), 1)
        found[k] = found[:, k] = np.maximum(found[k], np.where(own > 0, BROUGHT_ON * own[k] * share, 0.0))
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(found))


def _at(fault: PossibleFault, share: float) -> Fault:
    return fault.fault(float(fault.at(share)) if fault.graded else math.nan)


@dataclass(frozen=True)
class _Top:
    """Where a pair is likeliest: log likelihood, the second fault there, and what its severity's width adds to the evidence."""

    log: float
    second: Fault
    width: float


def _climb(
    work: Diagnosing, ends: Sequence[tuple[PossibleFault, PossibleFault]], starts: Sequence[Sequence[float]]
) -> list[_Top]:
    """Climb to where each pair is likeliest, in both severities at once (Gauss-Newton): the ridge may be oblique."""
    at = np.array(starts, dtype=float)
    free = np.array([[a.graded, b.graded] for a, b in ends])
    kept, best, width = at.copy(), np.full(len(ends), -np.inf), np.zeros(len(ends))
    reach = np.full(len(ends), _REACH)
    for _ in range(_CLIMBS):
        ahead = np.where(at > 0.5, -_APART, _APART)
        places = [at, at + ahead * [1, 0], at + ahead * [0, 1]]
        vehicles = [(_at(a, p[k, 0]), _at(b, p[k, 1])) for p in places for k, (a, b) in enumerate(ends)]
        shown = work.weighed.bench.show(vehicles, work.columns, patient=False)
        shared = shared_by(shown.spread[: len(ends)])
        logs = work.likelihood.judge(shown.value[: len(ends)], shared).total
        logs = logs + work.sightings.logs(shown.speed[: len(ends)], list(shown.blown[: len(ends)]))
        better = logs > best
        best, kept = np.where(better, logs, best), np.where(better[:, None], at, kept)
        reach = np.where(better, np.minimum(2 * reach, _REACH), 0.3 * reach)
        if (reach < _SETTLED).all() or not work.likelihood.numbers.size:
            break
        inverse, _, left = work.likelihood.solved(shown.value[: len(ends)], shared)
        rows = shown.value[:, work.likelihood.numbers].reshape(3, len(ends), -1)
        slope = np.nan_to_num(np.stack([(rows[1] - rows[0]) / ahead[:, :1], (rows[2] - rows[0]) / ahead[:, 1:]], axis=-1))
        bend = np.einsum("kia,kij,kjb->kab", slope, inverse, slope)
        scale = 1 + np.trace(bend, axis1=1, axis2=2)  # two severities may move the same
        bend = bend + 1e-9 * scale[:, None, None] * np.eye(2)
        goal = np.linalg.solve(bend, np.einsum("kia,kij,kj->ka", slope, inverse, left)[..., None])[..., 0]
        size = np.abs(goal * free).max(axis=1, keepdims=True)
        step = goal * free * np.minimum(1.0, reach[:, None] / np.maximum(size, 1e-12))
        width = np.where(better, 0.5 * (np.log(2 * np.pi * bend[:, 0, 0]) - np.linalg.slogdet(bend)[1]), width)
        # What did not come out better is tried again nearer to the best so far.
        at = np.where(better[:, None], np.clip(at + step, 0, 1), kept + 0.3 * (at - kept))
        if np.abs(at - kept).max() < 0.1 * _SETTLED:
            break
    return [
        _Top(float(best[k]), _at(b, float(kept[k, 1])), min(0.0, float(width[k])) if b.graded else 0.0)
        for k, (_, b) in enumerate(ends)
    ]


def _paired(work: Diagnosing, a: PossibleFault, b: PossibleFault, second: Fault) -> Pair:
    """Give a pair, which knows whether one has brought on the other."""
    linked = b.name in consequences(a, work.faults) or a.name in consequences(b, work.faults)
    return Pair(a, second, b, linked)


def _maker(moving: PossibleFault, fixed: Fault) -> Callable[[float], tuple[Fault, ...]]:
    return lambda share: (_at(moving, share), fixed)
