"""What an instrument shows of a waveform: meters, clamps, minimum and maximum, duty, lamp, scope; and how far it may be off.

Conventions. A DC meter averages over each of its updates, behind a first-order filter. A true-RMS meter on AC drops the
average; on AC+DC it keeps it. An average-responding meter shows π/(2√2) = 1.1107 times the mean of |v - average|, which is the
RMS value of a sine alone. Minimum and maximum are extremes of readings that are averages over the capture time: of a shorter
peak the share that it has of that time, of fast chopping the average. A lamp glows by the RMS value that its filament's heat
smooths.

Speeds and AC accuracies are assumed where not given (about three updates a second, 100 ms for a minimum, 1 ms for a peak mode
are common in workshop meters: from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements import Lamp
from circuitsim.errors import InputError
from circuitsim.library.functions import FUNCTIONS
from circuitsim.measure.conditions import TEST_LAMP
from circuitsim.measure.meters import Meter, Range, lamp_look
from circuitsim.measure.traces import Trace
from circuitsim.quantities import format_quantity

__all__ = [
    "COUNTED", "FORM_FACTOR", "SCOPE", "TIMING", "Scope", "Shown", "Timing", "ac_dc_reading", "ac_reading",
    "average_ac_reading", "dc_reading", "dc_record", "duty_reading", "extreme_readings", "frequency_reading",
    "lamp_reading", "lamp_share", "meter_readings", "periodic_ripple", "scope_readings", "show_function",
]  # fmt: skip

Array = NDArray[np.float64]

FORM_FACTOR = math.pi / (2 * math.sqrt(2))
"""RMS over mean of a rectified sine, 1.1107: the scale of an average-responding meter (mathematics)."""

COUNTED = 0.2
"""Least swing, V or A, that a meter counts for duty and frequency (assumed): below, a display shows no reading."""


@dataclass(frozen=True)
class Timing:
    """How fast an instrument is, and what it is worth on AC; all assumed.

    update: time between two readings, over which each is averaged, s; smoothing: time constant of the filter before that, s;
    capture: time over which minimum and maximum are averaged, s; peak: the same in the fast peak mode, s; ac_share,
    ac_counts: accuracy on AC, ±(share of reading + counts); filament: time constant of a test lamp's filament, s.
    """

    update: float = 1 / 3
    smoothing: float = 0.03
    capture: float = 0.1
    peak: float = 0.001
    ac_share: float = 0.015
    ac_counts: float = 5.0
    filament: float = 0.1


TIMING = Timing()
"""A workshop multimeter and a test lamp."""


@dataclass(frozen=True)
class Scope:
    """Oscilloscope: time between two samples, s, and its screen as a range: full scale, a step of its converter, accuracy."""

    interval: float
    screen: Range


SCOPE = Scope(1e-5, Range(40.0, 40.0 / 256, 0.03, 1.0))
"""A handheld scope: 100,000 samples a second, 8 bits over 40 V, ±(3 % + 1 step) (assumed)."""


@dataclass(frozen=True)
class Shown:
    """What an instrument shows, SI: the value, how far it swings about it, and its own largest error.

    what: such as 'DC' or 'minimum'; ripple: largest swing that filter and averaging leave; display: the text on the display,
    or how a lamp looks.
    """

    what: str
    value: float
    unit: str
    ripple: float
    limit: float
    display: str

    @property
    def low(self) -> float:
        """Least value it may show."""
        return self.value - self.ripple - self.limit

    @property
    def high(self) -> float:
        """Largest value it may show."""
        return self.value + self.ripple + self.limit


def _shown(what: str, value: float, unit: str, meter: Meter, ripple: float = 0.0, timing: Timing | None = None) -> Shown:
    """Put a value on a meter's display; with `timing`, by its accuracy on AC."""
    limit = meter.limit(value, unit)
    if timing is not None:
        place = meter.range_for(value, unit) or meter.ranges(unit)[-1]
        limit = Range(place.full_scale, place.digit, max(timing.ac_share, place.share), timing.ac_counts).limit(value)
    return Shown(what, value, unit, ripple, limit, meter.display(value, unit))


def show_function(name: str, value: float, meter: Meter, unit: str = "V", timing: Timing = TIMING) -> Shown:
    """Put what a function (see `FUNCTIONS`) makes of a waveform on its display, with the accuracy that it has there.

    unit: of the waveform. NaN is no reading: '-'.
    """
    what = FUNCTIONS[name].title
    if name in ("duty", "frequency"):
        return _counted(name, value, timing)
    if name.startswith("scope-"):
        text = f"{value:.2f} {unit}" if math.isfinite(value) else "-"
        return Shown(what, value, unit, 0.0, SCOPE.screen.limit(value), text)
    return _shown(what, value, unit, meter, timing=timing if name.startswith("ac") else None)


def _counted(name: str, value: float, timing: Timing = TIMING) -> Shown:
    """Put a duty or a frequency on a display."""
    what, unit = FUNCTIONS[name].title, FUNCTIONS[name].unit
    limit = 0.001 + timing.ac_share / 3 if name == "duty" else 0.001 * value
    if not math.isfinite(value):
        return Shown(what, value, unit, 0.0, limit, "-")
    text = f"{100 * value:.1f} %" if name == "duty" else format_quantity(value, unit, 4)
    return Shown(what, value, unit, 0.0, limit, text)


def dc_reading(trace: Trace, meter: Meter, unit: str = "V", timing: Timing = TIMING) -> Shown:
    """DC range, on volts or on a DC clamp (unit A): the average, and the ripple that its filter and its averaging let through.

    A record gives the average of its readings; its ripple is how far they lie off it.
    """
    if trace.periodic:
        value = trace.figures.mean
        ripple = periodic_ripple(trace, timing)
    else:
        readings = dc_record(trace, timing)[1]
        value = float(readings.mean())
        ripple = float(np.abs(readings - value).max())
    return _shown("DC", value, unit, meter, ripple)


def periodic_ripple(trace: Trace, timing: Timing = TIMING) -> float:
    """Give how far any DC reading of a periodic waveform lies off its average, wherever in the period it begins."""
    least = 1e-12 * max(abs(trace.figures.low), abs(trace.figures.high))
    begin = np.concatenate([trace.times, trace.times - timing.update, trace.times[0] + trace.duration * np.linspace(0, 1, 513)])
    swing = _averages(trace, begin, timing) - trace.figures.mean
    ripple = float(np.abs(swing).max())
    return ripple if ripple > least else 0.0


def _averages(trace: Trace, begin: Array, timing: Timing) -> Array:
    """Average over an update from each beginning on; behind the filter it is mean(u) - τ·(change of the output)/T."""
    end = begin + timing.update
    if trace.periodic:  # the whole periods in an update give the average itself: only what is left is integrated
        plain = trace.figures.mean + (_swing(trace, end) - _swing(trace, begin)) / timing.update
    else:
        plain = (trace.integral(end) - trace.integral(begin)) / timing.update
    if timing.smoothing <= 0:
        return np.asarray(plain)
    moved = trace.filtered_at(timing.smoothing, end) - trace.filtered_at(timing.smoothing, begin)
    return np.asarray(plain - timing.smoothing * moved / timing.update)


def _swing(trace: Trace, times: Array) -> Array:
    """Integral of the waveform less its average, which repeats itself."""
    inside = trace.times[0] + np.mod(times - trace.times[0], trace.duration)
    return np.asarray(trace.integral(inside) - trace.figures.mean * (inside - trace.times[0]))


def dc_record(trace: Trace, timing: Timing = TIMING) -> tuple[Array, Array]:
    """Readings of a DC meter one after the other: when each appears, s, and its value; the first update ends with the first.

    Raises InputError for a record that is shorter than one update.
    """
    count = math.floor(trace.duration / timing.update * (1 + 1e-12))
    if count < 1:
        raise InputError(f"a record of {trace.duration:g} s is shorter than one update of {timing.update:g} s", key="times")
    begin = trace.times[0] + timing.update * np.arange(count)
    return begin + timing.update, _averages(trace, begin, timing)


def ac_reading(trace: Trace, meter: Meter, unit: str = "V", timing: Timing = TIMING) -> Shown:
    """True RMS, AC-coupled: the average is dropped."""
    return show_function("ac", trace.figures.ac, meter, unit, timing)


def ac_dc_reading(trace: Trace, meter: Meter, unit: str = "V", timing: Timing = TIMING) -> Shown:
    """True RMS of everything, the average included."""
    return show_function("ac+dc", trace.figures.rms, meter, unit, timing)


def average_ac_reading(trace: Trace, meter: Meter, unit: str = "V", timing: Timing = TIMING) -> Shown:
    """An AC range that is no true RMS: 1.1107 times the mean of |v - average|, right for a sine alone."""
    return show_function("ac-average", FORM_FACTOR * trace.mean_deviation, meter, unit, timing)


def extreme_readings(trace: Trace, meter: Meter, capture: float, unit: str = "V") -> tuple[Shown, Shown]:
    """Minimum and maximum of averages over the capture time (see the module's text)."""
    low, high = trace.averaged_range(capture)
    return show_function("min", low, meter, unit), show_function("max", high, meter, unit)


def _half_way(trace: Trace) -> float:
    return (trace.figures.low + trace.figures.high) / 2


def _height(trace: Trace) -> float:
    return trace.figures.high - trace.figures.low


def duty_reading(trace: Trace, level: float | None = None, timing: Timing = TIMING) -> Shown:
    """Duty: share of the time above a level, half way between the extremes unless given; NaN for too small a swing."""
    if _height(trace) < COUNTED:
        return _counted("duty", math.nan, timing)
    share = trace.share_above(_half_way(trace) if level is None else level)
    return _counted("duty", share, timing)


def frequency_reading(trace: Trace, level: float | None = None, hysteresis: float = 0.1) -> Shown:
    """Frequency by counting rises past a level, half way between the extremes unless given; NaN for too small a swing.

    A level that is given may never be passed: that is 0 Hz.
    hysteresis: share of the swing by which it must fall below the level before a rise counts again.
    """
    if _height(trace) < COUNTED:
        return _counted("frequency", math.nan)
    centre, swing = _half_way(trace) if level is None else level, _height(trace)
    count = trace.rises(centre - hysteresis * swing / 2, centre + hysteresis * swing / 2)
    value = count / trace.duration
    return _counted("frequency", value)


def lamp_share(volts: float | Array, power: float = TEST_LAMP["power"], voltage: float = TEST_LAMP["voltage"]) -> Array:
    """Share of a filament lamp's rated power at an RMS voltage, by the law of `Lamp`."""
    cold = Lamp("scale", "a", "b", power=power, voltage=voltage).values["cold_share"]
    exponent = 0.225
    knee = (cold ** (-1 / exponent) - 1) / voltage**2
    square = np.square(np.asarray(volts, float))
    return np.asarray(square / (voltage**2 * cold * (1 + knee * square) ** exponent))


def lamp_reading(trace: Trace, voltage: float = TEST_LAMP["voltage"], timing: Timing = TIMING) -> Shown:
    """A test lamp across a voltage: its share of rated power by RMS; ripple: how far it flickers, filament smoothed."""
    power = TEST_LAMP["power"]
    steady = float(lamp_share(trace.figures.rms, power, voltage))
    squares = trace.squared().filtered_range(timing.filament)
    low, high = (float(lamp_share(math.sqrt(max(s, 0.0)), power, voltage)) for s in squares)
    return Shown("test lamp", steady, "1", max(high - steady, steady - low, 0.0), 0.0, lamp_look(steady))


def scope_readings(trace: Trace, scope: Scope = SCOPE, unit: str = "V", start: float = 0.0) -> tuple[Shown, ...]:
    """Least, largest and peak-to-peak value of the samples that a scope takes, from `start` seconds on.

    Samples a period are many when its interval is no simple share of the period; 2000 periods or the record are looked at.
    """
    count = math.ceil(min(trace.duration * (2000 if trace.periodic else 1) / scope.interval, 2e6))
    samples = trace.at(trace.times[0] + start + scope.interval * np.arange(max(count, 1)))
    low, high = float(samples.min()), float(samples.max())
    rows = (("least sample", low), ("largest sample", high), ("peak to peak", high - low))
    return tuple(Shown(what, v, unit, 0.0, scope.screen.limit(v), f"{v:.3g} {unit}") for what, v in rows)


def meter_readings(trace: Trace, meter: Meter, unit: str = "V", timing: Timing = TIMING) -> tuple[Shown, ...]:
    """Everything that a meter (or, with the unit A, a clamp) shows of a waveform on its ranges."""
    return (
        dc_reading(trace, meter, unit, timing),
        ac_reading(trace, meter, unit, timing),
        ac_dc_reading(trace, meter, unit, timing),
        average_ac_reading(trace, meter, unit, timing),
        *extreme_readings(trace, meter, timing.capture, unit),
        *(_fast(s) for s in extreme_readings(trace, meter, timing.peak, unit)),
        duty_reading(trace, timing=timing),
        frequency_reading(trace),
    )


def _fast(shown: Shown) -> Shown:
    return Shown(f"peak {shown.what}", shown.value, shown.unit, shown.ripple, shown.limit, shown.display)
