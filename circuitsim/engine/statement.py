"""From an element class's one law to everything derived from it: numeric functions, Jacobian, parameter slopes.

All functions take one argument, a sequence of arrays in the order `across + unknowns + parameters + smooth`, and an
output array whose first axis is theirs to fill; the arrays broadcast to the output's other axes, (elements, batch).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from circuitsim.elements.base import Element, Law, Limit, Symbols
from circuitsim.elements.smooth import NUMERIC

__all__ = ["Kernel", "Statement", "kernel_source", "statement_of"]

Expr = Any
Kernel = Callable[[Sequence[Any], Any], None]


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
    _output_kernels: dict[str, tuple[tuple[str, ...], Kernel]] = field(default_factory=dict, repr=False)

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
    def evaluate(self) -> Kernel:
        """Kernel: the rows, then the Jacobian entries."""
        return _kernel(self.inputs, [*self.expressions, *self.slopes])

    @cached_property
    def residual(self) -> Kernel:
        """Kernel: the rows alone."""
        return _kernel(self.inputs, list(self.expressions))

    @cached_property
    def by_parameter(self) -> tuple[tuple[tuple[int, int], ...], Kernel]:
        """Give the (row, parameter) pairs with a slope, and the kernel of the slopes."""
        pairs, slopes = _nonzero_slopes(self.expressions, self.parameters)
        return pairs, _kernel(self.inputs, slopes)

    @cached_property
    def stores(self) -> tuple[tuple[tuple[int, int], ...], Kernel, Kernel]:
        """Give the (row, variable) pairs of the stored quantities' slopes, their kernel, and that of the stores.

        The second kernel writes one stored quantity a row (zero where a row stores nothing).
        """
        stored = [self.law.stores.get(row, 0) for row in self.rows]
        pairs, slopes = _nonzero_slopes(stored, self.variables)
        return pairs, _kernel(self.inputs, slopes), _kernel(self.inputs, stored)

    @cached_property
    def outputs(self) -> tuple[tuple[str, ...], Kernel]:
        """Give the names of the outputs, and their kernel; `source power` and `heat` come last."""
        named = {**{k: v[0] for k, v in self.law.outputs.items()}}
        named["source power"], named["heat"] = self.law.source_power, self.law.heat
        return tuple(named), _kernel(self.inputs, list(named.values()))

    def output_slopes(self, output: str) -> tuple[tuple[str, ...], tuple[Expr, ...]]:
        """Give the names an output depends on, and its slope against each."""
        expression = self.law.outputs[output][0]
        names = [n for n in self.inputs[:-1] if _symbol(n) in _free(expression)]
        return tuple(names), tuple(_slope(expression, n) for n in names)

    def output_kernel(self, output: str) -> tuple[tuple[str, ...], Kernel]:
        """Give the names an output depends on, and the kernel of its slopes against them."""
        if output not in self._output_kernels:
            names, slopes = self.output_slopes(output)
            self._output_kernels[output] = names, _kernel(self.inputs, list(slopes))
        return self._output_kernels[output]

    @cached_property
    def limits(self) -> tuple[tuple[Limit, ...], Kernel]:
        """Give the limits, and the kernel that writes value, low, high for each in turn."""
        found = self.law.limits
        return found, _kernel(self.inputs, [e for limit in found for e in (limit.value, limit.low, limit.high)])


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


def _kernel(inputs: Sequence[str], expressions: Sequence[Expr]) -> Kernel:
    """Write numpy code for the expressions, with common parts computed once, and compile it."""
    source = kernel_source(inputs, expressions)
    scope: dict[str, Any] = {"np": np, **NUMERIC}
    exec(compile(source, "<law>", "exec"), scope)
    kernel: Kernel = scope["kernel"]
    return kernel


def kernel_source(inputs: Sequence[str], expressions: Sequence[Expr]) -> str:
    """Give the source text of a kernel: readable straight-line numpy."""
    import sympy as sp

    exact = [sp.sympify(e) for e in expressions]
    shared, reduced = sp.cse(exact, symbols=sp.numbered_symbols("_", real=True), order="none")
    show = _printer()
    used = set().union(*(e.free_symbols for e in exact)) if exact else set()
    lines = ["def kernel(inputs, out):"]
    lines += [f"    {n} = inputs[{k}]" for k, n in enumerate(inputs) if _symbol(n) in used]
    lines += [f"    {name} = {show(value)}" for name, value in shared]
    lines += [f"    out[{k}] = {show(value)}" for k, value in enumerate(reduced)]
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
