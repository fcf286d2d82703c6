"""A recorded program (`Trace`) as LLVM text that does a block of samples at a time.

`write_program` gives a module with two functions. `setup` computes, once a call, what is the same for all samples.
`run` goes over a range of samples in blocks of `width`, one sample a lane, with every value between in a register or
on the stack. A last block that is not full is done in copies, by the same code: what a sample gives does not depend on
where in a batch it stands.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from circuitsim.engine.llvmtext import Code, Operand
from circuitsim.engine.tracing import Term, Trace
from circuitsim.engine.vectormath import FUNCTIONS, functions

__all__ = ["ProgramText", "write_program"]

_AHEAD = 2  # blocks between asking for a row's samples and needing them; two also serve rows that straddle cache lines
# Products and sums may be joined into fused multiply-adds, which round less; nothing else is reordered.
_OPERATIONS = {"add": "fadd contract", "subtract": "fsub contract", "multiply": "fmul contract", "divide": "fdiv"}
_INTRINSICS = {"absolute": "fabs", "sqrt": "sqrt", "log": "log", "power": "pow"}
_EXTREMES = {"maximum": Code.at_least, "minimum": Code.at_most}


@dataclass(frozen=True)
class ProgramText:
    """A written program.

    rows: codes of the inputs that vary, in the order of `run`'s table; fixed: codes of the others, for `setup`;
    constants: how many numbers `setup` gives to `run`; results: how many rows `run` writes; operations: how many there
    are a sample.
    """

    text: str
    rows: tuple[str, ...]
    fixed: tuple[str, ...]
    constants: int
    results: int
    operations: int


def write_program(trace: Trace, results: Sequence[Term], varying: Collection[str], width: int) -> ProgramText:
    """Write a recorded program.

    Parameters
    ----------
    trace : Trace
        What was recorded.
    results : sequence of terms
        What is asked for, in this order.
    varying : collection of str
        Codes of the inputs that differ between samples; all others are one number each.
    width : int
        Samples in a block; a power of two.
    """
    needed = _needed(trace, results)
    moving = _moving(trace, needed, varying)
    inputs = [v for v in needed if trace.values[v].operation == "input"]
    rows, fixed = [v for v in inputs if v in moving], [v for v in inputs if v not in moving]
    constants = _constants(trace, needed, moving, results)
    prepared: list[Term] = [(1, v) for v in constants]
    setup = _Block(trace, 1, fixed, [])
    setup.write(_ordered(trace, prepared, set(needed) - moving), prepared)
    block = _Block(trace, width, rows, constants)
    order = _ordered(trace, results, moving)
    block.write(order, results)
    small, wide = functions(1), functions(width)
    declared = setup.declared | block.declared | small[1] | wide[1]
    parts = [
        *sorted(declared), *small[0], *wide[0],
        setup.function(f"void @setup({_TABLES})"),
        # Values on the stack that lie across two cache lines would cost twice.
        block.function(f'internal void @block({_TABLES}) "stackrealign"'),
        _driver(width, len(rows), len(results)),
    ]  # fmt: skip
    rows_read, fixed_read = (tuple(str(trace.values[v].arguments[0]) for v in which) for which in (rows, fixed))
    return ProgramText("\n".join(parts), rows_read, fixed_read, len(constants), len(results), len(order) - len(rows))


_TABLES = "ptr %rows, ptr %constants, ptr %outs, i64 %i"


def _operands(trace: Trace, v: int) -> list[int]:
    value = trace.values[v]
    return [] if value.operation == "input" else [a for a in value.arguments if isinstance(a, int)]


def _needed(trace: Trace, results: Sequence[Term]) -> list[int]:
    """Give the values that results need; each has a larger number than its operands."""
    found = {t[1] for t in results if not isinstance(t, float)}
    for v in range(max(found, default=-1), -1, -1):
        if v in found:
            found.update(_operands(trace, v))
    return sorted(found)


def _moving(trace: Trace, needed: Sequence[int], varying: Collection[str]) -> set[int]:
    """Give those of the values that differ between samples."""
    moving: set[int] = set()
    for v in needed:
        value = trace.values[v]
        if value.operation == "input":
            if value.arguments[0] in varying:
                moving.add(v)
        elif any(a in moving for a in _operands(trace, v)):
            moving.add(v)
    return moving


def _constants(trace: Trace, needed: Sequence[int], moving: set[int], results: Sequence[Term]) -> list[int]:
    """Give the values that are the same for all samples and that others, or results, read."""
    read = [a for v in needed if v in moving for a in _operands(trace, v)]
    read += [t[1] for t in results if not isinstance(t, float)]
    return [v for v in dict.fromkeys(read) if v not in moving]


def _ordered(trace: Trace, results: Sequence[Term], among: set[int]) -> list[int]:
    """Order values so that each is computed shortly before it is needed, which keeps few alive."""
    done: dict[int, None] = {}
    for term in results:
        todo = [] if isinstance(term, float) else [(term[1], False)]
        while todo:
            v, ready = todo.pop()
            if v in done or v not in among:
                continue
            if ready:
                done[v] = None
                continue
            todo.append((v, True))
            todo += [(a, False) for a in reversed(_operands(trace, v))]
    return list(done)


class _Block(Code):
    """One block of a program: rows of samples in, rows out."""

    def __init__(self, trace: Trace, width: int, rows: Sequence[int], constants: Sequence[int]) -> None:
        super().__init__(width)
        self.trace = trace
        self.rows = {v: k for k, v in enumerate(rows)}
        self.constants = {v: k for k, v in enumerate(constants)}
        self.names: dict[int, str] = {}

    def write(self, order: Sequence[int], results: Sequence[Term]) -> None:
        """Write the values in order, and each result as soon as it is there."""
        wanted: dict[int, list[tuple[int, Term]]] = {}
        for k, term in enumerate(results):
            wanted.setdefault(-1 if isinstance(term, float) else term[1], []).append((k, term))
        for v in order:
            self.names[v] = self._computed(v)
            for k, term in wanted.pop(v, []):
                self._store(k, term)
        for left in wanted.values():
            for k, term in left:
                self._store(k, term)

    def _computed(self, v: int) -> str:
        value = self.trace.values[v]
        if value.operation == "input":
            return self.add(f"load {self.vector}, ptr {self._row('rows', self.rows[v], 0)}, align 8")
        return self._operation(value.operation, [self._operand(a) for a in value.arguments])

    def _operation(self, name: str, a: list[Operand]) -> str:
        if name in _OPERATIONS:
            return self.binary(_OPERATIONS[name], *a)
        if name in FUNCTIONS:
            return self.call(f"v{self.width}.{name}", *a)
        if name in _INTRINSICS:
            return self.intrinsic(_INTRINSICS[name], *a)
        if name in _EXTREMES:
            limited = isinstance(a[0], str) and isinstance(a[1], float)
            return _EXTREMES[name](self, *a) if limited else self.intrinsic(name, *a, flags="nsz ")  # type: ignore[arg-type]
        (x,) = a
        if name == "reciprocal":
            return self.binary("fdiv", 1.0, x)
        if name == "negative":
            return self.negative(x)
        if name == "square":
            return self.binary("fmul contract", x, x)
        if name == "sign":
            zero = self.binary("fadd", x, 0.0)  # +0 of either zero, and NaN of NaN
            return self.choose("olt", x, 0.0, -1.0, self.choose("ogt", x, 0.0, 1.0, zero))
        raise NotImplementedError(f"operation {name}")

    def _operand(self, a: int | float) -> Operand:
        if isinstance(a, float):
            return a
        if a not in self.constants:
            return self.names[a]
        # Read anew each time: that is cheaper than to keep it in all lanes.
        place = self.add(f"getelementptr double, ptr %constants, i64 {self.constants[a]}")
        number = self.add(f"load double, ptr {place}")
        first = self.add(f"insertelement {self.vector} poison, double {number}, i64 0")
        return self.add(f"shufflevector {self.vector} {first}, {self.vector} poison, <{self.width} x i32> zeroinitializer")

    def _row(self, table: str, k: int, write: int) -> str:
        """Give the place of this block in a row, and ask for that of a block to come."""
        start = self.add(f"load ptr, ptr {self.add(f'getelementptr ptr, ptr %{table}, i64 {k}')}")
        place = self.add(f"getelementptr double, ptr {start}, i64 %i")
        if self.width > 1:
            coming = self.add(f"getelementptr double, ptr {place}, i64 {_AHEAD * self.width}")
            self.declared.add("declare void @llvm.prefetch.p0(ptr, i32, i32, i32)")
            self.lines.append(f"  call void @llvm.prefetch.p0(ptr {coming}, i32 {write}, i32 3, i32 1)")
        return place

    def _store(self, k: int, term: Term) -> None:
        text: Operand = term if isinstance(term, float) else self._operand(term[1])
        if not isinstance(term, float) and term[0] < 0:
            text = self.negative(text)
        self.lines.append(f"  store {self.vector} {self.value(text)}, ptr {self._row('outs', k, 1)}, align 8")


def _driver(width: int, rows: int, results: int) -> str:
    """Write `run(rows, constants, outs, begin, end)`; a part of a block goes through copies in `scratch`."""
    text = _DRIVER
    values = {"WIDTH": width, "LANE": width - 1, "SHIFT": width.bit_length() - 1, "ROWS": rows, "OUTS": results}
    values |= {"ALL": rows + results, "ROOM": (rows + results) * width, "START": rows * width}
    for name, value in values.items():
        text = text.replace(name, str(value))
    return text


# Lanes beyond the last sample repeat it, in `gather` and in `scatter`.
_DRIVER = """\
define void @run(ptr %rows, ptr %constants, ptr %outs, i64 %begin, i64 %end) "stackrealign" {
entry:
  %scratch = alloca [ROOM x double], align 64
  %table = alloca [ALL x ptr], align 8
  %last = sub i64 %end, WIDTH
  %any = icmp sle i64 %begin, %last
  br i1 %any, label %loop, label %rest
loop:
  %i = phi i64 [ %begin, %entry ], [ %next, %loop ]
  call void @block(ptr %rows, ptr %constants, ptr %outs, i64 %i)
  %next = add i64 %i, WIDTH
  %more = icmp sle i64 %next, %last
  br i1 %more, label %loop, label %rest
rest:
  %at = phi i64 [ %begin, %entry ], [ %next, %loop ]
  %left = icmp slt i64 %at, %end
  br i1 %left, label %part, label %done
part:
  %beyond = sub i64 %end, %at
  %most = sub i64 %beyond, 1
  %copies = getelementptr double, ptr %scratch, i64 START
  %copied = getelementptr ptr, ptr %table, i64 ROWS
  call void @gather(ptr %rows, ptr %table, ptr %scratch, i64 ROWS, i64 %at, i64 %most)
  call void @gather(ptr %outs, ptr %copied, ptr %copies, i64 OUTS, i64 %at, i64 %most)
  call void @block(ptr %table, ptr %constants, ptr %copied, i64 0)
  call void @scatter(ptr %outs, ptr %copies, i64 OUTS, i64 %at, i64 %most)
  br label %done
done:
  ret void
}

define internal void @gather(ptr %rows, ptr %table, ptr %scratch, i64 %count, i64 %at, i64 %most) {
entry:
  %size = shl i64 %count, SHIFT
  %any = icmp slt i64 0, %size
  br i1 %any, label %loop, label %done
loop:
  %k = phi i64 [ 0, %entry ], [ %next, %loop ]
  %r = lshr i64 %k, SHIFT
  %lane = and i64 %k, LANE
  %beyond = icmp sgt i64 %lane, %most
  %kept = select i1 %beyond, i64 %most, i64 %lane
  %sample = add i64 %at, %kept
  %row = getelementptr ptr, ptr %rows, i64 %r
  %start = load ptr, ptr %row
  %from = getelementptr double, ptr %start, i64 %sample
  %number = load double, ptr %from
  %to = getelementptr double, ptr %scratch, i64 %k
  store double %number, ptr %to
  %first = sub i64 %k, %lane
  %own = getelementptr double, ptr %scratch, i64 %first
  %entry.r = getelementptr ptr, ptr %table, i64 %r
  store ptr %own, ptr %entry.r
  %next = add i64 %k, 1
  %more = icmp slt i64 %next, %size
  br i1 %more, label %loop, label %done
done:
  ret void
}

define internal void @scatter(ptr %outs, ptr %scratch, i64 %count, i64 %at, i64 %most) {
entry:
  %size = shl i64 %count, SHIFT
  %any = icmp slt i64 0, %size
  br i1 %any, label %loop, label %done
loop:
  %k = phi i64 [ 0, %entry ], [ %next, %loop ]
  %r = lshr i64 %k, SHIFT
  %lane = and i64 %k, LANE
  %beyond = icmp sgt i64 %lane, %most
  %kept = select i1 %beyond, i64 %most, i64 %lane
  %sample = add i64 %at, %kept
  %first = sub i64 %k, %lane
  %own = add i64 %first, %kept
  %from = getelementptr double, ptr %scratch, i64 %own
  %number = load double, ptr %from
  %row = getelementptr ptr, ptr %outs, i64 %r
  %start = load ptr, ptr %row
  %to = getelementptr double, ptr %start, i64 %sample
  store double %number, ptr %to
  %next = add i64 %k, 1
  %more = icmp slt i64 %next, %size
  br i1 %more, label %loop, label %done
done:
  ret void
}
"""
