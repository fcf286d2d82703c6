"""Readings with the wrong sign: what was shown fits no suspect, and the same the other way round fits one."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from circuitsim.measure import INSTRUMENTS, Meter, Task
from circuitsim.studies.severities import Course, Density

if TYPE_CHECKING:
    from circuitsim.studies.diagnose import Diagnosing

__all__ = ["FAR", "FITS", "misfits", "suited", "swapped", "turned_round"]

Array = NDArray[np.float64]
_LISTED = 0.005  # chance from which on a suspect counts
FITS, FAR = 2.5, 4.0
"""Standard deviations up to which a reading fits, and from which on it does not (assumed)."""
_LEAST = {"voltmeter": 0.01, "clamp": 0.2}  # V, A; less may be a meter's own offset (assumed)
_RULED_OUT, _PLACES = 6.0, 65  # nats below the likeliest severity; severities at which one is looked at


def swapped(work: Diagnosing) -> dict[int, str]:
    """Say of readings that leads, or a clamp, may be the wrong way round: number of the reading → '… +12.3 V would fit'.

    Only where the reading as shown fits neither the healthy circuit nor any suspect of some chance, and with its sign changed
    it fits one of them. With no such suspect among the faults every fault counts, as bad as it can be.
    """
    numbers = work.likelihood.numbers
    offs = [_offs(work, course, share) for course, share in suited(work)]
    as_shown, turned = (np.concatenate(part).min(axis=0) for part in zip(*offs, strict=True))
    found = {}
    for j, k in enumerate(numbers.tolist()):
        task, value = work.readings[k].task, work.likelihood.value[j]
        if told := turned_round(task, float(value), float(as_shown[j]), float(turned[j]), work.meter):
            found[k] = told
    return found


def suited(work: Diagnosing) -> list[tuple[Course, Array]]:
    """Give what a doubted reading may suit, each with shares: the healthy circuit, and all suspects that count.

    Where none counts, and something was measured, every fault does.
    """
    listed = np.flatnonzero(work.by_course > _LISTED).tolist()
    found = [(work.courses[k], _open(work.densities[k])) for k in listed]
    if not found and work.likelihood.numbers.size:
        found = [(course, np.linspace(0.0, 1.0, _PLACES)) for course in work.courses]
    return [(work.healthy, np.array([0.5])), *found]


def misfits(work: Diagnosing) -> Array:
    """Give how far each number is off what suits it best, in standard deviations, (numbers,)."""
    found = []
    for course, share in suited(work):
        predicted, deviation = _predicted(work, course, share)
        found.append(np.nan_to_num(np.abs(work.likelihood.value - predicted) / deviation).min(axis=0))
    return np.asarray(np.min(found, axis=0))


def turned_round(task: Task, value: float, as_shown: float, turned: float, meter: Meter) -> str:
    """Say that leads, or a clamp, may be the wrong way round, and what would fit; '' where that is not so.

    value: what was shown, V or A; as_shown, turned: how far it is off, as shown and with its sign changed, in standard
    deviations.
    """
    if not (abs(value) > _LEAST.get(task.instrument, math.inf) and as_shown > FAR and turned < FITS):
        return ""
    what = "clamp the other way round?" if task.at else "leads swapped?"
    return f"{what} {'+' if value < 0 else ''}{meter.display(-value, INSTRUMENTS[task.instrument])} would fit"


def _open(density: Density) -> Array:
    """Give shares all over the severities that readings and sightings leave open; a reading that is a slip rules none out."""
    left = density.share[density.logs > density.logs.max() - _RULED_OUT]
    return np.linspace(left.min(), left.max(), _PLACES)


def _offs(work: Diagnosing, course: Course, share: Array) -> tuple[Array, ...]:
    """Give how far each number is off, as shown and with its sign changed, in standard deviations, each (shares, numbers)."""
    value = work.likelihood.value
    predicted, deviation = _predicted(work, course, share)
    off = [np.abs(v - predicted) / deviation for v in (value, -value)]
    # Where slopes leave a reading so wide that its sign does not matter, as beside a cliff, nothing is learnt of it.
    known, tells = np.isfinite(predicted), FAR * deviation < np.abs(value)
    return tuple(np.where(tells, np.where(known, one, other), np.inf) for one, other in zip(off, (0.0, np.inf), strict=True))


def _predicted(work: Diagnosing, course: Course, share: Array) -> tuple[Array, Array]:
    """Give what each number would be, and its standard deviation, each (shares, numbers)."""
    between = course.at(share)
    deviation = np.sqrt(np.diagonal(work.likelihood.covariance(between.shared), axis1=1, axis2=2))
    return between.value[:, work.likelihood.numbers], deviation
