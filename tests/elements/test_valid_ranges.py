"""Laws outside the range in which they hold: positive, monotone and finite still, so that Newton passes through.

And what the declared ranges of parameters promise: every value that is accepted gives a law that makes sense.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import sympy as sp
from numpy.typing import NDArray

from circuitsim.elements import element_kinds
from circuitsim.elements.base import Domain, Element
from circuitsim.engine.statement import statement_of

Array = NDArray[np.float64]
Sample = Callable[..., dict[str, Array]]
RowsOf = Callable[[type[Element], dict[str, Array]], dict[str, Array]]

KINDS = {name: kind for name, kind in element_kinds().items() if kind.__module__.startswith("circuitsim.")}
STATES = 40
# Far below absolute zero, where a step of Newton's may land, to far above the melting of anything.
TEMPERATURES = np.concatenate([np.linspace(-2000.0, 250.0, 91), np.linspace(260.0, 10_000.0, 60)])


def heated(kind: type[Element], variable: str) -> list[tuple[str, Any]]:
    """Rows of a law, and the slopes of each, that a temperature enters other than as a heat flow."""
    statement = statement_of(kind)
    thermal = {t.name for t in kind.terminals if t.domain is Domain.THERMAL}
    symbol = sp.Symbol(variable, real=True)
    return [
        (row, expression)
        for row, expression in zip(statement.rows, statement.expressions, strict=True)
        if row not in thermal and symbol in sp.sympify(expression).free_symbols
    ]


BODIES = [
    (name, t.name)
    for name, kind in KINDS.items()
    for t in kind.terminals
    if t.domain is Domain.THERMAL and heated(kind, t.name)
]


def test_what_depends_on_heat_is_found() -> None:
    assert {("wire", "body"), ("contact", "body"), ("fuse", "body"), ("motor", "winding"), ("motor", "case")} <= set(BODIES)


@pytest.mark.parametrize(("name", "body"), BODIES, ids=lambda value: str(value))
def test_rows_stay_finite_and_monotone_in_temperature(name: str, body: str, sample: Sample, rows_of: RowsOf) -> None:
    """Each current, torque or balance goes one way over all temperatures, and never past its own zero."""
    kind = KINDS[name]
    inputs = {key: values[:, None] for key, values in sample(kind, STATES).items()}
    inputs[body] = TEMPERATURES
    rows = rows_of(kind, inputs)
    for row, _ in heated(kind, body):
        values = rows[row] + np.zeros((STATES, TEMPERATURES.size))
        assert np.isfinite(values).all()
        steps = np.diff(values, axis=1)
        # A step may be lost in the rounding of what it is added to.
        rounding = 1e-12 * np.abs(values).max(axis=1, keepdims=True)
        one_way = (steps >= -rounding).all(axis=1) | (steps <= rounding).all(axis=1)
        assert one_way.all(), f"{row} turns back"


@pytest.mark.parametrize(("name", "body"), [pair for pair in BODIES if pair[0] in {"forward-curved-fan", "axial-fan"}])
def test_air_never_pushes_a_fan(name: str, body: str, sample: Sample, rows_of: RowsOf) -> None:
    kind = KINDS[name]
    inputs = {key: values[:, None] for key, values in sample(kind, STATES, shaft=100.0).items()}
    inputs[body] = TEMPERATURES
    assert (rows_of(kind, inputs)["shaft"] > 0).all()


@pytest.mark.parametrize("name", ["wire", "contact", "pin", "fuse", "pack-section", "switch"])
def test_resistance_stays_positive(name: str, sample: Sample, rows_of: RowsOf) -> None:
    """One volt drives a current the right way at any temperature, and less of it the hotter the metal is."""
    kind = KINDS[name]
    inputs = {key: values[:, None] for key, values in sample(kind, STATES, a=1.0, b=0.0).items()}
    if "closed" in inputs:
        inputs["closed"] = np.ones((STATES, 1))
    inputs["body"] = TEMPERATURES
    current = rows_of(kind, inputs)["a"]
    assert np.isfinite(current).all()
    assert (current > 0).all()
    assert (np.diff(current, axis=1) < 0).all()


def corners(kind: type[Element]) -> list[tuple[str, float]]:
    """Every parameter at each finite end of its accepted range, and at zero where that is inside."""
    found = []
    for p in kind.parameters:
        ends = {p.low, p.high, 0.0} if p.low <= 0.0 <= p.high else {p.low, p.high}
        found += [(p.name, end) for end in sorted(ends) if np.isfinite(end)]
    return found


@pytest.mark.parametrize("name", KINDS)
def test_every_accepted_value_gives_finite_rows_and_slopes(name: str, sample: Sample) -> None:
    """The ends of an accepted range are accepted: no division by them. A resistance of 0 Ω merges nodes instead."""
    kind = KINDS[name]
    statement = statement_of(kind)
    for parameter, end in corners(kind):
        if parameter == kind.shorts_below and end == 0:
            continue
        drawn = sample(kind, STATES, **{parameter: end})
        out = np.empty((len(statement.rows) + len(statement.slopes), STATES))
        statement.evaluate([drawn[key] for key in statement.inputs], out)
        assert np.isfinite(out).all(), f"{parameter} = {end}"


FANS = ["forward-curved-fan", "axial-fan"]


@pytest.mark.parametrize("name", FANS)
def test_no_accepted_fan_drives_itself(name: str, rows_of: RowsOf) -> None:
    """Whatever the accepted restriction and curve, air is moved by the shaft and not the shaft by the air."""
    kind = KINDS[name]
    grid = np.meshgrid(
        [0.0, 0.1, 1.0, 100.0], [kind.parameter("shutoff_torque").low, 0.4, 1.4, kind.parameter("shutoff_torque").high],
        [kind.parameter("free_delivery").low, 1.4, kind.parameter("free_delivery").high],
    )  # fmt: skip
    restriction, shutoff, free = (axis.ravel() for axis in grid)
    fan = kind("FAN", "shaft", torque=0.5, speed=300.0)
    inputs = {key: np.full(free.size, value) for key, value in fan.values.items()}
    inputs |= {"restriction": restriction, "shutoff_torque": shutoff, "free_delivery": free}
    rows = rows_of(kind, inputs | {"shaft": np.full(free.size, 300.0), "air": np.full(free.size, 20.0), "smooth": np.ones(1)})
    assert (rows["shaft"] > 0).all()
