"""The numeric forms of an element class's law: functions of numpy arrays, kept on disk as readable source.

All functions take one argument, a sequence of arrays in the order `across + unknowns + parameters + smooth`, and an
output array whose first axis is theirs to fill; the arrays broadcast to the output's other axes, (elements, batch).
What is derived once from a law with sympy is written down as a module of its own, so that no later run needs sympy.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from circuitsim.cache import fetch_code, fingerprint, release
from circuitsim.elements.base import Element
from circuitsim.elements.smooth import NUMERIC

if TYPE_CHECKING:
    from circuitsim.engine.statement import Statement

__all__ = ["Kernel", "Kernels", "kernels_of", "law_key"]

Expr = Any
Kernel = Callable[[Sequence[Any], Any], None]
Pairs = tuple[tuple[int, int], ...]

_OWN = "circuitsim.elements."
_MAKERS = ("elements", "engine/kernels.py", "engine/statement.py")
"""What a law's numeric form is made by; the parts of its key on disk beside the class and the versions."""


class Kernels:
    """The numeric forms of one element class.

    rows: the names of its balance rows, terminals with a flow first, then unknowns; variables: terminals then
    unknowns; parameters: their names; jacobian: (row, variable) of each nonzero slope, in the order in which
    `evaluate` writes them.
    """

    def __init__(self, element: type[Element], scope: Mapping[str, Any], statement: Statement | None = None) -> None:
        self.element = element
        self._scope = scope
        self._statement = statement
        self._output_kernels: dict[str, tuple[tuple[str, ...], Kernel]] = {}
        self.rows: tuple[str, ...] = scope["ROWS"]
        self.variables: tuple[str, ...] = scope["VARIABLES"]
        self.parameters: tuple[str, ...] = scope["PARAMETERS"]
        self.jacobian: Pairs = scope["JACOBIAN"]
        self.evaluate: Kernel = scope["evaluate"]
        """The rows, then the Jacobian entries."""
        self.cold: tuple[int, Kernel, Kernel] = scope["FIXED"], scope["cold_setup"], scope["cold"]
        """For frozen temperatures: how many values stay as they are, the kernel of those, and the kernel that writes what
        `evaluate` does, heat balances left out; its inputs are followed by those values."""
        self.residual: Kernel = scope["residual"]
        """The rows alone."""
        self.by_parameter: tuple[Pairs, Kernel] = scope["BY_PARAMETER"], scope["by_parameter"]
        """The (row, parameter) pairs with a slope, and the kernel of the slopes."""
        self.stores: tuple[Pairs, Kernel, Kernel] = scope["STORES"], scope["store_slopes"], scope["stores"]
        """The (row, variable) pairs of the stored quantities' slopes, their kernel, and that of the stores: one stored
        quantity a row (zero where a row stores nothing)."""
        self.outputs: tuple[tuple[str, ...], Kernel] = scope["OUTPUTS"], scope["outputs"]
        """The names of the outputs, and their kernel; `source power` and `heat` come last."""
        self.limits: tuple[tuple[str, ...], Kernel] = scope["LIMITS"], scope["limits"]
        """What each limit is about, and the kernel that writes value, low, high for each in turn."""
        self.lasting: tuple[float, ...] = scope["LASTING"]
        """For how long each may be passed in a course of time, s."""

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the arguments of every kernel, in order."""
        return (*self.variables, *self.parameters, "smooth")

    @cached_property
    def statement(self) -> Statement:
        """The law in symbols (loads sympy)."""
        from circuitsim.engine.statement import statement_of

        return self._statement or statement_of(self.element)

    @property
    def factored(self) -> tuple[tuple[Expr, ...], tuple[Expr, ...]]:
        """Rows and slopes in symbols, as a recorder of products likes them."""
        return self.statement.factored

    def output_kernel(self, output: str) -> tuple[tuple[str, ...], Kernel]:
        """Give the names an output depends on, and the kernel of its slopes against them."""
        if output not in self._output_kernels:
            scope = _scope(self.element, f"slopes of {output}", lambda: self.statement.output_source(output), self._statement)
            self._output_kernels[output] = scope["NAMES"], scope["output_slopes"]
        return self._output_kernels[output]


_KNOWN: dict[type[Element], Kernels] = {}


def kernels_of(element: type[Element]) -> Kernels:
    """Give the numeric forms of an element class: out of the cache on disk, or derived from its law.

    Raises ValueError as `statement_of` does.
    """
    if element not in _KNOWN:
        _KNOWN[element] = Kernels(element, _scope(element, "law", lambda: _source(element)))
    return _KNOWN[element]


def _source(element: type[Element]) -> str:
    from circuitsim.engine.statement import statement_of

    return statement_of(element).source


def law_key(element: type[Element]) -> tuple[str, ...] | None:
    """Give what a law's forms on disk are known by; None for a class from elsewhere, whose law may change unseen."""
    if not element.__module__.startswith(_OWN) or "<locals>" in element.__qualname__:
        return None
    if not all(getattr(element, name).__module__.startswith(_OWN) for name in ("law", "modes") if hasattr(element, name)):
        return None  # replaced since
    return element.__module__, element.__qualname__, fingerprint(*_MAKERS), np.__version__, release("sympy")


def _scope(element: type[Element], what: str, build: Callable[[], str], statement: Statement | None = None) -> dict[str, Any]:
    """Run a source text; only our own classes go through the cache, as nothing tells when another's law has changed."""
    scope: dict[str, Any] = {"np": np, **NUMERIC}
    key = law_key(element)
    if statement is None and key is not None:
        code = fetch_code("law", (*key, what), build)
    else:
        code = compile(build(), f"<{what} of {element.__name__}>", "exec", dont_inherit=True)
    exec(code, scope)
    return scope
