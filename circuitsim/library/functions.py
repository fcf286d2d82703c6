"""Instruments by the words of the trade, and what they can be set to beside plain volts, amperes and ohms.

Functions look at a waveform. Names: a function alone goes between two leads (`duty`), with `clamp-` before it on a clamp
(`clamp-ac`). The plain DC ranges are the instruments voltmeter and clamp themselves. `measure.instruments` says what each
function shows.
"""

from __future__ import annotations

from dataclasses import dataclass

from circuitsim.errors import InputError
from circuitsim.quantities import format_quantity, parse

__all__ = [
    "FUNCTIONS",
    "INSTRUMENTS",
    "WAVE_INSTRUMENTS",
    "Function",
    "function_of",
    "on_bench",
    "on_clamp",
    "read_capture",
    "title_of",
    "unit_of",
]

INSTRUMENTS = {"voltmeter": "V", "clamp": "A", "ohmmeter": "Ω", "lamp": "1"}
"""Instruments that show averages, by name, and the unit that each reads: these every study knows."""

CAPTURE = 0.1
"""Time over which each minimum or maximum is averaged where nothing else is said, s: common in workshop meters, from memory."""

_CLAMP = "clamp-"


@dataclass(frozen=True)
class Function:
    """A function of an instrument.

    name: as files and commands give it; title: as it is called on a waveform's list; unit: SI, '' for that of the waveform;
    capture: whether it averages over a capture time; positive: whether it shows nothing below zero.
    """

    name: str
    title: str
    unit: str = ""
    capture: bool = False
    positive: bool = False


FUNCTIONS = {
    f.name: f
    for f in (
        Function("ac", "true RMS, AC", positive=True),
        Function("ac+dc", "true RMS, AC+DC", positive=True),
        Function("ac-average", "average-responding AC", positive=True),
        Function("min", "minimum", capture=True),
        Function("max", "maximum", capture=True),
        Function("scope-min", "least on a scope"),
        Function("scope-max", "largest on a scope"),
        Function("duty", "duty", "1", positive=True),
        Function("frequency", "frequency", "Hz", positive=True),
    )
}
"""Functions by name."""

WAVE_INSTRUMENTS = {
    **{name: f.unit or "V" for name, f in FUNCTIONS.items()},
    **{_CLAMP + name: f.unit or "A" for name, f in FUNCTIONS.items()},
}
"""Instruments set to a function, by name, and the unit that each reads: for studies that follow waveforms."""


def unit_of(instrument: str) -> str:
    """Give the SI unit that an instrument reads."""
    return INSTRUMENTS.get(instrument) or WAVE_INSTRUMENTS[instrument]


def function_of(instrument: str) -> Function | None:
    """Give the function that an instrument is set to; None for one that shows an average."""
    return FUNCTIONS.get(instrument.removeprefix(_CLAMP))


def on_clamp(instrument: str) -> bool:
    """Whether an instrument goes round a wire."""
    return instrument == "clamp" or instrument.startswith(_CLAMP)


def on_bench(instrument: str) -> str:
    """Give what an instrument is to the circuit: a voltmeter, whatever it is set to, or what it is called."""
    return "voltmeter" if instrument in FUNCTIONS else instrument


def title_of(instrument: str, capture: str = "") -> str:
    """Say which instrument, as a chart does: 'duty', 'min of 1 ms', 'clamp ac'; capture: its capture time in words."""
    words = instrument.replace(_CLAMP, "clamp ")
    return f"{words} of {capture}" if capture else words


_CAPTURES = (1e-6, 10.0)  # s; faster is no meter's peak mode, slower no minimum


def read_capture(given: str | float) -> float:
    """Read a capture time, s: text with its unit, or seconds.

    Raises QuantityError or InputError for what can't be read or is out of range.
    """
    found = parse(given, "s")
    low, high = _CAPTURES
    if not low <= found <= high:
        span = f"{format_quantity(low, 's')} to {format_quantity(high, 's')}"
        raise InputError(f"{format_quantity(found, 's')} is out of range; accepted: {span}")
    return found
