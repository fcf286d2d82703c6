"""Instruments: what each shows for a true value, how far it may be off, and what it is to the circuit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from circuitsim.errors import UnknownNameError
from circuitsim.quantities import format_quantity

__all__ = ["METERS", "Meter", "Range", "lamp_look", "meter"]


@dataclass(frozen=True)
class Range:
    """A range of a display: full scale, one digit (SI), and the accuracy ±(share of reading + counts)."""

    full_scale: float
    digit: float
    share: float
    counts: float

    def limit(self, value: float) -> float:
        """Largest error at a reading, SI: a rectangular half width (standard uncertainty limit/√3, GUM 4.3.7)."""
        return self.share * abs(value) + self.counts * self.digit


@dataclass(frozen=True)
class Meter:
    """An autoranging multimeter with its clamp.

    input_resistance: of the volts ranges, Ω; volts, amps, ohms: ranges from small to large.
    """

    name: str
    title: str
    input_resistance: float
    volts: tuple[Range, ...]
    amps: tuple[Range, ...]
    ohms: tuple[Range, ...]

    def ranges(self, unit: str) -> tuple[Range, ...]:
        """Give the ranges for V, A or Ω."""
        return {"V": self.volts, "A": self.amps, "Ω": self.ohms}[unit]

    def range_for(self, value: float, unit: str) -> Range | None:
        """Give the smallest range that holds the value, or None for overload."""
        return next((r for r in self.ranges(unit) if abs(value) < r.full_scale), None)

    def limit(self, value: float, unit: str) -> float:
        """Largest error at a value, SI; of the largest range when the value overloads it."""
        return (self.range_for(value, unit) or self.ranges(unit)[-1]).limit(value)

    def display(self, value: float, unit: str) -> str:
        """Give what the display shows: rounded to the range's digit, ``OL`` beyond the largest range."""
        if math.isnan(value):
            return "-"
        r = self.range_for(value, unit)
        if r is None:
            return "OL"
        small = r.full_scale <= 0.999 and unit == "V"
        prefix, scale = ("m", 1e3) if small else ("k", 1e-3) if r.full_scale > 900 and unit == "Ω" else ("", 1.0)
        if r.full_scale > 9e5 and unit == "Ω":
            prefix, scale = "M", 1e-6
        places = max(0, -math.floor(math.log10(r.digit * scale) + 1e-9))
        shown = round(round(value / r.digit) * r.digit * scale, places) + 0.0
        return f"{shown:.{places}f} {prefix}{unit}"

    def note(self) -> str:
        """Say in a line what it is."""
        v, a = self.volts[-2], self.amps[0]
        return (
            f"{self.title}: {format_quantity(self.input_resistance, 'Ω')}, "
            f"±({100 * v.share:g} % + {v.counts:g} digits) on volts, "
            f"clamp ±({100 * a.share:g} % + {a.counts:g} digits)"
        )


def _decades(first: float, steps: int, digits: int, share: float, counts: float) -> tuple[Range, ...]:
    return tuple(Range(first * 10**k, first * 10**k / digits, share, counts) for k in range(steps))


METERS: dict[str, Meter] = {
    m.name: m
    for m in (
        Meter(
            "standard", "workshop multimeter, 6,000 counts", 1e7,
            _decades(0.6, 4, 6000, 0.005, 2), _decades(60.0, 2, 6000, 0.02, 5), _decades(600.0, 6, 6000, 0.009, 2),
        ),
        Meter(
            "precise", "good multimeter, 50,000 counts", 1e7,
            _decades(0.5, 4, 50000, 0.0005, 5), _decades(50.0, 2, 5000, 0.015, 3), _decades(500.0, 6, 50000, 0.001, 5),
        ),
        Meter(
            "basic", "simple multimeter, 2,000 counts", 1e6,
            _decades(0.2, 4, 2000, 0.01, 3), _decades(40.0, 2, 4000, 0.03, 8), _decades(200.0, 6, 2000, 0.012, 3),
        ),
        Meter(
            "low-impedance", "multimeter on its low-impedance volts", 3e3,
            _decades(6.0, 3, 6000, 0.02, 3), _decades(60.0, 2, 6000, 0.02, 5), _decades(600.0, 6, 6000, 0.009, 2),
        ),
    )
}  # fmt: skip
"""Meters by name. Accuracy classes are assumed, in line with published ±(% + digits) rows; 10 MΩ is the common input
(UP2), about 3 kΩ a low-impedance one (ghost-voltage practice)."""


def meter(name: str) -> Meter:
    """Give a meter by name; UnknownNameError when there is none."""
    if name not in METERS:
        raise UnknownNameError("meter", name, tuple(METERS))
    return METERS[name]


def lamp_look(power_share: float) -> str:
    """Say how a filament lamp looks at a share of its rated power: bright from 60 %, dark below 4 % (assumed)."""
    if math.isnan(power_share):
        return "-"
    return "bright" if power_share >= 0.6 else "dim" if power_share >= 0.04 else "dark"
