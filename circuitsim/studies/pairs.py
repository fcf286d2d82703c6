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
_FIRST, _FINE, _COARSE, _KEPT = 4, (0.1, 0.35, 0.6, 0.85), (0.25, 0.65), 5
_CYCLES, _SETTLED = 6, 2e-3


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
    drawn: list[tuple[int, int, float, float]] = []
    vehicles: list[tuple[Fault, ...]] = []
    for a, b in _combinations(work, others):
        for x in _FINE if others[a].graded else (0.5,):
            for z in _COARSE if others[b].graded else (0.5,):
                drawn.append((a, b, x, z))
                vehicles.append((_at(others[a], x), _at(others[b], z)))
    shown = work.table.bench.show(vehicles, work.columns)
    logs = work.likelihood.judge(shown.value, shared_by(shown.spread), (0.05 * np.nan_to_num(shown.value)) ** 2).total
    logs = logs + work.sightings.logs(shown.speed, list(shown.blown))
    best: dict[tuple[int, int], tuple[float, float, float]] = {}
    for (a, b, x, z), value in zip(drawn, logs.tolist(), strict=True):
        if value > best.get((a, b), (-math.inf, 0.0, 0.0))[0]:
            best[a, b] = (value, x, z)
    kept = sorted(best, key=lambda ends: -best[ends][0])[:_KEPT]
    return [found for a, b in kept if (found := _followed(work, others[a], others[b], best[a, b][1:])) is not None]


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


def _followed(
    work: Diagnosing, a: PossibleFault, b: PossibleFault, start: Sequence[float]
) -> tuple[Pair, Course, float] | None:
    """Follow a pair along the second's severity with the first's as it came out, then along the first's."""
    x, z = start
    width = 0.0
    course = Course(a.name, _maker(a, _at(b, z)), graded=a.graded)
    for _ in range(_CYCLES):
        before = z
        for moving, still, at in ((b, a, x), (a, b, z)):
            fixed = _at(still, z if still is b else at)
            course = Course(moving.name, _maker(moving, fixed), graded=moving.graded)
            follow(work.table.bench, [course], work.likelihood, work.sightings, work.columns, work.base)
            density = course.density(work.likelihood, work.sightings)
            best = float(density.share[int(np.argmax(density.logs))])
            if moving is b:
                z, width = best, density.evidence - float(density.logs.max())
            else:
                x = best
        if abs(z - before) < _SETTLED:
            break
    linked = b.name in consequences(a, work.faults) or a.name in consequences(b, work.faults)
    chances = work.prior.chances(work.faults)
    both = chances[a.name] * chances[b.name]
    if both <= 0:
        return None
    brought = [n for cause in (a, b) for n in consequences(cause, work.faults)]
    single = chances[a.name] if b.name in brought else chances[b.name]
    before = max(SECOND * both, BROUGHT_ON * single / max(len(brought), 1)) if linked else SECOND * both
    return Pair(a, _at(b, z), b, linked), course, math.log(before) + width


def _maker(moving: PossibleFault, fixed: Fault) -> Callable[[float], tuple[Fault, ...]]:
    return lambda share: (_at(moving, share), fixed)
