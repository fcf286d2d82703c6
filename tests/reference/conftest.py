"""What the checks against the outside world share: comparing with a printed number, and a bench resistor network."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest

import circuitsim as cs

Matches = Callable[[float, str], None]
Measure = Callable[..., float]

# The acceptance rule of the solver leaves at most this share of a value open.
SOLVER = 1e-9


@pytest.fixture
def matches() -> Matches:
    """Compare a value with a number as printed: half a unit of its last digit is what the printing left open."""

    def compare(value: float, printed: str) -> None:
        number = Decimal(printed)
        exponent = number.as_tuple().exponent
        assert isinstance(exponent, int)
        half_a_digit = 0.5 * 10.0**exponent
        assert value == pytest.approx(float(number), abs=half_a_digit + SOLVER * abs(value))

    return compare


@pytest.fixture
def resistance_of() -> Measure:
    """Measure an element's resistance as a bench would: one ampere through it, its bodies held at ambient."""

    def measure(element: cs.Element, *, ambient: float = 20.0) -> float:
        net = cs.Netlist("ohms")
        net.chain("GND", cs.CurrentSource("I1", current=1.0), "top", element, "GND")
        return cs.solve(net, ambient=ambient, frozen=True).voltage("top")

    return measure
