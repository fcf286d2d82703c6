"""The new command."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from circuitsim.cli.output import check_target, put, write_file
from circuitsim.errors import InputError, UnknownNameError, shown, with_place

if TYPE_CHECKING:
    from circuitsim.studies.newcircuit import Drafted

__all__ = ["new_command"]

_WIRE = re.compile(r"(?P<area>[0-9.]+\s*(?:mm2|mm²|AWG)|AWG\s*[0-9]+)(?:[\s,]+(?P<length>[0-9.]+\s*\S+))?", re.IGNORECASE)
_UNKNOWN = ("", "?", "no", "unknown", "don't know", "-")


@dataclass(frozen=True)
class _Question:
    """One question: its option, the text, an example, how one can know, and whether it must be answered."""

    option: str
    text: str
    example: str
    hint: str
    needed: bool = False
    default: str = ""


_QUESTIONS = (
    _Question("nominal", "Nominal voltage of the vehicle?", "12V",
              "12 V or 24 V: on the battery, or two 12 V batteries in series.", needed=True, default="12V"),
    _Question("kind", "What controls the speed on the ground side: linear, pwm or pack?", "linear",
              "linear: hot heat sink, low side steady between; pwm: it whistles, a scope shows a square wave; "
              "pack: resistors in the air stream and one wire a step.", needed=True),
    _Question("steps", "How many speed steps, without off?", "4",
              "Positions of the selector that should run the fan.", needed=True, default="4"),
    _Question("fuse", "Rating of the motor's fuse?", "30A", "Printed on it, and by its colour."),
    _Question("current", "Motor current at full speed, if measured on a good vehicle?", "14A",
              "A clamp round the motor's feed. 60 to 75 % of the fuse is usual (common practice)."),
    _Question("motor_resistance", "Motor resistance, if measured?", "0.3ohm",
              "Unplugged, the least of several rotor positions; an ohmmeter can't be trusted far below 1 ohm."),
    _Question("feed_wire", "Wire from the fuse box to the motor: section and rough length?", "4mm2 2m",
              "The section is often printed on the wire, or compare its thickness; the length may be left out."),
    _Question("low_wire", "Wire from the motor to the controller (or pack)?", "4mm2 0.5m", "As above."),
    _Question("ground_wire", "Ground wire of the controller (or selector)?", "4mm2 0.5m", "As above."),
)  # fmt: skip


@click.command("new", short_help="Write a circuit file from what can be seen and measured.")
@click.option("--output", "-o", required=True, metavar="FILE.toml", help="The file to write.")
@click.option("--nominal", metavar="12V", help="Nominal voltage.")
@click.option("--kind", metavar="linear|pwm|pack", help="What controls the speed on the ground side.")
@click.option("--steps", metavar="4", help="Number of steps, without off.")
@click.option("--fuse", metavar="30A", help="Rating of the motor's fuse.")
@click.option("--current", metavar="14A", help="Motor current at full speed, measured on a good vehicle.")
@click.option("--motor-resistance", metavar="0.3ohm", help="Resistance of the motor.")
@click.option("--feed-wire", metavar="'4mm2 2m'", help="Section and rough length of the feed.")
@click.option("--low-wire", metavar="'4mm2 0.5m'", help="Of the wire from the motor to the controller or pack.")
@click.option("--ground-wire", metavar="'4mm2 0.5m'", help="Of the controller's or selector's ground wire.")
@click.option("--name", metavar="my-fan", help="Name of the circuit; by default that of the file.")
@click.option("--title", default="", metavar="TEXT", help="A line that says what it is.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
def new_command(output: str, name: str | None, title: str, force: bool, **given: str | None) -> None:
    """Write a circuit file for the circuit in front of you: commented, with honest, wide tolerances.

    In a terminal it asks for what is not given; an empty answer means 'not known', '?' says how one can know. Then it says
    which readings would narrow the file most.
    """
    check_target(output)
    if Path(output).suffix != ".toml":
        raise InputError("a circuit file's name ends in .toml", file=output, key="--output")
    if Path(output).exists() and not force:
        raise InputError("is there already; --force writes over it", file=output, key="--output")
    told = {q.option: given.get(q.option) for q in _QUESTIONS}
    asks = sys.stdin is not None and sys.stdin.isatty() and any(v is None for v in told.values())
    answers: dict[str, Any] = {}
    for q in _QUESTIONS:
        text = told[q.option]
        if text is not None:
            answers[q.option] = _read(q, text)
        elif asks:
            answers[q.option] = _asked(q, sys.stdin.readline)
        elif q.needed:
            raise InputError(f"needs --{q.option}, such as {q.example}", key=f"--{q.option.replace('_', '-')}")
    drafted = _drafted(answers, name or _name(output), title)
    write_file(output, drafted.text.encode("utf-8"))
    put(f"Written: {output}. Its chart: circuitsim predict {_path(output)}\n")
    put("These readings, from a vehicle that is known to be good, would narrow it most:\n")
    for n in drafted.narrowing:
        put(f"  {n.label}, {n.placed}: bands then {100 * n.left:.0f} % as wide on average\n")
    put(f"Put them into a CSV file, then: circuitsim fit {_path(output)} READINGS.csv -o FITTED.toml\n")
    put("The vehicle maker's service information goes before this file.\n")


def _path(output: str) -> str:
    return output if "/" in output or "\\" in output or output.endswith(".toml") else f"./{output}"


def _name(output: str) -> str:
    spaced = "".join(c if c.isalnum() and c.isascii() else " " for c in Path(output).stem.lower())
    return "-".join(spaced.split())[:60].strip("-") or "my-fan"


def _asked(question: _Question, line: Callable[[], str]) -> Any:
    """Ask until the answer can be used; nothing more to read counts as 'not known'."""
    while True:
        default = f" [{question.default}]" if question.default else "" if question.needed else " (empty: not known)"
        put(f"{question.text} such as {question.example}{default} ")
        text = line()
        answer = text.strip() or question.default
        if answer == "?":
            put(f"  {question.hint}\n")
            continue
        if question.needed and not answer:
            if not text:
                raise InputError(f"needs --{question.option}, such as {question.example}", key=f"--{question.option}")
            put("  This one is needed.\n")
            continue
        try:
            return _read(question, answer)
        except InputError as error:
            put(f"  {error.message}\n")


def _read(question: _Question, text: str) -> Any:
    """Read an answer, in SI; None for 'not known'."""
    from circuitsim.quantities import parse
    from circuitsim.studies.newcircuit import CONTROLS

    key = f"--{question.option.replace('_', '-')}"
    plain = text.strip()
    if not question.needed and plain.lower() in _UNKNOWN:
        return None
    try:
        if question.option == "kind":
            if plain.lower() not in CONTROLS:
                raise UnknownNameError("kind of control", plain, tuple(CONTROLS))
            return plain.lower()
        if question.option == "steps":
            return _steps(plain)
        if question.option.endswith("_wire"):
            return _wire(plain)
        value = parse(plain, {"nominal": "V", "motor_resistance": "Ω"}.get(question.option, "A"))
        _check(question.option, value)
        return value
    except InputError as error:
        raise with_place(error, key=key) from None


def _check(option: str, value: float) -> None:
    low, high, unit = {"nominal": (6, 48, "V"), "fuse": (2, 100, "A"), "current": (0.5, 60, "A")}.get(option, (0.01, 20, "Ω"))
    if not low <= value <= high:
        raise InputError(f"{value:g} {unit} is out of range, accepted: {low:g} to {high:g} {unit}")


def _steps(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 9:
        raise InputError(f"{shown(text)} is no number of steps, accepted: 1 to 9")
    return int(text)


def _wire(text: str) -> tuple[float, float | None]:
    """Read a section, and a length if it is there: ``4mm2 2m``."""
    from circuitsim.quantities import parse

    match = re.fullmatch(
        r"(?P<area>[0-9.]+\s*(?:mm2|mm²|AWG)|AWG\s*[0-9]+)(?:[\s,]+(?P<length>[0-9.]+\s*\S+))?", text, re.IGNORECASE
    )
    if not match:
        raise InputError(f"{shown(text)} is no wire; write section and length such as '4mm2 2m', or the section alone")
    area = parse(match["area"], "m²")
    length = parse(match["length"], "m") if match["length"] else None
    if not 0.1e-6 <= area <= 200e-6 or (length is not None and not 0.01 <= length <= 50):
        raise InputError(f"{shown(text)} is out of range, accepted: 0.1 to 200 mm² and 0.01 to 50 m")
    return area, length


def _drafted(answers: dict[str, Any], name: str, title: str) -> Drafted:
    from circuitsim.studies.newcircuit import Answers, draft

    given = {key.removesuffix("_wire"): answers.get(key) for key in ("feed_wire", "low_wire", "ground_wire")}
    wires = tuple((key, *found) for key, found in given.items() if found is not None)
    try:
        return draft(Answers(
            answers["nominal"], answers["kind"], answers["steps"], answers.get("fuse"), answers.get("current"),
            answers.get("motor_resistance"), wires, name, title,
        ))  # fmt: skip
    except InputError as error:
        if error.key in ("current", "fuse", "nominal", "steps"):
            raise InputError(error.message, key=f"--{error.key}") from None
        raise
