"""Which suspects the tests made so far can't tell apart: they are reported as one.

Two suspects belong together when even the best judge, shown readings of either at the severities that are still plausible,
would name the wrong one in more than a fifth of cases (Bayes error with even odds, by sampling their predicted readings).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

__all__ = ["APART", "Cloud", "bayes_error", "gather"]

Array = NDArray[np.float64]
APART = 0.2
"""Bayes error above which two suspects are one group."""
_DRAWS = 16  # readings drawn for each severity
_LOG2PI = float(np.log(2 * np.pi))


@dataclass(frozen=True)
class Cloud:
    """Where a suspect's readings lie: a mixture of equal normals. mean: (parts, readings); covariance of each."""

    mean: Array
    covariance: Array

    @cached_property
    def lower(self) -> Array:
        """Cholesky factors of the covariances."""
        return np.linalg.cholesky(self.covariance)

    @cached_property
    def whitening(self) -> Array:
        """Their inverses."""
        return np.linalg.inv(self.lower)

    def draw(self, rng: np.random.Generator) -> Array:
        """Draw readings, (parts × draws, readings)."""
        z = rng.standard_normal((_DRAWS, *self.mean.shape))
        return np.asarray((self.mean + np.einsum("pij,dpj->dpi", self.lower, z)).reshape(-1, self.mean.shape[1]))

    def logs(self, readings: Array) -> Array:
        """Give the logarithm of its density at readings, (points,)."""
        scaled = self.whitening @ (readings[None] - self.mean[:, None]).transpose(0, 2, 1)
        logs = -0.5 * ((scaled**2).sum(axis=1) + readings.shape[1] * _LOG2PI)
        logs -= np.log(np.diagonal(self.lower, axis1=1, axis2=2)).sum(axis=1)[:, None]
        top = logs.max(axis=0)
        return np.asarray(top + np.log(np.exp(logs - top).mean(axis=0)))


def bayes_error(clouds: Sequence[Cloud], seed: int = 1) -> Array:
    """Give the Bayes error of each pair with even odds, (clouds, clouds); one half on the diagonal."""
    rng = np.random.default_rng(seed)
    count = len(clouds)
    wins = np.full((count, count), 0.5)  # share of draws of the first at which the second is the likelier
    for k, own in enumerate(clouds):
        readings = own.draw(rng)
        logs = [other.logs(readings) for other in clouds]
        for j in range(count):
            if j != k:
                wins[k, j] = ((logs[j] > logs[k]) + 0.5 * (logs[j] == logs[k])).mean()
    return np.asarray(0.5 * (wins + wins.T))


def gather(error: Array, order: Sequence[int]) -> list[list[int]]:
    """Gather suspects, the likeliest first, round leaders: a group is a leader and all that can't be told from it."""
    left, groups = list(order), []
    while left:
        leader = left[0]
        group = [k for k in left if k == leader or error[leader, k] > APART]
        groups.append(group)
        left = [k for k in left if k not in group]
    return groups
