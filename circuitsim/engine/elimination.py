"""Straight-line elimination: the pattern and the order are worked out once, the arithmetic runs over whole batches.

A `Plan` is for one set of free variables (all of them, or all but the temperatures). It turns the slopes of an
`Evaluator` into a factored matrix, one row of numbers a nonzero, by generated numpy code with no branches; a pivoted
dense path serves the samples for which a fixed order is not good enough.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.system import FLOOR, System

__all__ = ["Plan"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


class Plan:
    """Elimination of a system's free variables.

    free: row of `x` of each unknown of the linear system, shape (n,).
    """

    def __init__(self, system: System, free: NDArray[np.bool_]) -> None:
        self.system = system
        self.free: Index = np.flatnonzero(free)
        self.n = self.free.size
        position = np.full(len(system.index_rows), -1, dtype=np.intp)
        position[self.free] = np.arange(self.n)
        units = (*system.units, *("V" for _ in system.given))
        self.floor = np.array([[FLOOR.get(unit, 1e-9)] for unit in units])
        self.rows = _Sums(np.where(system.entry_row >= 0, position[system.entry_row], -1), self.n)
        # The scale of a balance takes in slopes against given values too, so it sums over all columns.
        self.scales = _Sums(np.where(system.slope_row >= 0, position[system.slope_row], -1), self.n)
        row = np.where(system.slope_row >= 0, position[system.slope_row], -1)
        column = position[system.slope_column]
        inside = (row >= 0) & (column >= 0)
        cells = sorted(set(zip(row[inside].tolist(), column[inside].tolist(), strict=True)))
        slot = {cell: k for k, cell in enumerate(cells)}
        target = np.full(row.size, -1, dtype=np.intp)
        target[inside] = [slot[c] for c in zip(row[inside].tolist(), column[inside].tolist(), strict=True)]
        self.matrix = _Sums(target, len(cells))
        self.cell_rows = np.array([c[0] for c in cells], dtype=np.intp)
        self.cell_columns = np.array([c[1] for c in cells], dtype=np.intp)
        self.slots, self.order = _eliminate(cells, self._paired(position), self.n, first=self._unknowns())
        self.source = _write_code(slot, self.slots, self.order)
        scope: dict[str, Any] = {"np": np}
        exec(compile(self.source, "<elimination>", "exec"), scope)
        self._factor: Callable[[list[Array], Array], None] = scope["factor"]
        self._solve: Callable[[list[Array], list[Array], Array], None] = scope["solve"]

    def _paired(self, position: Index) -> list[int]:
        """Pair each free balance with the free variable it is solved for."""
        pairs = list(range(self.n))
        for row, k in enumerate(self.free.tolist()):
            other = int(position[self.system.pivots[k]])
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
        return self.rows(np.abs(entries)) + self.scales(np.abs(slopes) * sizes[self.system.slope_column])

    def factor(self, cells: Array) -> list[Array]:
        """Factor; the result is for `solve` only."""
        work = np.empty((len(self.slots), cells.shape[1]))
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

    def solve_dense(self, cells: Array, right: Array) -> Array:
        """Solve with pivoting and with rows and columns scaled; samples with a singular matrix give NaN."""
        full = self.dense(cells)
        with np.errstate(all="ignore"):
            r = 1 / np.abs(full).max(axis=2, initial=0.0)
            full *= r[:, :, None]
            c = 1 / np.abs(full).max(axis=1, initial=0.0)
            full *= c[:, None, :]
            b = right.T * r
        good = np.isfinite(full).all(axis=(1, 2)) & np.isfinite(b).all(axis=1)
        out = np.full_like(b, np.nan)
        for k in np.array_split(np.flatnonzero(good), max(1, int(good.sum()) // 256)):
            out[k] = _solve_or_nan(full[k], b[k])
        return np.ascontiguousarray((out * c).T)


def _solve_or_nan(full: Array, b: Array) -> Array:
    try:
        return np.asarray(np.linalg.solve(full, b[:, :, None])[:, :, 0])
    except np.linalg.LinAlgError:
        if len(full) == 1:
            return np.full_like(b, np.nan)
        return np.concatenate([_solve_or_nan(full[k : k + 1], b[k : k + 1]) for k in range(len(full))])


class _Sums:
    """Sums rows of an array into targets (those with target -1 are dropped)."""

    def __init__(self, targets: Index, size: int) -> None:
        kept = np.flatnonzero(targets >= 0)
        self.order = kept[np.argsort(targets[kept], kind="stable")]
        sorted_targets = targets[self.order]
        self.hit, self.starts = np.unique(sorted_targets, return_index=True)
        self.size = size

    def __call__(self, values: Array) -> Array:
        out = np.zeros((self.size, values.shape[1]))
        with np.errstate(all="ignore"):
            out[self.hit] = np.add.reduceat(values[self.order], self.starts, axis=0) if self.order.size else 0.0
        return out


Cell = tuple[int, int]


def _eliminate(
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
