"""All laws of a system at frozen temperatures: only what an iteration changes is evaluated again and again."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.system import Evaluator, Rows

__all__ = ["ColdEvaluator"]

Array = NDArray[np.float64]


class ColdEvaluator(Evaluator):
    """An evaluator whose bodies stay as hot as they are in `x`, (rows, batch), whatever x it is asked for.

    Heat balances are left out: their rows and slopes are zero. The others are those of the evaluator it is made of, but
    for rounding: what depends on parameters and temperatures alone is computed here, once.
    """

    fixed: list[list[Any]]

    @classmethod
    def at(cls, laws: Evaluator, x: Array) -> ColdEvaluator:
        """Make one of another evaluator and the temperatures in x."""
        cold = cls(laws.system, laws.base, laws.columns, laws.size, laws.smooth)
        cold.__dict__["parameters"] = laws.parameters
        cold.fixed = []
        with np.errstate(all="ignore"):
            for k, g in enumerate(laws.system.groups):
                count, setup, _ = g.statement.cold
                cold.fixed.append([None] * count)
                setup(laws.inputs(k, x), cold.fixed[k])
        return cold

    def take(self, chosen: Any) -> ColdEvaluator:
        """Give the evaluator of some of the samples (index array, mask or slice)."""
        laws = super().take(chosen)
        some = ColdEvaluator(laws.system, laws.base, laws.columns, laws.size, laws.smooth)
        some.__dict__["parameters"] = laws.parameters
        some.fixed = [[_some(v, chosen, self.size) for v in values] for values in self.fixed]
        return some

    def __call__(self, x: Array) -> tuple[Array, Array]:
        """Evaluate all rows and all slopes but the heat balances at `x`: shapes (entries, batch) and (slopes, batch)."""
        s = self.system
        rows = np.zeros((s.entry_row.size, x.shape[1]))
        slopes = np.zeros((s.slope_row.size, x.shape[1]))
        read = np.take(x, s.all_reads, axis=0)
        with np.errstate(all="ignore"):
            for k, g in enumerate(s.groups):
                shape = (-1, len(g.names), x.shape[1])
                views = [*rows[s.row_blocks[k]].reshape(shape), *slopes[s.jac_blocks[k]].reshape(shape)]
                inputs = [*read[s.read_blocks[k]].reshape(shape), *self.parameters[k], self.smooth, *self.fixed[k]]
                g.statement.cold[2](inputs, Rows(views))
        return rows, slopes


def _some(value: Any, chosen: Any, size: int) -> Any:
    """Give a value for some of the samples: a number, or an array with one entry a sample, or one for all, at its end."""
    many = isinstance(value, np.ndarray) and value.ndim and value.shape[-1] == size and size > 1
    return value[..., chosen] if many else value
