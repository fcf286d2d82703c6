"""Readings and observations as people write them down: a CSV file, or lines typed one by one.

A row is a reading (``step, unplugged, red, black, reading`` and some more columns) or an observation (``step, observe,
value``). Lines such as ``# supply: 12.3 V`` on top are conditions common to all rows. The chart that `predict` writes as CSV
is such a file: write what was measured into its column `reading`. Rows that still hold what was printed, beside others that
do not, count as not measured; a chart that nobody touched, or one of a circuit with faults, is taken whole.
"""

from __future__ import annotations

import csv
import io
import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from circuitsim.errors import InputError, UnknownNameError, blaming, nearest, shown, with_place
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Conditions, Task
from circuitsim.studies.displays import LOOKS, NUMBER, Shown, is_shown, read_shown
from circuitsim.studies.placing import ARGUMENTS, UNITS, read_condition, read_place, read_step
from circuitsim.studies.plausible import check_size

__all__ = [
    "AS_PRINTED", "MANY", "OBSERVATIONS", "Findings", "Observation", "Shown", "TakenReading", "is_as_printed", "load_findings",
    "read_findings", "read_row", "read_shown",
]  # fmt: skip

OBSERVATIONS = (
    "off", "slow", "normal", "fast", "always full", "surges", "noisy", "hot smell", "plug melted", "fuse open",
    "starts when tapped",
)  # fmt: skip
"""What can be seen, heard and smelt."""

COLUMNS = (
    "step", "unplugged", "red", "black", "reading", "engine", "fitted", "instrument", "ignition", "supply", "since", "min",
    "max", "at", "note", "observe", "value", "capture",
)  # fmt: skip
_PRINTED = ("expected", "low", "high", "unit", "rule", "label", "state")  # columns of a chart that say nothing measured
_COMMON = ("supply", "supply_at", "ambient", "engine", "since", "ignition", "unplugged", "fitted")
_OF_A_CHART = ("circuit", "meter", "faults", "note", "date")  # what else stands on top
MANY = 8
"""Numbers from which on it is no chance that every one is the predicted one to the last digit (assumed)."""
AS_PRINTED = (
    "all {} numbers are what the chart of a good circuit prints, to the last digit: if nobody measured them, they prove nothing"
)
"""Note on readings that may be no more than a chart; see `is_as_printed`."""
_LISTED = 12  # lines in a note
_FLICKER = 0.05  # V, A; the most that 20 digits of a display stand for (assumed)
_EMPTY = ("-", "–", "—")
_YES, _NO = ("", "yes", "y", "true", "1", "x"), ("no", "n", "false", "0", "not")
_NO_COLON = re.compile(rf"({'|'.join(_COMMON)})\s*(?:=\s*|\s(?=[-+.0-9]))(\S.*)", re.IGNORECASE)


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
    """All that is known of a vehicle: readings, observations, common conditions, the file.

    notes: what was not taken as evidence, and why; and what was taken though nobody said so.
    """

    readings: tuple[TakenReading, ...]
    observations: tuple[Observation, ...]
    conditions: Conditions
    file: str = ""
    notes: tuple[str, ...] = ()


# The file ---------------------------------------------------------------------------------------------------------


def load_findings(circuit: Circuit, path: str | Path, **conditions: Any) -> Findings:
    """Read a file of readings; ``-`` is standard input. Conditions given here go before those in the file.

    Raises InputError (UnknownNameError, QuantityError) that names file, line and column, or the
    condition given here that is to blame.
    """
    file = str(path)
    try:
        data = sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()
    except (OSError, ValueError) as error:
        raise InputError(f"can't be read: {getattr(error, 'strerror', None) or error}", file=file) from None
    name = "standard input" if file == "-" else file
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("is no text in UTF-8; save it as 'CSV UTF-8'", file=name) from None
    return read_findings(circuit, text, name, **conditions)


def read_findings(circuit: Circuit, text: str, file: str = "", **conditions: Any) -> Findings:
    """Read the text of a file of readings; errors as of `load_findings`."""
    place = file or None
    lines = text.splitlines()
    common, told = _common(circuit, lines, place)
    given = {key: value for key, value in conditions.items() if value is not None}
    if "supply" in given:  # where the file's was measured says nothing of this one
        common.pop("supply_at", None)
    base = _base(circuit, common, given, place)
    rows = _rows(lines, place)
    printed, notes = _left_as_printed([row for _, row in rows], told)
    notes += _overruled(circuit, common, given)
    if told.get("circuit", circuit.name) != circuit.name:
        notes.append(f"these are readings of {shown(told['circuit'])}, not of {shown(circuit.name)}")
    readings: list[TakenReading] = []
    observations: list[Observation] = []
    for (number, row), skipped in zip(rows, printed, strict=True):
        try:
            found = None if skipped else read_row(circuit, row, base, number)
        except InputError as error:
            raise with_place(error, file=place, line=number) from None
        if isinstance(found, TakenReading):
            readings.append(found)
        elif found is not None:
            observations.append(found)
    notes += _grounded(circuit, dict(rows), [r for r in readings if r.task.red])
    return Findings(tuple(readings), tuple(observations), base, file, tuple(notes))


def _comment(line: str) -> str | None:
    """Give what a comment line says, without what a spreadsheet puts around it; None for another line."""
    text = line.strip().lstrip('"').lstrip()
    return text[1:].rstrip(' \t",;').lstrip() if text.startswith("#") else None


def _common(circuit: Circuit, lines: Iterable[str], file: str | None) -> tuple[dict[str, Any], dict[str, str]]:
    """Read ``# key: value`` lines: arguments of `Conditions.read`, and what else a chart tells of itself."""
    found: dict[str, Any] = {}
    told: dict[str, str] = {}
    for number, line in enumerate(lines, start=1):
        text = _comment(line)
        if text is None:
            continue
        key, colon, value = (part.strip() for part in text.partition(":"))
        name = key.lower().replace(" ", "_").replace("-", "_")
        if match := None if colon else _NO_COLON.fullmatch(text):
            raise InputError(f"is no condition; write '# {match[1]}: {match[2]}'", file=file, line=number)
        if not colon or name in _OF_A_CHART:
            told.setdefault(name, value)
        elif name in _COMMON:
            argument = ARGUMENTS.get(name, name)
            if argument in found:
                raise InputError("is given twice", file=file, line=number, key=name)
            try:
                found[argument] = read_condition(circuit, name, value)
            except InputError as error:
                raise with_place(error, file=file, line=number) from None
        elif meant := nearest(name, _COMMON):
            raise UnknownNameError("condition", key, _COMMON, suggestion=meant, file=file, line=number)
    if "supply_at" in found and "supply" not in found:
        raise InputError("needs the voltage that was measured then: # supply: 12.3 V", file=file, key="supply_at")
    return found, told


def _base(circuit: Circuit, common: Mapping[str, Any], given: Mapping[str, Any], file: str | None) -> Conditions:
    """Join the conditions of the file and those given; an error names what is to blame: the file, or the one given."""
    for key, value in given.items():
        try:
            Conditions.read(circuit, **{key: value})
        except InputError as error:
            raise blaming(error, key) from None
    both = {**common, **given}
    try:
        return Conditions.read(circuit, **both)
    except InputError as error:
        for key in given:
            if _agree(circuit, {k: v for k, v in both.items() if k != key}):
                text = f"{error.message}; all else is as {file or 'the text'} has it"
                raise InputError(text, key=key) from None
        raise with_place(error, file=file) from None


def _agree(circuit: Circuit, conditions: Mapping[str, Any]) -> bool:
    try:
        Conditions.read(circuit, **conditions)
    except InputError:
        return False
    return True


def _overruled(circuit: Circuit, common: Mapping[str, Any], given: Mapping[str, Any]) -> list[str]:
    """Say which conditions of the file are others than those given, which go before."""

    def differ(key: str) -> bool:
        return Conditions.read(circuit, **{key: common[key]}) != Conditions.read(circuit, **{key: given[key]})

    both = [key for key in given if key in common and differ(key)]
    return [f"{key} {given[key]} as given goes before the {common[key]} of the file" for key in both]


def _grounded(circuit: Circuit, rows: Mapping[int, Mapping[str, str]], readings: Sequence[TakenReading]) -> list[str]:
    """Say in which lines the black lead is taken to be on ground, since nothing is said of it."""
    lines = [r.line for r in readings if not rows[r.line].get("black")]
    if not lines:
        return []
    more = f" and {len(lines) - _LISTED} more" if len(lines) > _LISTED else ""
    where = f"line{'s' if len(lines) > 1 else ''} {', '.join(map(str, lines[:_LISTED]))}{more}"
    return [f"black lead not given: {circuit.net.ground} taken in {where}"]


def _rows(lines: Sequence[str], file: str | None) -> list[tuple[int, dict[str, str]]]:
    """Give the rows with their line numbers, as column → text."""
    body = [(n, t) for n, t in enumerate(lines, start=1) if t.strip(' \t",;') and _comment(t) is None]
    if not body:
        raise InputError(f"has no readings; the first line names columns: {', '.join(COLUMNS[:5])}", file=file)
    numbers = [n for n, _ in body]
    mark = max(";\t,", key=body[0][1].count)
    reader = csv.reader(io.StringIO("\n".join(text for _, text in body)), delimiter=mark, skipinitialspace=True, strict=True)
    heads: list[str] = []
    rows: list[tuple[int, dict[str, str]]] = []
    try:
        for cells in reader:
            number = numbers[min(reader.line_num, len(numbers)) - 1]
            if not heads:
                heads = _heads(cells, number, file)
            elif any(cell.strip() for cell in cells[len(heads) :]):
                text = f"has {len(cells)} cells for {len(heads)} columns; quote a text that has a {shown(mark)} in it"
                raise InputError(text, file=file, line=number)
            else:
                plain = ("" if cell.strip() in _EMPTY else cell.strip() for cell in cells)
                rows.append((number, {head: cell for head, cell in zip(heads, plain, strict=False) if head}))
    except csv.Error as error:
        after = (rows[-1][0] if rows else numbers[0]) if "end of data" in str(error) else numbers[reader.line_num - 1] - 1
        what = "a quote that does not end" if "end of data" in str(error) else str(error)
        raise InputError(f"is no row of cells: {what}", file=file, line=after + 1) from None
    if rows and not {"reading", "observe", "value", "min"} & set(heads):
        raise InputError("has no column 'reading' (and none 'observe')", file=file, line=numbers[0])
    return rows


def _heads(cells: Sequence[str], number: int, file: str | None) -> list[str]:
    heads = [cell.strip().lower() for cell in cells]
    for k, (cell, head) in enumerate(zip(cells, heads, strict=True)):
        if head and head not in (*COLUMNS, *_PRINTED):
            raise UnknownNameError("column", cell.strip(), COLUMNS, file=file, line=number)
        if head and head in heads[:k]:
            raise InputError(f"column {shown(head)} is there twice", file=file, line=number)
    return heads


def _left_as_printed(rows: Sequence[Mapping[str, str]], told: Mapping[str, str]) -> tuple[list[bool], list[str]]:
    """Tell which rows of a filled-in chart were not filled in; and say so."""
    printed = [_as_printed(row) for row in rows]
    measured = any(row.get("reading") and not same for row, same in zip(rows, printed, strict=True))
    if not any(printed) or not measured or told.get("faults"):
        numbers = sum(same and row["reading"].lower() not in (*LOOKS, "ol") for row, same in zip(rows, printed, strict=True))
        untouched = numbers >= MANY and not measured and not told.get("faults")
        return [False] * len(rows), [AS_PRINTED.format(numbers)] if untouched else []
    count = sum(printed)
    text = f"{count} row{'s' if count > 1 else ''} of the chart still hold{'' if count > 1 else 's'} what was printed"
    return printed, [f"{text}: not counted as measured (empty the column expected of those that were)"]


def is_as_printed(note: str) -> bool:
    """Whether a note says that the readings may be no more than a chart."""
    return note.endswith(AS_PRINTED.partition("{}")[2])


def _as_printed(row: Mapping[str, str]) -> bool:
    """Whether a row of a chart holds the reading that the chart was printed with."""
    unit = UNITS.get(row.get("instrument", "").lower(), "")
    expected = re.fullmatch(NUMBER, row.get("expected", ""))
    return bool(unit and expected and row.get("reading")) and is_shown(row["reading"], float(row["expected"]), unit)


# A row ------------------------------------------------------------------------------------------------------------


def read_row(circuit: Circuit, row: Mapping[str, str], base: Conditions, number: int = 0) -> TakenReading | Observation | None:
    """Read one row, column → text; None for a row in which nothing was measured or seen. Errors name the column."""
    measured = any(row.get(key) for key in ("reading", "min", "max"))
    if row.get("observe") or row.get("value"):
        if measured:
            raise InputError(
                "a reading and an observation are rows of their own", key="observe" if row.get("observe") else "value"
            )
        return _observation(circuit, row, number)
    if not measured:
        return None
    task = read_place(circuit, row, base)
    found, least, most = (_of_column(row, key, task.instrument) for key in ("reading", "min", "max"))
    if found:
        check_size(circuit, task, found, row["reading"])
    if least and most and least.value > most.value:
        raise InputError(f"{shown(row['min'])} is above the max, {shown(row['max'])}", key="min")
    if least and most and (found is None or (found.kind == "number" and _jumps(found, least, most))):
        found = Shown("unstable", low=least.value, high=most.value, digit=max(least.digit, most.digit))
    if found is None:
        raise InputError("needs a reading (or min and max)", key="reading")
    return TakenReading(number, task, found, least, most, row.get("note", ""))


def _jumps(found: Shown, least: Shown, most: Shown) -> bool:
    """Whether a minimum and a maximum lie so far apart that something came and went: more than a display flickers."""
    fine, coarse = sorted((least.digit, most.digit))
    return most.value - least.value > max(0.05 * abs(found.value), 2 * coarse, min(20 * fine, _FLICKER))


def _of_column(row: Mapping[str, str], key: str, instrument: str) -> Shown | None:
    if not row.get(key):
        return None
    try:
        found = read_shown(row[key], UNITS[instrument])
    except InputError as error:
        raise with_place(error, key=key) from None
    if (instrument == "lamp") != (found.kind == "look"):
        what = f"a lamp is {', '.join(LOOKS)}" if instrument == "lamp" else f"it can't be {instrument}"
        raise InputError(f"{shown(row[key])} found; {what}", key=key)
    if key != "reading" and found.kind != "number":
        raise InputError(f"{shown(row[key])} is no number with a unit", key=key)
    return found


# What was seen ----------------------------------------------------------------------------------------------------


def _observation(circuit: Circuit, row: Mapping[str, str], number: int) -> Observation:
    """Read an observation: the word stands in `value`, or in `observe` with yes or no (or nothing) beside it, or in both."""
    observe, value = (" ".join(row.get(key, "").lower().split()) for key in ("observe", "value"))
    step = read_step(circuit, row) if row.get("step") else ""
    if f"{observe} {value}" in OBSERVATIONS:  # fuse, open
        return Observation(number, step, f"{observe} {value}")
    if observe in OBSERVATIONS:
        if value not in (*_YES, *_NO, observe):
            raise UnknownNameError(f"value beside {shown(observe)}", value, ("yes", "no"), key="value")
        return Observation(number, step, observe, value not in _NO)
    if value not in OBSERVATIONS:
        if re.match(NUMBER, value):
            raise InputError(
                f"{shown(row['value'])} is no observation; what was measured goes into the column reading", key="value"
            )
        raise UnknownNameError("observation", value or observe, OBSERVATIONS, key="value" if value else "observe")
    return Observation(number, step, value)
