"""Large batches about a few nominal points: predicted starts, the fused program, and the general way for the rest."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.newton import Solution
from circuitsim.engine.operating import Compiled, Solved
from circuitsim.engine.prediction import Predictor
from circuitsim.engine.system import Column, Evaluator, Values

__all__ = ["Anchored"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
_PIECE = 4096  # samples at a time: large enough for numpy's calls, small enough for the cache
PREDICTED = 3
"""Method number of samples that were done from a prediction."""


class Anchored:
    """Solver of batches whose samples lie about a few nominal points (one a step, say).

    Parameters
    ----------
    compiled : Compiled
        The circuit.
    values : mapping
        Parameters of the nominal points, arrays with one entry a point; all others are the netlist's own.
    count : int
        Number of nominal points.
    ambient, frozen
        As for `Compiled.solve`.
    """

    def __init__(self, compiled: Compiled, values: Values, count: int, *, ambient: float = 20.0, frozen: bool = False) -> None:
        self.compiled, self.ambient, self.frozen = compiled, ambient, frozen
        solved = compiled.solve(values, ambient=ambient, frozen=frozen, size=count)
        self.nominal = solved
        self._predictors: dict[tuple[Column, ...], Predictor] = {}

    def solve(self, labels: Index, values: Values, *, threads: int = 1) -> Solved:
        """Solve a batch; `labels` says about which nominal point each sample lies.

        Each sample starts from a first-order prediction and takes a few corrections by the fused program; where it is
        not accepted then, it goes the way of `Compiled.solve` (`method` is 3 for the others). What a sample gives
        does not depend on what else is in the batch. Labels in rising order save copies.
        """
        laws = Evaluator.of(self.compiled.system, values, labels.size)
        order = None if (np.diff(labels) >= 0).all() else np.argsort(labels, kind="stable")
        if order is not None:
            labels, laws = labels[order], laws.take(order)
        solved = self._in_order(labels, laws, threads)
        return solved if order is None else solved.take(np.argsort(order, kind="stable"))

    def _in_order(self, labels: Index, laws: Evaluator, threads: int) -> Solved:
        size = labels.size
        solution = Solution.blank(np.empty((len(self.compiled.system.index_rows), size)))
        method = np.full(size, PREDICTED, np.int64)
        predictor = self._predictor(tuple(laws.columns))
        fused = self.compiled.fused(self.frozen)

        def work(piece: tuple[int, slice]) -> None:
            point, chosen = piece
            some, x = laws.take(chosen), solution.x[:, chosen]
            predictor.start(some, point, x)
            part = fused.run(some, x)
            solution.residual[chosen], solution.correction[chosen] = part.residual, part.correction
            solution.iterations[chosen], solution.accepted[chosen] = part.iterations, part.accepted

        pieces = list(_pieces(labels))
        if threads > 1:
            with ThreadPoolExecutor(threads) as pool:
                list(pool.map(work, pieces))
        else:
            for piece in pieces:
                work(piece)
        left = np.flatnonzero(~solution.accepted)
        if left.size:
            again, method[left] = self.compiled.attack(laws.take(left), self.ambient, self.frozen)
            solution.put(left, again)
        return Solved(self.compiled, laws, self.frozen, solution, method)

    def _predictor(self, columns: tuple[Column, ...]) -> Predictor:
        if columns not in self._predictors:
            plan = self.compiled.plan(self.frozen)
            self._predictors[columns] = Predictor.about(plan, self.nominal.laws, self.nominal.solution, columns)
        return self._predictors[columns]


def _pieces(labels: Index) -> list[tuple[int, slice]]:
    """Cut samples in label order into pieces with one label each."""
    edges = np.searchsorted(labels, np.arange(int(labels.max(initial=-1)) + 2))
    return [
        (k, slice(a, min(a + _PIECE, int(edges[k + 1]))))
        for k in range(edges.size - 1) for a in range(int(edges[k]), int(edges[k + 1]), _PIECE)
    ]  # fmt: skip
