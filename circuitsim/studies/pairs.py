"""Two faults at once: cause and consequence among them.

Every likely fault is put beside every other one, at a few severities of each; the best pairs are then followed along one
severity after the other. A pair is rare beside a single fault, but less so where one brings on the other: a dragging motor
burns its connector and kills its controller, so replacing one alone brings it back.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from circuitsim.measure.faults import Fault, PossibleFault
from circuitsim.measure.faults.bench import Readout
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
_FIRST, _FINE, _COARSE, _KEPT = 4, (0.1, 0.5, 0.9), (0.2, 0.8), 6
_BETWEEN = 13  # severities of each at which a pair is judged between those that are solved
_DOUBT = 0.02  # share of a reading by which that may be off
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
    tried = _combinations(work, others)
    grids = [(_FINE if others[a].graded else (0.5,), _COARSE if others[b].graded else (0.5,)) for a, b in tried]
    vehicles = [
        (_at(others[a], x), _at(others[b], z)) for (a, b), (xs, zs) in zip(tried, grids, strict=True) for x in xs for z in zs
    ]
    shown = work.weighed.bench.show(vehicles, work.columns)
    best: list[tuple[float, float, float]] = []
    first = 0
    for xs, zs in grids:
        own = slice(first, first + len(xs) * len(zs))
        best.append(_best_between(work, np.array(xs), np.array(zs), shown, own))
        first = own.stop
    kept = sorted(range(len(tried)), key=lambda k: -best[k][0])[:_KEPT]
    ends = [(others[tried[k][0]], others[tried[k][1]]) for k in kept]
    climbed = _climb(work, ends, [best[k][1:] for k in kept])
    top = max([work.base, *(c.log for c in climbed)])
    near = [k for k, c in enumerate(climbed) if c.log > top - _NEAR]
    courses = [Course(ends[k][0].name, _maker(ends[k][0], climbed[k].second), graded=ends[k][0].graded) for k in near]
    follow(work.weighed.bench, courses, work.likelihood, work.sightings, work.columns, work.base)
    return [
        found for k, course in zip(near, courses, strict=True)
        if (found := _paired(work, *ends[k], climbed[k], course)) is not None
    ]  # fmt: skip


def _best_between(work: Diagnosing, xs: Array, zs: Array, shown: Readout, own: slice) -> tuple[float, float, float]:
    """Give the best likelihood of a pair between the severities that were solved, and where: bilinear, with some doubt."""
    shape = (xs.size, zs.size)
    wx, x = _weights(xs)
    wz, z = _weights(zs)
    value = np.nan_to_num(shown.value[own]).reshape(*shape, -1)
    shared = shared_by(shown.spread[own]).reshape(*shape, value.shape[2], value.shape[2])
    speed = shown.speed[own].reshape(*shape, -1)
    values, speeds = (np.einsum("ax,bz,xzm->abm", wx, wz, v).reshape(x.size * z.size, -1) for v in (value, speed))
    shares = np.einsum("ax,bz,xzmn->abmn", wx, wz, shared).reshape(x.size * z.size, *shared.shape[2:])
    logs = work.likelihood.judge(values, shares, (_DOUBT * values) ** 2).total
    nearest = (np.argmax(wx, axis=1)[:, None] * zs.size + np.argmax(wz, axis=1)).ravel()
    logs = logs + work.sightings.logs(speeds, [shown.blown[own][k] for k in nearest])
    best = int(np.argmax(logs))
    return float(logs[best]), float(x[best // z.size]), float(z[best % z.size])


def _weights(nodes: Array) -> tuple[Array, Array]:
    """Give points between nodes, with what each node weighs at each: (points, nodes), (points,)."""
    if nodes.size == 1:
        return np.ones((1, 1)), nodes
    at = np.linspace(nodes[0], nodes[-1], _BETWEEN)
    return np.array([np.interp(at, nodes, row) for row in np.eye(nodes.size)]).T, at


def _combinations(work: Diagnosing, others: Sequence[PossibleFault]) -> list[tuple[int, int]]:
    """Give the pairs that are tried: what alone comes nearest with everything, and what brings others on with those."""
    tops = np.array([float(d.logs.max()) for d in work.densities])
    near = [int(k) for k in np.argsort(-tops)[:_FIRST]]
    found = {
        (a, b): None for a in near for b in range(len(others)) if others[a].site != others[b].site and not (b in near and b < a)
    }
    place = {f.name: k for k, family in enumerate(work.members) for f in family}
    for a, other in enumerate(others):
        for name in consequences(other, work.faults):
            if (place[name], a) not in found:
                found[a, place[name]] = None
    return list(found)


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
        shown = work.weighed.bench.show(vehicles, work.columns)
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
        bend = np.einsum("kia,kij,kjb->kab", slope, inverse, slope) + 1e-9 * np.eye(2)
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


def _paired(
    work: Diagnosing, a: PossibleFault, b: PossibleFault, top: _Top, course: Course
) -> tuple[Pair, Course, float] | None:
    """Give a pair with the logarithm of its chance beforehand; None where that is nothing."""
    linked = b.name in consequences(a, work.faults) or a.name in consequences(b, work.faults)
    chances = work.prior.chances(work.faults)
    both = chances[a.name] * chances[b.name]
    if both <= 0:
        return None
    brought = [n for cause in (a, b) for n in consequences(cause, work.faults)]
    single = chances[a.name] if b.name in brought else chances[b.name]
    before = max(SECOND * both, BROUGHT_ON * single / max(len(brought), 1)) if linked else SECOND * both
    return Pair(a, top.second, b, linked), course, math.log(before) + top.width


def _maker(moving: PossibleFault, fixed: Fault) -> Callable[[float], tuple[Fault, ...]]:
    return lambda share: (_at(moving, share), fixed)
