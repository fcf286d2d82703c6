"""Where to start a large batch: first-order predictions from the nominal points that its samples lie about."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.elimination import Plan
from circuitsim.engine.newton import Solution
from circuitsim.engine.system import Column, Evaluator, System

__all__ = ["Predictor"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Predictor:
    """Nominal points of a few modes (steps, say), and how x moves with each parameter that varies about them.

    nominal: (rows, modes); columns: the parameters that vary; slopes: dx/dp, (modes, free, columns);
    base: the parameters at the nominal points, (columns, modes).
    """

    plan: Plan
    nominal: Array
    columns: tuple[Column, ...]
    slopes: Array
    base: Array

    @classmethod
    def about(cls, plan: Plan, laws: Evaluator, points: Solution, columns: tuple[Column, ...]) -> Predictor:
        """Build from solved nominal points, one a mode: dx/dp = -J⁻¹ ∂F/∂p."""
        _, slopes = laws(points.x)
        full = plan.dense(plan.cells(slopes))
        with np.errstate(all="ignore"):
            scale = 1 / np.abs(full).max(axis=2)
        right = _by_parameter(plan, laws, points.x, columns)
        moved = -np.linalg.solve(full * scale[:, :, None], right * scale[:, :, None])
        base = np.array([np.broadcast_to(laws.parameters[g][p, k], (laws.size,)) for g, p, k in columns])
        return cls(plan, points.x, columns, moved, base.reshape(len(columns), laws.size))

    def start(self, laws: Evaluator, mode: int, x: Array) -> None:
        """Fill `x` (rows, batch) for samples of one mode."""
        off = np.empty((len(self.columns), x.shape[1]))
        for row, column in enumerate(self.columns):
            np.subtract(laws.columns[column], self.base[row, mode], out=off[row])
        x[:] = self.nominal[:, mode : mode + 1]
        x[self.plan.free] += self.slopes[mode] @ off


def _by_parameter(plan: Plan, laws: Evaluator, x: Array, columns: tuple[Column, ...]) -> Array:
    """Give ∂F/∂p of the free balances for some parameters, (modes, free, columns)."""
    system: System = plan.system
    position = np.full(len(system.index_rows) + 1, -1, dtype=np.intp)
    position[plan.free] = np.arange(plan.n)
    place = {column: k for k, column in enumerate(columns)}
    out = np.zeros((x.shape[1], plan.n, len(columns)))
    for g in {column[0] for column in columns}:
        group = system.groups[g]
        pairs, kernel = group.statement.by_parameter
        slopes = np.empty((len(pairs), len(group.names), x.shape[1]))
        with np.errstate(all="ignore"):
            kernel(laws.inputs(g, x), slopes)
        for (row, p), slope in zip(pairs, slopes, strict=True):
            for k in range(len(group.names)):
                balance = position[group.writes[row, k]]
                if balance >= 0 and (g, p, k) in place:
                    out[:, balance, place[g, p, k]] += slope[k]
    return out
