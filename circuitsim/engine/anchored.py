"""Large batches about a few nominal points: predicted starts, the fused program, and the general way for the rest."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.fused import Fused
from circuitsim.engine.matching import matched
from circuitsim.engine.native import available, empty_rows
from circuitsim.engine.operating import Compiled, Solved
from circuitsim.engine.prediction import Predictor
from circuitsim.engine.sparse import SparsePlan
from circuitsim.engine.system import Column, Evaluator, Values

__all__ = ["Anchored"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
_PIECE = 4096  # samples at a time: large enough for numpy's calls, small enough for the cache
_FEW = 1024  # samples at a time on the general way, whose dense matrices take 74 KB each
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
    native : bool
        Use programs compiled by llvmlite (some five times faster) or numpy's; by default the former if it is there.
        Their answers differ by rounding. Where LLVM can't compile or load a program on this machine, numpy's serves, and
        the attribute of this name is False from then on.

    Notes
    -----
    A big network (a `SparsePlan`: its elimination is no straight-line program of any use) is solved by `Compiled.solve`.
    """

    def __init__(
        self, compiled: Compiled, values: Values, count: int, *, ambient: float = 20.0, frozen: bool = False,
        native: bool | None = None,
    ) -> None:  # fmt: skip
        self.compiled, self.ambient, self.frozen = compiled, ambient, frozen
        self.native = available() if native is None else native
        solved = compiled.solve(values, ambient=ambient, frozen=frozen, size=count)
        self.nominal = solved
        self._predictors: dict[tuple[Column, ...], Predictor] = {}
        self._signs: Array | None = None
        self._making = Lock()  # several threads may solve with one object

    def solve(self, labels: Index, values: Values, *, threads: int = 1, general: bool = True) -> Solved:
        """Solve a batch; `labels` says about which nominal point each sample lies.

        Each sample starts from a first-order prediction and takes a few corrections by the fused program; where it is
        not accepted then, it goes the way of `Compiled.solve` (`method` is 3 for the others). What a sample gives
        does not depend, within the acceptance rule, on what else is in the batch; the last bits may. Each stays on the branch
        of its nominal point. Labels in rising order save copies. Without `general`, what the fused program leaves is not
        accepted: where a few samples may be missing, they need not hold up all others.
        """
        if isinstance(self.compiled.plan(self.frozen), SparsePlan):
            return self.compiled.solve(values, ambient=self.ambient, frozen=self.frozen, size=labels.size)
        laws = Evaluator.of(self.compiled.system, values, labels.size)
        order = None if (np.diff(labels) >= 0).all() else np.argsort(labels, kind="stable")
        if order is not None:
            labels, laws = labels[order], laws.take(order)
        solved = self._in_order(labels, matched(laws, self.nominal.x, labels), threads, general).rematched()
        return solved if order is None else solved.take(np.argsort(order, kind="stable"))

    def _in_order(self, labels: Index, laws: Evaluator, threads: int, general: bool) -> Solved:
        size = labels.size
        variables = len(self.compiled.system.variables)
        x = empty_rows(len(self.compiled.system.index_rows), size)
        x[variables:] = self.nominal.x[variables:, :1]
        method = np.full(size, PREDICTED, np.int64)
        with self._making:
            fused, predictor = self.fused, self._predictor(tuple(laws.columns))
            compiled = size > 0 and self._compiles(tuple(laws.columns))
        if self.frozen:
            x[:variables][self.compiled.system.thermal] = self.ambient

        def begin(piece: _Piece, start: Array) -> None:
            predictor.start(laws, piece.point, piece.samples, start)

        turns = self._turns(predictor)[labels]
        solution = fused.run(laws, x, begin, _pieces(labels), turns, compiled=compiled, threads=threads)
        left = np.flatnonzero(~solution.accepted) if general else np.zeros(0, np.intp)
        for k in range(0, left.size, _FEW):
            some = left[k : k + _FEW]
            again, method[some] = self.compiled.attack(laws.take(some), self.ambient, self.frozen)
            solution.put(some, again)
        return Solved(self.compiled, laws, self.frozen, solution, method)

    @cached_property
    def fused(self) -> Fused:
        """The program that all its batches run."""
        return Fused(self.compiled.plan(self.frozen), self.nominal.laws)

    def _compiles(self, columns: tuple[Column, ...]) -> bool:
        """Whether the compiled program is to be run: wanted, and LLVM takes it here."""
        if self.native:
            try:
                self.fused.native(columns)
            except RuntimeError:
                self.native = False
        return self.native

    def _turns(self, predictor: Predictor) -> Array:
        if self._signs is None:
            self._signs = self.fused.turns(self.nominal.laws, self.nominal.x, predictor.nominal)
        return self._signs

    def _predictor(self, columns: tuple[Column, ...]) -> Predictor:
        if columns not in self._predictors:
            self._predictors[columns] = Predictor.about(self.fused.reduction, self.nominal.laws, self.nominal.solution, columns)
        return self._predictors[columns]


@dataclass(frozen=True)
class _Piece:
    """Samples that stand together and lie about one nominal point."""

    point: int
    samples: slice


def _pieces(labels: Index) -> list[_Piece]:
    """Cut samples in label order into pieces with one label each."""
    edges = np.searchsorted(labels, np.arange(int(labels.max(initial=-1)) + 2))
    return [
        _Piece(k, slice(a, min(a + _PIECE, int(edges[k + 1]))))
        for k in range(edges.size - 1) for a in range(int(edges[k]), int(edges[k + 1]), _PIECE)
    ]  # fmt: skip
