"""What was made of each thing that was seen, in words: with which suspect people would say so, and how often."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from typing import TYPE_CHECKING

import numpy as np

from circuitsim.studies.diagnosis import Suspect
from circuitsim.studies.evidence import Observation

if TYPE_CHECKING:
    from circuitsim.measure.faults import PossibleFault
    from circuitsim.studies.diagnose import Diagnosing

__all__ = ["told_of_seen"]

_LITTLE = 2.0  # times as often with the one as with the other; less tells next to nothing


def told_of_seen(work: Diagnosing, suspects: Sequence[Suspect]) -> tuple[str, ...]:
    """Say of each observation how often people would say so of a good circuit, and with the first suspect that is a fault."""
    known = {f.name: (k, f) for k, family in enumerate(work.members) for f in family}
    first = next((s.leader.fault for s in suspects if s.leader.fault in known), "")
    return tuple(_sentence(work, seen, first, known) for seen in work.sightings.observations)


def _sentence(work: Diagnosing, seen: Observation, fault: str, known: dict[str, tuple[int, PossibleFault]]) -> str:
    good = _chance(work, seen, None)
    what = f"{'' if seen.seen else 'not '}{seen.word}" + (f" at step {seen.step}" if seen.step else "")
    if not fault:
        return f"{what}: {_percent(good)} would say so of a good circuit"
    own = _chance(work, seen, known[fault])
    more, less = own > _LITTLE * good, good > _LITTLE * own
    speaks = f"speaks for {fault}" if more else f"speaks against {fault}" if less else f"tells little of {fault}"
    return f"{what}: {speaks} ({_percent(own)} would say so with it, {_percent(good)} of a good circuit)"


def _chance(work: Diagnosing, seen: Observation, fault: tuple[int, PossibleFault] | None) -> float:
    """Give the chance that people say it of a good circuit, or with a fault as bad as it likely is."""
    one = copy(work.sightings)
    one.observations = (seen,)
    course, density = (work.healthy, None) if fault is None else (work.courses[fault[0]], work.densities[fault[0]])
    found = course.at(np.array([0.5]) if density is None else density.share)
    chances = np.exp(one.logs(found.speed, [course.blown[j] for j in found.nearest]))
    mean = float(chances[0]) if density is None else float(density.posterior() @ chances)
    return mean * float(np.exp(one.words(None if fault is None else fault[1])))


def _percent(chance: float) -> str:
    return "over 99 %" if chance > 0.99 else f"{100 * chance:.2g} %"
