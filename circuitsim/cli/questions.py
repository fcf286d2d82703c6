"""What the new command asks: each question with what is accepted, an example, and how one can see or measure it."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from circuitsim.errors import InputError, UnknownNameError, shown, with_place

__all__ = ["QUESTIONS", "Question"]

_UNKNOWN = ("", "-", "no", "none", "unknown", "not known", "don't know", "dont know")
_SECTION = r"AWG\s*[0-9]+(?:/0)?|[0-9./]+\s*(?:mm2|mm²|AWG)"
_WIRE = re.compile(rf"(?P<area>-|{_SECTION})?[\s,]*(?P<length>[0-9.]+\s*[a-z]+)?", re.IGNORECASE)
Read = Callable[[str], Any]


@dataclass(frozen=True)
class Question:
    """One question.

    option: name of the flag; text, accepted, example: what is asked; how: how one can see or measure it; reader: from text to
    SI; default: taken by Enter ('' is: don't know); needed: whether it must be known; only: when it is asked.
    """

    option: str
    text: str
    accepted: str
    example: str
    how: str
    reader: Read
    default: str = ""
    needed: bool = False
    only: Callable[[Mapping[str, Any]], bool] | None = None

    @property
    def key(self) -> str:
        """Name of the flag as an argument."""
        return self.option.replace("-", "_")

    @property
    def metavar(self) -> str:
        """What stands behind the flag in the help."""
        return f"'{self.example}'" if " " in self.example else self.accepted if "|" in self.accepted else self.example

    @property
    def help(self) -> str:
        """What the help says of the flag."""
        return f"{self.text}."

    def prompt(self) -> str:
        """Give the line that asks."""
        accepted = self.accepted.replace("|", ", ")
        example = "" if "|" in self.accepted else f", such as {self.example}"
        default = self.default or "don't know"
        return f"{self.text} ({accepted}{example}) [{default}]: "

    def fits(self, answers: Mapping[str, Any]) -> bool:
        """Whether it is to be asked after these answers."""
        return self.only is None or self.only(answers)

    def read(self, text: str) -> Any:
        """Read an answer, SI; None for 'don't know'. Raises InputError that names the option."""
        plain = text.strip()
        key = f"--{self.option}"
        if plain.lower() in _UNKNOWN:
            if self.needed:
                raise InputError(f"this one is needed; accepted: {self.accepted.replace('|', ', ')}", key=key)
            return None
        try:
            return self.reader(plain)
        except InputError as error:
            raise with_place(error, key=key) from None


def _quantity(unit: str, low: float, high: float) -> Read:
    def read(text: str) -> float:
        from circuitsim.quantities import format_quantity, parse

        value = parse(text, unit)
        if not low <= value <= high:
            span = f"{format_quantity(low, unit)} to {format_quantity(high, unit)}"
            raise InputError(f"{shown(text)} is out of range, accepted: {span}")
        return value

    return read


def _one_of(what: str, *words: str) -> Read:
    def read(text: str) -> str:
        if text.lower() not in words:
            raise UnknownNameError(what, text, words)
        return text.lower()

    return read


def _steps(text: str) -> int:
    if not (text.isascii() and text.isdigit()) or not 1 <= int(text[:4]) <= 9:
        raise InputError(f"{shown(text)} is no number of steps, accepted: 1 to 9, without off")
    return int(text)


def _wire(text: str) -> tuple[float | None, float | None]:
    """Read a section and a length, or one of them: ``4mm2 2m``, ``12 AWG``, ``2m``."""
    from circuitsim.quantities import parse

    match = _WIRE.fullmatch(text)
    if not match or not (match["area"] or match["length"]):
        raise InputError(f"{shown(text)} is no wire; write section and length such as '4mm2 2m', or one of the two")
    area = None if match["area"] in (None, "-") else parse(match["area"], "m²")
    length = None if match["length"] is None else parse(match["length"], "m")
    if (area is not None and not 0.1e-6 <= area <= 200e-6) or (length is not None and not 0.01 <= length <= 50):
        raise InputError(f"{shown(text)} is out of range, accepted: 0.1 to 200 mm² and 0.01 to 50 m")
    return area, length


_WIRES = "section and rough length, or one of them"
_SEEN = "The section is often printed on the wire; else compare it with one that is known. Estimate the length along the loom."

QUESTIONS = (
    Question("nominal", "Nominal voltage of the vehicle", "6 to 48 V", "24V",
             "One battery of six cells is 12 V, two of them in series 24 V; a resting battery reads a little more.",
             _quantity("V", 6, 48), "12V", needed=True),
    Question("kind", "What sets the speed on the ground side", "linear|pwm|pack", "linear",
             "linear: its heat sink gets hot, and the motor's low side reads a steady voltage between. pwm: it may whistle, "
             "and a scope on the low side shows a square wave. pack: resistors in the air stream, one wire a step to them.",
             _one_of("kind of control", "linear", "pwm", "pack"), "linear", needed=True),
    Question("steps", "Number of speed steps, without off", "1 to 9", "3",
             "Count the positions of the selector at which the fan should run.", _steps, "4", needed=True),
    Question("command", "How the command's voltage goes as speed rises", "falling|rising", "falling",
             "A meter on the command wire against ground, controller plugged in, step by step. Full supply at off is falling.",
             _one_of("direction", "falling", "rising"), "falling", only=lambda known: known.get("kind") != "pack"),
    Question("fuse", "Rating of the motor's fuse", "2 to 100 A", "30A", "It is printed on the fuse, and told by its colour.",
             _quantity("A", 2, 100)),
    Question("current", "Motor current at full speed, of a good motor", "0.5 to 60 A", "14A",
             "A DC clamp round one of the motor's two wires, at the top step. 60 to 75 % of the fuse's rating is usual.",
             _quantity("A", 0.5, 60)),
    Question("supply", "Battery voltage while that current was measured", "0.75 to 1.35 of nominal", "12.4V",
             "Across the battery's posts, at the top step. With the engine running the current is about a quarter higher.",
             _quantity("V", 4, 65), only=lambda known: known.get("current") is not None),
    Question("motor-resistance", "Resistance of the motor at its pins", "10 mohm to 20 ohm", "0.3ohm",
             "Motor unplugged, meter leads zeroed, the lowest of several positions of the wheel. Below about 0.2 ohm, and with "
             "worn brushes, an ohmmeter can't tell: then leave it.", _quantity("Ω", 0.01, 20)),
    Question("feed-wire", "Wire from the fuse box to the motor", _WIRES, "4mm2 2m", _SEEN, _wire),
    Question("low-wire", "Wire from the motor to the controller or pack", _WIRES, "4mm2 0.5m", _SEEN, _wire),
    Question("ground-wire", "Ground wire of the controller or selector", _WIRES, "4mm2 0.5m", _SEEN, _wire),
    Question("battery-wire", "Wire from the battery to the fuse box", _WIRES, "16mm2 1.5m", _SEEN, _wire),
)  # fmt: skip
"""All questions, in the order in which they are asked."""
