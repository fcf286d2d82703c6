"""Elimination for big networks: scipy's sparse LU behind the interface of `Plan`, one sample at a time.

A circuit matrix has nearly the pattern of its transpose, and with each balance paired with the variable that it is solved
for (`System.pivots`) no diagonal entry vanishes. So it is ordered by minimum degree on the pattern of A + Aᵀ and
eliminated down the diagonal, which fills in about half as much as the pivoted way; the acceptance rule judges the result,
and the fallbacks take the pivoted, scaled way (`solve_dense`). A network that is long and narrow (a ladder, a harness) has
a band instead, which LAPACK factors with pivoting in less time still. The order is found once a plan; a matrix that has
not changed is not factored again, so that a linear network takes one factorisation and two solves.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.elimination import Plan
from circuitsim.engine.system import System

__all__ = ["SPARSE_FROM", "SparsePlan"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

SPARSE_FROM = 300
"""Unknowns from which a plan is sparse (measured): in batches both ways then cost the same a sample, one point costs a
hundredth, and straight-line code takes a second to write, growing with the square of the size."""

# Circuits have hardly any dense blocks: short supernodes and narrow panels are what SuperLU does best on them (measured).
_DIAGONAL: dict[str, Any] = {
    "diag_pivot_thresh": 0.0, "relax": 1, "panel_size": 4, "options": {"SymmetricMode": True},
}  # fmt: skip
_NARROW = 8  # diagonals on each side of the main one; with more, the sparse way is as fast (measured)
_NONE = np.zeros(0, np.intp)


class SparsePlan(Plan):
    """Elimination of a big system's free variables (see the module's text).

    factorisations: how many matrices have been factored so far.
    """

    def __init__(self, system: System, free: NDArray[np.bool_]) -> None:
        self._number(system, free)
        self.factorisations = 0
        self._home = np.array(self._paired(), dtype=np.intp)  # column at which each balance has its pivot
        self._last: tuple[Array, _Factor] | None = None
        place = _banded_order(self._home[self.cell_rows], self.cell_columns, self.n)
        rows, columns = place[self._home[self.cell_rows]], place[self.cell_columns]
        below, above = int((rows - columns).max(initial=0)), int((columns - rows).max(initial=0))
        narrow = max(below, above) <= _NARROW
        self._band = _Band(rows, columns, self.n, below, above) if narrow else None
        self._layout = self._laid_out(place if narrow else np.arange(self.n), "MMD_AT_PLUS_A")

    def _laid_out(self, place: Index, order: str) -> _Layout:
        """Give the pattern in an order of elimination, and which cell goes where."""
        from scipy.sparse import csc_matrix

        rows, columns = place[self._home[self.cell_rows]], place[self.cell_columns]
        cells = np.argsort(columns * self.n + rows)
        starts = np.concatenate([[0], np.cumsum(np.bincount(columns, minlength=self.n))])
        parts = (np.zeros(cells.size), rows[cells].astype(np.int32), starts.astype(np.int32))
        return _Layout(place[self._home], place, cells, csc_matrix(parts, shape=(self.n, self.n)), order)

    def factor(self, cells: Array) -> list[Any]:
        """Factor each sample, down the diagonal; the result is for `solve` only. A singular one solves to NaN."""
        factors = np.empty(cells.shape[1], dtype=object)
        factors[:] = [self._factor_one(cells[:, k]) for k in range(cells.shape[1])]
        return [factors]

    def _factor_one(self, cells: Array) -> _Factor:
        last = self._last
        if last is not None and np.array_equal(last[0], cells):
            return last[1]
        layout = self._layout  # another thread may put a better one in its place
        if self._band is not None:
            self.factorisations += 1
            lu: Any = self._band.factored(cells)
        else:
            matrix = copy(layout.matrix)  # shares the pattern
            matrix.data = cells[layout.cells]
            lu = self._decomposed(matrix, permc_spec=layout.order, **_DIAGONAL)
            if lu is not None and layout.order != "NATURAL":
                self._layout = self._laid_out(lu.perm_c.astype(np.intp), "NATURAL")
        factor = _Factor(lu, layout.rows, layout.place)
        self._last = cells.copy(), factor
        return factor

    def _decomposed(self, matrix: Any, **options: Any) -> Any:
        """Give scipy's LU; None for a matrix that is singular or not finite."""
        from scipy.sparse.linalg import splu

        self.factorisations += 1
        if not np.isfinite(matrix.data).all():
            return None
        try:
            return splu(matrix, **options)
        except RuntimeError:  # exactly singular
            return None

    def solve(self, factored: list[Any], right: Array) -> Array:
        """Solve for one right-hand side, (n, batch)."""
        if right.shape[1] == 1:
            return np.asarray(factored[0][0].solve(right[:, 0])[:, None], float)
        return np.stack([factor.solve(right[:, k]) for k, factor in enumerate(factored[0])], axis=1)

    def solve_dense(self, cells: Array, right: Array) -> Array:
        """Solve with pivoting and with rows and columns scaled; samples with a singular matrix give NaN."""
        return self._pivoted(cells, right, np.arange(right.shape[1]), transposed=False)

    def solve_transposed(self, cells: Array, right: Array, owner: Index | None = None) -> Array:
        """Solve with the transposed matrices, pivoted and scaled: (n, rights); a singular sample gives NaN.

        owner: the sample whose matrix each right-hand side belongs to; by default one right-hand side a sample.
        """
        return self._pivoted(cells, right, np.arange(right.shape[1]) if owner is None else owner, transposed=True)

    def _pivoted(self, cells: Array, right: Array, owner: Index, transposed: bool) -> Array:
        out = np.full(right.shape, np.nan)
        for k in np.unique(owner):
            factor = self._scaled(cells[:, k], _NONE, _NONE, np.zeros(0))
            if factor is None:
                continue
            for j in np.flatnonzero(owner == k):
                out[:, j] = factor(right[:, j], transposed)
        return out

    def inverse(self, cells: Array, rows: Index, columns: Index, more: Array) -> Callable[[Array], Array] | None:
        """Give a function that solves for ONE sample's matrix with `more` added at (rows, columns); None if singular."""
        return self._scaled(cells[:, 0], rows, columns, more)

    def _summed(self, cells: Array, rows: Index, columns: Index, more: Array) -> Any:
        from scipy.sparse import csc_matrix

        places = np.concatenate([self.cell_rows, rows]), np.concatenate([self.cell_columns, columns])
        return csc_matrix((np.concatenate([cells, more]), places), shape=(self.n, self.n))

    def _scaled(self, cells: Array, rows: Index, columns: Index, more: Array) -> _Scaled | None:
        matrix = self._summed(cells, rows, columns, more)
        r, c = _scales(matrix)
        lu = self._decomposed(matrix, permc_spec="COLAMD")
        return None if lu is None else _Scaled(lu, matrix, r, c)

    def sign(self, cells: Array, rows: Index = _NONE, columns: Index = _NONE, more: Array | None = None) -> float:
        """Sign of the determinant of ONE sample's matrix, with `more` added at (rows, columns); 0 for a singular one."""
        matrix = self._summed(cells[:, 0], rows, columns, np.zeros(0) if more is None else more)
        _scales(matrix)
        lu = self._decomposed(matrix, permc_spec="COLAMD")
        if lu is None:
            return 0.0
        odd = (_swaps(lu.perm_r) + _swaps(lu.perm_c) + int((lu.U.diagonal() < 0).sum())) % 2
        return -1.0 if odd else 1.0


def _banded_order(rows: Index, columns: Index, n: int) -> Index:
    """Give each column's place in an order that keeps all cells near the diagonal (reverse Cuthill-McKee)."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import reverse_cuthill_mckee

    pattern = csr_matrix((np.ones(rows.size), (rows, columns)), shape=(n, n))
    place = np.empty(n, np.intp)
    place[reverse_cuthill_mckee(pattern)] = np.arange(n)
    return place


class _Band:
    """A matrix whose cells lie within a few diagonals, factored by LAPACK with row interchanges."""

    def __init__(self, rows: Index, columns: Index, n: int, below: int, above: int) -> None:
        self.n, self.below, self.above = n, below, above
        self.high = 2 * below + above + 1  # LAPACK's layout: a column after the other, with room for what fills in
        self.at = columns * self.high + below + above + rows - columns

    def factored(self, cells: Array) -> _BandFactor | None:
        """Factor; None for a matrix that is singular or not finite."""
        from scipy.linalg.lapack import dgbtrf

        if not np.isfinite(cells).all():
            return None
        flat = np.zeros(self.n * self.high)
        flat[self.at] = cells
        lu, pivots, info = dgbtrf(flat.reshape(self.high, self.n, order="F"), self.below, self.above, overwrite_ab=True)
        return None if info else _BandFactor(lu, pivots, self.below, self.above)


class _BandFactor:
    """A factored band."""

    def __init__(self, lu: Array, pivots: Index, below: int, above: int) -> None:
        self.lu, self.pivots, self.below, self.above = lu, pivots, below, above

    def solve(self, right: Array) -> Array:
        """Solve for one right-hand side."""
        from scipy.linalg.lapack import dgbtrs

        found, _ = dgbtrs(self.lu, self.below, self.above, right, self.pivots)
        return np.asarray(found, float)


@dataclass(frozen=True)
class _Layout:
    """Places of the balances and variables in the order of elimination; order of the cells, pattern, and what splu is to do."""

    rows: Index
    place: Index
    cells: Index
    matrix: Any
    order: str


class _Factor:
    """A matrix that is factored in the plan's order; it remembers its last solution, which an iteration asks for twice."""

    def __init__(self, lu: Any, rows: Index, columns: Index) -> None:
        self.lu, self.rows, self.columns = lu, rows, columns
        self._known: tuple[Array, Array] | None = None

    def solve(self, right: Array) -> Array:
        """Give the solution for one right-hand side, (n,)."""
        known = self._known
        if known is None or not np.array_equal(known[0], right):
            known = self._known = right.copy(), self._solved(right)
        return known[1]

    def _solved(self, right: Array) -> Array:
        if self.lu is None:
            return np.full(right.size, np.nan)
        turned = np.empty_like(right)
        turned[self.rows] = right
        found: Array = self.lu.solve(turned)[self.columns]
        return found


class _Scaled:
    """A factored matrix R·A·C that solves for A or its transpose; one refinement makes the small answers right, too."""

    def __init__(self, lu: Any, scaled: Any, r: Array, c: Array) -> None:
        self.lu, self.scaled, self.r, self.c = lu, scaled, r, c

    def __call__(self, right: Array, transposed: bool = False) -> Array:
        first, last = (self.c, self.r) if transposed else (self.r, self.c)
        matrix, way = (self.scaled.T, "T") if transposed else (self.scaled, "N")
        wanted = first * right
        found = self.lu.solve(wanted, trans=way)
        found += self.lu.solve(wanted - matrix @ found, trans=way)
        return np.asarray(last * found, float)


def _scales(matrix: Any) -> tuple[Array, Array]:
    """Scale the rows, then the columns, of a matrix in place to a largest entry of 1; give the factors."""
    n = matrix.shape[0]
    columns = np.repeat(np.arange(n), np.diff(matrix.indptr))
    with np.errstate(all="ignore"):
        r, c = np.zeros(n), np.zeros(n)
        np.maximum.at(r, matrix.indices, np.abs(matrix.data))
        r = 1 / r
        matrix.data *= r[matrix.indices]
        np.maximum.at(c, columns, np.abs(matrix.data))
        c = 1 / c
        matrix.data *= c[columns]
    return r, c


def _swaps(order: Index) -> int:
    """Count the swaps that a permutation is made of: its length less its cycles."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import connected_components

    n = len(order)
    graph = csr_matrix((np.ones(n), (np.arange(n), order)), shape=(n, n))
    return int(n - connected_components(graph, directed=False, return_labels=False))
