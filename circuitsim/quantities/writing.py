"""From a number to text: ``format_quantity(0.004, "Ω")`` is ``"4 mΩ"``."""

from __future__ import annotations

import math
from collections.abc import Iterable

from circuitsim.errors import QuantityError, shown
from circuitsim.quantities.units import CELSIUS, Unit, UnitError, describe, fits, prefixes, read_unit

_PLAIN_FROM, _PLAIN_TO = -4, 6  # powers of ten of the first digit that are written without an exponent


def format_quantity(value: float, unit: str, digits: int = 3, *, display: str | None = None) -> str:
    """Write a quantity with an engineering prefix, or in the unit asked for.

    Parameters
    ----------
    value
        The value in ``unit``; may be zero, infinite or not a number.
    unit
        Its SI unit; °C for a temperature.
    digits
        Significant digits, at least 1. Zeros that end a decimal fraction are left out.
    display
        The unit to write it in, such as ``"rpm"``, ``"mΩ"``, ``"%"`` or ``"°F"``; chosen by size when None,
        with the cross-sections of wires in mm².

    Raises
    ------
    QuantityError
        If ``display`` is unknown or has another dimension.

    Examples
    --------
    >>> (
    ...     format_quantity(0.9996, "V"),
    ...     format_quantity(2.5e-6, "m²"),
    ...     format_quantity(157.08, "rad/s", display="rpm"),
    ... )
    ('1 V', '2.5 mm²', '1500 rpm')
    """
    if display is not None:
        return f"{format_number(convert(value, unit, display), digits)} {display}"
    mantissa, power = _rounded(value, digits)
    chosen, shift = _sized(power, unit) if mantissa.isdecimal() else (unit, 0)
    if not _PLAIN_FROM <= power - shift < _PLAIN_TO:
        chosen, shift = unit, 0
    text = _sign(value, mantissa) + _placed(mantissa, power - shift)
    return text if unit == "1" else f"{text} {chosen}"


def format_number(value: float, digits: int = 3) -> str:
    """Write a number alone with so many significant digits: no prefix, no negative zero, no closing zeros.

    Examples
    --------
    >>> format_number(1234.5), format_number(-0.0), format_number(1.5e-9)
    ('1230', '0', '1.5e-09')
    """
    mantissa, power = _rounded(value, digits)
    return _sign(value, mantissa) + _placed(mantissa, power)


def convert(value: float, unit: str, display: str) -> float:
    """Return a value in the SI unit ``unit`` as a number of units ``display``.

    Examples
    --------
    >>> convert(100.0, "°C", "°F"), convert(0.0035, "V", "mV")
    (212.0, 3.5)
    """
    scale = _display_unit(unit, display)
    up, down = CELSIUS[display] if unit == "°C" else (0, 1)
    return (value - up / down) * scale.down / scale.up / math.tau**scale.turns


def column_unit(values: Iterable[float], unit: str, digits: int = 3) -> str:
    """Return the one unit in which to show a column of values: that of its largest.

    Infinite and missing (nan) values do not count. It is meant for `convert`, or as ``display`` of
    `format_quantity`.

    Examples
    --------
    >>> column_unit([0.0, 0.012, -0.35], "V")
    'mV'
    """
    largest = max((abs(value) for value in values if math.isfinite(value)), default=0.0)
    return _sized(_rounded(largest, digits)[1], unit)[0] if largest else unit


def _display_unit(unit: str, display: str) -> Unit:
    try:
        found = read_unit(display)
    except UnitError:
        raise QuantityError(f"unknown unit {shown(display)} to show a {describe(unit)} in") from None
    wrong_scale = (display in CELSIUS and display != "K") if unit != "°C" else display not in CELSIUS
    if wrong_scale or not (unit == "°C" or fits(found, unit)):
        raise QuantityError(f"a {describe(unit)} cannot be shown in {shown(display)}")
    return found


def _rounded(value: float, digits: int) -> tuple[str, int]:
    """Return the digits of |value| and the power of ten of the first; a word for digits if not finite."""
    if not math.isfinite(value) or value == 0:
        return ("0" if value == 0 else str(abs(float(value)))), 0
    mantissa, power = f"{abs(value):.{digits - 1}e}".split("e")
    return mantissa.replace(".", ""), int(power)


def _sized(power: int, unit: str) -> tuple[str, int]:
    """Return the unit for a value whose first digit has this power of ten, and that unit's power of ten."""
    if unit == "m²" and power < -2:  # anything up to 100 cm² is a conductor; above, a duct
        return "mm²", -6
    choices = prefixes(unit)
    fitting = [size for size in choices if size <= power]
    size = fitting[-1] if fitting else next(iter(choices))
    return choices[size] + unit, size


def _sign(value: float, mantissa: str) -> str:
    return "-" if value < 0 and mantissa != "0" else ""


def _placed(mantissa: str, power: int) -> str:
    """Return the digits with the point where it belongs, the first digit having the given power of ten."""
    if not mantissa.isdecimal():
        return mantissa
    if not _PLAIN_FROM <= power < _PLAIN_TO:
        fraction = mantissa[1:].rstrip("0")
        return f"{mantissa[0]}{'.' if fraction else ''}{fraction}e{power:+03d}"
    if power < 0:
        mantissa, power = "0" * -power + mantissa, 0
    whole, fraction = mantissa[: power + 1].ljust(power + 1, "0"), mantissa[power + 1 :].rstrip("0")
    return f"{whole}.{fraction}" if fraction else whole
