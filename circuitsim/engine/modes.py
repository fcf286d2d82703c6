"""Motions of a big network about a point: whether any of them grows.

Near a point M·dx/dt = -J·x. A network that stores nothing has no motions. With few stores, all time constants are found
as for a small one. With many, two things are asked. (1) det(J + s·M) vanishes at each growth rate s, and keeps its sign for
large s: a sign at s = 0 that differs says that an odd number of motions grow without swinging, such as one body that runs
away. (2) At some rates s that span those of the stores, the map λ → (s + λ)/(s - λ) (Cayley's) puts every motion that
dies away inside the unit circle and every one that grows outside it, where a few dozen Arnoldi steps find it: it stands
alone there, while those inside crowd against the circle. Own derivation; the Arnoldi steps are ARPACK's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.newton import Solution
from circuitsim.engine.settling import Stores
from circuitsim.engine.sparse import SparsePlan
from circuitsim.engine.system import Evaluator

__all__ = ["growing"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_CHECKED = 8  # samples of a batch whose motions are looked at; the others are judged by the sign of det J, as in small ones
_FEW = 128  # storing variables up to which all time constants are found
_FASTEST = 1e-9  # s; what grows faster than this is rounding
_OUTSIDE = 1.0 + 1e-6  # what rounding and the tolerance of the Arnoldi steps may reach
_DECADES = 2.0  # of rates for each map
_MAPS = 6  # at most
_LARGE = 1e6  # times the fastest rate: there the stores decide


def growing(plan: SparsePlan, laws: Evaluator, solution: Solution) -> NDArray[np.bool_]:
    """Say at which accepted points a disturbance would grow, (batch,)."""
    grows = np.zeros(laws.size, bool)
    good_sign: float | None = None
    for count, k in enumerate(np.flatnonzero(solution.accepted).tolist()):
        one, point = laws.take(slice(k, k + 1)), solution.x[:, k : k + 1]
        cells = plan.cells(one(point)[1])
        if count >= _CHECKED and good_sign is not None:
            grows[k] = plan.sign(cells) != good_sign
            continue
        stores = Stores(plan)
        entries = stores.rows, stores.columns, stores.slopes(one, point)[:, 0]
        few = np.unique(stores.columns).size <= _FEW
        grows[k] = _grows(_times(plan, cells, *entries)) if few else _any_grows(plan, cells, *entries)
        if not grows[k] and good_sign is None:
            good_sign = plan.sign(cells) if solution.accepted.sum() > _CHECKED else 0.0
    return grows


def _grows(times: NDArray[np.complex128]) -> bool:
    """Judge the eigenvalues of J⁻¹M as for small circuits."""
    return times.size > 0 and bool(times.real.min() < -max(1e-9 * float(np.abs(times).max()), _FASTEST))


def _times(plan: SparsePlan, cells: Array, rows: Index, columns: Index, slopes: Array) -> NDArray[np.complex128]:
    """Give the eigenvalues of J⁻¹M, s, for ONE sample; none when the matrix is singular.

    rows, columns, slopes: the entries of M.
    """
    stored, at = np.unique(columns, return_inverse=True)
    none = np.zeros(0, np.intp)
    solve = plan.inverse(cells, none, none, np.zeros(0))
    if solve is None:
        return np.zeros(0, np.complex128)
    moved = np.empty((stored.size, stored.size))
    for k in range(stored.size):
        here = at == k
        moved[:, k] = solve(_summed(rows[here], slopes[here], plan.n))[stored]
    if not np.isfinite(moved).all():
        return np.zeros(0, np.complex128)
    return np.asarray(np.linalg.eigvals(moved), np.complex128)


def _any_grows(plan: SparsePlan, cells: Array, rows: Index, columns: Index, slopes: Array) -> bool:
    """Say whether a disturbance of ONE sample grows, where many variables store."""
    rates = _rates(plan, cells, rows, columns, slopes)
    if plan.sign(cells) * plan.sign(cells, rows, columns, _LARGE * rates[-1] * slopes) < 0:
        return True
    return any(_farthest(plan, cells, rows, columns, slopes, rate) > _OUTSIDE for rate in rates.tolist())


def _rates(plan: SparsePlan, cells: Array, rows: Index, columns: Index, slopes: Array) -> Array:
    """Give rates, 1/s, that span those of the stores, each judged by its own slope in J and M."""
    own = np.zeros(plan.n)
    diagonal = plan.cell_rows == plan.cell_columns
    own[plan.cell_rows[diagonal]] = np.abs(cells[diagonal, 0])
    mass = _summed(rows, np.where(rows == columns, np.abs(slopes), 0.0), plan.n)
    known = (own > 0) & (mass > 0)
    if not known.any():
        return np.array([1.0])
    found = own[known] / mass[known]
    low, high = float(found.min()), float(found.max())
    return np.geomspace(low, high, min(_MAPS, 1 + int(np.ceil(np.log10(high / low) / _DECADES)))) if high > low else found[:1]


def _farthest(plan: SparsePlan, cells: Array, rows: Index, columns: Index, slopes: Array, rate: float) -> float:
    """Give the largest |(s + λ)/(s - λ)| that a few Arnoldi steps find, 0 where none stands out."""
    from scipy.sparse.linalg import ArpackNoConvergence, LinearOperator, eigs

    stored, at = np.unique(columns, return_inverse=True)
    solve = plan.inverse(cells, rows, columns, rate * slopes)
    if solve is None:  # a growth rate of just this size
        return np.inf

    def mapped(v: Array) -> Array:
        flat = v.ravel()
        moved: Array = 2 * rate * solve(_summed(rows, slopes * flat[at], plan.n))[stored] - flat
        return moved

    operator = LinearOperator((stored.size, stored.size), matvec=mapped, dtype=float)
    first = np.random.default_rng(0).normal(size=stored.size)
    try:
        found = eigs(operator, k=1, which="LM", v0=first, ncv=30, maxiter=4, tol=1e-8, return_eigenvectors=False)
    except ArpackNoConvergence as unfinished:
        found = unfinished.eigenvalues
    return float(np.abs(found).max(initial=0.0))


def _summed(rows: Index, values: Array, size: int) -> Array:
    return np.asarray(np.bincount(rows, values, size), float)
