"""Laws with a constant added to each balance: what the averages over a period have more than the laws at the averages."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.system import Column, Evaluator

__all__ = ["Shifted"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


class Shifted(Evaluator):
    """Laws with a constant added to the balance of each variable, (variables, batch)."""

    shift: Array

    @classmethod
    def by(cls, laws: Evaluator, shift: Array) -> Shifted:
        """Give the laws so shifted."""
        made = cls(laws.system, laws.base, laws.columns, laws.size, laws.smooth)
        if "parameters" in laws.__dict__:
            made.__dict__["parameters"] = laws.parameters
        made.shift = shift
        return made

    def take(self, chosen: Any) -> Shifted:
        """Give the evaluator of some of the samples."""
        taken = Shifted.by(super().take(chosen), self.shift[:, chosen])
        taken.__dict__["entries"] = self.entries
        return taken

    def smoothed(self, smooth: float) -> Shifted:
        """Give the same with all widths multiplied."""
        return Shifted.by(super().smoothed(smooth), self.shift)

    def with_columns(self, columns: Mapping[Column, Array]) -> Shifted:
        """Give the same with some parameters set."""
        return Shifted.by(super().with_columns(columns), self.shift)

    def __call__(self, x: Array) -> tuple[Array, Array]:
        """Evaluate; the shift of a balance goes to the first entry in it."""
        rows, slopes = super().__call__(x)
        rows[self.entries] += self.shift[self.system.entry_row[self.entries]]
        return rows, slopes

    @cached_property
    def entries(self) -> Index:
        """Number of the first entry in each balance."""
        written, first = np.unique(self.system.entry_row, return_index=True)
        return np.asarray(first[written >= 0], np.intp)
