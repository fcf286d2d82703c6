"""From text to a number: ``parse("4 mΩ", "Ω")`` is 0.004."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from numbers import Real
from types import MappingProxyType
from typing import Final

from circuitsim.errors import QuantityError, nearest, shown
from circuitsim.quantities.units import (
    CELSIUS,
    ONE,
    Unit,
    UnitError,
    describe,
    described,
    fits,
    read_unit,
    si_unit,
    spellings,
)

Quantity = str | float | int
"""What a user may give for a quantity: text with a unit, or a number in SI units (a temperature in °C)."""

LONGEST: Final = 80  # characters; nobody writes a quantity longer than that

# One code point for each sign: ohm sign, mu, minus, dot operator.
SAME: Final = str.maketrans({"\u2126": "Ω", "\u03bc": "µ", "\u2212": "-", "\u22c5": "·"})
_NUMBER: Final = re.compile(r"([+-]?)(?=\.?[0-9])([0-9]*)(?:\.([0-9]*))?(?:[eE]([+-]?[0-9]+))?(?![0-9.,])")
_COMMA: Final = re.compile(r"[0-9],|,[0-9]")
_EXAMPLE: Final[Mapping[str, str]] = MappingProxyType(
    {"1": "%", "m²": "mm²", "rad/s": "rpm", "Ω·m": "Ω·mm²/m", "kg·m²": "kg·cm²"}
)
_DEGREES: Final = frozenset({"", "c", "f", "deg", "deg c", "deg f", "degc", "degf", "degrees", "celsius", "fahrenheit"})
_AWG: Final[Mapping[str, int]] = MappingProxyType(
    {"0000": -3, "000": -2, "00": -1, "4/0": -3, "3/0": -2, "2/0": -1, "1/0": 0} | {str(n): n for n in range(41)}
)


def parse(text: Quantity, unit: str) -> float:
    """Read a quantity.

    Parameters
    ----------
    text
        A number with a unit of the right dimension, such as ``"4 mΩ"``, ``"14 AWG"`` or ``"75 °F"``; or a
        number, which is taken to be in ``unit`` already. Text without a unit is refused, except for a ratio.
    unit
        The SI unit of the quantity expected: one of `UNITS`, or any other product of SI units.

    Returns
    -------
    float
        The value in ``unit``; the nearest float, where the unit has no π in it.

    Raises
    ------
    QuantityError
        If ``text`` is no finite number with a known unit of this dimension, or is below absolute zero.

    Notes
    -----
    AWG sizes follow ASTM B258: diameter 0.127 mm · 92^((36 − n)/39).

    Examples
    --------
    >>> parse("4 mΩ", "Ω"), parse("2.5 mm2", "m²"), parse("50 °F", "°C"), parse(12.6, "V")
    (0.004, 2.5e-06, 10.0, 12.6)
    """
    value = read(text, unit) if isinstance(text, str) else _plain(text, unit)
    if unit == "°C" and value < -273.15:
        raise QuantityError(f"{shown(text)} is below absolute zero (-273.15 °C)")
    return value


def _plain(number: object, unit: str) -> float:
    si_unit(unit)
    if isinstance(number, bool) or not isinstance(number, Real):
        raise QuantityError(f"{shown(number)} is not a quantity; write e.g. '12 {_example(unit)}'")
    try:
        value = float(number)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise QuantityError(f"{shown(number)} is not a finite number; write e.g. '12 {_example(unit)}'")
    return value


def read(text: str, unit: str, *, difference: bool = False) -> float:
    """Read text as `parse` does; ``difference`` lets a difference in K be written in °C or °F."""
    si_unit(unit)
    if len(text) > LONGEST:
        raise QuantityError(f"{shown(text)} is too long for a quantity (at most {LONGEST} characters)")
    clean = text.strip().translate(SAME)
    if "AWG" in clean.upper():
        return _wire_size(clean, unit)
    number = _NUMBER.match(clean)
    if number is None or _COMMA.search(clean):
        raise _no_number(clean, unit)
    symbol = clean[number.end() :].strip()
    if unit == "°C" and symbol and symbol not in CELSIUS and symbol.strip("° ").lower() in _DEGREES:
        hint = f"did you mean {_degrees(symbol)}? expected {_a(describe(unit))}"
        raise QuantityError(f"unknown unit {_quoted(symbol)} in {_quoted(clean)}; {hint}")
    found = _unit_in(clean, symbol, unit)
    if not _accepts(found, symbol, unit, difference):
        raise _wrong_dimension(clean, described(found, symbol), unit)
    return _scaled(clean, number, found, CELSIUS[symbol] if unit == "°C" else (0, 1))


def _accepts(found: Unit, symbol: str, unit: str, difference: bool) -> bool:
    if unit == "°C":
        return symbol in CELSIUS
    return fits(found, unit) and (difference or symbol == "K" or symbol not in CELSIUS)


def _unit_in(clean: str, symbol: str, unit: str) -> Unit:
    """Return the unit that the text ``clean`` ends in, or tell what is wrong with it."""
    if not symbol and unit == "1":
        return ONE
    if not symbol:
        raise QuantityError(f"{_quoted(clean)} has no unit; write e.g. '{clean} {_example(unit)}'")
    try:
        return read_unit(symbol)
    except UnitError as error:
        if re.search(r"[±×÷]|\+/?-", clean):
            raise QuantityError(f"{_quoted(clean)} has a tolerance, and none is taken here") from None
        if error.fault:
            raise QuantityError(f"unit {_quoted(symbol)} {error.fault}") from None
        hint = _likely(error.part, unit)
        hint = f"did you mean '{hint}'?" if hint else f"expected {_a(describe(unit))}"
        raise QuantityError(f"unknown unit {_quoted(error.part)} in {_quoted(clean)}; {hint}") from None


def _degrees(symbol: str) -> str:
    """Return the spellings of the temperature scale that a symbol stands for, the one on every keyboard first."""
    letter = symbol.strip("° ").lower().removeprefix("deg").removeprefix("rees").strip()[:1]
    told = {"c": "'degC' (°C)", "f": "'degF' (°F)"}
    return told.get(letter, "'degC' (°C) or 'degF' (°F)")


def _likely(part: str, unit: str) -> str | None:
    """Return the unit that a misspelt one stands for: rather one of the kind that is expected."""
    first = part.split(" ", 1)[0]
    if first in spellings():  # "12 V DC"
        return first
    fitting = nearest(part, [symbol for symbol, found in spellings().items() if fits(found, unit)])
    return fitting or (nearest(part, spellings()) if len(part) > 1 else None)


def _no_number(clean: str, unit: str) -> QuantityError:
    if _COMMA.search(clean):
        return QuantityError(f"{_quoted(clean)} has a comma; use a point, as in '2.5 {_example(unit)}'")
    return QuantityError(f"{_quoted(clean)} is not a number with a unit; write e.g. '12 {_example(unit)}'")


def _wrong_dimension(clean: str, found: str, unit: str) -> QuantityError:
    return QuantityError(f"{_quoted(clean)} is {_a(found)}; expected {_a(describe(unit))}")


def _example(unit: str) -> str:
    return _EXAMPLE.get(unit, unit)


def _quoted(text: str) -> str:
    return shown(text, LONGEST)


def _a(noun: str) -> str:
    return f"an {noun}" if noun[0] in "aeiou" else f"a {noun}"


def _scaled(clean: str, number: re.Match[str], unit: Unit, offset: tuple[int, int]) -> float:
    """Return number · unit + offset, in whole numbers up to one correctly rounded division."""
    sign, whole, part, exponent = number.groups("")
    power = int(exponent or 0) - len(part)
    mantissa = int(f"{sign}{whole}{part}")
    value = math.inf
    if abs(power) < 500:
        up = mantissa * unit.up * 10 ** max(power, 0)
        down = unit.down * 10 ** max(-power, 0)
        try:
            value = (up * offset[1] + offset[0] * down) / (down * offset[1]) * math.pow(math.tau, unit.turns)
        except OverflowError:
            value = math.inf
    vanished = value == 0.0 and mantissa != 0 and offset[0] == 0
    if vanished or not math.isfinite(value):
        raise QuantityError(f"{_quoted(clean)} is beyond any quantity")
    return value


def _wire_size(clean: str, unit: str) -> float:
    """Return the area of an AWG size in m² (ASTM B258)."""
    number = _AWG.get(re.sub("AWG", "", clean, flags=re.IGNORECASE).strip())
    if number is None:
        raise QuantityError(f"unknown wire size {_quoted(clean)}; accepted: 4/0, 3/0, 2/0, 1/0 and 1 to 40 AWG")
    if unit != "m²":
        raise _wrong_dimension(clean, describe("m²"), unit)
    diameter = 0.127e-3 * math.pow(92.0, (36 - number) / 39)
    return math.pi / 4 * diameter**2
