"""A few Newton corrections of a whole circuit, and the check of the last, as one straight-line program.

Every law, the sums at the balances, the elimination and the substitution back are recorded as one list of operations
(`Trace`): equal values appear once, work on parameters alone is done once a chunk, buffers are reused. Chains of
joints and wires are one unknown each (`Reduction`). Factors that laws keep positive are taken as they stand and
guarded: a sample in which one would fall below 0.1 is not accepted here.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Lock
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from circuitsim.cache import fetch, fingerprint
from circuitsim.engine.chains import Reduction
from circuitsim.engine.elimination import Plan
from circuitsim.engine.kernels import law_key
from circuitsim.engine.native import Native, compile_native, empty_rows
from circuitsim.engine.newton import BACKWARD_ERROR, CORRECTION, Solution
from circuitsim.engine.recording import GUARD, Recorder
from circuitsim.engine.system import FLOOR, Column, Evaluator
from circuitsim.engine.tracing import Term, Trace

__all__ = ["CORRECTIONS", "Fused", "Piece", "Program"]

Array = NDArray[np.float64]
Function = Callable[..., Any]


class Piece(Protocol):
    """Part of a batch."""

    @property
    def samples(self) -> slice:
        """Which samples."""


Begin = Callable[[Any, Array], None]
Pieces = Sequence[Piece]
_SLOPED = 2  # corrections with slopes of their own
_AGAIN = 1  # corrections after them, with the slopes of the last
CORRECTIONS = _SLOPED + _AGAIN + 1
"""Corrections that one run of the program records, that of the place which is checked included."""
_TRIES = 3
_STRICT = 1e-3
"""Share of the allowed correction. Between the ends of a chain, whose corrections are then below 1e-12 of the value plus
1e-12 V and A, those of joints and temperatures stay below the rule's floors of 1 nV and 1 µK. It also makes up for
taking the slopes of the place before."""


@dataclass(frozen=True)
class Program:
    """What was recorded, and the functions in numpy made from it: `setup(p, g)` → s; `run(x, s, r, out)`.

    results, by row of out: the free rows of x, the chains' currents, then sign of the determinant, error, correction, guard.
    """

    trace: Trace
    results: tuple[Term, ...]
    setup: Function
    run: Function
    buffers: int
    operations: int
    source: str


class Fused:
    """The program of a plan, for batches about nominal points with parameters `laws`, and how to run it."""

    def __init__(self, plan: Plan, laws: Evaluator) -> None:
        self.plan, self.system = plan, plan.system
        self.reduction = Reduction(plan, laws)
        sizes = [len(g.statement.parameters) * len(g.names) for g in self.system.groups]
        self.offsets = [0, *np.cumsum(sizes).tolist()]
        self.program = _program(self.reduction)
        self._natives: dict[tuple[Column, ...], Native] = {}
        self._making = Lock()  # several threads may solve with one program

    def place(self, column: Column) -> int:
        """Give the place of a parameter among the inputs p."""
        g, p, k = column
        return int(self.offsets[g]) + p * len(self.system.groups[g].names) + k

    def native(self, columns: tuple[Column, ...]) -> Native:
        """Give the compiled program for batches in which these parameters vary."""
        with self._making:
            if columns in self._natives:
                return self._natives[columns]
            varying = {f"x[{k}]" for k in range(self.reduction.size)} | {f"p[{self.place(c)}]" for c in columns}
            self._natives[columns] = compile_native(self.program.trace, self.program.results, varying)
            return self._natives[columns]

    def turns(self, laws: Evaluator, x: Array, start: Array) -> Array:
        """Give the sign of the determinant at solved points x, whose reduced unknowns are `start`: one a point."""
        work = _Work(self, laws, x.copy(), False)
        work.start[:] = start
        work.go(slice(0, laws.size))
        return work.turns.copy()

    def run(
        self, laws: Evaluator, x: Array, begin: Begin, pieces: Pieces, turns: Array, *, compiled: bool = False, threads: int = 1
    ) -> Solution:  # fmt: skip
        """Correct until accepted or out of tries; fills the free rows of `x`, whose rows of given values must be set.

        Parameters
        ----------
        begin : callable
            `begin(piece, start)` fills the reduced unknowns (unknowns, samples of the piece) to start from.
        pieces : sequence
            What the batch is cut into: anything with a `samples` slice.
        turns : array
            The sign that the determinant has at the nominal point of each sample. Where it is another, the sample lies
            past a fold or has a motion that grows, and is not accepted here.
        compiled : bool
            Use the program compiled by llvmlite, not numpy's.
        threads : int
            How many to work on pieces at once.

        The residual given is a bound of the backward error.
        """
        work = _Work(self, laws, x, compiled)

        def one(piece: Piece) -> None:
            begin(piece, work.start[:, piece.samples])
            work.go(piece.samples)

        if threads > 1:
            with ThreadPoolExecutor(threads) as pool:
                list(pool.map(one, pieces))
        else:
            for piece in pieces:
                one(piece)
        done = work.solution(turns)
        for _ in range(_TRIES - 1):
            at = np.flatnonzero(~done.accepted)
            if not at.size:
                break
            again = _Work(self, laws.take(at), np.ascontiguousarray(x[:, at]), compiled)
            again.start[:] = work.reached(at)
            again.go(slice(0, at.size))
            done.put(at, again.solution(turns[at]))
            work.keep(at, again)
        return done


class _Work:
    """A batch at work: where it starts, where results go, and the program bound to both."""

    def __init__(self, fused: Fused, laws: Evaluator, x: Array, compiled: bool) -> None:
        self.fused, self.laws, self.x = fused, laws, x
        chains = len(fused.reduction.chains)
        self.start = empty_rows(fused.reduction.size, laws.size)
        self.more = empty_rows(chains + 4, laws.size)
        self.out = [*(x[row] for row in fused.plan.free.tolist()), *self.more]
        given = x[len(fused.system.variables) :]
        self.given: list[Any] = [row if np.ptp(row) else row[0] for row in given] if laws.size else []
        # Numbers of numpy, which divide by zero without raising.
        self.flat: list[Any] = [v for g in laws.base for v in g[:, :, 0].ravel()]
        for column, array in laws.columns.items():
            self.flat[fused.place(column)] = array
        same = all(isinstance(value, float) for value in self.given)
        self.bound = None
        if compiled and same and laws.size:
            native = fused.native(tuple(laws.columns))
            self.bound = native.bind({"x": list(self.start), "p": self.flat, "g": self.given}, self.out)

    def go(self, samples: slice) -> None:
        """Run the program over some samples that stand together."""
        if self.bound is not None:
            self.bound.run(samples.start, samples.stop)
            return
        program = self.fused.program
        flat, given = ([v if isinstance(v, float) else v[samples] for v in values] for values in (self.flat, self.given))
        with np.errstate(all="ignore"):
            # Numpy takes arrays of no dimension much faster than Python's numbers.
            setup = [v if isinstance(v, np.ndarray) else np.asarray(v) for v in program.setup(flat, given)]
            buffers = empty_rows(program.buffers, samples.stop - samples.start)
            program.run(list(self.start[:, samples]), setup, list(buffers), [row[samples] for row in self.out])

    @property
    def turns(self) -> Array:
        """Signs of the determinants."""
        row: Array = self.more[-4]
        return row

    def solution(self, turns: Array) -> Solution:
        """Give what came out, over the same x; `turns` are the signs that determinants are to have."""
        error, correction, guard = self.more[-3:]
        good: NDArray[np.bool_] = (error < BACKWARD_ERROR) & (correction < _STRICT) & (guard >= GUARD)
        good &= self.turns == turns
        made = np.full(self.laws.size, CORRECTIONS, np.int64)
        return Solution(self.x, error.copy(), correction.copy(), made, good)

    def reached(self, at: NDArray[np.intp]) -> Array:
        """Give the reduced unknowns that some samples have come to."""
        currents = self.more[: len(self.fused.reduction.chains), at]
        return np.concatenate([self.x[np.ix_(self.fused.reduction.kept, at)], currents])

    def keep(self, at: NDArray[np.intp], again: _Work) -> None:
        """Take over the chains' currents of samples that were run once more."""
        self.more[:, at] = again.more


_MAKERS = tuple(
    f"engine/{name}.py" for name in ("chains", "elimination", "fused", "numpywriter", "recording", "series", "tracing")
)
"""What a program is made by, beside the laws."""


def _program(reduction: Reduction) -> Program:
    """Record a program, or take it from the store on disk."""
    key = _key(reduction)
    text = _recorded(reduction) if key is None else fetch("fused", key, lambda: _recorded(reduction), ".data")
    read = json.loads(text)
    trace, source = Trace.restored(read["trace"]), read["source"]
    results: list[Term] = [float(t) if not isinstance(t, list) else (t[0], t[1]) for t in read["results"]]
    scope = trace.scope()
    exec(compile(source, "<fused>", "exec"), scope)
    return Program(trace, tuple(results), scope["setup"], scope["run"], read["buffers"], source.count("out="), source)


def _key(reduction: Reduction) -> list[str | bytes] | None:
    """Give all that a program is made from: laws, structure, and where chains are weakest."""
    system, key = reduction.system, [fingerprint(*_MAKERS), repr((CORRECTION, sorted(FLOOR.items())))]
    for group in system.groups:
        law = law_key(group.statement.element)
        if law is None:
            return None
        key += [*law, repr(group.reads.tolist()), repr(group.writes.tolist())]
    chains = [(c.joints, c.weakest, [(m.group, m.element, m.sign, m.closed) for m in c.members]) for c in reduction.chains]
    key += [repr(reduction.plan.free.tolist()), repr(system.units), repr(sorted(system.pivots.items())), repr(chains)]
    return [*key]


def _recorded(reduction: Reduction) -> str:
    trace = Trace()
    record = Recorder(reduction, trace)
    x = record.unknowns()
    for _ in range(_SLOPED):
        bent = record.assemble(x)
        factor = record.factor(bent)
        x = record.moved(x, record.corrections(factor, bent))
    for _ in range(_AGAIN):
        x = record.moved(x, record.corrections(factor, record.assemble(x, slopes=False)))
    trace.guards.clear()  # only those of the place that is checked count
    state = record.assemble(x, slopes=False)
    steps = record.corrections(factor, state)
    rows = record.rows(x, state)
    results: list[Term] = [*(rows[row] for row in reduction.plan.free.tolist()), *x[len(reduction.kept) :]]
    results += record.measures(x, steps, state, bent, factor, rows)
    source, kept, buffers = trace.write([(f"out[{k}]", term) for k, term in enumerate(results)], "run")
    source = "\n".join([trace.write_setup(kept, "setup"), source])
    return json.dumps({"trace": trace.plain(), "results": results, "source": source, "buffers": buffers})
