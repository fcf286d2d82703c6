"""A chart as it is laid out on paper: rows by what is measured, steps as columns, one unit a row. No layout yet."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from circuitsim.engine.verdicts import NO_READING
from circuitsim.library.circuit import Circuit
from circuitsim.measure import lamp_look
from circuitsim.measure.waving import LEVEL
from circuitsim.quantities import column_unit, convert
from circuitsim.report.facts import facts
from circuitsim.report.notes import AVERAGED, chops, marked, no_readings, verdict_notes
from circuitsim.report.places import places
from circuitsim.report.typeset import clean
from circuitsim.studies import Chart, Reading
from circuitsim.studies.chart import OperatingPoint, fitted_words

__all__ = ["Cell", "Row", "Section", "Sheet", "fixed", "sheet_of", "state_heading"]

_MOST_PLACES = 3  # of a reading in millivolts that stands in a row of volts
_LEAKS = 1e-3  # A
_NONE = "–"
_FLOATS = "floats: that part has no path to ground; a meter shows about zero there, or a stray voltage"
_OVERLOAD = "OL: beyond the largest range of the meter"


@dataclass(frozen=True)
class Cell:
    """What stands at a step: the instrument's display and the band below it.

    kind: "reading"; "floats" (a lead on a part with no path to ground); or "verdict" (no reading: `shown` has the mark of
    the note that says why).
    """

    shown: str
    band: str = ""
    kind: str = "reading"


@dataclass(frozen=True)
class Row:
    """One thing measured at several steps: label, where the leads go, step → cell, the shop's rule."""

    label: str
    leads: str
    cells: Mapping[str, Cell]
    rule: str = ""


@dataclass(frozen=True)
class Section:
    """Rows taken in one state of the circuit, and the steps at which any of them is read.

    by_step: a narrow layout may give it a step a line.
    """

    heading: str
    steps: tuple[str, ...]
    rows: tuple[Row, ...]
    by_step: bool = False


@dataclass(frozen=True)
class Sheet:
    """A chart, ready for a layout.

    facts: conditions, options, meter, legend; motor: the operating points; notes: words explained; places: probe point,
    wire colour and where it is, for the points in use; cautions.
    """

    title: str
    facts: tuple[str, ...]
    sections: tuple[Section, ...]
    motor: Section
    notes: tuple[str, ...]
    places: tuple[tuple[str, str, str], ...]
    cautions: tuple[str, ...]


def sheet_of(chart: Chart, circuit: Circuit | None = None) -> Sheet:
    """Arrange a chart.

    Parameters
    ----------
    chart
        From `predict`.
    circuit
        The circuit it is of; adds the titles of connectors and where the probe points are.
    """
    groups: dict[tuple[str, tuple[str, ...], tuple[str, ...]], list[Reading]] = {}
    common = chart.conditions.get("fitted", ())  # stands in the facts
    for r in chart.readings:
        groups.setdefault((r.ignition, r.unplugged, tuple(f for f in r.fitted if f not in common)), []).append(r)
    order = [p.step for p in chart.operating_points]
    marks = marked(no_readings(chart))
    sections = tuple(
        _section(state_heading(ignition, unplugged, circuit) + clean(fitted_words(fitted)), members, order, marks)
        for (ignition, unplugged, fitted), members in groups.items()
    )
    motor = _motor(chart.operating_points, marks, warm=chart.conditions.get("since", "cold") != "cold")
    return Sheet(
        title=_title(chart.title, chart.circuit),
        facts=facts(chart, circuit),
        sections=sections,
        motor=motor,
        notes=(*_notes(marks, sections), *_averaged(chart, circuit)),
        places=places(chart, circuit),
        cautions=tuple(clean(c) for c in chart.cautions),
    )


def _title(title: str, name: str) -> str:
    title, name = clean(title), clean(name)
    return f"{title[:1].upper()}{title[1:]} ({name})" if title and title != name else name


def state_heading(ignition: str, unplugged: Sequence[str], circuit: Circuit | None = None) -> str:
    """Say in which state of the circuit a section's readings are taken."""
    if not unplugged:
        return f"Everything plugged, ignition {ignition}"
    titles = {name: c.title for name, c in circuit.connectors.items()} if circuit else {}
    named = [f"{name} ({titles[name]})" if titles.get(name) else name for name in unplugged]
    parted = clean(" and ".join(named)) + " unplugged"
    return parted if ignition == "on" else f"{parted}, ignition off"


def _section(heading: str, readings: Sequence[Reading], order: Sequence[str], marks: Mapping[str, str]) -> Section:
    rows: dict[tuple[str, ...], list[Reading]] = {}
    for r in readings:
        rows.setdefault((r.label, r.tool, r.red, r.black, r.at), []).append(r)
    read = list(dict.fromkeys(r.step for r in readings))
    steps = (*(s for s in order if s in read), *(s for s in read if s not in order))
    return Section(heading, steps, tuple(_row(members, marks) for members in rows.values()))


def _row(readings: Sequence[Reading], marks: Mapping[str, str]) -> Row:
    first = readings[0]
    leads = clean(first.leads if first.instrument == "voltmeter" else f"{first.tool} {first.leads}")
    label = clean(first.label)
    unit = _shared_unit(readings)
    found = {r.step: _cell(r, unit, marks) for r in readings}
    if all(c.band in ("", "…".join([c.shown.partition(" ")[0]] * 2)) for c in found.values()):
        found = {step: replace(c, band="") for step, c in found.items()}  # bands that say nothing
    named = label not in ("", clean(first.leads))
    return Row(label if named else leads, leads if named else "", found, clean(first.rule))


def _shared_unit(readings: Sequence[Reading]) -> str:
    """Give the one unit for a row: that in which the instrument shows the row's largest reading."""
    shown = [(abs(r.expected), r.shown[1]) for r in readings if r.shown]
    return max(shown)[1] if shown else readings[0].unit


def _cell(r: Reading, unit: str, marks: Mapping[str, str]) -> Cell:
    if r.verdict == LEVEL:  # no duty, no frequency
        return Cell(_NONE)
    if not math.isfinite(r.expected) or r.verdict.startswith(NO_READING):
        return _lost(r.verdict, marks)
    # An ohmmeter belongs on a part that floats; what a voltmeter shows there says nothing about the part.
    kind, floats = ("floats", "floats") if r.floating and r.unit != "Ω" else ("reading", "")
    if r.shown is None:  # OL, or how a lamp looks
        return Cell(clean(r.display), floats or _looks(r), kind)
    number, own_unit, places = r.shown
    size = convert(1.0, r.unit, unit) / convert(1.0, r.unit, own_unit)
    if own_unit != unit:
        places = min(max(0, places - round(math.log10(size))), _MOST_PLACES)
    shown = fixed(number * size, places)
    band = [fixed(convert(v, r.unit, unit), places) for v in (r.low, r.high) if math.isfinite(v)]
    return Cell(f"{shown} {unit}", floats or "…".join(band), kind)


def _lost(verdict: str, marks: Mapping[str, str]) -> Cell:
    """Stand for what is no reading: a dash and the mark of its note."""
    return Cell(f"{_NONE} {marks[verdict]}" if verdict in marks else clean(verdict), kind="verdict")


def _looks(r: Reading) -> str:
    """Give the band of a lamp in words, where it is more than one."""
    looks = [lamp_look(v) for v in (r.low, r.high)] if r.unit == "1" else []
    return "…".join(looks) if len({r.display, *looks}) > 1 and looks else ""


def fixed(value: float, places: int) -> str:
    """Write a number with so many decimals, zero without a sign."""
    text = f"{value:.{places}f}"
    return text.removeprefix("-") if not text.strip("-0.") else text


def _motor(points: Iterable[OperatingPoint], marks: Mapping[str, str], *, warm: bool) -> Section:
    """Lay out the operating points as rows, so that their columns are those of the chart."""
    found = list(points)
    steps = tuple(p.step for p in found)
    gone = [p.verdict.startswith(NO_READING) for p in found]
    currents = [math.nan if lost else p.motor_current for p, lost in zip(found, gone, strict=True)]
    speeds = [math.nan if lost else p.motor_speed for p, lost in zip(found, gone, strict=True)]
    # What leaks through a motor that is off is no current worth a unit of its own.
    amperes = column_unit([i for i in currents if abs(i) >= _LEAKS], "A", 4)
    rows = {
        "motor current": [Cell(text) for text in _aligned(currents, "A", amperes)],
        "motor speed": [
            Cell(f"{fixed(convert(v, 'rad/s', 'rpm'), 0)} rpm" if math.isfinite(v) else _NONE) for v in speeds
        ],
        "state": [_lost(p.verdict, marks) if lost else Cell(clean(p.verdict)) for p, lost in zip(found, gone, strict=True)],
    }  # fmt: skip
    if warm and any(p.hottest for p in found):
        rows["hottest part"] = [_hottest(p) for p in found]
    heading = "Motor at each step, with no meter on the circuit"
    laid_out = tuple(Row(label, "", dict(zip(steps, members, strict=True))) for label, members in rows.items())
    return Section(heading, steps, laid_out, by_step=True)


def _hottest(p: OperatingPoint) -> Cell:
    if not p.hottest or not math.isfinite(p.hottest_temperature) or p.verdict.startswith(NO_READING):
        return Cell(_NONE)
    return Cell(f"{fixed(p.hottest_temperature, 0)} °C", clean(p.hottest))


def _aligned(values: Sequence[float], unit: str, display: str) -> list[str]:
    """Write quantities with the same decimals: four significant digits for the largest; a dash for what is none."""
    shown = [convert(v, unit, display) for v in values]
    largest = max((abs(v) for v in shown if math.isfinite(v)), default=0.0)
    places = min(max(3 - math.floor(math.log10(largest)), 0), 3) if largest else 2
    return [f"{fixed(v, places)} {display}" if math.isfinite(v) else _NONE for v in shown]


def _averaged(chart: Chart, circuit: Circuit | None) -> tuple[str, ...]:
    """Say how a time since switching on is reached, where a stage chops."""
    if circuit is None or isinstance(chart.conditions.get("since", "cold"), str) or not chops(circuit):
        return ()
    return (AVERAGED.format("The speed is taken as settled; the temperatures by then are", "these are"),)


def _notes(marks: Mapping[str, str], sections: Iterable[Section]) -> tuple[str, ...]:
    every = [cell for s in sections for row in s.rows for cell in row.cells.values()]
    floats = any(cell.kind == "floats" for cell in every)
    used = ((_FLOATS, floats), (_OVERLOAD, any(c.shown == "OL" for c in every)))
    return (*verdict_notes(marks), *(text for text, stands in used if stands))
