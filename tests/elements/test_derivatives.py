"""Exact slopes against central differences of the law itself, worked in 50 digits so that nothing is lost to rounding.

Every kind is found by existing. The differences are taken of the sympy statement, the slopes from the generated numpy
code: so the printing of the code, its common parts and its smooth functions are checked along the way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import mpmath
import numpy as np
import pytest
import sympy as sp
from numpy.typing import NDArray

from circuitsim.elements import Element, element_kinds
from circuitsim.engine.statement import Statement, statement_of

Array = NDArray[np.float64]
Sample = Callable[..., dict[str, Array]]

KINDS = {name: kind for name, kind in element_kinds().items() if kind.__module__.startswith("circuitsim.")}
STATES = 12
MP = mpmath.MPContext()
MP.dps = 50
# 1e-18 of a value: the error of a central difference, the square of that over a smoothing width's, is far below a
# float's.
STEP = MP.mpf(10) ** -18
# A slope is a few float operations: 1e-9 leaves it seven digits. Where it is the difference of larger terms (the corner
# of a limit seen from afar), rounding leaves 1e-14 of the row's own terms.
RELATIVE, ROUNDING = 1e-9, 1e-14


# The functions of the limits by their definitions, written apart from the numpy forms they check.
def _softplus(x: Any) -> Any:
    return MP.log(1 + MP.exp(x)) if x < 0 else x + MP.log(1 + MP.exp(-x))


FUNCTIONS = {
    "softplus": _softplus,
    "dead_zone": lambda x, edge: _softplus(x - edge) - _softplus(-x - edge),
    "logistic": lambda x: 1 / (1 + MP.exp(-x)),
    "kept_positive": lambda x: x if x > MP.mpf(0.1) else MP.mpf(0.01) / (MP.mpf(0.2) - x),
    **{name: getattr(MP, name) for name in ("tanh", "exp", "sqrt", "log", "sign")},
    "Abs": abs,
    "mpf": MP.mpf,
}


@cache
def exact(kind: type[Element]) -> Callable[..., list[Any]]:
    """The rows of a law as a function in 50 digits."""
    statement = statement_of(kind)
    symbols = [sp.Symbol(name, real=True) for name in statement.inputs]
    function: Callable[..., list[Any]] = sp.lambdify(symbols, list(statement.expressions), modules=[FUNCTIONS])
    return function


def differences(kind: type[Element], state: Sequence[float], column: int) -> list[float]:
    """Central difference of every row against one input."""
    middle = [MP.mpf(float(value)) for value in state]
    width = STEP * max(abs(middle[column]), MP.mpf("1e-6"))
    ends = []
    for sign in (1, -1):
        moved = list(middle)
        moved[column] += sign * width
        ends.append(exact(kind)(*moved))
    return [float((high - low) / (2 * width)) for high, low in zip(*ends, strict=True)]


def kernel_values(kernel: Callable[..., None], count: int, inputs: Sequence[Array]) -> Array:
    out = np.empty((count, inputs[0].size))
    kernel(inputs, out)
    return out


def mistakes(kind: type[Element], statement: Statement, inputs: list[Array]) -> Iterator[str]:
    """Slopes against variables and parameters that differ from the differences, zeros included."""
    rows, n = len(statement.rows), len(statement.variables)
    evaluated = kernel_values(statement.evaluate, rows + len(statement.slopes), inputs)
    pairs, kernel = statement.by_parameter
    by_parameter = kernel_values(kernel, len(pairs), inputs)
    full = np.zeros((rows, n + len(statement.parameters), inputs[0].size))
    for (r, c), slope in zip(statement.jacobian, evaluated[rows:], strict=True):
        full[r, c] = slope
    for (r, c), slope in zip(pairs, by_parameter, strict=True):
        full[r, n + c] = slope
    for k in range(inputs[0].size):
        state = np.array([values[k] for values in inputs])
        value = np.array([float(x) for x in exact(kind)(*(MP.mpf(float(x)) for x in state))])
        expected = np.array([differences(kind, state, c) for c in range(state.size - 1)]).T
        terms = np.abs(value) + np.abs(expected * state[:-1]).sum(axis=1)
        if (np.abs(evaluated[:rows, k] - value) > ROUNDING * terms).any():
            yield f"rows: {evaluated[:rows, k]} for {value}, at {state}"
        reach = np.where(state[:-1] == 0, 1.0, np.abs(state[:-1]))
        wrong = np.abs(full[:, :, k] - expected) > RELATIVE * np.abs(expected) + ROUNDING * terms[:, None] / reach
        for r, c in np.argwhere(wrong):
            yield (
                f"slope of {statement.rows[r]} against {statement.inputs[c]}: {full[r, c, k]} for {expected[r, c]}, "
                f"at {dict(zip(statement.inputs, state.tolist(), strict=True))}"
            )


@pytest.mark.parametrize("name", KINDS)
def test_slopes_are_those_of_the_law(name: str, sample: Sample) -> None:
    statement = statement_of(KINDS[name])
    drawn = sample(KINDS[name], STATES)
    assert list(mistakes(KINDS[name], statement, [drawn[n] for n in statement.inputs])) == []


def test_all_smooth_functions_are_checked() -> None:
    from circuitsim.elements.smooth import NUMERIC

    assert {name for name in NUMERIC if not name.endswith("_slope")} <= set(FUNCTIONS)


def test_a_wrong_slope_is_caught(sample: Sample) -> None:
    """The check is shown to bite: one slope off by a millionth, one left out, one against a parameter changed."""
    kind = KINDS["contact"]
    statement = statement_of(kind)
    drawn = sample(kind, 1)
    inputs = [drawn[n] for n in statement.inputs]
    assert list(mistakes(kind, statement, inputs)) == []
    off = replace(statement, slopes=(statement.slopes[0] * sp.Float("1.000001"), *statement.slopes[1:]))
    short = replace(statement, slopes=statement.slopes[1:], jacobian=statement.jacobian[1:])
    changed = replace(statement, expressions=(statement.expressions[0] * 2, *statement.expressions[1:]))
    for planted in (off, short, changed):
        assert len(list(mistakes(kind, planted, inputs))) > 0
