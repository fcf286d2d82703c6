"""Exponentials of small matrices over a batch, by their eigenvectors: states, slopes and integrals after a time.

Formulas and shapes: see `circuitsim.engine.waveforms`. Inside, the batch is the first axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Course", "Modal", "first_phi", "second_phi", "split_modes"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Numbers = Any  # real, or complex where eigenvalues come in pairs

_NEAR_DEFECTIVE = 1e7  # condition of the eigenvectors past which half of the digits would be gone
_MOVED = 1e-10
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)  # exact to rounding for exp(λt), |λt| < 1


def first_phi(rate: Numbers, t: Numbers) -> Numbers:
    """(exp(λt) - 1)/λ, and t for λ = 0."""
    z = rate * t
    flat = np.abs(z) < 1e-300
    return np.where(flat, t, np.expm1(z) / np.where(flat, 1.0, rate))


def second_phi(rate: Numbers, t: Numbers) -> Numbers:
    """(exp(λt) - 1 - λt)/λ², and t²/2 for λ = 0; a series where |λt| < 0.5."""
    z = rate * t
    series = np.zeros_like(z)
    for k in range(16, 1, -1):  # 0.5^15/16! is far below rounding
        series = (1.0 + series) * z / k if k > 2 else (1.0 + series) / 2.0
    small = np.abs(z) < 0.5
    safe = np.where(small, 1.0, rate)
    return np.where(small, series * t * t, (np.expm1(z) - z) / (safe * safe))


@dataclass(frozen=True)
class Course:
    """Quantities along a segment: start, (B, p), and the rates and weights of the exponentials in their slopes."""

    start: Array
    rates: Numbers
    weights: Numbers

    def value(self, t: Array) -> Array:
        """Values after times (…, B, 1 or p): (…, B, p)."""
        return np.asarray(self.start + (self.weights * first_phi(self.rates, t[..., None])).sum(axis=-1).real)

    def take(self, chosen: Index) -> Course:
        """Give some of the samples."""
        return Course(self.start[chosen], self.rates[chosen], self.weights[chosen])

    def single(self, sample: Index, which: Index) -> Course:
        """Give some quantities one by one, each as the only one of a sample."""
        return Course(self.start[sample, which][:, None], self.rates[sample], self.weights[sample, which][:, None])

    def slope(self, t: Array) -> Array:
        """Slopes after times (…, B, 1 or p): (…, B, p)."""
        return np.asarray((self.weights * np.exp(self.rates * t[..., None])).sum(axis=-1).real)


@dataclass(frozen=True)
class Modal:
    """Modes in their eigenvectors: rates λ (m, B, n), vectors and their inverse (m, B, n, n), and β = inverse·b (m, B, n)."""

    rates: Numbers
    vectors: Numbers
    inverse: Numbers
    push: Numbers

    @property
    def modes(self) -> int:
        """Number of modes."""
        return int(self.rates.shape[0])

    @property
    def batch(self) -> int:
        """Number of samples."""
        return int(self.rates.shape[1])

    @property
    def states(self) -> int:
        """Number of states."""
        return int(self.rates.shape[2])

    def take(self, chosen: Index) -> Modal:
        """Give some of the samples."""
        return Modal(self.rates[:, chosen], self.vectors[:, chosen], self.inverse[:, chosen], self.push[:, chosen])

    def _own(self, mode: Index, x: Array) -> tuple[Numbers, Numbers, Numbers]:
        """Give rates, the state along the eigenvectors, and its rate of change, (B, n) each."""
        at = np.arange(mode.size)
        rates = self.rates[mode, at]
        q = np.einsum("bij,bj->bi", self.inverse[mode, at], x)
        return rates, q, rates * q + self.push[mode, at]

    def _back(self, mode: Index, q: Numbers) -> Array:
        return np.ascontiguousarray(np.einsum("bij,bj->bi", self.vectors[mode, np.arange(mode.size)], q).real)

    def rate(self, mode: Index, x: Array) -> Array:
        """X' at states x, (B, n)."""
        return self._back(mode, self._own(mode, x)[2])

    def after(self, mode: Index, x: Array, t: Array) -> Array:
        """State after a time t, (B,), from states x, (B, n)."""
        rates, q, r = self._own(mode, x)
        return self._back(mode, q + r * first_phi(rates, t[:, None]))

    def course(self, mode: Index, x: Array, rows: Array) -> Course:
        """Give how rows·x goes on from states x; rows: (B, p, n)."""
        rates, _, r = self._own(mode, x)
        weights = np.einsum("bpi,bij,bj->bpj", rows, self.vectors[mode, np.arange(mode.size)], r)
        return Course(np.einsum("bpi,bi->bp", rows, x), rates[:, None], weights)

    def slope(self, mode: Index, t: Array) -> Array:
        """exp(a·t), (B, n, n)."""
        at = np.arange(mode.size)
        grown = np.exp(self.rates[mode, at] * t[:, None])
        return np.ascontiguousarray(np.einsum("bij,bj,bjk->bik", self.vectors[mode, at], grown, self.inverse[mode, at]).real)

    def integrals(self, mode: Index, x: Array, t: Array) -> tuple[Array, Array]:
        """∫x dt and ∫x·xᵀ dt over a time t from states x: (B, n) and (B, n, n)."""
        rates, q, r = self._own(mode, x)
        whole = q * t[:, None] + r * second_phi(rates, t[:, None])
        end = q + r * first_phi(rates, t[:, None])
        square = self._square(rates, q, r, end, whole, self.push[mode, np.arange(mode.size)], t)
        vectors = self.vectors[mode, np.arange(mode.size)]
        return self._back(mode, whole), np.ascontiguousarray((vectors @ square @ np.swapaxes(vectors, 1, 2)).real)

    @staticmethod
    def _square(rates: Numbers, q: Numbers, r: Numbers, end: Numbers, whole: Numbers, push: Numbers, t: Array) -> Numbers:
        """∫q·qᵀ: from the change of q·qᵀ, or by quadrature where both exponentials are slow and that would cancel."""
        both = rates[:, :, None] + rates[:, None, :]
        moved = _outer(end, end) - _outer(q, q) - _outer(push, whole) - _outer(whole, push)
        size = np.abs(rates) * t[:, None]
        slow = np.maximum(size[:, :, None], size[:, None, :]) < 1.0
        slow |= np.abs(both) * t[:, None, None] < 1e-9
        exact = moved / np.where(slow, 1.0, both)
        if not slow.any():
            return exact
        summed = np.zeros_like(exact)
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            at = q + r * first_phi(rates, 0.5 * (1.0 + node) * t[:, None])
            summed = summed + 0.5 * weight * t[:, None, None] * _outer(at, at)
        return np.where(slow, summed, exact)


def _outer(a: Numbers, b: Numbers) -> Numbers:
    return a[:, :, None] * b[:, None, :]


def split_modes(a: Sequence[Array], b: Sequence[Array]) -> Modal:
    """Find the eigenvectors of every mode: a (n, n, B) and b (n, B) a mode."""
    full = np.array([np.moveaxis(m, -1, 0) for m in a])
    push = np.array([m.T for m in b])
    n = full.shape[2]
    if n < 2:
        one = np.ones_like(full)
        return Modal(full[..., 0] if n else full.reshape(*full.shape[:2], 0), one, one, push)
    rates, vectors = np.linalg.eig(full)
    poor = ~(np.linalg.cond(vectors) < _NEAR_DEFECTIVE)
    if poor.any():
        step = _MOVED * np.abs(full[poor]).max(axis=(1, 2), initial=0.0)
        again = full[poor] + step[:, None, None] * np.diag(np.arange(n, dtype=float))
        rates, vectors = np.array(rates, complex), np.array(vectors, complex)
        rates[poor], vectors[poor] = np.linalg.eig(again)
    inverse = np.linalg.inv(vectors)
    return Modal(rates, vectors, inverse, np.einsum("mbij,mbj->mbi", inverse, push))
