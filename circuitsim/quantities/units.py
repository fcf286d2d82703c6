"""Unit symbols, how they combine, and the dimension and size of what they make.

A unit is a product or quotient of (prefixed) symbols with whole powers, such as ``mΩ/m``, ``g·cm²`` or
``V/(rad/s)``, in Unicode or plain ASCII (``mohm/m``, ``g*cm^2``). Its size is kept as a ratio of whole
numbers, and the powers of 2π in it apart, so that a quantity can be rounded once, at the end. Sizes: the SI
brochure (BIPM, 9th edition); inch and foot by the international agreement of 1959.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Final, NamedTuple

from circuitsim.errors import QuantityError, one_line, shown

UNITS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "1": "ratio",
        "V": "voltage",
        "A": "current",
        "Ω": "resistance",
        "S": "conductance",
        "F": "capacitance",
        "H": "inductance",
        "W": "power",
        "A·s": "charge",
        "A²·s": "melting integral",
        "Ω·m": "resistivity",
        "Ω/m": "resistance per length",
        "m": "length",
        "m²": "area",
        "m³": "volume",
        "kg": "mass",
        "kg/m³": "density",
        "s": "time",
        "Hz": "frequency",
        "m/s": "velocity",
        "m³/s": "volume flow",
        "Pa": "pressure",
        "rad/s": "speed",
        "N·m": "torque",
        "J": "energy",
        "kg·m²": "moment of inertia",
        "V·s/rad": "motor constant",
        "N·m·s/rad": "viscous torque coefficient",
        "N·m·s²/rad²": "square-law torque coefficient",
        "°C": "temperature",
        "K": "temperature difference",
        "1/K": "temperature coefficient",
        "K/W": "thermal resistance",
        "W/K": "thermal conductance",
        "J/K": "heat capacity",
    }
)
"""The SI unit of each quantity the package names, and that name. Other products of SI units work too."""

CELSIUS: Final[Mapping[str, tuple[int, int]]] = MappingProxyType(
    {
        **dict.fromkeys(("°C", "degC", "℃"), (0, 1)),
        **dict.fromkeys(("°F", "degF", "℉"), (-160, 9)),
        "K": (-27315, 100),
    }
)
"""Temperature scales, and the ratio to add after scaling to K so as to arrive at °C."""


class UnitError(Exception):
    """A unit's text cannot be read: ``part`` of it is unknown, or it has the ``fault`` told."""

    def __init__(self, part: str, fault: str = "") -> None:
        super().__init__(part, fault)
        self.part = part
        self.fault = fault


class Unit(NamedTuple):
    """A unit of the size ``up / down · (2π)^turns`` in SI units.

    ``dimension`` has the powers of metre, kilogram, second, ampere, kelvin and radian. The radian is counted
    so that a frequency is not taken for a speed.
    """

    up: int
    down: int
    turns: int
    dimension: tuple[int, ...]

    def power(self, exponent: int) -> Unit:
        """Return the unit to a whole power."""
        if max(self.up, self.down).bit_length() * abs(exponent) > 2000:  # "((%9)9)9" would grow without end
            raise UnitError("", "has absurd powers")
        up, down = (self.up, self.down) if exponent >= 0 else (self.down, self.up)
        dimension = tuple(exponent * base for base in self.dimension)
        return Unit(up ** abs(exponent), down ** abs(exponent), self.turns * exponent, dimension)

    def times(self, other: Unit) -> Unit:
        """Return the product of two units."""
        dimension = tuple(a + b for a, b in zip(self.dimension, other.dimension, strict=True))
        return Unit(self.up * other.up, self.down * other.down, self.turns + other.turns, dimension)


ONE: Final = Unit(1, 1, 0, (0, 0, 0, 0, 0, 0))

_PREFIXES: Final[Mapping[str, int]] = MappingProxyType(
    {"p": -12, "n": -9, "µ": -6, "u": -6, "m": -3, "c": -2, "d": -1, "h": 2, "k": 3, "M": 6, "G": 9}
)
_USUAL: Final = "pnµumkMG"

# symbols: (prefixes they take, up, down, turns, powers of m, kg, s, A, K, rad)
_TABLE: Final[Mapping[str, tuple[str, int, int, int, tuple[int, ...]]]] = MappingProxyType(
    {
        "V": (_USUAL, 1, 1, 0, (2, 1, -3, -1, 0, 0)),
        "A": (_USUAL, 1, 1, 0, (0, 0, 0, 1, 0, 0)),
        "Ω ohm ohms Ohm": (_USUAL, 1, 1, 0, (2, 1, -3, -2, 0, 0)),
        "S": (_USUAL, 1, 1, 0, (-2, -1, 3, 2, 0, 0)),
        "F": (_USUAL, 1, 1, 0, (-2, -1, 4, 2, 0, 0)),
        "H": (_USUAL, 1, 1, 0, (2, 1, -2, -2, 0, 0)),
        "W": (_USUAL, 1, 1, 0, (2, 1, -3, 0, 0, 0)),
        "J": (_USUAL, 1, 1, 0, (2, 1, -2, 0, 0, 0)),
        "Ah": ("mk", 3600, 1, 0, (0, 0, 1, 1, 0, 0)),
        "N": (_USUAL, 1, 1, 0, (1, 1, -2, 0, 0, 0)),
        "Nm": (_USUAL, 1, 1, 0, (2, 1, -2, 0, 0, 0)),
        "Pa": ("hkM", 1, 1, 0, (-1, 1, -2, 0, 0, 0)),
        "bar": ("m", 100_000, 1, 0, (-1, 1, -2, 0, 0, 0)),
        "g": ("µumk", 1, 1000, 0, (0, 1, 0, 0, 0, 0)),
        "m": ("nµumcdk", 1, 1, 0, (1, 0, 0, 0, 0, 0)),
        "in inch": ("", 254, 10_000, 0, (1, 0, 0, 0, 0, 0)),
        "ft": ("", 3048, 10_000, 0, (1, 0, 0, 0, 0, 0)),
        "L l": ("mcd", 1, 1000, 0, (3, 0, 0, 0, 0, 0)),
        "s": ("pnµum", 1, 1, 0, (0, 0, 1, 0, 0, 0)),
        "min": ("", 60, 1, 0, (0, 0, 1, 0, 0, 0)),
        "h": ("", 3600, 1, 0, (0, 0, 1, 0, 0, 0)),
        "Hz": ("mkMG", 1, 1, 0, (0, 0, -1, 0, 0, 0)),
        "rad": ("m", 1, 1, 0, (0, 0, 0, 0, 0, 1)),
        "rev r": ("", 1, 1, 1, (0, 0, 0, 0, 0, 1)),
        "rpm": ("k", 1, 60, 1, (0, 0, -1, 0, 0, 1)),
        "K": ("m", 1, 1, 0, (0, 0, 0, 0, 1, 0)),
        "°C degC ℃": ("", 1, 1, 0, (0, 0, 0, 0, 1, 0)),
        "°F degF ℉": ("", 5, 9, 0, (0, 0, 0, 0, 1, 0)),
        "%": ("", 1, 100, 0, (0, 0, 0, 0, 0, 0)),
        "ppm": ("", 1, 1_000_000, 0, (0, 0, 0, 0, 0, 0)),
    }
)
_RADIAN_OPTIONAL: Final = frozenset({"V·s/rad", "N·m·s/rad"})
_RAISED: Final = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")
_TOKEN: Final = re.compile(r"[A-Za-zΩµ°℃℉%]+|[·/()]|\^?-?[0-9](?![0-9])")
# Units whose size is chosen by prefix in output; kg, K, rad and powers keep theirs.
_SCALED: Final = frozenset({"V", "A", "Ω", "S", "F", "H", "W", "J", "N", "Pa", "m", "s", "Hz"})


@lru_cache(maxsize=1)
def spellings() -> Mapping[str, Unit]:
    """Return every symbol, alone and with every prefix it may take."""
    alone = {symbol: (row[0], Unit(*row[1:])) for names, row in _TABLE.items() for symbol in names.split()}
    found = {symbol: unit for symbol, (_, unit) in alone.items()}
    for symbol, (prefixes, unit) in alone.items():
        for prefix in prefixes:
            ten = ONE._replace(up=10).power(_PREFIXES[prefix])
            found.setdefault(prefix + symbol, unit.times(ten))
    return MappingProxyType(found)


@lru_cache(maxsize=256)
def prefixes(unit: str) -> Mapping[int, str]:
    """Return the prefixes, by power of ten, that may stand before an SI unit in output, smallest first."""
    symbol = re.match(r"[A-Za-zΩ]+(?![A-Za-zΩ²³⁴-⁹⁻])", unit)
    if symbol is None or symbol.group() not in _SCALED:
        return MappingProxyType({0: ""})
    allowed = next(row[0] for names, row in _TABLE.items() if symbol.group() in names.split())
    powers = {_PREFIXES[prefix]: prefix for prefix in allowed if prefix not in "ucdh"}
    return MappingProxyType(dict(sorted({**powers, 0: ""}.items())))


class _Reader:
    """Recursive descent.

    ``unit = ["1" "/"] product``, ``product = power {("·" | "/") power}``,
    ``power = (symbol | "(" product ")") [digit]``.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        plain = text.replace("**", "^").replace("*", "·").translate(_RAISED)
        plain = re.sub(r"\s*([·/()^])\s*", r"\1", plain)
        self.tokens = _TOKEN.findall(plain)
        if not plain or "".join(self.tokens) != plain:
            raise UnitError(text)
        if self.tokens[:2] == ["1", "/"]:
            del self.tokens[0]
        self.tokens.reverse()  # the next token is the last, for pop

    def unit(self) -> Unit:
        unit = self.product(ONE if self.tokens[-1] == "/" else self.power())
        if self.tokens:
            raise UnitError(self.text)
        return unit

    def product(self, unit: Unit) -> Unit:
        divided = False
        while self.tokens and self.tokens[-1] in ("·", "/"):
            sign = self.tokens.pop()
            if divided and sign == "·":  # by J/kg·K people mean J/(kg·K); plain arithmetic says otherwise
                raise UnitError("", "is ambiguous after '/'; use brackets, as in J/(kg·K)")
            divided = divided or sign == "/"
            unit = unit.times(self.power().power(-1 if sign == "/" else 1))
        return unit

    def power(self) -> Unit:
        token = self.tokens.pop() if self.tokens else ""
        if token == "(":
            unit = self.product(self.power())
            if not self.tokens or self.tokens.pop() != ")":
                raise UnitError(self.text)
        elif token in spellings():
            unit = spellings()[token]
        else:
            raise UnitError(token if token[:1].isalpha() else self.text)
        if self.tokens and self.tokens[-1][-1].isdecimal():
            unit = unit.power(int(self.tokens.pop().lstrip("^")))
        return unit


@lru_cache(maxsize=1024)
def read_unit(text: str) -> Unit:
    """Return the unit that ``text`` spells; UnitError if it spells none."""
    return _Reader(text).unit()


@lru_cache(maxsize=256)
def si_unit(symbol: str) -> Unit:
    """Return the SI unit in which a caller wants a quantity; QuantityError if ``symbol`` is none."""
    if symbol == "1":
        return ONE
    try:
        unit = read_unit(symbol)
    except UnitError:
        raise QuantityError(f"no quantity has the unit {shown(symbol)}, asked for by the program") from None
    if unit.up != unit.down or unit.turns or (symbol in CELSIUS and symbol not in ("K", "°C")):
        raise QuantityError(f"{shown(symbol)}, asked for by the program, is not an SI unit")
    return unit


def fits(unit: Unit, symbol: str) -> bool:
    """Return whether a quantity in ``unit`` is of the kind measured in the SI unit ``symbol``.

    The radian may be left out of a motor constant (N·m/A is V·s/rad) and of a viscous torque coefficient;
    nowhere else, since Hz is not rad/s, and N·m·s² is a moment of inertia.
    """
    wanted = si_unit(symbol).dimension
    if symbol in _RADIAN_OPTIONAL:
        return unit.dimension[:-1] == wanted[:-1] and unit.dimension[-1] in (0, wanted[-1])
    return unit.dimension == wanted


def describe(unit: str) -> str:
    """Return the name and symbol of the quantity measured in an SI unit.

    Examples
    --------
    >>> describe("Ω")
    'resistance (Ω)'
    """
    if unit == "1":
        return "ratio (a number or %)"
    return f"{UNITS[unit]} ({unit})" if unit in UNITS else f"quantity in {one_line(unit, 40)}"


def described(unit: Unit, text: str) -> str:
    """Return the name and symbol of what was found in ``unit``, written as ``text``."""
    if text in CELSIUS and text != "K":
        return describe("°C")
    named = (symbol for symbol in UNITS if symbol != "°C" and fits(unit, symbol))
    return describe(next(named, text))
