"""Straight-line elimination: the pattern and the order are worked out once, the arithmetic runs over whole batches.

A `Plan` is for one set of free variables (all of them, or all but the temperatures). It turns the slopes of an
`Evaluator` into a factored matrix, one row of numbers a nonzero, by generated numpy code with no branches; a pivoted
dense path serves the samples for which a fixed order is not good enough.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.cache import fetch_code, fingerprint
from circuitsim.engine.system import FLOOR, TYPICAL, System

__all__ = ["Plan", "eliminate"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


class Plan:
    """Elimination of a system's free variables.

    free: row of `x` of each unknown of the linear system, shape (n,).
    """

    def __init__(self, system: System, free: NDArray[np.bool_]) -> None:
        self._number(system, free)
        cells = list(zip(self.cell_rows.tolist(), self.cell_columns.tolist(), strict=True))
        pairs, first = self._paired(), self._unknowns()
        key = (repr(cells), repr(pairs), repr(sorted(first)), fingerprint("engine/elimination.py"))
        scope: dict[str, Any] = {"np": np}
        exec(fetch_code("elimination", key, lambda: _code(cells, pairs, first)), scope)
        self.slots: int = scope["SLOTS"]
        self._factor: Callable[[list[Array], Array], None] = scope["factor"]
        self._solve: Callable[[list[Array], list[Array], Array], None] = scope["solve"]

    def _number(self, system: System, free: NDArray[np.bool_]) -> None:
        """Number the free variables and the nonzeros, in the order of their rows, and say which slopes add up to each."""
        self.system = system
        self.free: Index = np.flatnonzero(free)
        self.n = self.free.size
        self.position = np.full(len(system.index_rows), -1, dtype=np.intp)
        self.position[self.free] = np.arange(self.n)
        units = (*system.units, *("V" for _ in system.given))
        self.floor = np.array([FLOOR.get(unit, 1e-9) for unit in units])[:, None]
        self.typical = np.array([TYPICAL.get(system.units[k], 0.1) for k in self.free.tolist()])[:, None]
        self.rows = _Sums(np.where(system.entry_row >= 0, self.position[system.entry_row], -1), self.n)
        row = np.where(system.slope_row >= 0, self.position[system.slope_row], -1)
        # The scale of a balance takes in slopes against given values too, so it sums over all columns.
        self.scales = _Sums(row, self.n)
        column = self.position[system.slope_column]
        inside = (row >= 0) & (column >= 0)
        found, slot = np.unique(row[inside] * self.n + column[inside], return_inverse=True)
        target = np.full(row.size, -1, dtype=np.intp)
        target[inside] = slot
        self.matrix = _Sums(target, found.size)
        self.cell_rows, self.cell_columns = np.divmod(found, max(self.n, 1))

    def _paired(self) -> list[int]:
        """Pair each free balance with the free variable it is solved for."""
        pairs = list(range(self.n))
        for row, k in enumerate(self.free.tolist()):
            other = int(self.position[self.system.pivots[k]])
            pairs[row] = other if other >= 0 else row
        return pairs

    def _unknowns(self) -> set[int]:
        """Rows of elements' own unknowns: their own slope is never zero, while a shaft's may be until they are gone."""
        nodes = sum(":" not in name for name in self.system.variables)
        return set(np.flatnonzero(self.free >= nodes).tolist())

    def balances(self, entries: Array) -> Array:
        """Sum the flows into each free balance: (n, batch)."""
        return self.rows(entries)

    def cells(self, slopes: Array) -> Array:
        """Sum the slopes into the nonzeros of the matrix: (cells, batch)."""
        return self.matrix(slopes)

    def scale(self, entries: Array, slopes: Array, x: Array) -> Array:
        """Sum |flow| + |slope|·(|x| + floor) into each free balance, (n, batch): what its error is measured by.

        The floor keeps a circuit with nothing in it from being judged by the rounding of zero.
        """
        sizes = np.abs(x) + self.floor
        return self.rows(np.abs(entries)) + self.scales(np.abs(slopes) * np.take(sizes, self.system.slope_column, axis=0))

    def factor(self, cells: Array) -> list[Array]:
        """Factor; the result is for `solve` only."""
        work = np.empty((self.slots, cells.shape[1]))
        work[: cells.shape[0]] = cells
        rows = list(work)
        with np.errstate(all="ignore"):
            self._factor(rows, np.empty(cells.shape[1]))
        return rows

    def solve(self, factored: list[Array], right: Array) -> Array:
        """Solve for one right-hand side, (n, batch)."""
        work = right.copy()
        out = np.empty_like(work)
        with np.errstate(all="ignore"):
            self._solve(factored, [*work, *out], np.empty(right.shape[1]))
        return out

    def dense(self, cells: Array) -> Array:
        """Give the matrices, (batch, n, n)."""
        full = np.zeros((cells.shape[1], self.n, self.n))
        full[:, self.cell_rows, self.cell_columns] = cells.T
        return full

    def _scaled_dense(self, cells: Array) -> tuple[Array, Array, Array]:
        """Give the matrices with rows and columns scaled to a largest entry of 1, and the factors of both."""
        full = self.dense(cells)
        with np.errstate(all="ignore"):
            r = 1 / np.abs(full).max(axis=2, initial=0.0)
            full *= r[:, :, None]
            c = 1 / np.abs(full).max(axis=1, initial=0.0)
            full *= c[:, None, :]
        return full, r, c

    def solve_dense(self, cells: Array, right: Array) -> Array:
        """Solve with pivoting and with rows and columns scaled; samples with a singular matrix give NaN."""
        full, r, c = self._scaled_dense(cells)
        with np.errstate(all="ignore"):
            b = right.T * r
        good = np.isfinite(full).all(axis=(1, 2)) & np.isfinite(b).all(axis=1)
        out = np.full_like(b, np.nan)
        for k in np.array_split(np.flatnonzero(good), max(1, int(good.sum()) // 256)):
            out[k] = _solve_or_nan(full[k], b[k, :, None])[:, :, 0]
        return np.ascontiguousarray((out * c).T)

    def solve_transposed(self, cells: Array, right: Array, owner: Index | None = None) -> Array:
        """Solve with the transposed matrices, pivoted and scaled: (n, rights); a singular sample gives NaN.

        owner: the sample whose matrix each right-hand side belongs to; by default one right-hand side a sample.
        """
        owner = np.arange(right.shape[1]) if owner is None else owner
        full, r, c = self._scaled_dense(cells)
        with np.errstate(all="ignore"):
            b = right.T * c[owner]
        # Aᵀ = (R⁻¹ S C⁻¹)ᵀ, so that the answer is R·S⁻ᵀ·(C·right).
        regular = np.asarray(np.isfinite(full).all(axis=(1, 2)))
        good = regular[owner] & np.isfinite(b).all(axis=1)
        place = _rank_among_equals(owner)  # side by side for one matrix, which is then factored once
        packed = np.zeros((len(full), self.n, int(place.max(initial=0)) + 1))
        packed[owner[good], :, place[good]] = b[good]
        solved = np.full_like(packed, np.nan)
        solved[regular] = _solve_or_nan(full[regular].transpose(0, 2, 1), packed[regular])
        out = np.full_like(b, np.nan)
        out[good] = solved[owner[good], :, place[good]]
        return np.ascontiguousarray((out * r[owner]).T)

    def inverse(self, cells: Array, rows: Index, columns: Index, more: Array) -> Callable[[Array], Array] | None:
        """Give a function that solves for ONE sample's matrix with `more` added at (rows, columns); None if singular."""
        full = self.dense(cells)[0]
        np.add.at(full, (rows, columns), more)
        inverse = _scaled_inverse(full)
        return None if inverse is None else inverse.__matmul__


def _scaled_inverse(full: Array) -> Any:
    """Give the inverse, with rows and columns scaled; None when it has none."""
    with np.errstate(all="ignore"):
        r = 1 / np.abs(full).max(axis=1)
        scaled = full * r[:, None]
        c = 1 / np.abs(scaled).max(axis=0)
        try:
            inverse = np.linalg.inv(scaled * c) * c[:, None] * r
        except np.linalg.LinAlgError:
            return None
    return inverse if np.isfinite(inverse).all() else None


def _rank_among_equals(owner: Index) -> Index:
    """Number the members of each owner from 0 on."""
    order = np.argsort(owner, kind="stable")
    ordered = owner[order]
    place = np.empty(owner.size, dtype=np.intp)
    place[order] = np.arange(owner.size) - np.searchsorted(ordered, ordered)
    return place


def _solve_or_nan(full: Array, b: Array) -> Array:
    """Solve matrices with right-hand sides (samples, n, rights); what belongs to a singular one is NaN."""
    try:
        return np.asarray(np.linalg.solve(full, b))
    except np.linalg.LinAlgError:
        if len(full) == 1:
            return np.full_like(b, np.nan)
        return np.concatenate([_solve_or_nan(full[k : k + 1], b[k : k + 1]) for k in range(len(full))])


class _Sums:
    """Sums rows of an array into targets (those with target -1 are dropped)."""

    def __init__(self, targets: Index, size: int) -> None:
        self.size = size
        self.bins = np.where(targets >= 0, targets, size)

    @cached_property
    def sorted(self) -> tuple[Index, Index, Index]:
        """Rows that are kept, in the order of their targets; the targets that are hit, and where each begins."""
        order = np.argsort(self.bins, kind="stable")[: np.count_nonzero(self.bins < self.size)]
        return order, *np.unique(self.bins[order], return_index=True)

    def __call__(self, values: Array) -> Array:
        if values.shape[1] == 1:  # the same sums in the same order, without the copy
            sums = np.bincount(self.bins, values[:, 0], self.size + 1)[: self.size, None]
            return np.asarray(sums, float)
        out = np.zeros((self.size, values.shape[1]))
        order, hit, starts = self.sorted
        with np.errstate(all="ignore"):
            out[hit] = np.add.reduceat(values[order], starts, axis=0) if order.size else 0.0
        return out


Cell = tuple[int, int]


def eliminate(
    cells: list[Cell], pairs: list[int], n: int, first: set[int]
) -> tuple[dict[Cell, int], list[tuple[int, int, list[int], list[int]]]]:
    """Order the pivots by least fill (Markowitz count on the paired pattern) and number the fill.

    Gives slot of each cell, fill included, and for each pivot (row, column, rows below, columns right).
    """
    by_row: dict[int, set[int]] = {k: set() for k in range(n)}
    by_column: dict[int, set[int]] = {k: set() for k in range(n)}
    slots = {cell: k for k, cell in enumerate(cells)}
    for r, c in [*cells, *((r, pairs[r]) for r in range(n))]:
        slots.setdefault((r, c), len(slots))
        by_row[r].add(c)
        by_column[c].add(r)
    left = set(range(n))
    order = []
    while left:
        # An unknown's balance gives the node's variable first; only then can the node's balance give the unknown.
        ready = [k for k in left if pairs[k] <= k or pairs[k] not in left]
        r = min(ready, key=lambda k: (k not in first, (len(by_row[k]) - 1) * (len(by_column[pairs[k]]) - 1), k))
        c = pairs[r]
        left.discard(r)
        below, right = sorted(by_column[c] - {r}), sorted(by_row[r] - {c})
        for i in below:
            by_row[i].discard(c)
            for j in right:
                slots.setdefault((i, j), len(slots))
                by_row[i].add(j)
                by_column[j].add(i)
        for j in right:
            by_column[j].discard(r)
        order.append((r, c, below, right))
    return slots, order


def _code(cells: list[Cell], pairs: list[int], first: set[int]) -> str:
    """Order the elimination and write the module that does it: the number of slots, `factor` and `solve`."""
    slots, order = eliminate(cells, pairs, len(pairs), first)
    return f"SLOTS = {len(slots)}\n\n\n" + _write_code({cell: k for k, cell in enumerate(cells)}, slots, order)


def _write_code(cells: dict[Cell, int], slots: dict[Cell, int], order: list[tuple[int, int, list[int], list[int]]]) -> str:
    """Write `factor(a, t)` and `solve(a, v, t)`; `v` holds the right-hand side, then the result."""
    n = len(order)
    factor = ["def factor(a, t):", "    multiply, subtract = np.multiply, np.subtract"]
    filled = set(cells)
    for r, c, below, right in order:
        pivot = slots[r, c]
        if (r, c) not in filled:
            factor.append(f"    a[{pivot}].fill(0.0)")
        factor.append(f"    np.reciprocal(a[{pivot}], out=a[{pivot}])")
        for i in below:
            share = slots[i, c]
            factor.append(f"    multiply(a[{share}], a[{pivot}], out=a[{share}])")
            for j in right:
                at, by = slots[i, j], slots[r, j]
                if (i, j) in filled:
                    factor.append(f"    multiply(a[{share}], a[{by}], out=t); subtract(a[{at}], t, out=a[{at}])")
                else:
                    factor.append(f"    multiply(a[{share}], a[{by}], out=a[{at}]); np.negative(a[{at}], out=a[{at}])")
                    filled.add((i, j))
    solve = ["def solve(a, v, t):", "    multiply, subtract = np.multiply, np.subtract"]
    for r, c, below, _ in order:
        solve += [f"    multiply(a[{slots[i, c]}], v[{r}], out=t); subtract(v[{i}], t, out=v[{i}])" for i in below]
    for r, c, _, right in reversed(order):
        solve += [f"    multiply(a[{slots[r, j]}], v[{n + j}], out=t); subtract(v[{r}], t, out=v[{r}])" for j in right]
        solve.append(f"    multiply(v[{r}], a[{slots[r, c]}], out=v[{n + c}])")
    return "\n".join([*factor, "    return None", "", *solve, "    return None", ""])
