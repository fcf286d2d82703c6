"""How well predicted readings agree with what displays showed: a displayed number is a cell, and errors are shared.

Given a fault and its severity the readings are taken as normal about their prediction, with the tolerances of all parts
carried through exact slopes (so that readings which hang on the same part move together), the gain of the meter shared
by all readings in one unit, and counts and the last digit of each by itself (GUM: a rectangular limit over √3). Each reading
may also be wrong altogether (a lead on the wrong pin, a slip of the pen), with a small chance. Looks of a lamp and an
overloaded display are judged by the share of the distribution that gives them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from circuitsim.measure import INSTRUMENTS, Meter
from circuitsim.studies.allowance import SHARP, Allowance
from circuitsim.studies.evidence import TakenReading

__all__ = ["Agreement", "Likelihood", "shared_by"]

Array = NDArray[np.float64]
SLIP = 0.003
"""Chance that a reading is wrong altogether (assumed)."""
_LOOKS = {"dark": (-math.inf, 0.04), "dim": (0.04, 0.6), "bright": (0.6, math.inf)}  # as `measure.lamp_look`
_LEAST = 0.005  # of what looks and overloads are given, whatever is predicted
_BLUR = 0.15  # share by which people differ on how bright a lamp is (assumed)
_NOTHING = 1e6  # variance, V² or A², of a reading that says nothing
_JUMPS = 0.005  # chance that a display jumps though no contact does (assumed)
_LOG2PI = math.log(2 * math.pi)


@dataclass(frozen=True)
class Agreement:
    """Logarithms of likelihoods of some vehicles.

    total: of all readings, slips included, (vehicles,); slip: chance that each reading is a slip, (vehicles, readings);
    off: each reading less its prediction, in standard deviations given the others, (vehicles, readings).
    """

    total: Array
    slip: Array
    off: Array

    @property
    def let_go(self) -> Array:
        """Variances with which readings that are likely slips say nothing, (vehicles, readings)."""
        return np.where(self.slip > 0.5, _NOTHING, 0.0)


class Likelihood:
    """What some readings say about vehicles whose readings are predicted.

    Parameters
    ----------
    readings
        As taken.
    meter
        With what.
    nominal
        Nominal voltage, V: how far a reading that is wrong altogether may lie.
    allowance
        Room for what the circuit's file leaves out; none by default.
    """

    def __init__(self, readings: Sequence[TakenReading], meter: Meter, nominal: float, allowance: Allowance = SHARP) -> None:
        self.readings, self.allowance = tuple(readings), allowance
        kinds = [r.shown.kind for r in self.readings]
        self.numbers = np.array([k for k, kind in enumerate(kinds) if kind == "number"], dtype=np.intp)
        self.others = [k for k, kind in enumerate(kinds) if kind in ("look", "overload")]
        self.unstable = [k for k, kind in enumerate(kinds) if kind == "unstable"]
        self.units = [INSTRUMENTS[r.task.instrument] for r in self.readings]
        self.meter = meter
        self.value = np.array([self.readings[k].shown.value for k in self.numbers])
        spans = {"V": 1.3 * nominal, "A": 60.0, "Ω": 1e3, "1": 1.0}
        self.span = np.array([spans[self.units[k]] for k in self.numbers])
        self.noise, self.gains = self._errors()

    def _errors(self) -> tuple[Array, Array]:
        """Give each number's own variance, and the deviations that numbers of one unit share, (numbers, units)."""
        units = sorted(set(self.units))
        noise, gains = np.zeros(self.value.size), np.zeros((self.value.size, len(units)))
        for j, k in enumerate(self.numbers):
            value, unit = abs(self.value[j]), self.units[k]
            at = self.meter.range_for(value, unit) or self.meter.ranges(unit)[-1]
            digit = max(self.readings[k].shown.digit, 0.0)
            noise[j] = (at.counts * at.digit) ** 2 / 3 + digit**2 / 12 + self.allowance.of(unit) ** 2
            gains[j, units.index(unit)] = at.share * value / math.sqrt(3)
        return noise, gains

    @property
    def slip(self) -> float:
        """What one number that is wrong altogether costs, nats, at most."""
        return float(math.log(self.span.max(initial=1.0)) - math.log(SLIP))

    def covariance(self, shared: Array, extra: Array | None = None) -> Array:
        """Covariance of the numbers, (vehicles, numbers, numbers): tolerances (see `shared_by`), meter, `extra` variances."""
        every = self.numbers.size == shared.shape[1]
        found = (shared if every else shared[:, self.numbers[:, None], self.numbers]) + self.gains @ self.gains.T
        diagonal = np.arange(self.numbers.size)
        found[:, diagonal, diagonal] += self.noise + (0.0 if extra is None else extra[:, self.numbers])
        return np.asarray(found)

    def judge(self, value: Array, shared: Array, extra: Array | None = None) -> Agreement:
        """Judge vehicles by their predicted readings, (vehicles, readings), and covariances, (vehicles, readings, readings)."""
        other = self.said(value, shared)
        if not self.numbers.size:
            return Agreement(other, np.zeros(value.shape), np.zeros(value.shape))
        inverse, weight, left = self.solved(value, shared, extra)
        variance = 1 / np.diagonal(inverse, axis1=1, axis2=2)
        given = np.einsum("vij,vj->vi", inverse, left) * variance  # residual of each number given all others
        alone = -0.5 * (_LOG2PI + np.log(variance) + given**2 / variance)
        base = weight - 0.5 * np.einsum("vi,vi->v", left, np.einsum("vij,vj->vi", inverse, left))
        slipped = math.log(SLIP / (1 - SLIP)) - np.log(self.span) - alone
        terms = np.concatenate([np.zeros((len(base), 1)), slipped], axis=1)
        top = terms.max(axis=1)
        shares = np.exp(terms - top[:, None])
        total = base + top + np.log(shares.sum(axis=1))
        slip, off = np.zeros(value.shape), np.zeros(value.shape)
        slip[:, self.numbers] = shares[:, 1:] / shares.sum(axis=1, keepdims=True)
        off[:, self.numbers] = given / np.sqrt(variance)
        return Agreement(total + other, slip, off)

    def apart(self, value: Array, shared: Array) -> Array:
        """Give each reading less its prediction in standard deviations, by itself, (vehicles, readings); 0 for no number."""
        off = np.zeros(value.shape)
        variance = np.diagonal(self.covariance(shared), axis1=1, axis2=2)
        off[:, self.numbers] = np.nan_to_num(self.value - value[:, self.numbers]) / np.sqrt(variance)
        return off

    def solved(self, value: Array, shared: Array, extra: Array | None = None) -> tuple[Array, Array, Array]:
        """Give the inverse covariance, the logarithm of the normal's factor, and what is left of each number."""
        covariance = self.covariance(shared, extra)
        left = self.value - value[:, self.numbers]
        lost = ~np.isfinite(left)
        if lost.any():  # no point: as if nothing were known of that reading
            v, j = np.nonzero(lost)
            covariance[v, j, :] = 0.0
            covariance[v, :, j] = 0.0
            covariance[v, j, j] = self.span[j] ** 2
            left[lost] = 0.0
        lower = np.linalg.cholesky(covariance)
        weight = -0.5 * self.numbers.size * _LOG2PI - np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
        return _inverse(np.asarray(lower)), np.asarray(weight), left

    def said(self, value: Array, shared: Array) -> Array:
        """Logarithm of the chance of looks and overloads, and of displays that jump where nothing comes and goes."""
        total = np.full(len(value), len(self.unstable) * math.log(_JUMPS))
        for k in self.others:
            shown, predicted = self.readings[k].shown, value[:, k]
            deviation = np.sqrt(shared[:, k, k] + (_BLUR * predicted) ** 2) + 1e-9
            if shown.kind == "look":
                low, high = _LOOKS[shown.look]
            else:
                low, high = self.meter.ranges(self.units[k])[-1].full_scale, math.inf
            chance = _below(high, predicted, deviation) - _below(low, predicted, deviation)
            chance = np.where(np.isfinite(predicted), chance, 1 / 3)
            total += np.log(_LEAST + (1 - 2 * _LEAST) * np.clip(chance, 0, 1))
        return total

    def flicker(self, value: Array, shared: Array, good: Array, good_shared: Array, extra: Array) -> Array:
        """Judge vehicles whose fault comes and goes: (vehicles, readings) while bad, (1, readings) while good.

        All readings may have been taken while it was good, or bad, or each at either time; a display that jumps shows both.
        """
        bad = self.judge(value, shared, extra).total
        fine = self.judge(good, good_shared).total
        mixed = self.said(value, shared) + self._each(value, shared, extra, good, good_shared)
        shares = np.log([0.3, 0.3, 0.4])
        total = np.logaddexp.reduce([np.broadcast_to(fine, bad.shape) + shares[0], bad + shares[1], mixed + shares[2]])
        for k in self.unstable:
            shown = self.readings[k].shown
            low, high = np.minimum(value[:, k], good[0, k]), np.maximum(value[:, k], good[0, k])
            slack = 0.1 * (shown.high - shown.low) + 0.02 * np.abs(high) + 1e-3
            holds = (low - slack <= shown.low) & (shown.high <= high + slack) & (high - low > 0.1 * (shown.high - shown.low))
            total = total + np.log(np.where(holds, 0.6, _JUMPS)) - math.log(_JUMPS)
        return np.asarray(total)

    def _each(self, value: Array, shared: Array, extra: Array, good: Array, good_shared: Array) -> Array:
        """Each number taken while good or bad, by itself."""
        parts = []
        for v, s, e in ((value, shared, extra), (good, good_shared, np.zeros_like(good))):
            variance = s[:, self.numbers, self.numbers] + (self.gains**2).sum(axis=-1) + self.noise + e[:, self.numbers]
            left = np.nan_to_num(self.value - v[:, self.numbers], nan=1e3)
            parts.append(-0.5 * (_LOG2PI + np.log(variance) + left**2 / variance))
        return np.asarray(np.logaddexp(parts[0], np.broadcast_to(parts[1], parts[0].shape)).sum(axis=1)) + self.numbers.size * (
            math.log(0.5)
        )

    def anything(self, value: Array, shared: Array) -> float:
        """Logarithm of the broad density for 'something else', about the one healthy vehicle given, (1, readings).

        Half of it lets the healthy vehicle's parts stray by many times their tolerances, together, as an unknown fault
        does; half lets any number of readings lie anywhere, the worst first.
        """
        stray = [self.judge(value, wide**2 * shared).total[0] for wide in (6.0, 20.0, 60.0)]
        return float(np.logaddexp(_mean_log(stray), self._outliers(value, shared)) - math.log(2))

    def _outliers(self, value: Array, shared: Array, share: float = 0.35) -> float:
        """Logarithm of the density if each reading is disturbed with a chance, anywhere in its span: greedily, worst first."""
        count = self.numbers.size
        total = self.said(value, shared)[0]
        if not count:
            return float(total)
        covariance, left = self.covariance(shared)[0], self.value - value[0, self.numbers]
        kept, found, spent = list(range(count)), [], 0.0
        left = np.where(np.isfinite(left), left, 1e3 * self.span)
        for disturbed in range(count + 1):
            weight = disturbed * math.log(share) + (count - disturbed) * math.log(1 - share)
            found.append(weight + spent + (_normal(left[kept], covariance[np.ix_(kept, kept)]) if kept else 0.0))
            if kept:
                inverse = np.linalg.inv(covariance[np.ix_(kept, kept)])
                worst = int(np.argmax(np.abs(inverse @ left[kept]) / np.sqrt(np.diag(inverse))))
                spent -= math.log(self.span[kept[worst]])
                del kept[worst]
        return float(total + np.logaddexp.reduce(found))


def shared_by(spread: Array) -> Array:
    """Covariance of readings by slopes against independent numbers, (vehicles, readings, numbers) → (…, readings, readings)."""
    return np.asarray(spread @ spread.transpose(0, 2, 1))


def _inverse(lower: Array) -> Array:
    """Invert positive definite matrices from their Cholesky factors: half the time of a general inverse."""
    # Row by row a lower factor is, column by column as LAPACK reads it, an upper one: so nothing is copied.
    found = np.array([lapack.dpotri(one.T, lower=0, overwrite_c=1)[0].T for one in lower.copy()])
    diagonal = np.einsum("vii->vi", found)
    diagonal *= 0.5  # above it there are zeros, as in the factors
    return np.asarray(found + found.transpose(0, 2, 1))


def _normal(left: Array, covariance: Array) -> float:
    lower = np.linalg.cholesky(covariance)
    scaled = np.linalg.solve(lower, left)
    return float(-0.5 * (left.size * _LOG2PI + scaled @ scaled) - np.log(np.diag(lower)).sum())


def _mean_log(logs: Sequence[float]) -> float:
    return float(np.logaddexp.reduce(logs) - math.log(len(logs)))


def _below(edge: float, predicted: Array, deviation: Array) -> Array:
    """Share of a normal distribution below an edge, by its logistic likeness (within 0.01, enough for a look)."""
    if math.isinf(edge):
        return np.full(predicted.shape, float(edge > 0))
    return np.asarray(1 / (1 + np.exp(-np.clip(1.702 * (edge - predicted) / deviation, -700, 700))))
