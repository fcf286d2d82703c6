"""What somebody can say of a fan circuit that is in front of them, and what follows for its fuse, current and motor."""

from __future__ import annotations

import math
from dataclasses import dataclass

from circuitsim.errors import InputError, UnknownNameError, shown
from circuitsim.measure import Meter
from circuitsim.measure import meter as find_meter
from circuitsim.quantities import Tolerance, format_quantity

__all__ = ["COMMANDS", "CONTROLS", "WIRES", "Answers", "Motor", "motor_of"]

CONTROLS = {
    "linear": "a stage that regulates: its heat sink gets hot, the motor's low side reads a steady voltage between",
    "pwm": "a stage that chops: it may whistle, a meter's low side reads an average, a scope shows a square wave",
    "pack": "resistors in the air stream, and a selector with one wire a step to them",
}
"""Kinds of ground-side control, and how to know them."""
COMMANDS = {
    "falling": "the command's voltage falls as speed rises",
    "rising": "the command's voltage rises with speed",
}
"""Which way a command goes."""
WIRES = {
    "feed": "fuse box to motor", "low": "motor to controller or pack", "ground": "controller or selector to ground",
    "battery": "battery to fuse box",
}  # fmt: skip
"""Wires that can be told of."""

_RANGES = {
    "nominal": (6.0, 48.0, "V"), "fuse": (2.0, 100.0, "A"), "current": (0.5, 60.0, "A"),
    "motor_resistance": (0.01, 20.0, "Ω"),
}  # fmt: skip
_AREA, _LENGTH = (0.1e-6, 200e-6), (0.01, 50.0)  # m², m
_FUSES = (2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40, 50, 60, 70, 80, 100)  # blade fuses, ISO 8820-3 (from memory)
_OF_FUSE = 0.65  # motor current over the fuse's rating: 60 to 75 % (common practice, no source)
_FUSE_FACTOR, _NOTHING_FACTOR = 1.4, 1.8  # how far off a current is by the fuse alone, and with no fuse known (assumed)
_OWN_SUPPLY = 0.15  # of a current measured at a voltage not known: engine on or off moves it by a quarter (own derivation)
_DROP = 0.135  # share of the voltage that falls off at the armature's resistance at full speed (assumed: 90 mΩ, 18 A, 12 V)
_MOST_DROP, _USUAL_DROP = 0.45, 0.25
_INSIDE = 14.6e-3 * 18.0  # V; leads, choke, crimps and brushes inside a motor, times its current (see `studies.sizes`)


@dataclass(frozen=True)
class Answers:
    """What is known, SI; None for what is not.

    Attributes
    ----------
    nominal
        Nominal voltage.
    control
        One of `CONTROLS`.
    steps
        How many, without off.
    fuse
        Rating of the motor's fuse.
    current, supply
        Motor current at full speed as a clamp showed it, and the battery's voltage then.
    motor_resistance
        Between the pins of the motor, as an ohmmeter showed it.
    wires
        (one of `WIRES`, section, length), either of these None.
    name, title
        Of the circuit.
    command
        One of `COMMANDS`; a pack has none.
    meter
        What it was measured with, one of `circuitsim.measure.METERS`.
    """

    nominal: float
    control: str
    steps: int
    fuse: float | None = None
    current: float | None = None
    motor_resistance: float | None = None
    wires: tuple[tuple[str, float | None, float | None], ...] = ()
    name: str = "my-fan"
    title: str = ""
    command: str = "falling"
    supply: float | None = None
    meter: str = "standard"

    def __post_init__(self) -> None:
        """Check each by itself: UnknownNameError or InputError, whose key is the attribute."""
        for what, word, accepted, key in (
            ("kind of control", self.control, CONTROLS, "kind"), ("direction", self.command, COMMANDS, "command"),
        ):  # fmt: skip
            if word not in accepted:
                raise UnknownNameError(what, word, tuple(accepted), key=key)
        if not isinstance(self.steps, int) or not 1 <= self.steps <= 9:
            raise InputError(f"{shown(self.steps)} is no number of steps, accepted: 1 to 9", key="steps")
        for key, (low, high, unit) in _RANGES.items():
            _in_range(getattr(self, key), low, high, unit, key)
        if self.supply is not None and self.current is None:
            raise InputError("is the voltage at which the current was measured: give the current too", key="supply")
        _in_range(self.supply, 0.75 * self.nominal, 1.35 * self.nominal, "V", "supply")
        for name, area, length in self.wires:
            if name not in WIRES:
                raise UnknownNameError("wire", name, tuple(WIRES), key="wires")
            _in_range(area, *_AREA, "m²", f"{name}_wire")
            _in_range(length, *_LENGTH, "m", f"{name}_wire")
        find_meter(self.meter)


def _in_range(value: float | None, low: float, high: float, unit: str, key: str) -> None:
    if value is not None and not low <= value <= high:
        span = f"{format_quantity(low, unit)} to {format_quantity(high, unit)}"
        raise InputError(f"{format_quantity(value, unit)} is out of range, accepted: {span}", key=key)


@dataclass(frozen=True)
class Motor:
    """What follows from the answers: fuse, current at full speed and resistance, each with where it is from.

    spread: of the current, given everything else; resistance_text: with its tolerance.
    """

    fuse: float
    fuse_from: str
    current: float
    current_from: str
    spread: Tolerance
    resistance: float
    resistance_text: str
    resistance_from: str


def motor_of(answers: Answers) -> Motor:
    """Work out what the answers say of the motor.

    Raises InputError for a current above the fuse's rating, and a resistance with which no motor takes that current.
    """
    tool = find_meter(answers.meter)
    fuse, current = answers.fuse, answers.current
    if fuse is not None and current is not None and current > fuse:
        told = f"{format_quantity(current, 'A')} at full speed is above the fuse's rating of {format_quantity(fuse, 'A')}"
        raise InputError(f"{told}; look at both again", key="current")
    rating, fuse_from = _fuse(answers)
    current, current_from, spread = _current(answers, rating, tool)
    return Motor(rating, fuse_from, current, current_from, spread, *_resistance(answers, current))


def _fuse(answers: Answers) -> tuple[float, str]:
    if answers.fuse is not None:
        return answers.fuse, "as printed on it"
    if answers.current is not None:
        needed = answers.current / 0.75
        return float(next((f for f in _FUSES if f >= needed), _FUSES[-1])), "assumed: a usual one for the motor current"
    return 30.0, "assumed: nothing is known of it"


def _current(answers: Answers, fuse: float, tool: Meter) -> tuple[float, str, Tolerance]:
    """Give the current at full speed, where it is from, and how far off it may be."""
    if answers.current is not None:
        return _measured_current(answers, answers.current, tool)
    current = _OF_FUSE * fuse
    usual = f"{100 * _OF_FUSE:.0f} % of the fuse's rating (60 to 75 %: common practice, no source)"
    origin, factor = (
        (usual, _FUSE_FACTOR) if answers.fuse is not None else ("assumed: neither it nor the fuse is known", _NOTHING_FACTOR)
    )
    if answers.motor_resistance is not None:
        most = _USUAL_DROP * answers.nominal / answers.motor_resistance
        if answers.fuse is None:
            usual_drop = _DROP * answers.nominal / answers.motor_resistance
            current, origin, factor = usual_drop, "usual for the motor's resistance (assumed)", _NOTHING_FACTOR
        elif most < current:
            current, origin, factor = most, "as much as the motor's resistance lets through (assumed)", _NOTHING_FACTOR
        current = min(max(current, 0.5), fuse)
    return current, origin, Tolerance("lognormal", factor)


def _measured_current(answers: Answers, current: float, tool: Meter) -> tuple[float, str, Tolerance]:
    share = tool.limit(current, "A") / current
    if answers.supply is not None:
        at = f" at {format_quantity(answers.supply, 'V', 4)}, ±{100 * share:.2g} % by the clamp"
    else:
        share = math.hypot(share, _OWN_SUPPLY)
        at = f", ±{100 * share:.2g} % as the battery's voltage then is not known"
    return current, f"measured by you{at}", Tolerance("uniform", share, relative=True)


def _resistance(answers: Answers, current: float) -> tuple[float, str, str]:
    """Give the armature's resistance, how it is written, and where it is from."""
    measured = answers.motor_resistance
    if measured is None:
        value = _DROP * answers.nominal / current
        told = f"by the current: about {100 * _DROP:.3g} % of the voltage falls off at it (assumed)"
        return value, f"{format_quantity(value, 'Ω', 2)}", told
    drop = measured * current
    if drop > _MOST_DROP * answers.nominal:
        told = f"{format_quantity(measured, 'Ω')} with {format_quantity(current, 'A')} takes {format_quantity(drop, 'V')}"
        most = format_quantity(_MOST_DROP * answers.nominal / current, "Ω", 2)
        raise InputError(
            f"{told} of the {format_quantity(answers.nominal, 'V')}, and the motor would hardly turn; accepted: up to {most}. "
            "An ohmmeter reads the film under the brushes too: rather leave it out", key="motor_resistance",
        )  # fmt: skip
    inside = min(_INSIDE / current, 0.5 * measured)
    value = measured - inside
    factor = 1.1 + 0.03 / measured  # leads 30 mΩ even when zeroed; rotor position and brush film 10 % (assumed)
    told = f"{format_quantity(measured, 'Ω')} measured by you, less {format_quantity(inside, 'Ω', 2)} of leads, choke, brushes"
    return value, f"{format_quantity(value, 'Ω', 3)} ×/÷ {min(factor, 2.0):.2g}", told
