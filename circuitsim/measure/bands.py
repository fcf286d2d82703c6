"""95 % bands: part tolerances carried through exact first-order slopes, with their true distributions, plus the meter.

The answer is taken as y₀ + Σ hₖ(pₖ), hₖ linear in a uniform or normal parameter and proportional to the value
itself for a log-normal one: first order in the physics, exact in the distributions (JCGM 101,
propagation of distributions through a linear model). The sum is sampled at stratified points, one permutation a
parameter, from a fixed seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from circuitsim.quantities import Tolerance

__all__ = ["Band", "Contribution", "band_of", "deviations"]

Array = NDArray[np.float64]
_SAMPLES = 4096
_SEED = 20250101


@dataclass(frozen=True)
class Contribution:
    """One uncertain number: what it is, its nominal value, tolerance, and the slope of the answer against it."""

    what: str
    nominal: float
    tolerance: Tolerance
    slope: float

    @property
    def standard(self) -> float:
        """Standard uncertainty of the answer from this number alone."""
        return abs(self.slope) * self.tolerance.standard(self.nominal)


@dataclass(frozen=True)
class Band:
    """A 95 % band and the combined standard uncertainty (GUM: root of the sum of squares)."""

    low: float
    high: float
    standard: float


def band_of(expected: float, contributions: Sequence[Contribution], meter_limit: float = 0.0) -> Band:
    """Give the band about `expected`; `meter_limit` is a rectangular half width added last.

    Quantiles at 2.5 and 97.5 %. NaN slopes give a NaN band.
    """
    terms = [c for c in contributions if c.slope]
    meter = Contribution("meter", 1.0, Tolerance("uniform", meter_limit), 1.0)
    parts = [*terms, meter] if meter_limit else terms
    standard = float(np.sqrt(sum(c.standard**2 for c in parts)))
    if not parts or not np.isfinite(standard):
        return Band(*((expected,) * 2 if not parts else (float("nan"),) * 2), standard)
    # Small terms are merged into one normal term: together they move no quantile by a visible amount.
    large = [c for c in parts if c.standard > 0.02 * standard]
    rest = float(np.sqrt(sum(c.standard**2 for c in parts if c.standard <= 0.02 * standard)))
    total = rest * _points("normal", len(large))
    for k, c in enumerate(large):
        total = total + c.slope * deviations(c.nominal, c.tolerance, k)
    low, high = np.quantile(total, (0.025, 0.975))
    return Band(expected + float(low), expected + float(high), standard)


def deviations(nominal: float, tolerance: Tolerance, stream: int) -> Array:
    """Give stratified deviations of a number from its nominal value; streams are independent permutations."""
    if tolerance.kind == "lognormal":
        return nominal * np.expm1(tolerance.log_sigma * _points("normal", stream))
    return tolerance.standard(nominal) * _points(tolerance.kind, stream)


@cache
def _points(kind: str, stream: int) -> Array:
    """Standardised points (mean 0, deviation 1) in an order of the stream's own."""
    order = np.random.default_rng([_SEED, stream]).permutation(_SAMPLES)
    points: Array = _strata(kind)[order]
    points.flags.writeable = False
    return points


@cache
def _strata(kind: str) -> Array:
    middle = (np.arange(_SAMPLES) + 0.5) / _SAMPLES
    if kind == "uniform":
        spread: Array = np.sqrt(12.0) * (middle - 0.5)
        return spread
    normal = NormalDist()
    return np.array([normal.inv_cdf(float(p)) for p in middle])
