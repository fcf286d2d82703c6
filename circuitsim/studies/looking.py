"""Looking at the fan, as a test: it costs next to nothing, and often tells a good part of the suspects apart.

What people say of a fan (that it stands, turns slow, as usual, fast) is as likely under each suspect as `studies.sightings` has
it, and what that tells of the repair is measured in bits a minute, as of every other test.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from circuitsim.studies.asking import stand_ins
from circuitsim.studies.evidence import Observation
from circuitsim.studies.next_test import TOLD, Choice, Look, Minutes, excluded, look_at
from circuitsim.studies.sightings import Sightings

if TYPE_CHECKING:
    from circuitsim.studies.diagnose import Diagnosing

__all__ = ["WORDS", "best_look"]

Array = NDArray[np.float64]
WORDS = {"off": "stands", "slow": "slow", "normal": "as usual", "fast": "fast"}
"""What can be said of a fan at one step, as it is typed, and in words."""
_OF_SPEED = (*WORDS, "always full")
_LIKELY = 0.3  # chance from which on a suspect is said to be seen so
_NAMED = 9  # suspects that are told what would be seen with


def best_look(
    work: Diagnosing, chances: Mapping[str, float], cannot: Sequence[str], minutes: Minutes, tests: Sequence[Choice]
) -> Look | None:
    """Give the step at which looking at the fan tells most of the repair a minute; None where that is less than of any test.

    Steps at which somebody has looked before are passed over. tests: those that are proposed, none where enough is known.
    """
    columns = _columns(work, cannot) if tests else {}
    vehicles = stand_ins(work, chances) if columns else []
    if len(vehicles) < 2:
        return None
    shown = work.weighed.bench.show([faults for faults, _, _, _ in vehicles], list(columns.values()))
    weight = np.array([w for _, _, w, _ in vehicles])
    cures = [cure for _, cure, _, _ in vehicles]
    last = work.readings[-1].task if work.readings else None
    found = []
    for k, step in enumerate(columns):
        chance = _said(work, step, shown.speed[:, k], shown.blown)
        bits, work_for = _bits(chance, weight, cures), minutes.look(last, look_at(step, work.findings.conditions))
        if bits > TOLD:
            expected = _expected(chance, [name for _, _, _, name in vehicles], chances)
            found.append(Look(step, bits, work_for, tuple(f"saw {word} {step}" for word in WORDS), expected))
    best = max(found, key=lambda look: look.rate, default=None)
    return best if best and best.rate > min(test.rate for test in tests) else None


def _columns(work: Diagnosing, cannot: Sequence[str]) -> dict[str, int]:
    """Give a test of the plugged circuit for each step at which nobody has looked yet; its speed is what would be seen."""
    conditions, seen = work.findings.conditions, work.sightings.observations
    looked = [one.step for one in seen if one.word in _OF_SPEED]
    if "" in looked or conditions.ignition == "off" or conditions.unplugged:
        return {}
    found: dict[str, int] = {}
    for task in work.table.tasks:
        fits = task.conditions == conditions and task.instrument in ("voltmeter", "clamp")
        if fits and task.step in work.circuit.steps[1:] and task.step not in looked:
            found.setdefault(task.step, work.table.place[task])
    return {s: k for s, k in found.items() if not excluded(look_at(s, conditions), cannot)}


def _said(work: Diagnosing, step: str, speed: Array, blown: Sequence[tuple[str, ...]]) -> Array:
    """Give the chance of each of `WORDS` with each vehicle, of which the first is healthy, (vehicles, words)."""
    found = []
    for word in WORDS:
        sights = Sightings(work.circuit, [Observation(0, step, word)], work.findings.conditions, 0)
        sights.know(speed[:1])
        found.append(np.exp(sights.logs(speed[:, None], blown)))
    chance = np.array(found).T
    return np.asarray(chance / chance.sum(axis=1, keepdims=True))


def _bits(chance: Array, weight: Array, cures: Sequence[str]) -> float:
    """Information of what is said about the repair; with what is something else any word is as likely."""
    total = weight @ chance + max(0.0, 1.0 - float(weight.sum())) / chance.shape[1]
    bits = 0.0
    for cure in dict.fromkeys(cures):
        own = np.array([one == cure for one in cures])
        both, share = weight[own] @ chance[own], float(weight[own].sum())
        bits += float((both * np.log2(np.maximum(both, 1e-300) / np.maximum(total * share, 1e-300))).sum())
    return bits


def _expected(chance: Array, names: Sequence[str], chances: Mapping[str, float]) -> tuple[tuple[str, str], ...]:
    """Say of each suspect how the fan is seen to turn, the likeliest word of each vehicle that stands for it."""
    words, found = list(WORDS.values()), []
    for name in [n for n in dict.fromkeys(names) if chances.get(n, 0.0) > TOLD][:_NAMED]:
        likely = np.array([chance[k] for k, owner in enumerate(names) if owner == name]).max(axis=0) > _LIKELY
        found.append((name, " or ".join(w for w, so in zip(words, likely.tolist(), strict=True) if so)))
    return tuple(found)
