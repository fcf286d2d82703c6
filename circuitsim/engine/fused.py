"""One Newton correction of a whole circuit as one straight-line program, for large batches.

Every law, the sums at the balances, the elimination and the substitution back are recorded as one list of operations
(`Trace`): equal values appear once, work on parameters alone is done once a chunk, buffers are reused. Factors that
laws keep positive are taken as they stand and guarded: a sample in which one would fall below 0.1 is not accepted
here. Samples start from a first-order prediction; those not accepted after a few corrections go the general way.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.elimination import Plan
from circuitsim.engine.newton import BACKWARD_ERROR, CORRECTION, Solution
from circuitsim.engine.system import FLOOR, Evaluator, Group, System
from circuitsim.engine.tracing import RUN, SETUP, Term, Trace

__all__ = ["Fused", "Program"]

Array = NDArray[np.float64]
Function = Callable[..., Any]
Cells = dict[tuple[int, int], list[Term]]
_GUARD = 0.1
_BLIND = 2  # corrections made before the first look
_LOOKS = 4


@dataclass(frozen=True)
class Program:
    """Compiled functions: `setup(p, g)` → s; `step(x, s, r, out)` moves x; `look` writes corrections and measures."""

    setup: Function
    step: Function
    look: Function
    buffers: int
    operations: int
    source: str


class Fused:
    """The program of a system for one set of free variables, and how to run it."""

    def __init__(self, system: System, plan: Plan) -> None:
        self.system, self.plan = system, plan
        sizes = [len(g.statement.parameters) * len(g.names) for g in system.groups]
        self.offsets = [0, *np.cumsum(sizes).tolist()]
        self.program = _program(system, plan)

    def setup(self, laws: Evaluator, x: Array) -> list[Any]:
        """Compute what depends on parameters and given values alone; plain floats where no sample differs."""
        flat: list[Any] = [float(v) for g in laws.base for v in g[:, :, 0].ravel()]
        for (g, p, k), array in laws.columns.items():
            flat[self.offsets[g] + p * len(self.system.groups[g].names) + k] = array
        with np.errstate(all="ignore"):
            values: list[Any] = self.program.setup(flat, list(x[len(self.system.variables) :]))
        return values

    def run(self, laws: Evaluator, start: Array) -> Solution:
        """Correct `start` (rows of x, batch), which is overwritten, until accepted or out of looks.

        The residual given is an upper bound on the backward error, max |F| over Σ |A|·(|x| + floor).
        """
        size = start.shape[1]
        done = Solution.blank(start)
        work = _Work(self, laws, start)
        with np.errstate(all="ignore"):
            for _ in range(_BLIND):
                self.program.step(work.rows, work.setup, work.buffers, work.out)
            at = np.arange(size)
            for look in range(_LOOKS):
                good = work.look()
                if look:
                    done.x[:, at] = work.x
                done.residual[at], done.correction[at] = work.out[-3], work.out[-2]
                done.iterations[at], done.accepted[at] = _BLIND + look + 1, good
                left = np.flatnonzero(~good)
                if not left.size or look == _LOOKS - 1:
                    break
                at, laws = at[left], laws.take(left)
                moved = work.moved(left)
                work = _Work(self, laws, moved)
        return done


class _Work:
    """A chunk at work: the rows of x, what setup gives, buffers and results."""

    def __init__(self, fused: Fused, laws: Evaluator, x: Array) -> None:
        self.fused, self.x = fused, x
        self.rows = list(x)
        self.setup = fused.setup(laws, x)
        self.buffers = list(np.empty((fused.program.buffers, x.shape[1])))
        self.out = np.empty((fused.plan.n + 3, x.shape[1]))

    def look(self) -> NDArray[np.bool_]:
        """Evaluate corrections and measures, and say which samples are accepted where they are."""
        self.fused.program.look(self.rows, self.setup, self.buffers, self.out)
        good: NDArray[np.bool_] = (
            (self.out[-3] < BACKWARD_ERROR) & (self.out[-2] < 1.0) & (self.out[-1] >= _GUARD)
        )  # fmt: skip
        return good

    def moved(self, chosen: NDArray[np.intp]) -> Array:
        """Give some samples with their corrections made."""
        x = np.ascontiguousarray(self.x[:, chosen])
        x[self.fused.plan.free] += self.out[: self.fused.plan.n][:, chosen]
        return x


def _program(system: System, plan: Plan) -> Program:
    trace = Trace()
    record = _Recorder(system, plan, trace)
    cells, sums = record.assemble()
    steps = record.eliminate(cells, sums)
    matrix = {cell: trace.sum(terms) for cell, terms in cells.items()}
    balances = [trace.sum(terms) for terms in sums]
    # The sums x + correction come last, when nothing else is left to be read from x.
    moved = [(f"x[{row}]", trace.add(record.x[row], steps[k])) for k, row in enumerate(plan.free.tolist())]
    measures = record.measures(matrix, balances, steps)
    looked = [(f"out[{k}]", term) for k, term in enumerate([*steps, *measures])]
    step_source, kept_a, buffers_a = trace.write(moved, "step")
    look_source, kept_b, buffers_b = trace.write(looked, "look")
    kept = sorted({*kept_a, *kept_b})
    # Both functions number the setup values alike.
    step_source, _, buffers_a = trace.write(moved, "step", kept)
    look_source, _, buffers_b = trace.write(looked, "look", kept)
    source = "\n".join([trace.write_setup(kept, "setup"), step_source, look_source])
    scope: dict[str, Any] = {"np": np, **{name: getattr(np, name) for name in _UFUNCS}}
    exec(compile(source, "<fused>", "exec"), scope)
    count = step_source.count("out=")
    return Program(scope["setup"], scope["step"], scope["look"], max(buffers_a, buffers_b), count, source)


_UFUNCS = (
    "add", "subtract", "multiply", "divide", "reciprocal", "negative", "absolute", "square", "sqrt", "exp", "log",
    "log1p", "expm1", "tanh", "sign", "power", "maximum", "minimum", "fmax", "copyto",
)  # fmt: skip


class _Recorder:
    """Records one correction of a system."""

    def __init__(self, system: System, plan: Plan, trace: Trace) -> None:
        self.system, self.plan, self.trace = system, plan, trace
        n = len(system.variables)
        frozen = set(range(n)) - set(plan.free.tolist())
        self.x: list[Term] = [
            trace.input(f"x[{k}]", RUN) if k < n and k not in frozen else trace.input(f"g[{self._given(k)}]", SETUP)
            for k in range(len(system.index_rows))
        ]

    def _given(self, row: int) -> int:
        """Give the place among the given values: frozen bodies read the ambient's."""
        n = len(self.system.variables)
        return row - n if row >= n else self.system.index["ambient"] - n

    def assemble(self) -> tuple[Cells, list[list[Term]]]:
        """Record every law; give the terms of the matrix by (row, column) of the plan, and those of the balances."""
        position = {row: k for k, row in enumerate(self.plan.free.tolist())}
        sums: dict[int, list[Term]] = {k: [] for k in range(self.plan.n)}
        cells: Cells = {}
        offset = 0
        for group in self.system.groups:
            for e in range(len(group.names)):
                self._element(group, e, offset, position, sums, cells)
            offset += len(group.statement.parameters) * len(group.names)
        return cells, [sums[k] for k in range(self.plan.n)]

    def _element(
        self, group: Group, e: int, offset: int, position: dict[int, int], sums: dict[int, list[Term]],
        cells: Cells,
    ) -> None:  # fmt: skip
        statement = group.statement
        names: dict[str, Term] = {"smooth": 1.0}
        for v, name in enumerate(statement.variables):
            names[name] = self.x[int(group.reads[v, e])]
        for j, name in enumerate(statement.parameters):
            names[name] = self.trace.input(f"p[{offset + j * len(group.names) + e}]", SETUP)
        rows, slopes = statement.factored
        for row, expression in enumerate(rows):
            balance = position.get(int(group.writes[row, e]))
            if balance is not None:
                sums[balance].append(self.trace.expression(expression, names))
        for (row, column), slope in zip(statement.jacobian, slopes, strict=True):
            at, to = position.get(int(group.writes[row, e])), position.get(int(group.reads[column, e]))
            if at is not None and to is not None:
                cells.setdefault((at, to), []).append(self.trace.expression(slope, names))

    def eliminate(self, cells: Cells, sums: list[list[Term]]) -> list[Term]:
        """Record the elimination in the plan's order; give the corrections -A⁻¹·F by the plan's columns.

        Terms of a cell are summed when the cell is first needed, so that what an element's own unknown adds to its
        terminals is joined to that element's slopes before it is spread over the nodes.
        """
        t = self.trace
        terms = {cell: list(parts) for cell, parts in cells.items()}
        right = [[t.negative(b) for b in parts] for parts in sums]
        row_of: dict[int, Term] = {}
        inverse: dict[int, Term] = {}
        upper: dict[tuple[int, int], Term] = {}
        for r, c, below, beside in self.plan.order:
            for j in beside:
                upper[r, j] = t.sum(terms.get((r, j), []))
            shares = {i: t.sum(terms[i, c]) for i in below}
            inverse[r] = t.reciprocal(t.sum(terms[r, c]))
            row_of[r] = t.sum(right[r])
            for i in below:
                share = t.multiply(shares[i], inverse[r])
                for j in beside:
                    terms.setdefault((i, j), []).append(t.negative(t.multiply(share, upper[r, j])))
                right[i].append(t.negative(t.multiply(share, row_of[r])))
        steps: dict[int, Term] = {}
        for r, c, _, beside in reversed(self.plan.order):
            steps[c] = t.multiply(self._substituted(row_of[r], [(upper[r, j], steps[j]) for j in beside]), inverse[r])
        return [steps[k] for k in range(self.plan.n)]

    def _substituted(self, right: Term, parts: list[tuple[Term, Term]]) -> Term:
        """Give right - Σ slope·step; opposite slopes share one product with the difference of their steps."""
        t = self.trace
        joined: dict[Any, Term] = {}
        for slope, step in parts:
            key = slope if isinstance(slope, float) else slope[1]
            signed = step if isinstance(slope, float) or slope[0] > 0 else t.negative(step)
            joined[key] = t.add(joined[key], signed) if key in joined else signed
        for key, step in joined.items():
            right = t.subtract(right, t.multiply(key if isinstance(key, float) else (1, key), step))
        return right

    def measures(self, matrix: dict[tuple[int, int], Term], balances: list[Term], steps: list[Term]) -> list[Term]:
        """Record the largest |F|/Σ|A||x| (at least the backward error), correction over allowed, and guard."""
        t = self.trace
        rows = self.plan.free.tolist()
        floors = [FLOOR.get(self.system.units[row], 1e-9) for row in rows]
        sizes = [t.function("absolute", self.x[row]) for row in rows]
        raised = [t.add(size, floor) for size, floor in zip(sizes, floors, strict=True)]
        scales: dict[int, list[Term]] = {}
        for (r, c), value in matrix.items():
            scales.setdefault(r, []).append(t.multiply(t.function("absolute", value), raised[c]))
        error: Term | None = None
        correction: Term | None = None
        for k in range(self.plan.n):
            share = t.divide(t.function("absolute", balances[k]), t.sum(scales[k]))
            error = share if error is None or isinstance(error, float) else t.maximum(error, share)
            allowed = t.add(t.multiply(CORRECTION, sizes[k]), floors[k])
            off = t.divide(t.function("absolute", steps[k]), allowed)
            correction = off if correction is None else t.maximum(correction, off)
        guard: Term = 1.0
        for value in dict.fromkeys(t.guards):
            if not isinstance(value, float):
                guard = value if isinstance(guard, float) else t.minimum(guard, value)
        return [0.0 if error is None else error, 0.0 if correction is None else correction, guard]
