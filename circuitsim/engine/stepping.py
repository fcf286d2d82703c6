"""Matrices of implicit time steps: the slopes of the balances plus a factor times those of the stored quantities.

With d/dt store(x) + flow(x) = 0 in the balances that store and flow(x) = 0 in all others, each implicit step asks for
solutions with J + s·M, J = d(flow)/dx and M = d(store)/dx. s is real for implicit Euler and complex for the stages of Radau's
method; the straight-line elimination is the same for both, and its factors serve the transposed matrix too.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.cache import fetch_code, fingerprint
from circuitsim.engine.elimination import Plan, eliminate
from circuitsim.engine.settling import Stores
from circuitsim.engine.sparse import SPARSE_FROM, SparsePlan
from circuitsim.engine.system import Evaluator, Rows, System

__all__ = ["EulerLaws", "Factors", "StepPlan", "flows_and_stores", "make_step_plan"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.intp]


class _Stored(Plan):
    """A plan over all variables, whose balances and slopes are followed by those of the stored quantities.

    It takes what an `EulerLaws` gives. stores: the stored quantities; mass_cells: nonzero of each of their slopes.
    """

    def _number(self, system: System, free: NDArray[np.bool_]) -> None:
        super()._number(system, free)
        self.stores = Stores(self)
        sums = type(self.matrix)
        rows, columns = self.stores.rows, self.stores.columns
        before = self.cell_rows * self.n + self.cell_columns
        cells = np.union1d(before, rows * self.n + columns)
        self.mass_cells: Index = np.searchsorted(cells, rows * self.n + columns)
        moved = np.append(np.searchsorted(cells, before), -1)
        self.plain = sums(moved[self.matrix.bins], cells.size)
        self.masses = sums(self.mass_cells, cells.size)
        self.matrix = sums(np.concatenate([moved[self.matrix.bins], self.mass_cells]), cells.size)
        self.cell_rows, self.cell_columns = np.divmod(cells, max(self.n, 1))
        self.flow_sums, self.plain_rows = self.rows, self.scales
        kept = np.where(self.rows.bins < self.n, self.rows.bins, -1)
        self.rows = sums(np.concatenate([kept, np.arange(self.n)]), self.n)
        kept = np.where(self.scales.bins < self.n, self.scales.bins, -1)
        self.scales = sums(np.concatenate([kept, rows]), self.n)
        self._against = np.concatenate([system.slope_column, self.free[columns]])

    def scale(self, entries: Array, slopes: Array, x: Array) -> Array:
        """Sum |flow| + |slope|·(|x| + floor) into each balance, stored quantities included (see `Plan.scale`)."""
        sizes = np.abs(x) + self.floor
        return self.rows(np.abs(entries)) + self.scales(np.abs(slopes) * np.take(sizes, self._against, axis=0))

    def matrices(self, laws: Evaluator, x: Array) -> tuple[Array, Array, Array]:
        """Give the flows into each balance, (n, batch), and the nonzeros of J and of M, (cells, batch) each."""
        entries, slopes = laws(x)
        with np.errstate(all="ignore"):
            return self.flow_sums(entries), self.plain(slopes), self.masses(self.stores.slopes(laws, x))

    @property
    def storing(self) -> NDArray[np.bool_]:
        """Which balances store, (n,)."""
        found = np.zeros(self.n, bool)
        found[self.stores.rows] = True
        return found

    @property
    def stored(self) -> NDArray[np.bool_]:
        """Which variables are the content of a store, (n,)."""
        found = np.zeros(self.n, bool)
        found[self.stores.columns] = True
        return found

    def factors(self, cells: NDArray[Any]) -> Factors:
        """Factor real or complex matrices, (cells, batch)."""
        raise NotImplementedError


class StepPlan(_Stored):
    """The straight-line elimination of implicit steps."""

    def factors(self, cells: NDArray[Any]) -> Factors:
        """Factor real or complex matrices, (cells, batch)."""
        work = np.empty((self.slots, cells.shape[1]), cells.dtype)
        work[: cells.shape[0]] = cells
        with np.errstate(all="ignore"):
            self._factor(list(work), np.empty(cells.shape[1], cells.dtype))
        return Factors(lambda right: self._substituted(self._solve, work, right),
                       lambda right, at: self._substituted(self._solve_transposed, work[:, at], right))  # fmt: skip

    @staticmethod
    def _substituted(solve: Callable[..., None], work: NDArray[Any], right: NDArray[Any]) -> NDArray[Any]:
        out = np.empty_like(right)
        with np.errstate(all="ignore"):
            solve(list(work), [*right.copy(), *out], np.empty(right.shape[1], right.dtype))
        return out

    @cached_property
    def _solve_transposed(self) -> Callable[..., None]:
        cells = list(zip(self.cell_rows.tolist(), self.cell_columns.tolist(), strict=True))
        pairs, first = self._paired(), self._unknowns()
        key = (repr(cells), repr(pairs), repr(sorted(first)), fingerprint("engine/elimination.py", "engine/stepping.py"))
        scope: dict[str, Any] = {"np": np}
        exec(fetch_code("transposed", key, lambda: _transposed_code(cells, pairs, first)), scope)
        found: Callable[..., None] = scope["solve"]
        return found


class _SparseStepPlan(_Stored, SparsePlan):
    """The same for big networks, by scipy's sparse LU, one sample at a time."""

    def factors(self, cells: NDArray[Any]) -> Factors:
        """Factor real or complex matrices, (cells, batch)."""
        from scipy.sparse import csc_matrix
        from scipy.sparse.linalg import splu

        place, shape = (self.cell_rows, self.cell_columns), (self.n, self.n)
        found = [splu(csc_matrix((cells[:, k], place), shape=shape)) for k in range(cells.shape[1])]

        def solved(right: NDArray[Any], at: Any, trans: str) -> NDArray[Any]:
            return np.stack([found[j].solve(right[:, k], trans) for k, j in enumerate(at)], axis=1)

        return Factors(lambda right: solved(right, range(len(found)), "N"), lambda right, at: solved(right, at, "T"))


class Factors:
    """Factored matrices: `solve` for right-hand sides (n, batch); `solve_transposed` for any, and which matrix each is for."""

    def __init__(
        self, solve: Callable[[NDArray[Any]], NDArray[Any]], solve_transposed: Callable[[NDArray[Any], Index], NDArray[Any]]
    ) -> None:
        self.solve, self.solve_transposed = solve, solve_transposed


def make_step_plan(system: System) -> StepPlan | _SparseStepPlan:
    """Make the plan of a system's implicit steps: all variables are free."""
    free = np.concatenate([np.ones(len(system.variables), bool), np.zeros(len(system.given), bool)])
    return StepPlan(system, free) if free.sum() < SPARSE_FROM else _SparseStepPlan(system, free)


class EulerLaws(Evaluator):
    """The laws within one step of implicit Euler: flow(x) + (store(x) - before)/h, for `newton` with a step plan."""

    stores: Stores
    before: Array
    h: Array

    @classmethod
    def of_step(cls, laws: Evaluator, plan: _Stored, x: Array, h: Array | float) -> EulerLaws:
        """Make the laws of a step of h seconds, one or (batch,), from x, (rows, batch)."""
        lengths = np.broadcast_to(np.asarray(h, float), (laws.size,))
        return cls._made(laws, plan.stores, plan.stores.quantity(laws, x), lengths)

    @classmethod
    def _made(cls, laws: Evaluator, stores: Stores, before: Array, h: Array) -> EulerLaws:
        made = cls(laws.system, laws.base, laws.columns, laws.size, laws.smooth)
        made.stores, made.before, made.h = stores, before, h
        if "parameters" in laws.__dict__:
            made.__dict__["parameters"] = laws.parameters
        return made

    def take(self, chosen: Any) -> EulerLaws:
        """Give the laws of some of the samples."""
        return self._made(super().take(chosen), self.stores, self.before[:, chosen], self.h[chosen])

    def smoothed(self, smooth: float) -> EulerLaws:
        """Give the same with all widths multiplied."""
        return self._made(super().smoothed(smooth), self.stores, self.before, self.h)

    def __call__(self, x: Array) -> tuple[Array, Array]:
        """Evaluate rows and slopes at `x`, those of the stored quantities last."""
        rows, slopes = super().__call__(x)
        with np.errstate(all="ignore"):
            gained = (self.stores.quantity(self, x) - self.before) / self.h
            return np.concatenate([rows, gained]), np.concatenate([slopes, self.stores.slopes(self, x) / self.h])


def flows_and_stores(plan: _Stored, laws: Evaluator, x: Array) -> tuple[Array, Array]:
    """Give the flows into each balance and the quantity stored in it, (n, batch) each, with no slopes."""
    s = laws.system
    rows = np.empty((s.entry_row.size, x.shape[1]))
    stored = np.zeros_like(rows)
    read = np.take(x, s.all_reads, axis=0)
    with np.errstate(all="ignore"):
        for k, g in enumerate(s.groups):
            shape = (-1, len(g.names), x.shape[1])
            inputs = [*read[s.read_blocks[k]].reshape(shape), *laws.parameters[k], laws.smooth]
            g.statement.residual(inputs, Rows([*rows[s.row_blocks[k]].reshape(shape)]))
            if g.statement.stores[0]:
                g.statement.stores[2](inputs, Rows([*stored[s.row_blocks[k]].reshape(shape)]))
        return plan.flow_sums(rows), plan.flow_sums(stored)


def _transposed_code(cells: list[tuple[int, int]], pairs: list[int], first: set[int]) -> str:
    """Write `solve(a, v, t)` for the transposed matrix with the factors of the plain one: Uᵀ down, then Lᵀ up."""
    n = len(pairs)
    slots, order = eliminate(cells, pairs, n, first)
    lines = ["def solve(a, v, t):", "    multiply, subtract = np.multiply, np.subtract"]
    for r, c, _, right in order:
        lines.append(f"    multiply(v[{c}], a[{slots[r, c]}], out=v[{n + r}])")
        lines += [f"    multiply(a[{slots[r, j]}], v[{n + r}], out=t); subtract(v[{j}], t, out=v[{j}])" for j in right]
    for r, c, below, _ in reversed(order):
        lines += [f"    multiply(a[{slots[i, c]}], v[{n + i}], out=t); subtract(v[{n + r}], t, out=v[{n + r}])" for i in below]
    return "\n".join([*lines, "    return None", ""])
