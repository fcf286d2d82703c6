"""What a display showed, as people write it down: a number with its unit, OL, a range that jumps, how a lamp looks."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from circuitsim.errors import InputError, UnknownNameError, shown
from circuitsim.measure import METERS, lamp_look
from circuitsim.quantities import format_quantity, parse

__all__ = ["LOOKS", "NUMBER", "SIGNS", "Shown", "is_shown", "read_shown"]

LOOKS = ("bright", "dim", "dark")
"""How a lamp looks."""
SIGNS = str.maketrans({"\u2212": "-", "\u2126": "Ω", "\u2013": "-"})
"""One code point for each sign: minus, ohm, dash."""
NUMBER = r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?"
"""Pattern of a number."""
_QUANTITY = re.compile(rf"({NUMBER})\s*(\S.*)?")
_UNSTABLE = re.compile(
    rf"unstable[\s:]*(?P<low>{NUMBER}?)\s*(?P<unit>[^\s0-9.+-]*)\s*(?:-|to|\.\.\.?|…)\s*(?P<high>{NUMBER})\s*(?P<last>\S+)",
    re.IGNORECASE,
)
_OVERLOAD = re.compile(r"(OL|0L|O\.L\.?|0\.L|OVERLOAD)\s*[kKM]?(Ω|OHM|V|A)?", re.IGNORECASE)


@dataclass(frozen=True)
class Shown:
    """What a display showed.

    kind: "number", "overload", "unstable" or "look"; value: SI, NaN if none; digit: SI size of the last digit written down;
    low, high: range of an unstable display, else NaN; look: of a lamp: "bright", "dim", "dark", else "".
    """

    kind: str
    value: float = math.nan
    digit: float = 0.0
    low: float = math.nan
    high: float = math.nan
    look: str = ""

    def text(self, unit: str) -> str:
        """Write it to the digit that was written down; unit: SI."""
        if self.kind == "look":
            return self.look
        if self.kind == "overload":
            return "OL"
        ends = (self.low, self.high) if self.kind == "unstable" else (self.value,)
        prefix, scale = ("%", 100.0) if unit == "1" else _prefix(max(abs(v) for v in ends), self.digit, unit)
        name = prefix if unit == "1" else prefix + unit
        if not self.digit:
            figures = [format_quantity(v, unit, 6, display=name).partition(" ")[0] for v in ends]
        else:
            places = max(0, -math.floor(math.log10(self.digit * scale) + 1e-6))
            figures = [f"{v * scale + 0.0:.{places}f}" for v in ends]
        return f"{'unstable ' if len(ends) == 2 else ''}{'-'.join(figures)} {name}"


def _prefix(size: float, digit: float, unit: str) -> tuple[str, float]:
    """Choose the prefix in which a display of that size and digit is written."""
    if unit in ("V", "A") and size < 1 and 0 < digit <= 1.001e-3:
        return "m", 1e3
    if unit == "Ω" and size >= 1e6 and digit >= 1e3:
        return "M", 1e-6
    return ("k", 1e-3) if unit in ("Ω", "Hz") and size >= 1e3 and digit >= 1 else ("", 1.0)


def read_shown(text: str, unit: str) -> Shown:
    """Read what a display showed: ``8.48 V``, ``412 mV``, ``OL``, ``unstable 3-9 V``, ``bright``, ``45 %``.

    unit: SI; 1 for a lamp (how it looks) and for a share.

    Raises InputError (QuantityError) for anything else.
    """
    plain = " ".join(text.translate(SIGNS).split())
    if unit == "1" and plain.lower() in LOOKS:
        return Shown("look", look=plain.lower())
    if unit == "1" and not re.match(r"[-+.0-9]", plain):
        raise UnknownNameError("look of a lamp", plain, LOOKS)
    if _OVERLOAD.fullmatch(plain):
        return Shown("overload")
    if plain.lower().startswith("unstable"):
        return _unstable(plain, unit)
    if plain.lower() in LOOKS:
        raise InputError(f"{shown(plain)} is how a lamp looks; put lamp into the column instrument")
    return Shown("number", value=parse(plain, unit), digit=_digit(plain, unit))


def _unstable(text: str, unit: str) -> Shown:
    match = _UNSTABLE.fullmatch(text)
    if match is None:
        raise InputError(f"{shown(text)} is no range; accepted: such as unstable 3-9 {unit}")
    ends = [f"{match['low']} {match['unit'] or match['last']}", f"{match['high']} {match['last']}"]
    low, high = sorted(parse(end, unit) for end in ends)
    return Shown("unstable", low=low, high=high, digit=min(_digit(end, unit) for end in ends))


def _digit(text: str, unit: str) -> float:
    """Give the size of the last digit of a quantity that can be read, SI."""
    match = _QUANTITY.fullmatch(text)
    if match is None:
        return 0.0
    mantissa, _, power = match[1].lower().partition("e")
    places = len(mantissa.partition(".")[2]) - int(power or 0)
    return abs(parse(f"1 {match[2] or ''}", unit)) * 10.0**-places


def is_shown(text: str, value: float, unit: str) -> bool:
    """Whether a text is what a display shows of a value that is known to that display's digit; False for no such text."""
    try:
        found = read_shown(text, unit)
    except InputError:
        return False
    if found.kind == "look":
        return found.look == lamp_look(value)
    if found.kind == "overload":
        return unit in ("V", "A", "Ω") and value >= min(m.ranges(unit)[-1].full_scale for m in METERS.values())
    return found.kind == "number" and abs(found.value - value) < 0.01 * found.digit
