"""From an element class's one law to everything derived from it in symbols: rows, Jacobian, slopes, and their code.

`Kernels` holds the numeric forms; a run that finds them on disk needs nothing of this.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from circuitsim.elements.base import Domain, Element, Law, Symbols
from circuitsim.elements.smooth import NUMERIC
from circuitsim.engine.kernels import Kernel, Kernels

__all__ = ["Statement", "kernel_source", "statement_of"]

Expr = Any


@dataclass(frozen=True)
class Statement:
    """The derived forms of one element class.

    rows: the names of its balance rows, terminals with a flow first, then unknowns; variables: terminals then
    unknowns; jacobian: (row, variable) of each nonzero slope, in the order in which `evaluate` writes them.
    """

    element: type[Element]
    law: Law
    rows: tuple[str, ...]
    variables: tuple[str, ...]
    parameters: tuple[str, ...]
    expressions: tuple[Expr, ...]
    jacobian: tuple[tuple[int, int], ...]
    slopes: tuple[Expr, ...]

    @cached_property
    def factored(self) -> tuple[tuple[Expr, ...], tuple[Expr, ...]]:
        """Rows and slopes with common factors taken out, as a recorder of products likes them."""
        import sympy as sp

        rows, slopes = (tuple(sp.factor_terms(sp.sympify(e)) for e in group) for group in (self.expressions, self.slopes))
        return rows, slopes

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the arguments of every kernel, in order."""
        return (*self.variables, *self.parameters, "smooth")

    @cached_property
    def kernels(self) -> Kernels:
        """The numeric forms of just this statement, made in memory."""
        scope: dict[str, Any] = {"np": np, **NUMERIC}
        exec(compile(self.source, f"<law of {self.element.__name__}>", "exec"), scope)
        return Kernels(self.element, scope, self)

    @property
    def evaluate(self) -> Kernel:
        """Kernel: the rows, then the Jacobian entries."""
        return self.kernels.evaluate

    @property
    def residual(self) -> Kernel:
        """Kernel: the rows alone."""
        return self.kernels.residual

    @property
    def by_parameter(self) -> tuple[tuple[tuple[int, int], ...], Kernel]:
        """Give the (row, parameter) pairs with a slope, and the kernel of the slopes."""
        return self.kernels.by_parameter

    @property
    def outputs(self) -> tuple[tuple[str, ...], Kernel]:
        """Give the names of the outputs, and their kernel; `source power` and `heat` come last."""
        return self.kernels.outputs

    @cached_property
    def source(self) -> str:
        """The module that `Kernels` is made of: names and index pairs, then one function for each form."""
        by_parameter, parameter_slopes = _nonzero_slopes(self.expressions, self.parameters)
        stored = [self.law.stores.get(row, 0) for row in self.rows]
        by_store, store_slopes = _nonzero_slopes(stored, self.variables)
        outputs = {name: e for name, (e, _) in self.law.outputs.items()}
        outputs["source power"], outputs["heat"] = self.law.source_power, self.law.heat
        limits = [e for limit in self.law.limits for e in (limit.value, limit.low, limit.high)]
        named = {
            "ROWS": self.rows, "VARIABLES": self.variables, "PARAMETERS": self.parameters, "JACOBIAN": self.jacobian,
            "BY_PARAMETER": by_parameter, "STORES": by_store, "OUTPUTS": tuple(outputs),
            "LIMITS": tuple(limit.what for limit in self.law.limits),
            "LASTING": tuple(float(limit.lasting) for limit in self.law.limits),
        }  # fmt: skip
        forms = {
            "evaluate": [*self.expressions, *self.slopes], "residual": self.expressions, "by_parameter": parameter_slopes,
            "store_slopes": store_slopes, "stores": stored, "outputs": list(outputs.values()), "limits": limits,
        }  # fmt: skip
        title = f'"""{self.element.__name__}: the numeric forms of its law."""'
        return "\n".join(
            [title, *(f"{k} = {v!r}" for k, v in named.items()), ""]
            + [kernel_source(self.inputs, expressions, name) for name, expressions in forms.items()]
            + [self._cold_source()]
        )

    def _cold_source(self) -> str:
        """Write `evaluate` for frozen temperatures: heat balances left out, and all that stays as it is done beforehand."""
        hot = {t.name for t in self.element.terminals if t.domain is Domain.THERMAL}
        rows = [k for k, row in enumerate(self.rows) if row not in hot]
        places = [*rows, *(len(self.rows) + k for k, (row, _) in enumerate(self.jacobian) if row in rows)]
        everything = [*self.expressions, *self.slopes]
        fixed, left = _parted([everything[k] for k in places], {_symbol(n) for n in (*hot, *self.parameters, "smooth")})
        names = [f"fixed_{k}" for k in range(len(fixed))]
        return (
            "\n".join(
                [
                    kernel_source(self.inputs, fixed, "cold_setup"),
                    kernel_source((*self.inputs, *names), left, "cold", places),
                ]
            )
            + f"FIXED = {len(fixed)}\n"
        )

    def output_slopes(self, output: str) -> tuple[tuple[str, ...], tuple[Expr, ...]]:
        """Give the names an output depends on, and its slope against each."""
        expression = self.law.outputs[output][0]
        names = [n for n in self.inputs[:-1] if _symbol(n) in _free(expression)]
        return tuple(names), tuple(_slope(expression, n) for n in names)

    def output_source(self, output: str) -> str:
        """Give the module with the names that an output depends on, and the function of its slopes against them."""
        names, slopes = self.output_slopes(output)
        return f"NAMES = {names!r}\n\n" + kernel_source(self.inputs, slopes, "output_slopes")


def _symbol(name: str) -> Expr:
    import sympy as sp

    return sp.Symbol(name, real=True)


def _free(expression: Expr) -> set[Expr]:
    import sympy as sp

    return set(sp.sympify(expression).free_symbols)


def _slope(expression: Expr, name: str) -> Expr:
    """Differentiate; the derivative of |x| is sign(x), which at 0 is the mean of both sides."""
    import sympy as sp

    return sp.diff(sp.sympify(expression), _symbol(name))


def _nonzero_slopes(expressions: Sequence[Expr], names: Sequence[str]) -> tuple[tuple[tuple[int, int], ...], list[Expr]]:
    pairs, slopes = [], []
    for row, expression in enumerate(expressions):
        free = _free(expression)
        for column, name in enumerate(names):
            if _symbol(name) in free:
                slope = _slope(expression, name)
                if slope != 0:
                    pairs.append((row, column))
                    slopes.append(slope)
    return tuple(pairs), slopes


_STATED: dict[type[Element], Statement] = {}


def statement_of(element: type[Element]) -> Statement:
    """Give the statement of an element class, made when first asked for.

    Raises
    ------
    ValueError
        When the law names a terminal or unknown that the class does not declare, or leaves out a balance.
    """
    if element not in _STATED:
        _STATED[element] = _state(element)
    return _STATED[element]


def _state(element: type[Element]) -> Statement:
    variables = (*(t.name for t in element.terminals), *(u.name for u in element.unknowns))
    parameters = tuple(p.name for p in element.parameters)
    names = (*variables, *parameters, "smooth")
    if len(set(names)) != len(names):
        raise ValueError(f"{element.__name__}: terminals, unknowns and parameters must have different names")
    law = element.law(Symbols({name: _symbol(name) for name in names}))
    if {*law.balances} != {u.name for u in element.unknowns}:
        raise ValueError(f"{element.__name__}: one balance for each unknown, no more, no less")
    if strange := {*law.flows, *law.stores} - set(variables):
        raise ValueError(f"{element.__name__}: the law speaks of {sorted(strange)}, which the class does not declare")
    flows = dict.fromkeys((t for t in law.stores if t not in law.balances), 0) | dict(law.flows)
    rows = (*flows, *law.balances)
    expressions = (*flows.values(), *law.balances.values())
    pairs, slopes = _nonzero_slopes(expressions, variables)
    return Statement(element, law, rows, variables, parameters, expressions, pairs, tuple(slopes))


def _parted(expressions: Sequence[Expr], fixed: set[Expr]) -> tuple[list[Expr], list[Expr]]:
    """Take out of expressions what depends on fixed symbols alone; give these parts, and the rest with symbols for them."""
    import sympy as sp

    parts: dict[Expr, Expr] = {}

    def named(e: Expr) -> Expr:
        if e.is_number or e.is_Symbol:
            return e
        if -e in parts:
            return -parts[-e]
        return parts.setdefault(e, _symbol(f"fixed_{len(parts)}"))

    def part(e: Expr) -> Expr:
        if e.free_symbols <= fixed:
            return named(e)
        if not (e.is_Add or e.is_Mul):
            return e.func(*map(part, e.args)) if e.args else e
        inside = [a for a in e.args if a.free_symbols <= fixed]
        outside = [part(a) for a in e.args if not a.free_symbols <= fixed]
        return e.func(*outside, *([named(e.func(*inside))] if inside else []))

    left = [part(sp.sympify(e)) for e in expressions]
    return list(parts), left


def kernel_source(
    inputs: Sequence[str], expressions: Sequence[Expr], name: str = "kernel", places: Sequence[int] | None = None
) -> str:
    """Give the source text of a kernel: readable straight-line numpy, with common parts computed once.

    places: where in `out` each expression goes; by default in their order.
    """
    import sympy as sp

    exact = [sp.sympify(e) for e in expressions]
    shared, reduced = sp.cse(exact, symbols=sp.numbered_symbols("_", real=True), order="none")
    show = _printer()
    used = set().union(*(e.free_symbols for e in exact)) if exact else set()
    lines = [f"def {name}(inputs, out):"]
    lines += [f"    {n} = inputs[{k}]" for k, n in enumerate(inputs) if _symbol(n) in used]
    lines += [f"    {symbol} = {show(value)}" for symbol, value in shared]
    lines += [f"    out[{k}] = {show(value)}" for k, value in zip(places or range(len(reduced)), reduced, strict=True)]
    return "\n".join([*lines, "    return None", ""])


def _printer() -> Callable[[Expr], str]:
    from sympy.printing.numpy import NumPyPrinter

    class Printer(NumPyPrinter):  # type: ignore[misc]
        """Numpy code that calls our smooth functions by their names."""

        def _print_softplus(self, expr: Expr) -> str:
            return f"softplus({self._print(expr.args[0])})"

        def _print_logistic(self, expr: Expr) -> str:
            return f"logistic({self._print(expr.args[0])})"

        def _print_dead_zone(self, expr: Expr) -> str:
            x, edge = (self._print(a) for a in expr.args)
            return f"dead_zone({x}, {edge})"

        def _print_kept_positive(self, expr: Expr) -> str:
            return f"kept_positive({self._print(expr.args[0])})"

        def _print_kept_positive_slope(self, expr: Expr) -> str:
            return f"kept_positive_slope({self._print(expr.args[0])})"

    printer = Printer({"allow_unknown_functions": True})
    return lambda e: str(printer.doprint(e)).replace("numpy.", "np.")
