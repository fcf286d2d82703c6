"""What a value in a file may be: within its parameter's range, and within it with its whole tolerance too."""

from __future__ import annotations

import math
import re
from typing import Any

from circuitsim.elements import Element, Parameter
from circuitsim.errors import QuantityError, shown
from circuitsim.quantities import Tolerance, column_unit, format_quantity

__all__ = ["check_range", "check_spread", "check_unit"]

_BARE = re.compile(r"[+-]?[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?")
_USUAL = {
    "m²": "mm²", "rad/s": "rpm", "Ω": "mΩ", "Ω·m": "Ω·mm²/m", "F": "µF", "H": "mH", "kg·m²": "kg·cm²",
    "V·s/rad": "mV·s/rad", "N·m·s/rad": "µN·m·s/rad",
}  # fmt: skip
_OHMS = {"resistor": "Ω", "pack-section": "Ω", "ladder": "kΩ"}
"""Kinds whose resistance is no matter of milliohms, and has no default that would tell."""


def check_range(parameter: Parameter, number: float, given: object) -> None:
    """Raise QuantityError when a value lies outside its parameter's range."""
    if not parameter.low <= number <= parameter.high:
        low, high = format_quantity(parameter.low, parameter.unit), format_quantity(parameter.high, parameter.unit)
        span = f"at least {low}" if parameter.high == math.inf else f"from {low} to {high}"
        raise QuantityError(f"{shown(given)} is out of range, accepted: {span}")


def check_spread(parameter: Parameter, number: float | None, spread: Tolerance | None, given: object) -> None:
    """Raise QuantityError when the tolerance of a value that can't be negative reaches zero or below.

    number: the value it belongs to; None for a share of whatever value.
    """
    if spread is None or spread.kind == "lognormal" or parameter.low < 0 or number == 0:
        return
    half = spread.size if number is None else spread.size * (number if spread.relative else 1.0)
    if half >= (1.0 if number is None else number):
        raise QuantityError(
            f"the tolerance of {shown(given)} reaches zero or below, and {parameter.name} is above zero; "
            "for a wide one write a factor, such as '×/÷ 2'"
        )


def check_unit(parameter: Parameter, value: Any, kind: type[Element], typical: float | None = None) -> None:
    """Raise QuantityError for a bare number, quoted or not, where a unit is needed; names the unit usual there.

    typical: a value that the parameter has elsewhere, such as its part's.
    """
    text = value.strip() if isinstance(value, str) else repr(value)
    number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    if parameter.unit == "1" or not (number or (isinstance(value, str) and _BARE.fullmatch(text))):
        return
    raise QuantityError(f"{shown(value)} has no unit; write e.g. '{text} {_usual_unit(parameter, kind, typical, float(text))}'")


def _usual_unit(parameter: Parameter, kind: type[Element], typical: float | None, number: float) -> str:
    """Give the unit in which people write a parameter: that of a typical value of it where there is one."""
    unit = parameter.unit
    if typical is None and isinstance(parameter.default, int | float):
        typical = float(parameter.default)
    if unit == "Ω" and typical is None:
        return _OHMS.get(kind.kind, "mΩ" if abs(number) >= 1 else "Ω")
    if unit == "Ω" and typical:
        return column_unit([typical], unit)
    return _USUAL.get(unit, unit)
