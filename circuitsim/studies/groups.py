"""Which suspects the tests made so far can't tell apart: they are reported as one.

Two suspects belong together when even the best judge, shown readings of either at the severities that are still plausible,
would name the wrong one in more than a fifth of cases (Bayes error with even odds, by sampling their predicted readings).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

__all__ = ["APART", "Cloud", "bayes_error", "gather"]

Array = NDArray[np.float64]
APART = 0.2
"""Bayes error above which two suspects are one group."""
_DRAWS = 288  # readings drawn of each suspect, over its severities: a Bayes error of 0.2 is known to 0.02
_LOG2PI = float(np.log(2 * np.pi))


@dataclass(frozen=True)
class Cloud:
    """Where a suspect's readings lie: a mixture of equal normals. mean: (parts, readings); covariance of each."""

    mean: Array
    covariance: Array

    @cached_property
    def lower(self) -> Array:
        """Cholesky factors of the covariances."""
        return np.asarray(np.linalg.cholesky(self.covariance))

    @cached_property
    def whitening(self) -> Array:
        """Their inverses."""
        return np.asarray(np.linalg.inv(self.lower))

    @cached_property
    def drawn(self) -> Array:
        """Readings drawn from it, (parts × draws, readings)."""
        z = np.random.default_rng(1).standard_normal((-(-_DRAWS // len(self.mean)), *self.mean.shape))
        return np.asarray((self.mean + np.einsum("pij,dpj->dpi", self.lower, z)).reshape(-1, self.mean.shape[1]))

    @cached_property
    def own(self) -> Array:
        """Logarithm of its density at what is drawn from it."""
        return self.logs(self.drawn)

    def logs(self, readings: Array) -> Array:
        """Give the logarithm of its density at readings, (points,)."""
        scaled = self.whitening @ (readings[None] - self.mean[:, None]).transpose(0, 2, 1)
        logs = -0.5 * ((scaled**2).sum(axis=1) + readings.shape[1] * _LOG2PI)
        logs -= np.log(np.diagonal(self.lower, axis1=1, axis2=2)).sum(axis=1)[:, None]
        top = logs.max(axis=0)
        return np.asarray(top + np.log(np.exp(logs - top).mean(axis=0)))


def bayes_error(first: Cloud, second: Cloud) -> float:
    """Give the Bayes error of two suspects with even odds: half the share of draws of either that look more like the other."""
    wrong = 0.0
    for one, other in ((first, second), (second, first)):
        logs = other.logs(one.drawn)
        wrong += float(((logs > one.own) + 0.5 * (logs == one.own)).mean())
    return 0.5 * wrong


def gather(order: Sequence[int], alike: Callable[[int, int], bool]) -> list[list[int]]:
    """Gather suspects, the likeliest first, round leaders: a group is a leader and all that can't be told from it."""
    left, groups = list(order), []
    while left:
        leader, *others = left
        group = [leader, *(k for k in others if alike(leader, k))]
        groups.append(group)
        left = [k for k in left if k not in group]
    return groups
