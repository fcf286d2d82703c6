"""Where to start a large batch: first-order predictions from the nominal points that its samples lie about."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.chains import Reduction
from circuitsim.engine.newton import Solution
from circuitsim.engine.system import Column, Evaluator

__all__ = ["Predictor"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Predictor:
    """Nominal points of a few modes (steps, say), and how the reduced unknowns move with each parameter that varies.

    nominal: reduced unknowns at the nominal points, (unknowns, modes); columns: the parameters that vary; slopes: of
    the unknowns by them, (modes, unknowns, columns); base: the parameters at the nominal points, (columns, modes).
    """

    nominal: Array
    columns: tuple[Column, ...]
    slopes: Array
    base: Array

    @classmethod
    def about(cls, reduction: Reduction, laws: Evaluator, points: Solution, columns: tuple[Column, ...]) -> Predictor:
        """Build from solved nominal points, one a mode: dx/dp = -J⁻¹ ∂F/∂p."""
        plan = reduction.plan
        entries, slopes = laws(points.x)
        explicit = _by_parameter(reduction, laws, points.x, columns)
        full = plan.dense(plan.cells(slopes))
        right = np.zeros((points.x.shape[1], plan.n, len(columns)))
        position = np.full(len(reduction.system.index_rows) + 1, -1, dtype=np.intp)
        position[plan.free] = np.arange(plan.n)
        for entry, found in explicit.items():
            if (balance := position[reduction.system.entry_row[entry]]) >= 0:
                right[:, balance] += found
        with np.errstate(all="ignore"):
            scale = 1 / np.abs(full).max(axis=2)
        moved = -np.linalg.solve(full * scale[:, :, None], right * scale[:, :, None])
        kept = position[list(reduction.kept)]
        nominal, by_column = [points.x[list(reduction.kept)]], [moved[:, kept]]
        for chain in reduction.chains:
            # The current of the weakest member: least lost in the difference of its ends.
            m = chain.members[chain.weakest]
            entry = _entry(reduction, m.group, m.element)
            slope = explicit.get(entry, np.zeros_like(moved[:, 0])).copy()
            for k in np.flatnonzero(_writes(reduction, entry)):
                column = position[reduction.system.slope_column[k]]
                if column >= 0:
                    slope += slopes[k][:, None] * moved[:, column]
            nominal.append(m.sign * entries[entry : entry + 1])
            by_column.append(m.sign * slope[:, None])
        base = np.array([np.broadcast_to(laws.parameters[g][p, k], (laws.size,)) for g, p, k in columns])
        return cls(np.concatenate(nominal), columns, np.concatenate(by_column, axis=1), base.reshape(len(columns), laws.size))

    def start(self, laws: Evaluator, mode: int, samples: slice, out: Array) -> None:
        """Fill `out`, (unknowns, samples), for samples of one mode that stand together."""
        off = np.empty((len(self.columns), out.shape[1]))
        for row, column in enumerate(self.columns):
            np.subtract(laws.columns[column][samples], self.base[row, mode], out=off[row])
        np.matmul(self.slopes[mode], off, out=out)
        out += self.nominal[:, mode : mode + 1]


def _entry(reduction: Reduction, group: int, element: int) -> int:
    """Give the number, among all flows, of that into an element at its first end."""
    g = reduction.system.groups[group]
    ends = g.statement.element.ends or ("",)
    return int(reduction.system.row_blocks[group].start) + g.statement.rows.index(ends[0]) * len(g.names) + element


def _writes(reduction: Reduction, entry: int) -> NDArray[np.bool_]:
    """Say which of all slopes belong to a flow."""
    system = reduction.system
    found = np.zeros(system.slope_row.size, bool)
    for g, rows, slopes in zip(system.groups, system.row_blocks, system.jac_blocks, strict=True):
        if rows.start <= entry < rows.stop:
            row, element = divmod(entry - rows.start, len(g.names))
            here = np.array([r == row for r, _ in g.statement.jacobian])
            found[slopes] = (here[:, None] & (np.arange(len(g.names)) == element)).ravel()
    return found


def _by_parameter(reduction: Reduction, laws: Evaluator, x: Array, columns: tuple[Column, ...]) -> dict[int, Array]:
    """Give the slopes of flows and balances against some parameters: number of the flow → (modes, columns)."""
    system = reduction.system
    place = {column: k for k, column in enumerate(columns)}
    out: dict[int, Array] = {}
    for g in {column[0] for column in columns}:
        group = system.groups[g]
        pairs, kernel = group.statement.by_parameter
        slopes = np.empty((len(pairs), len(group.names), x.shape[1]))
        with np.errstate(all="ignore"):
            kernel(laws.inputs(g, x), slopes)
        for (row, p), slope in zip(pairs, slopes, strict=True):
            for k in range(len(group.names)):
                if (g, p, k) in place:
                    entry = system.row_blocks[g].start + row * len(group.names) + k
                    out.setdefault(entry, np.zeros((x.shape[1], len(columns))))[:, place[g, p, k]] += slope[k]
    return out
