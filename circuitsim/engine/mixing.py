"""Anderson's mixing of a fixed-point iteration (D. G. Anderson, 1965), for a batch whose samples each go their own way."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Mixing"]

Array = NDArray[np.float64]
_DEPTH = 4  # rounds that it looks back on
_TAMEST = 30.0  # sum of weights up to which a mixture is trusted


class Mixing:
    """Anderson's mixing of a fixed-point iteration x = g(x), a whole batch at a time, each sample by itself."""

    def __init__(self, scale: Array) -> None:
        self.scale = scale
        self.steps: list[Array] = []
        self.moves: list[Array] = []
        self.last: tuple[Array, Array] | None = None

    def take(self, chosen: NDArray[np.intp]) -> Mixing:
        """Give that of some of the samples."""
        some = Mixing(self.scale[:, chosen])
        some.steps, some.moves = [s[:, chosen] for s in self.steps], [m[:, chosen] for m in self.moves]
        some.last = None if self.last is None else (self.last[0][:, chosen], self.last[1][:, chosen])
        return some

    def next(self, x: Array, g: Array) -> Array:
        """Give the next x, from what g was at this one and at those before."""
        off = (g - x) / self.scale
        if self.last is not None:
            self.steps.append(off - self.last[0])
            self.moves.append(g - self.last[1])
            self.steps, self.moves = self.steps[-_DEPTH:], self.moves[-_DEPTH:]
        self.last = (off, g)
        if not self.steps:
            return g
        steps, moves = np.array(self.steps), np.array(self.moves)
        matrix = np.einsum("krb,lrb->bkl", steps, steps)
        size = np.einsum("bkk->b", matrix)
        matrix += (1e-14 * size + 1e-300)[:, None, None] * np.eye(len(steps))
        right = np.einsum("krb,rb->bk", steps, off)
        with np.errstate(all="ignore"):
            weights = np.linalg.solve(matrix, right[:, :, None])[:, :, 0]
        tame = np.isfinite(weights).all(axis=1) & (np.abs(weights).sum(axis=1) < _TAMEST)
        step = np.einsum("bk,krb->rb", np.where(tame[:, None], weights, 0.0), moves)
        return np.asarray(g - step)
