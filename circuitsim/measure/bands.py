"""95 % bands: part tolerances carried through exact first-order slopes, with their true distributions, plus the meter.

The answer is taken as y₀ + Σ hₖ(pₖ), hₖ linear in a uniform or normal parameter and proportional to the value
itself for a log-normal one: first order in the physics, exact in the distributions (JCGM 101,
propagation of distributions through a linear model). The sum is sampled at stratified points, one permutation a
parameter, from a fixed seed.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache
from typing import overload

import numpy as np
from numpy.typing import NDArray

from circuitsim.cache import fetch_bytes, fingerprint
from circuitsim.quantities import Tolerance

__all__ = ["Band", "Budget", "Contribution", "Uncertain", "band_of", "deviations"]

Array = NDArray[np.float64]
_SAMPLES = 4096
_SEED = 20250101
_TOGETHER = 32  # streams in one entry of the cache


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


@dataclass(frozen=True)
class Budget(Sequence[Contribution]):
    """The uncertain numbers behind one answer, as arrays: what each is, its tolerance, nominal value and slope.

    standard: standard uncertainty of the answer from each alone.
    """

    what: tuple[str, ...]
    tolerances: tuple[Tolerance, ...]
    nominal: Array
    slope: Array
    standard: Array

    @classmethod
    def of(cls, parts: Sequence[Contribution]) -> Budget:
        """Make one of single contributions; those with no slope are left out."""
        kept = [p for p in parts if p.slope]
        nominal, slope, standard = (np.array([getattr(p, n) for p in kept]) for n in ("nominal", "slope", "standard"))
        return cls(tuple(p.what for p in kept), tuple(p.tolerance for p in kept), nominal, slope, standard)

    def __len__(self) -> int:
        """Give the number of contributions."""
        return len(self.what)

    @overload
    def __getitem__(self, k: int) -> Contribution: ...
    @overload
    def __getitem__(self, k: slice) -> list[Contribution]: ...
    def __getitem__(self, k: int | slice) -> Contribution | list[Contribution]:
        """Give one contribution by its place, or some."""
        if isinstance(k, slice):
            return [self[j] for j in range(*k.indices(len(self)))]
        return Contribution(self.what[k], float(self.nominal[k]), self.tolerances[k], float(self.slope[k]))


@dataclass(frozen=True)
class Uncertain:
    """Uncertain numbers behind many answers.

    what: their names; tolerances: of each by step, None where it has none; nominal, slopes: (numbers, answers).
    """

    what: tuple[str, ...]
    tolerances: tuple[tuple[Tolerance | None, ...], ...]
    nominal: Array
    slopes: Array

    def budget(self, answer: int, step: int) -> Budget:
        """Give what stands behind one answer, taken at a step."""
        share, fixed = self._sizes(step)
        kept = np.flatnonzero((self.slopes[:, answer] != 0) & ~np.isnan(share)).tolist()
        nominal, slope = self.nominal[kept, answer], self.slopes[kept, answer]
        tolerances = [self.tolerances[k][step] for k in kept]
        standard = np.abs(slope) * (np.abs(nominal) * share[kept] + fixed[kept])
        return Budget(tuple(self.what[k] for k in kept), tuple(t for t in tolerances if t), nominal, slope, standard)

    @cached_property
    def _by_step(self) -> dict[int, tuple[Array, Array]]:
        return {}

    def _sizes(self, step: int) -> tuple[Array, Array]:
        """Give the standard uncertainty of each number as a share of its nominal value, plus a fixed one; NaN for none."""
        if step not in self._by_step:
            sizes = [_sizes(t[step]) for t in self.tolerances]
            self._by_step[step] = np.array([s[0] for s in sizes]), np.array([s[1] for s in sizes])
        return self._by_step[step]


@cache
def _sizes(tolerance: Tolerance | None) -> tuple[float, float]:
    if tolerance is None:
        return float("nan"), float("nan")
    standard = tolerance.standard(1.0)
    return (standard, 0.0) if tolerance.relative else (0.0, standard)


def band_of(expected: float, contributions: Sequence[Contribution], meter_limit: float = 0.0) -> Band:
    """Give the band about `expected`; `meter_limit` is a rectangular half width added last.

    Quantiles at 2.5 and 97.5 %. NaN slopes give a NaN band.
    """
    budget = contributions if isinstance(contributions, Budget) else Budget.of(contributions)
    nominal, slope, standards, tolerances = budget.nominal, budget.slope, budget.standard, budget.tolerances
    if meter_limit:
        meter = Tolerance("uniform", meter_limit)
        nominal, slope = np.append(nominal, 1.0), np.append(slope, 1.0)
        standards, tolerances = np.append(standards, meter.standard(1.0)), (*tolerances, meter)
    if not tolerances:
        return Band(expected, expected, 0.0)
    standard = math.sqrt(float((standards**2).sum()))
    if not math.isfinite(standard):
        return Band(math.nan, math.nan, standard)
    # Small terms are merged into one normal term: together they move no quantile by a visible amount.
    is_large = standards > 0.02 * standard
    large = np.flatnonzero(is_large).tolist()
    total = math.sqrt(float((standards[~is_large] ** 2).sum())) * _points("normal", len(large))
    one = np.empty_like(total)
    for k, j in enumerate(large):
        size, points = _stratified(float(nominal[j]), tolerances[j], k)
        total += np.multiply(points, size * float(slope[j]), out=one)
    low, high = _quantiles(total, (0.025, 0.975))
    return Band(expected + low, expected + high, standard)


def _quantiles(values: Array, shares: Sequence[float]) -> list[float]:
    """Give quantiles, linear between the two values beside each (Hyndman and Fan's type 7); `values` is reordered."""
    places = [share * (values.size - 1) for share in shares]
    values.partition([int(at) + k for at in places for k in (0, 1)])
    pairs = [(at - int(at), float(values[int(at)]), float(values[int(at) + 1])) for at in places]
    return [below + part * (above - below) for part, below, above in pairs]


def deviations(nominal: float, tolerance: Tolerance, stream: int) -> Array:
    """Give stratified deviations of a number from its nominal value; streams are independent permutations."""
    size, points = _stratified(nominal, tolerance, stream)
    return size * points


def _stratified(nominal: float, tolerance: Tolerance, stream: int) -> tuple[float, Array]:
    """Give deviations as a size and what it multiplies."""
    if tolerance.kind == "lognormal":
        return nominal, _factors(tolerance.log_sigma, stream)
    return tolerance.standard(nominal), _points(tolerance.kind, stream)


@lru_cache(maxsize=256)
def _factors(log_sigma: float, stream: int) -> Array:
    """Log-normal factors less one."""
    return np.expm1(log_sigma * _points("normal", stream))


@cache
def _points(kind: str, stream: int) -> Array:
    """Standardised points (mean 0, deviation 1) in an order of the stream's own."""
    points: Array = _strata(kind)[_order(stream)]
    points.flags.writeable = False
    return points


def _order(stream: int) -> NDArray[np.intp]:
    """Give the order of a stream: a permutation from a fixed seed, kept on disk a few at a time."""
    first = stream - stream % _TOGETHER
    orders = np.frombuffer(_orders(first), np.uint16).reshape(_TOGETHER, _SAMPLES)
    order: NDArray[np.intp] = orders[stream - first].astype(np.intp)
    return order


@cache
def _orders(first: int) -> bytes:
    def draw() -> bytes:
        streams = range(first, first + _TOGETHER)
        drawn = [np.random.default_rng([_SEED, stream]).permutation(_SAMPLES) for stream in streams]
        return np.array(drawn, np.uint16).tobytes()

    return fetch_bytes("orders", (fingerprint("measure/bands.py"), np.__version__, str(first), sys.byteorder), draw)


@cache
def _strata(kind: str) -> Array:
    middle = (np.arange(_SAMPLES) + 0.5) / _SAMPLES
    if kind == "uniform":
        spread: Array = np.sqrt(12.0) * (middle - 0.5)
        return spread
    return np.frombuffer(_normal_strata())


def _normal_strata() -> bytes:
    def find() -> bytes:
        from statistics import NormalDist

        normal = NormalDist()
        return np.array([normal.inv_cdf((k + 0.5) / _SAMPLES) for k in range(_SAMPLES)]).tobytes()

    return fetch_bytes("strata", (fingerprint("measure/bands.py"), sys.version, sys.byteorder), find)
