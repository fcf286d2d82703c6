"""Where a suspect's readings would lie if they were taken again: at the severities still plausible, with all tolerances."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from circuitsim.studies.groups import Cloud
from circuitsim.studies.likelihood import Likelihood
from circuitsim.studies.severities import Course, Density

__all__ = ["cloud_of", "good_cloud"]

Array = NDArray[np.float64]
_PARTS, _SLACK = 9, 0.015  # severities of each, and how far each is spread (shares)


def good_cloud(healthy: Course, likelihood: Likelihood) -> Cloud:
    """Give that of the healthy circuit."""
    fine = healthy.value[:, likelihood.numbers]
    return Cloud(np.nan_to_num(fine), likelihood.covariance(healthy.shared))


def cloud_of(course: Course, density: Density, likelihood: Likelihood) -> Cloud:
    """Give that of a suspect, some severities of equal chance each, as they are known from the readings taken."""
    levels = (np.arange(_PARTS) + 0.5) / _PARTS if course.graded else np.array([0.5])
    share = density.quantiles(levels.tolist())
    found = course.at(share)
    numbers = likelihood.numbers
    mean, covariance = np.nan_to_num(found.value[:, numbers]), likelihood.covariance(found.shared, found.doubt**2)
    if course.graded:  # a severity is known no better than the parts that it comes on top of, and there are all between
        width = np.maximum(0.5 * np.abs(np.gradient(share)), _SLACK)
        along = width[:, None] * _slope(course, share, found.value)[:, numbers]
        covariance += along[:, :, None] * along[:, None, :]
    if course.against is not None:  # it comes and goes: half the time it reads as a good circuit
        good = np.repeat(course.against.value[:, numbers], len(mean), axis=0)
        mean = np.concatenate([mean, good])
        own = likelihood.covariance(course.against.shared)
        covariance = np.concatenate([covariance, np.repeat(own, len(good), axis=0)])
    return Cloud(mean, covariance)


def _slope(course: Course, share: Array, value: Array) -> Array:
    """Slopes of readings along the severity at shares, (shares, readings), taken on the side on which they are less steep.

    Where the operating point jumps, the severity is on either side of the jump, and no vehicle reads as in between.
    """
    sides = []
    for other in (np.clip(share + _SLACK, 0, 1), np.clip(share - _SLACK, 0, 1)):
        apart = other - share
        slope = np.nan_to_num(course.at(other).value - value) / np.where(apart == 0, 1.0, apart)[:, None]
        sides.append(np.where(apart[:, None] == 0, np.inf, slope))
    ahead, behind = sides
    return np.where(np.abs(ahead) <= np.abs(behind), ahead, behind)
