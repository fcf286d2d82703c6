"""Quantiles, moments and correlations of many rows of numbers that come in chunks, in memory that does not grow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["BINS", "QUANTILES", "Streamed"]

Array = NDArray[np.float64]
BINS = 2048
"""Bins of a histogram between its edges, which are the 0.5 and 99.5 % quantiles of the first chunk."""
QUANTILES = (0.025, 0.5, 0.975)
_OUTER = (0.005, 0.995)


class Streamed:
    """What is kept of the chunks so far: a histogram, extremes and sums for each row; one size, however many come.

    The first chunk sets the edges: of a few thousand numbers the outer hundredth lies outside, so that the quantiles
    asked for lie within and are known to one bin, 1/2048 of the distance between the edges. What is outside is
    counted, with its extremes, so a quantile that falls there all the same is known to lie between edge and extreme.
    """

    def __init__(self) -> None:
        self._edges = np.zeros((0, BINS + 1))
        self._counts = np.zeros((0, BINS + 2), np.int64)
        self.minimum = self.maximum = self._origin = np.zeros(0)
        self._total = self._squares = np.zeros(0)
        self._products = self._deviates = np.zeros((0, 0))
        self.count: NDArray[np.int64] = np.zeros(0, np.int64)
        self.chunks = 0

    def add(self, values: Array, deviates: Array) -> None:
        """Take a chunk in: `values` (rows, chunk), NaN where there is none; `deviates` (numbers, chunk), never NaN."""
        known = np.isfinite(values)
        self.chunks += 1
        if not self._edges.size:
            self._begin(values, known, len(deviates))
        self._count(values, known)
        self.minimum = np.minimum(self.minimum, np.where(known, values, np.inf).min(axis=1))
        self.maximum = np.maximum(self.maximum, np.where(known, values, -np.inf).max(axis=1))
        off = np.where(known, values - self._origin[:, None], 0.0)
        self.count = self.count + known.sum(axis=1)
        self._total = self._total + off.sum(axis=1)
        self._squares = self._squares + (off**2).sum(axis=1)
        # Not by matrix products, whose last bits may depend on the number of threads that a library is given.
        self._products = self._products + np.einsum("rn,kn->rk", off, deviates)
        self._deviates = self._deviates + (
            deviates.sum(axis=1) if known.all() else np.einsum("rn,kn->rk", known.astype(float), deviates)
        )

    def _begin(self, values: Array, known: NDArray[np.bool_], numbers: int) -> None:
        rows = len(values)
        ends = np.array([np.quantile(v[k], _OUTER) if k.any() else (0.0, 0.0) for v, k in zip(values, known, strict=True)])
        least = 1e-12 * np.abs(ends).max(axis=1, keepdims=True) + 1e-300  # numbers that are all the same have a bin too
        middle, half = ends.mean(axis=1, keepdims=True), np.maximum(np.diff(ends, axis=1) / 2, least)
        self._edges = middle + half * np.linspace(-1.0, 1.0, BINS + 1)
        self._counts = np.zeros((rows, BINS + 2), np.int64)
        self._origin = middle[:, 0]
        self.minimum, self.maximum = np.full(rows, np.inf), np.full(rows, -np.inf)
        self._total, self._squares, self.count = np.zeros(rows), np.zeros(rows), np.zeros(rows, np.int64)
        self._products, self._deviates = np.zeros((rows, numbers)), np.zeros((rows, numbers))

    def _count(self, values: Array, known: NDArray[np.bool_]) -> None:
        for row, (v, k) in enumerate(zip(values, known, strict=True)):
            place = np.searchsorted(self._edges[row], v[k], side="right")
            self._counts[row] += np.bincount(place, minlength=BINS + 2)

    @property
    def mean(self) -> Array:
        """Mean of each row; NaN where nothing came."""
        return self._origin + self._total / self._number

    @property
    def variance(self) -> Array:
        """Variance of each row about its mean."""
        moved = self._total / self._number
        return np.maximum(self._squares / self._number - moved**2, 0.0)

    @property
    def covariance(self) -> Array:
        """Covariance of each row with each deviate, (rows, numbers)."""
        n = self._number[:, None]
        return self._products / n - (self._total[:, None] / n) * (self._deviates / n)

    @property
    def _number(self) -> Array:
        return np.where(self.count > 0, self.count, np.nan)

    def quantiles(self, row: int) -> tuple[float, float, float, float]:
        """Give the 2.5, 50 and 97.5 % quantiles of a row, and the width of the widest bin that one was read from.

        Each is off by no more than that width from the number that stands at ⌈share × count⌉ in the sorted row;
        within a bin they are taken to be spread evenly.
        """
        if not self.count[row]:
            return (float("nan"),) * 4
        low, high = self.minimum[row], self.maximum[row]
        edges = np.clip(np.concatenate([[low], self._edges[row], [high]]), low, high)
        below = np.concatenate([[0], np.cumsum(self._counts[row])])
        wanted = np.array(QUANTILES) * self.count[row]
        right = np.searchsorted(below, np.ceil(wanted), side="left")  # the bin of the number that stands there
        begin, width = edges[right - 1], edges[right] - edges[right - 1]
        share = np.clip((wanted - below[right - 1]) / (below[right] - below[right - 1]), 0.0, 1.0)
        a, b, c = (float(v) for v in begin + share * width)
        return a, b, c, float(width.max())
