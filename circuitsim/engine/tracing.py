"""A recorder of straight-line arithmetic: equal values are computed once, work on parameters alone is done beforehand.

`Trace` takes operations one by one and gives back terms: a plain float, or (sign, number of a recorded value). From
what was recorded it writes two Python functions of numpy calls: `setup` (what depends on parameters alone) and `run`
(what depends on the unknowns), the latter into reused buffers, so that a chunk of samples stays in the cache.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations
from typing import Any

from circuitsim.engine.numpywriter import RUN, SETUP, Value, Writer, plain_code

__all__ = ["RUN", "SETUP", "Term", "Trace"]

Term = float | tuple[int, int]
"""A value with its sign: a constant, or (+1 or -1, number of a recorded value)."""


class Trace:
    """Records values; see the module's text."""

    def __init__(self) -> None:
        self.values: list[Value] = []
        self._known: dict[tuple[str, tuple[Any, ...]], int] = {}
        self._products: dict[tuple[int, ...], int] = {}
        self._factors: dict[int, tuple[int, ...]] = {}
        self.guards: list[Term] = []
        self.constants: dict[float, str] = {}

    def plain(self) -> dict[str, Any]:
        """Give what was recorded and written as plain lists, for JSON."""
        values = [[v.operation, list(v.arguments), v.stage] for v in self.values]
        return {"values": values, "constants": [[value, name] for value, name in self.constants.items()]}

    @classmethod
    def restored(cls, plain: Mapping[str, Any]) -> Trace:
        """Give a trace back, to be written or compiled; nothing more can be recorded in it."""
        trace = cls()
        trace.values = [Value(operation, tuple(arguments), stage) for operation, arguments, stage in plain["values"]]
        trace.constants = dict(plain["constants"])
        return trace

    # Recording ------------------------------------------------------------------------------------------------

    def input(self, code: str, stage: int) -> Term:
        """Record a value that the caller supplies, by the code that reads it."""
        return (1, self._number("input", (code,), stage))

    def _number(self, operation: str, arguments: tuple[Any, ...], stage: int | None = None) -> int:
        key = (operation, arguments)
        if key not in self._known:
            if stage is None:
                stage = max(self.values[a].stage for a in arguments if isinstance(a, int))
            self._known[key] = len(self.values)
            self.values.append(Value(operation, arguments, stage))
        return self._known[key]

    def stage(self, term: Term) -> int:
        """Say when a term is known: 0 constant, 1 in setup, 2 in each run."""
        return 0 if isinstance(term, float) else self.values[term[1]].stage

    def negative(self, a: Term) -> Term:
        """Give -a."""
        return -a if isinstance(a, float) else (-a[0], a[1])

    def add(self, a: Term, b: Term) -> Term:
        """Give a + b."""
        if isinstance(a, float):
            a, b = b, a
        if isinstance(a, float):
            return a + float(b)  # type: ignore[arg-type]
        if isinstance(b, float):
            if b == 0.0:
                return a
            if a[0] > 0:
                return (1, self._number("add", (a[1], b)))
            return (-1, self._number("add", (a[1], -b)))
        (sa, ia), (sb, ib) = a, b
        if ia == ib:
            return 0.0 if sa != sb else self.multiply(2.0, a)
        if ia > ib:
            (sa, ia), (sb, ib) = b, a
        if sa == sb:
            return (sa, self._number("add", (ia, ib)))
        # One form for a - b and b - a, so that both are one value.
        return (sa, self._number("subtract", (ia, ib)))

    def subtract(self, a: Term, b: Term) -> Term:
        """Give a - b."""
        return self.add(a, self.negative(b))

    def multiply(self, a: Term, b: Term) -> Term:
        """Give a·b."""
        if isinstance(a, float):
            a, b = b, a
        if isinstance(a, float):
            return a * float(b)  # type: ignore[arg-type]
        if isinstance(b, float):
            if b == 0.0:
                return 0.0
            if abs(b) == 1.0:
                return (a[0] * int(b), a[1])
            return (a[0] * (1 if b > 0 else -1), self._number("multiply", (a[1], abs(b))))
        return (a[0] * b[0], self._number("multiply", (min(a[1], b[1]), max(a[1], b[1]))))

    def reciprocal(self, a: Term) -> Term:
        """Give 1/a."""
        if isinstance(a, float):
            return 1.0 / a
        return (a[0], self._number("reciprocal", (a[1],)))

    def divide(self, a: Term, b: Term) -> Term:
        """Give a/b, by one division where neither is used otherwise."""
        if isinstance(b, float):
            return self.multiply(a, 1.0 / b)
        if isinstance(a, float):
            return self.multiply(a, self.reciprocal(b))
        return (a[0] * b[0], self._number("divide", (a[1], b[1])))

    def function(self, name: str, a: Term, *constants: float) -> Term:
        """Give a numpy function of a."""
        even = {"absolute": True, "square": True}.get(name, False)
        odd = name == "tanh" or name == "sign"
        if isinstance(a, float):
            import numpy as np

            return float(getattr(np, name)(a, *constants))
        if even:
            return (1, self._number(name, (a[1], *constants)))
        if odd:
            return (a[0], self._number(name, (a[1], *constants)))
        return (1, self._number(name, (self._plain(a), *constants)))

    def maximum(self, a: Term, b: Term) -> Term:
        """Give the larger of two recorded values; NaN if either is."""
        return (1, self._number("maximum", (self._plain(a), self._plain(b))))

    def minimum(self, a: Term, b: Term) -> Term:
        """Give the smaller of two recorded values; NaN if either is."""
        return (1, self._number("minimum", (self._plain(a), self._plain(b))))

    def _plain(self, a: Term) -> int:
        """Give the number of a value that carries the sign in itself."""
        if isinstance(a, float):
            raise TypeError("a constant has no number")
        return a[1] if a[0] > 0 else self._number("negative", (a[1],))

    def sum(self, terms: Iterable[Term]) -> Term:
        """Add terms: pairs whose sum is known already first, then those known earliest."""
        left = sorted(terms, key=self.stage)
        total: Term = 0.0
        while left:
            term = left.pop(0)
            partner = next((k for k, other in enumerate(left) if self._summed(term, other)), None)
            total = self.add(total, term if partner is None else self.add(term, left.pop(partner)))
        return total

    def _summed(self, a: Term, b: Term) -> bool:
        if isinstance(a, float) or isinstance(b, float):
            return False
        if a[1] > b[1]:
            a, b = b, a
        return (("add" if a[0] == b[0] else "subtract"), (a[1], b[1])) in self._known

    def product(self, terms: Iterable[Term]) -> Term:
        """Multiply terms: the largest product among them that is known already first, then those known earliest."""
        constant, sign = 1.0, 1
        factors: list[int] = []
        for term in terms:
            if isinstance(term, float):
                constant *= term
            else:
                sign *= term[0]
                factors += self._factors.get(term[1], (term[1],))
        if constant == 0.0 or not factors:
            return constant
        return self.multiply(constant * sign, (1, self._multiplied(tuple(sorted(factors, key=self._early)))))

    def _early(self, v: int) -> tuple[int, int]:
        return self.values[v].stage, v

    def _multiplied(self, factors: tuple[int, ...]) -> int:
        """Give the number of a product of recorded values, reusing the largest part of it that is known."""
        if len(factors) == 1:
            return factors[0]
        if factors in self._products:
            return self._products[factors]
        part = self._largest_known(factors)
        rest = list(factors)
        for v in part:
            rest.remove(v)
        a, b = self._multiplied(part), self._multiplied(tuple(rest))
        number = self._number("multiply", (min(a, b), max(a, b)))
        self._products[factors] = number
        self._factors[number] = factors
        return number

    def _largest_known(self, factors: tuple[int, ...]) -> tuple[int, ...]:
        if len(factors) <= 8:
            for size in range(len(factors) - 1, 1, -1):
                for part in combinations(factors, size):
                    if part in self._products:
                        return part
        early = tuple(v for v in factors if self.values[v].stage < RUN)
        return early if 0 < len(early) < len(factors) else factors[:-1]

    # From sympy -----------------------------------------------------------------------------------------------

    def expression(self, expression: Any, names: Mapping[str, Term]) -> Term:
        """Record a sympy expression of named terms."""
        if expression.is_Symbol:
            return names[expression.name]
        if expression.is_number:
            return float(expression)
        parts = list(expression.args)
        if expression.is_Add:
            return self.sum(self.expression(a, names) for a in parts)
        if expression.is_Mul or (expression.is_Pow and expression.args[1].is_Integer):
            return self.product(self._factored(expression, names))
        if expression.is_Pow:
            return self._root(self.expression(parts[0], names), float(parts[1]))
        return self._call(type(expression).__name__, [self.expression(a, names) for a in parts])

    def _factored(self, expression: Any, names: Mapping[str, Term]) -> list[Term]:
        """Give the factors of a product, whole powers written out and divisors as reciprocals."""
        if expression.is_Mul:
            return [f for part in expression.args for f in self._factored(part, names)]
        if not (expression.is_Pow and expression.args[1].is_Integer):
            return [self.expression(expression, names)]
        power = int(expression.args[1])
        factors = self._factored(expression.args[0], names)
        return abs(power) * (factors if power > 0 else [self.reciprocal(f) for f in factors])

    def _root(self, base: Term, power: float) -> Term:
        if abs(power) == 0.5:
            root = self.function("sqrt", base)
            return root if power > 0 else self.reciprocal(root)
        return self.function("power", base, power)

    def _call(self, name: str, arguments: list[Term]) -> Term:
        if name == "dead_zone":
            return self._dead_zone(*arguments)
        (a,) = arguments
        simple = {"Abs": "absolute", "exp": "exp", "tanh": "tanh", "sqrt": "sqrt", "sign": "sign", "log": "log"}
        if name in simple:
            return self.function(simple[name], a)
        if name == "kept_positive":
            self.guards.append(a)
            return a
        if name == "kept_positive_slope":
            return 1.0
        if name == "softplus":
            above = self.function("maximum", a, 0.0)
            return self.add(above, self.function("log1p", self._tail(a)))
        if name == "logistic":
            below = self.function("exp", self.function("minimum", a, 0.0))
            return self.multiply(below, self.reciprocal(self.add(self._tail(a), 1.0)))
        raise NotImplementedError(f"function {name}")

    def _dead_zone(self, x: Term, edge: Term) -> Term:
        """Write `dead_zone` as its numeric form does; see there."""
        size = self.function("absolute", x)
        shrunk = self.function("expm1", self.multiply(-2.0, size))
        both = self.function("exp", self.negative(self.function("maximum", self.add(size, edge), -700.0)))
        share = self.negative(self.divide(shrunk, self.add(both, 1.0)))
        over = self.subtract(size, edge)
        spare = self.function("maximum", self.add(over, -600.0), 0.0)
        grown = self.multiply(share, self.function("exp", self.subtract(over, spare)))
        log = self.function("log1p", self.add(grown, self.function("expm1", self.negative(spare))))
        return self.multiply(self.function("sign", x), self.add(spare, log))

    def _tail(self, a: Term) -> Term:
        """exp(-|a|), which softplus and logistic of a and of -a share."""
        return self.function("exp", self.negative(self.function("absolute", a)))

    # Writing --------------------------------------------------------------------------------------------------

    def write(
        self, results: Sequence[tuple[str, Term]], name: str, kept: Sequence[int] | None = None
    ) -> tuple[str, list[int], int]:
        """Write the function `name(x, s, r, out)` that computes results of the run stage into arrays named by code.

        Gives its source, the setup values that it reads (as s[0], s[1], …), and the number of buffers r it needs.
        """
        wanted = self._reachable([t for _, t in results])
        own = sorted(v for v in self._read_by_run(wanted, results) if self.values[v].stage == SETUP)
        kept = list(own if kept is None else kept)
        slot = {v: k for k, v in enumerate(kept)}
        order = self._order([t for _, t in results])
        last = self._last_uses(order)
        targets: dict[int, list[tuple[str, int]]] = {}
        for code, term in results:
            if isinstance(term, float):
                targets.setdefault(-1, []).append((code, 0))
            else:
                targets.setdefault(term[1], []).append((code, term[0]))
        writer = Writer(self.values, slot, last, self.constants)
        for v in order:
            direct = writer.emit(v, targets.get(v, []))
            for code, sign in targets.get(v, [])[direct:]:
                writer.store(v, code, sign)
            writer.release(v, targets)
        for code, term in results:
            if isinstance(term, float) or self.values[term[1]].stage < RUN:
                writer.lines.append(f"{code}[...] = {self._setup_text(term, slot)}")
        body = "\n    ".join(writer.lines)
        head = f"def {name}(x, s, r, out):\n    "
        return f"{head}{body}\n    return None\n", kept, writer.count

    def scope(self) -> dict[str, Any]:
        """Give what the written functions call: numpy's functions, and constants as arrays of no dimension.

        Numpy takes such arrays much faster than Python's numbers.
        """
        import numpy as np

        names = {v.operation for v in self.values} - {"input", "reciprocal"} | {"divide", "negative", "copyto"}
        return {"np": np, **{name: getattr(np, name) for name in names}} | {c: np.asarray(v) for v, c in self.constants.items()}

    def write_setup(self, kept: Sequence[int], name: str) -> str:
        """Write `name(p, g)`, which gives the setup values asked for from parameters p and given values g."""
        needed = self._reachable([(1, v) for v in kept])
        lines = [f"def {name}(p, g):"]
        lines += [f"    v{v} = {plain_code(self.values[v])}" for v in sorted(needed)]
        lines.append(f"    return [{', '.join(f'v{v}' for v in kept)}]")
        return "\n".join(lines) + "\n"

    def _setup_text(self, term: Term, slot: Mapping[int, int]) -> str:
        return repr(term) if isinstance(term, float) else f"{'-' if term[0] < 0 else ''}s[{slot[term[1]]}]"

    def _reachable(self, terms: Iterable[Term]) -> set[int]:
        found: set[int] = set()
        todo = [t[1] for t in terms if not isinstance(t, float)]
        while todo:
            v = todo.pop()
            if v not in found:
                found.add(v)
                if self.values[v].operation != "input":
                    todo += [a for a in self.values[v].arguments if isinstance(a, int)]
        return found

    def _order(self, results: Sequence[Term]) -> list[int]:
        """Order run-stage values so that each is computed shortly before it is needed, which keeps few alive."""
        done: dict[int, None] = {}
        for term in results:
            todo = [] if isinstance(term, float) else [(term[1], False)]
            while todo:
                v, ready = todo.pop()
                if v in done or self.values[v].stage < RUN:
                    continue
                if ready or self.values[v].operation == "input":
                    done[v] = None
                    continue
                todo.append((v, True))
                todo += [(a, False) for a in reversed(self.values[v].arguments) if isinstance(a, int)]
        return list(done)

    def _read_by_run(self, wanted: set[int], results: Sequence[tuple[str, Term]]) -> set[int]:
        """Give the values that results or operations of the run stage read."""
        direct = {t[1] for _, t in results if not isinstance(t, float)}
        run = (self.values[u] for u in wanted if self.values[u].stage == RUN and self.values[u].operation != "input")
        return direct | {a for value in run for a in value.arguments if isinstance(a, int)}

    def _last_uses(self, order: Sequence[int]) -> dict[int, int]:
        last: dict[int, int] = {}
        for v in order:
            if self.values[v].operation != "input":
                for a in self.values[v].arguments:
                    if isinstance(a, int):
                        last[a] = v
        return last
