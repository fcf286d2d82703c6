"""Readings and observations as people write them down: a CSV file, or lines typed one by one.

A row is a reading (``step, unplugged, red, black, reading`` and some more columns) or an observation (``step, observe,
value``). Lines such as ``# supply: 12.3 V`` on top are conditions common to all rows. The chart that `predict` writes as CSV
is such a file: write what was measured into its column `reading`.
"""

from __future__ import annotations

import csv
import io
import math
import re
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from circuitsim.errors import InputError, UnknownNameError, nearest, shown, with_place
from circuitsim.library.circuit import Circuit
from circuitsim.measure import INSTRUMENTS, Conditions, Task
from circuitsim.quantities import parse

__all__ = [
    "OBSERVATIONS", "Findings", "Observation", "Shown", "TakenReading", "load_findings", "read_findings", "read_row",
    "read_shown",
]  # fmt: skip

OBSERVATIONS = (
    "off", "slow", "normal", "fast", "always full", "surges", "noisy", "hot smell", "plug melted", "fuse open",
    "starts when tapped",
)  # fmt: skip
"""What can be seen, heard and smelt."""

COLUMNS = (
    "step", "unplugged", "red", "black", "reading", "engine", "fitted", "instrument", "ignition", "supply", "since", "min",
    "max", "at", "note", "observe", "value",
)  # fmt: skip
_IGNORED = ("expected", "low", "high", "unit", "rule", "label", "state")
_COMMON = ("supply", "supply_at", "ambient", "engine", "since", "ignition")
_LOOKS = ("bright", "dim", "dark")
_NUMBER = re.compile(r"[-+]?[0-9]*(?:\.([0-9]+))?(?:[eE][-+]?[0-9]+)?")
_UNSTABLE = re.compile(
    r"unstable[\s:]*(?P<low>[-+]?[0-9.]+)\s*(?P<unit1>[^\s0-9.-]*)\s*(?:-|to|\.\.|…|–)\s*(?P<high>[-+]?[0-9.]+)\s*(?P<unit>\S+)"
)
_YES, _NO = ("", "yes", "y", "true", "1", "x"), ("no", "n", "false", "0", "not")


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


@dataclass(frozen=True)
class TakenReading:
    """One reading that was taken: the line of the file, where and how, what was shown."""

    line: int
    task: Task
    shown: Shown
    minimum: Shown | None = None
    maximum: Shown | None = None
    note: str = ""


@dataclass(frozen=True)
class Observation:
    """One thing that was seen (or, `seen` false, looked for and not seen); step: '' for any."""

    line: int
    step: str
    word: str
    seen: bool = True


@dataclass(frozen=True)
class Findings:
    """All that is known of a vehicle: readings, observations, common conditions, the file."""

    readings: tuple[TakenReading, ...]
    observations: tuple[Observation, ...]
    conditions: Conditions
    file: str = ""


def load_findings(circuit: Circuit, path: str | Path, **conditions: Any) -> Findings:
    """Read a file of readings; ``-`` is standard input. Conditions given here go before those in the file.

    Raises InputError (UnknownNameError, QuantityError) that names file, line and column.
    """
    file = str(path)
    try:
        data = sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()
    except OSError as error:
        raise InputError(f"can't be read: {error.strerror}", file=file) from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("is no text in UTF-8; save it as 'CSV UTF-8'", file=file) from None
    return read_findings(circuit, text, "standard input" if file == "-" else file, **conditions)


def read_findings(circuit: Circuit, text: str, file: str = "", **conditions: Any) -> Findings:
    """Read the text of a file of readings; errors as of `load_findings`."""
    lines = text.splitlines()
    common = _common(lines, file)
    common |= {key: value for key, value in conditions.items() if value is not None}
    try:
        base = Conditions.read(circuit, **common)
    except InputError as error:
        raise with_place(error, file=file or None) from None
    readings: list[TakenReading] = []
    observations: list[Observation] = []
    rows = list(_rows(lines, file))
    if not rows and not any(line.strip() and not line.lstrip().startswith("#") for line in lines):
        raise InputError(f"has no readings; the first line names columns: {', '.join(COLUMNS[:5])}", file=file or None)
    for number, row in rows:
        found = _placed_row(circuit, row, base, number, file)
        if isinstance(found, TakenReading):
            readings.append(found)
        elif found is not None:
            observations.append(found)
    return Findings(tuple(readings), tuple(observations), base, file)


def _common(lines: Iterable[str], file: str) -> dict[str, str]:
    """Read ``# key: value`` lines; other comments, and what a chart tells of itself, are passed over."""
    found: dict[str, str] = {}
    for number, line in enumerate(lines, start=1):
        key, colon, value = line.lstrip().removeprefix("#").partition(":")
        if not line.lstrip().startswith("#") or not colon:
            continue
        name = key.strip().lower().replace(" ", "_").replace("-", "_")
        if name in _COMMON:
            if name in found:
                raise InputError(f"{shown(key.strip())} is given twice", file=file or None, line=number)
            found[name] = value.strip()
        elif (meant := nearest(name, _COMMON)) and name not in ("circuit", "meter", "note", "date"):
            raise UnknownNameError("condition", key.strip(), _COMMON, suggestion=meant, file=file or None, line=number)
    return found


def _rows(lines: list[str], file: str) -> Iterator[tuple[int, dict[str, str]]]:
    """Give the rows with their line numbers, as column → text."""
    body = [(n, line) for n, line in enumerate(lines, start=1) if line.strip() and not line.lstrip().startswith("#")]
    if not body:
        return
    mark = max(";\t,", key=body[0][1].count)
    reader = csv.reader(io.StringIO("\n".join(line for _, line in body)), delimiter=mark, skipinitialspace=True)
    numbers = [n for n, _ in body]
    heads: list[str] = []
    for cells in reader:
        number = numbers[min(reader.line_num, len(numbers)) - 1]
        if not heads:
            heads = [_head(cell, number, file) for cell in cells]
            twice = next((h for k, h in enumerate(heads) if h and h in heads[:k]), None)
            if twice:
                raise InputError(f"column {shown(twice)} is there twice", file=file or None, line=number)
            continue
        if len(cells) > len(heads) and any(cell.strip() for cell in cells[len(heads) :]):
            text = f"has {len(cells)} cells for {len(heads)} columns; quote a text that has a {shown(mark)} in it"
            raise InputError(text, file=file or None, line=number)
        yield number, {head: cell.strip() for head, cell in zip(heads, cells, strict=False) if head}


def _head(cell: str, number: int, file: str) -> str:
    name = cell.strip().lower()
    if name and name not in COLUMNS and name not in _IGNORED:
        raise UnknownNameError("column", cell.strip(), COLUMNS, file=file or None, line=number)
    return name


def _placed_row(
    circuit: Circuit, row: Mapping[str, str], base: Conditions, number: int, file: str
) -> TakenReading | Observation | None:
    try:
        return read_row(circuit, row, base, number)
    except InputError as error:
        raise with_place(error, file=file or None, line=number) from None


def read_row(circuit: Circuit, row: Mapping[str, str], base: Conditions, number: int = 0) -> TakenReading | Observation | None:
    """Read one row, column → text; None for a row in which nothing was measured or seen. Errors name the column."""
    if row.get("observe") or (row.get("value") and not row.get("reading")):
        return _observation(circuit, row, number)
    if not row.get("reading"):
        return None
    task = _task(circuit, row, base)
    unit = INSTRUMENTS[task.instrument]
    least, most = (_of_column(row, key, unit) for key in ("min", "max"))
    found = _of_column(row, "reading", unit)
    if found is None:
        return None
    if found.kind == "number" and least and most and _jumps(found, least, most):
        found = Shown("unstable", low=least.value, high=most.value, digit=found.digit)
    return TakenReading(number, task, found, least, most, row.get("note", ""))


def _jumps(found: Shown, least: Shown, most: Shown) -> bool:
    """Whether a minimum and a maximum lie so far apart that something came and went."""
    return most.value - least.value > max(0.05 * abs(found.value), 20 * max(least.digit, most.digit))


def _of_column(row: Mapping[str, str], key: str, unit: str) -> Shown | None:
    if not row.get(key):
        return None
    try:
        return read_shown(row[key], unit)
    except InputError as error:
        raise with_place(error, key=key) from None


def read_shown(text: str, unit: str) -> Shown:
    """Read what a display showed: ``8.48 V``, ``412 mV``, ``OL``, ``unstable 3-9 V``, ``bright``; unit: SI, 1 for a lamp.

    Raises InputError (QuantityError) for anything else.
    """
    plain = " ".join(text.split())
    if unit == "1":
        if plain.lower() in _LOOKS:
            return Shown("look", look=plain.lower())
        raise UnknownNameError("look of a lamp", plain, _LOOKS)
    if plain.upper() in ("OL", "0L", "O.L", "O.L.", "OVERLOAD"):
        return Shown("overload")
    if match := _UNSTABLE.fullmatch(plain):
        low, high = (parse(f"{match[key]} {match['unit']}", unit) for key in ("low", "high"))
        return Shown("unstable", low=min(low, high), high=max(low, high))
    if plain.lower().startswith("unstable"):
        raise InputError(f"{shown(plain)} is no range; accepted: such as unstable 3-9 {unit}")
    if plain.lower() in _LOOKS:
        raise InputError(f"{shown(plain)} is how a lamp looks; put lamp into the column instrument")
    value = parse(plain, unit)
    number = _NUMBER.match(plain)
    places = len(number[1] or "") if number else 0
    size = re.sub(r"^[-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?", "1", plain)
    return Shown("number", value=value, digit=abs(parse(size, unit)) * 10.0**-places)


# Where ------------------------------------------------------------------------------------------------------------


def _task(circuit: Circuit, row: Mapping[str, str], base: Conditions) -> Task:
    """Say where and in which state a reading was taken."""
    step = _step(circuit, row)
    at, red, black = row.get("at", ""), row.get("red", ""), row.get("black", "")
    if at:
        at = _spelled(at, circuit.net.elements)
        if at not in circuit.net.elements:
            raise UnknownNameError("element for the clamp", at, list(circuit.net.elements), key="at")
        if red or black:
            raise InputError("a clamp goes round a wire (at); red and black are leads: give one or the other", key="at")
    elif red:
        red, black = (_point(circuit, text, key) for text, key in ((red, "red"), (black or circuit.net.ground, "black")))
        if circuit.node(red) == circuit.node(black):
            raise InputError(f"both leads are on {red}", key="black")
    else:
        raise InputError("needs red (and black), or at for a clamp", key="red")
    return Task(step, _conditions(circuit, row, base), _instrument(row, at), red, black, at)


def _step(circuit: Circuit, row: Mapping[str, str]) -> str:
    step = _spelled(row.get("step", ""), circuit.steps)
    if not step:
        raise InputError(f"needs the step; accepted: {', '.join(circuit.steps)}", key="step")
    try:
        circuit.step_index(step)
    except UnknownNameError as error:
        raise with_place(error, key="step") from None
    return step


def _instrument(row: Mapping[str, str], at: str) -> str:
    given = row.get("instrument", "").lower()
    reading = " ".join(row.get("reading", "").split())
    if not given:
        ohms = reading.endswith(("\u2126", "Ω")) or reading.lower().endswith("ohm")
        looks = reading.lower() in _LOOKS
        return "clamp" if at else "lamp" if looks else "ohmmeter" if ohms else "voltmeter"
    if given not in INSTRUMENTS:
        raise UnknownNameError("instrument", given, tuple(INSTRUMENTS), key="instrument")
    if (given == "clamp") != bool(at):
        raise InputError("a clamp needs the element that it goes round, in the column at", key="instrument")
    return given


def _conditions(circuit: Circuit, row: Mapping[str, str], base: Conditions) -> Conditions:
    """Give the conditions of a row: the common ones, and what the row changes."""
    changes: dict[str, Any] = {}
    if row.get("unplugged"):
        changes["unplug"] = tuple(_connector(circuit, name) for name in re.split(r"[\s,;+]+", row["unplugged"]) if name)
    if row.get("fitted"):
        changes["fit"] = tuple(re.split(r"[\s,;]+", row["fitted"].strip()))
    for key in ("engine", "ignition", "since", "supply"):
        if row.get(key):
            changes[key] = row[key].lower() if key != "supply" else row[key]
    if not changes:
        return base
    if changes.get("ignition", base.ignition) == "off":
        changes.setdefault("engine", "off")
    if "supply" in changes:
        changes["supply_at"] = "rest" if changes.get("ignition", base.ignition) == "off" else _step(circuit, row)
    given: dict[str, Any] = {
        "supply": base.supply, "supply_at": base.supply_at, "ambient": base.ambient, "engine": base.engine,
        "ignition": base.ignition, "since": base.since, "unplug": base.unplugged, "fit": [str(f) for f in base.fitted],
    }  # fmt: skip
    return Conditions.read(circuit, **{**given, **changes})


def _connector(circuit: Circuit, name: str) -> str:
    found = _spelled(name, circuit.connectors)
    try:
        circuit.connector(found)
    except UnknownNameError as error:
        raise with_place(error, key="unplugged") from None
    return found


def _point(circuit: Circuit, name: str, key: str) -> str:
    net = circuit.net
    found = _spelled(name, (*circuit.probes, *net.nodes(), *net.references(), *net.aliases()))
    try:
        circuit.node(found)
    except UnknownNameError as error:
        raise with_place(error, key=key) from None
    return found


def _spelled(name: str, accepted: Iterable[str]) -> str:
    """Give a name in the case that the circuit has it in, where that leaves one choice."""
    names = set(accepted)
    alike = [n for n in names if n.casefold() == name.casefold()]
    return alike[0] if name not in names and len(alike) == 1 else name


def _observation(circuit: Circuit, row: Mapping[str, str], number: int) -> Observation:
    """Read an observation: the word stands in `value`, or in `observe` with yes or no (or nothing) beside it."""
    observe, value = (" ".join(row.get(key, "").lower().split()) for key in ("observe", "value"))
    word, seen = (observe, value not in _NO) if observe in OBSERVATIONS else (value, True)
    if observe in OBSERVATIONS and value not in (*_YES, *_NO, observe):
        raise UnknownNameError(f"value beside {shown(observe)}", value, ("yes", "no"), key="value")
    if word not in OBSERVATIONS:
        raise UnknownNameError("observation", word or observe, OBSERVATIONS, key="value" if value else "observe")
    step = _step(circuit, row) if row.get("step") else ""
    return Observation(number, step, word, seen)
