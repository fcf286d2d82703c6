"""Readings that are likely wrong themselves, or that nobody has measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from circuitsim.measure import Task
from circuitsim.studies.diagnosis import HEALTHY
from circuitsim.studies.evidence import AS_PRINTED, MANY, is_as_printed

if TYPE_CHECKING:
    from circuitsim.studies.diagnose import Diagnosing

__all__ = ["as_printed", "doubtful", "placed"]


def doubtful(
    work: Diagnosing, chances: Mapping[str, float], turned: Mapping[int, str],
    twice: Sequence[tuple[tuple[int, ...], str]] = (),
) -> tuple[str, ...]:  # fmt: skip
    """Name readings that are likely wrong themselves.

    turned: number of a reading → what of its sign, or of its place; twice: of places that were read with several values, the
    numbers of the readings, and what to say.
    """
    total = np.zeros(len(work.readings))
    for k in np.flatnonzero(work.by_course > 0.01):
        density = work.densities[k]
        found = work.courses[k].at(np.array([density.share[int(np.argmax(density.logs))]]))
        judged = work.likelihood.judge(found.value, found.shared, found.doubt**2)
        total += work.by_course[k] * judged.slip[0][: total.size]
    healthy = work.likelihood.judge(work.healthy.value, work.healthy.shared)
    total += chances.get(HEALTHY, 0.0) * healthy.slip[0][: total.size]
    wrong = {k: f"{100 * p:.0f} % likely wrong itself: lead on a wrong pin, other step" for k, p in enumerate(total) if p > 0.3}
    # Of two values for one place either may be the wrong one, whatever the suspects make of that.
    several = {k for numbers, _ in twice for k in numbers}
    said = [(k, f"{work.display(work.readings[k])} ({text})") for k, text in wrong.items() if k not in several | set(turned)]
    said += [(numbers[0], f"read {_times(len(numbers))}: {text}") for numbers, text in twice]
    said += [(k, f"{work.display(work.readings[k])} ({text})") for k, text in turned.items()]
    return tuple(f"{placed(work.readings[k].task)}: {text}" for k, text in sorted(said, key=lambda one: one[0]))


def _times(count: int) -> str:
    return "twice" if count == 2 else f"{count} times"


def as_printed(work: Diagnosing) -> list[str]:
    """Say so where many numbers are all what a good circuit is predicted to show, to the last digit."""
    numbers = work.likelihood.numbers.tolist()
    good = [work.text(work.readings[k].task, float(work.healthy.value[0, k])) for k in numbers]
    same = all(text == work.display(work.readings[k]) for k, text in zip(numbers, good, strict=True))
    note = AS_PRINTED.format(len(numbers))
    known = any(map(is_as_printed, work.findings.notes))
    return [note] if len(numbers) >= MANY and same and not known else []


def placed(task: Task) -> str:
    """Say where a reading is taken, and in which state."""
    leads = f"clamp on {task.at}" if task.at else f"{task.red} : {task.black}"
    unplugged = f" with {' '.join(task.conditions.unplugged)} unplugged" if task.conditions.unplugged else ""
    ignition = "ignition off, " if task.conditions.ignition == "off" else ""
    return f"{ignition}{leads} at step {task.step}{unplugged}"
