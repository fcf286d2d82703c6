"""What follows a ±: how far a value may lie from its nominal one, and with which distribution."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final, Literal

from circuitsim.errors import QuantityError, shown
from circuitsim.quantities.reading import LONGEST, SAME, Quantity, parse, read
from circuitsim.quantities.writing import column_unit, format_number, format_quantity

_COVER_95: Final = 1.959963984540054  # half width of 95 % of a normal distribution, in standard deviations
_WIDEST_FACTOR: Final = 1e6
_SPREAD: Final = re.compile(
    r"(?P<nominal>.*?)\s*(?P<sign>±|\+/?-|×/?÷|[xX]/÷?)\s*(?P<size>.*?)(?:\s+(?P<kind>normal|uniform))?"
)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a value may lie from its nominal one.

    Attributes
    ----------
    kind
        ``"uniform"``: anywhere within ± ``size``, which is how the GUM (4.3.7) reads a bare limit.
        ``"normal"``: 95 % within ± ``size``.
        ``"lognormal"``: 95 % within a factor ``size`` of the nominal value, which is the median.
    size
        Half width in SI units, or as a fraction of the nominal if ``relative``; the factor if lognormal.
    relative
        Whether ``size`` is a fraction of the nominal; always so if lognormal.

    Raises
    ------
    QuantityError
        If ``size`` is negative or not finite, or a factor that is not above 1 or is above a million.
    """

    kind: Literal["uniform", "normal", "lognormal"]
    size: float
    relative: bool = False

    def __post_init__(self) -> None:
        if self.kind not in ("uniform", "normal", "lognormal"):
            raise QuantityError(f"unknown tolerance {shown(self.kind)}; accepted: uniform, normal, lognormal")
        if self.kind == "lognormal":
            object.__setattr__(self, "relative", True)
            if not 1.0 < self.size <= _WIDEST_FACTOR:
                raise QuantityError(f"tolerance factor {shown(self.size)} must be above 1, at most 1000000")
        elif not 0.0 <= self.size < math.inf:
            raise QuantityError(f"tolerance ±{shown(self.size)} must be zero or more, and finite")

    @property
    def log_sigma(self) -> float:
        """Standard deviation of the natural logarithm [1]; zero unless lognormal."""
        return math.log(self.size) / _COVER_95 if self.kind == "lognormal" else 0.0

    def standard(self, nominal: float) -> float:
        """Return the standard uncertainty about ``nominal``, in the unit of ``nominal``.

        The half width divided by √3 if uniform (GUM 4.3.7), by 1.96 if normal (GUM 4.3.4). If lognormal, with
        the median ``nominal`` and the log deviation s, ``|nominal| · sqrt(exp(s²) · (exp(s²) − 1))``.
        """
        if self.kind == "lognormal":
            variance = self.log_sigma**2
            return abs(nominal) * math.sqrt(math.exp(variance) * math.expm1(variance))
        half_width = self.size * (abs(nominal) if self.relative else 1.0)
        return half_width / (math.sqrt(3.0) if self.kind == "uniform" else _COVER_95)

    def text(self, nominal: float | None, unit: str, digits: int = 4) -> str:
        """Return text that reads back, such as ``"10 Ω ±5 %"``; only the tolerance if ``nominal`` is None."""
        if self.kind == "lognormal":
            spread = f"×/÷ {format_number(self.size, digits)}"
        elif self.relative:
            spread = f"±{format_number(100 * self.size, digits)} %"
        else:  # in the unit of the nominal value: "12.6 V ±0.1 V"
            size_unit = "K" if unit == "°C" else unit
            spread = f"±{format_quantity(self.size, size_unit, digits, display=_beside(nominal, size_unit))}"
        spread += " normal" if self.kind == "normal" else ""
        return spread if nominal is None else f"{format_quantity(nominal, unit, digits)} {spread}"


def parse_tolerance(text: str, unit: str) -> Tolerance:
    """Read a tolerance alone: ``"±5 %"``, ``"+-0.1 V"``, ``"±5 % normal"``, ``"×/÷ 2"`` or ``"x/ 2"``.

    Parameters
    ----------
    text
        The tolerance. A percentage is a share of the nominal value; a tolerance on a temperature is in K.
    unit
        The SI unit of the quantity it belongs to.

    Raises
    ------
    QuantityError
        If it is no tolerance, has the wrong dimension, or is negative, or a factor not above 1.
    """
    match = _split(text)
    if match is None or match["nominal"]:
        raise QuantityError(f"{shown(text)} is not a tolerance alone; write e.g. '±5 %' or '×/÷ 2'")
    return _tolerance(match, unit)


def parse_with_tolerance(text: Quantity, unit: str) -> tuple[float, Tolerance | None]:
    """Read a quantity that may have a tolerance, such as ``"12.6 V ±0.1 V"`` or ``"4 mΩ ×/÷ 2"``.

    Parameters and errors are those of `parse` and `parse_tolerance`. The second value is None where no
    tolerance is given. A ratio in percent with a tolerance in percent is refused: it may mean points or a
    share.

    Examples
    --------
    >>> parse_with_tolerance("10 Ω ±5 %", "Ω")
    (10.0, Tolerance(kind='uniform', size=0.05, relative=True))
    """
    match = _split(text)
    if match is None:
        return parse(text, unit), None
    if not match["nominal"]:
        raise QuantityError(f"{shown(text)} has no nominal value; write e.g. '12 {unit} {match.string}'")
    if unit == "1" and match["nominal"].endswith("%") and match["size"].endswith("%"):
        raise QuantityError(f"{shown(text)} may mean points or a share; write one of the two without %")
    return parse(match["nominal"], unit), _tolerance(match, unit)


def _beside(nominal: float | None, unit: str) -> str | None:
    return None if not nominal or unit == "1" else column_unit([nominal], unit)


def _split(text: object) -> re.Match[str] | None:
    """Return nominal, sign, size and kind of a text with a tolerance; None if there is none in it."""
    if not isinstance(text, str) or len(text) > LONGEST:
        return None
    return _SPREAD.fullmatch(text.translate(SAME).strip())


def _tolerance(match: re.Match[str], unit: str) -> Tolerance:
    size, kind = match["size"], match["kind"]
    if not size:
        raise QuantityError(f"{shown(match.string)} has no size; write e.g. '±5 %' or '×/÷ 2'")
    factor = match["sign"][0] in "×xX"
    relative = size.endswith("%")
    if unit == "°C" and (factor or relative):  # a share of a temperature in °C would mean nothing
        raise QuantityError(f"the tolerance of a temperature is no share of it; give it in K, not as {shown(size)}")
    if factor:
        if kind:
            raise QuantityError(f"a tolerance factor is lognormal and cannot be {kind}")
        return Tolerance("lognormal", read(size, "1"), relative=True)
    if "AWG" in size.upper():
        raise QuantityError(f"{shown(size)} is no tolerance; give it in percent or mm²")
    degrees = unit == "°C" and not relative
    value = read(size, "K", difference=True) if degrees else read(size, "1" if relative else unit)
    return Tolerance("normal" if kind == "normal" else "uniform", value, relative)
