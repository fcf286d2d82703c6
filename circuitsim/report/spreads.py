"""The tables of a tolerance study: as text for a terminal or a pipe, as Markdown, as CSV."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from circuitsim.library.circuit import Circuit
from circuitsim.measure import lamp_look
from circuitsim.quantities import column_unit, convert
from circuitsim.report.care import care, care_markdown
from circuitsim.report.markdown import escaped
from circuitsim.report.notes import marked, verdict_notes
from circuitsim.report.sheet import fixed, state_heading
from circuitsim.report.typeset import Line, Span, cells, clean, line, pad, plain, wrap
from circuitsim.studies.tolerance import Spread, ToleranceReport

__all__ = ["spreads_csv", "spreads_lines", "spreads_markdown", "spreads_text"]

_HEADS = ("step", "median", "95 % of vehicles", "first order", "worst corners")
_MOVED = "moved by (share of variance)"
_APART = 0.05  # of the width; a first-order band further off than this is marked
_NAMED = 3  # parts named in a line
_GAP = "  "
_LEAST = 44  # characters for the column of parts; with less, they stand on a line of their own
_COARSE = 100  # digits of the instrument; less is told in the same unit
_FINE = 20  # a digit is worth writing down to about a twentieth of the band's width
_MOST_DIGITS = 6
_NONE = "–"


@dataclass(frozen=True)
class _Block:
    """One reading: its title, and for each step the cells and what moves it."""

    title: str
    leads: str
    rows: tuple[tuple[tuple[str, ...], str], ...]


def spreads_lines(report: ToleranceReport, circuit: Circuit | None = None, width: int | None = None) -> list[Line]:
    """Write the spreads reading by reading, one line a step, columns aligned.

    Parameters
    ----------
    report
        From `tolerance`.
    circuit
        The circuit it is of; adds the titles of connectors.
    width
        Characters in a line; None for as many as the table needs.
    """
    found = [line(text, "title") for text in wrap(_title(report), width)]
    found += [line(text, "faint") for note in _notes(report) for text in wrap(note, width, _GAP)]
    sections = list(_sections(report, circuit))
    table = _Table([row for _, blocks in sections for block in blocks for row, _ in block.rows], width)
    for heading, blocks in sections:
        found += [(), *(line(text, "heading") for text in wrap(heading, width))]
        for block in blocks:
            found += [(), *_named(block, width), *table.lines(block)]
    lost = verdict_notes(_marks(report))
    found += [()] * bool(lost) + [line(text, "faint") for note in lost for text in wrap(note, width, _GAP)]
    return found + care(report.cautions, width)


class _Table:
    """The columns that all readings share; what moves a reading stands beside them, or below where there is no room."""

    def __init__(self, rows: Sequence[Sequence[str]], width: int | None) -> None:
        self.width = width
        self.widths = [max(cells(head), *(cells(row[k]) for row in rows)) for k, head in enumerate(_HEADS)]
        self.taken = sum(self.widths) + len(_GAP) * (len(self.widths) + 1)
        self.beside = width is None or width - self.taken >= _LEAST

    def lines(self, block: _Block) -> Iterator[Line]:
        """Give the head of a reading and its rows."""
        yield self._row(_HEADS, _MOVED if self.beside else "", "step")
        for row, moved in block.rows:
            texts = wrap(moved, None if self.width is None else self.width - self.taken) if self.beside else []
            yield self._row(row, texts[0] if texts else "")
            yield from (line(" " * self.taken + text) for text in texts[1:])
            if moved and not self.beside:
                yield from self._below(f"moved by {moved}" if "%" in moved else moved)

    def _below(self, text: str) -> Iterator[Line]:
        inner = None if self.width is None else self.width - 3 * len(_GAP)
        yield from (line(3 * _GAP + piece, "faint") for piece in wrap(text, inner, _GAP))

    def _row(self, texts: Sequence[str], moved: str, role: str = "") -> Line:
        roles = ("step", "shown", "band", "", "")
        padded = (pad(text, w, ">") for text, w in zip(texts, self.widths, strict=True))
        spans = [Span(_GAP + text, role or own) for text, own in zip(padded, roles, strict=True)]
        return (*spans, Span(_GAP + moved if moved else "", role))


def spreads_text(report: ToleranceReport, circuit: Circuit | None = None, width: int | None = None) -> str:
    """Give the spreads as plain text; parameters as in `spreads_lines`."""
    return plain(spreads_lines(report, circuit, width))


def spreads_markdown(report: ToleranceReport, circuit: Circuit | None = None) -> str:
    """Give the spreads as Markdown with GitHub's tables; parameters as in `spreads_lines`."""
    parts = [f"# {escaped(_title(report))}", "\n".join(f"- {escaped(note)}" for note in _notes(report))]
    for heading, blocks in _sections(report, circuit):
        parts.append(f"## {escaped(heading)}")
        for block in blocks:
            parts.append(f"**{escaped(block.title)}** {escaped(block.leads)}".rstrip())
            lines = [[*_HEADS, _MOVED], ["---", *["--:"] * (len(_HEADS) - 1), "---"]]
            lines += [[escaped(text) for text in (*row, moved)] for row, moved in block.rows]
            parts.append("\n".join(f"| {' | '.join(row)} |" for row in lines))
    parts += [escaped(note) for note in verdict_notes(_marks(report))]
    parts += care_markdown(report.cautions)
    return "\n\n".join(parts) + "\n"


def _title(report: ToleranceReport) -> str:
    state = "" if report.complete else ", stopped early"
    return clean(f"{report.circuit}: spread over {report.samples:,} vehicles{state} (seed {report.seed})")


def _notes(report: ToleranceReport) -> list[str]:
    notes = [report.summary[:1].upper() + report.summary[1:], "The meter loads the circuit; its error is not in the figures"]
    if any(_apart(s) for s in report.spreads):
        notes.append("'!' marks a first-order band that is off by more than a twentieth of the width")
    if any(s.instrument == "lamp" for s in report.spreads):
        notes.append("A lamp is told by its share of rated power")
    if any(s.floating and s.instrument == "voltmeter" for s in report.spreads):
        notes.append("'floats': that part has no path to ground; a meter shows about zero there, or a stray voltage")
    if report.refused:
        notes.append(f"{report.refused:,} points (vehicle × state) were no reading and are left out")
    return [clean(note) for note in notes]


def _marks(report: ToleranceReport) -> dict[str, str]:
    """Give the marks of what is no reading of the nominal vehicle, and so none of any."""
    return marked(s.verdict for s in report.spreads if not math.isfinite(s.median))


def _sections(report: ToleranceReport, circuit: Circuit | None) -> Iterator[tuple[str, list[_Block]]]:
    """Give the readings by the state of the circuit, each with its heading."""
    marks = _marks(report)
    for (ignition, unplugged), members in groupby(report.spreads, lambda s: (s.ignition, s.unplugged)):
        named = groupby(members, lambda s: (s.label, s.instrument, s.red, s.black, s.at))
        yield state_heading(ignition, unplugged, circuit), [_block(list(spreads), marks) for _, spreads in named]


def _block(spreads: Sequence[Spread], marks: Mapping[str, str]) -> _Block:
    first = spreads[0]
    same = groupby(((_cells(s, marks), _moved(s, marks), s.step) for s in spreads), lambda row: (row[0], row[1]))
    rows = []
    for (texts, moved), members in same:  # steps that read the same stand on one line
        steps = [step for *_, step in members]
        rows.append(((steps[0] if len(steps) == 1 else f"{steps[0]}–{steps[-1]}", *texts), moved))
    where = f"on {first.at}" if first.at else f"{first.red} : {first.black}"
    leads = clean(where if first.instrument == "voltmeter" else f"{first.instrument} {where}")
    named = clean(first.label) not in ("", where)
    return _Block(clean(first.label) if named else leads, leads if named else "", tuple(rows))


def _cells(s: Spread, marks: Mapping[str, str]) -> tuple[str, ...]:
    """Give median, band, first-order band and corners, in a unit that the instrument shows and no finer than it does."""
    if not math.isfinite(s.median):
        return (f"{_NONE} {marks.get(s.verdict, '')}".rstrip(), *[_NONE] * (len(_HEADS) - 2))
    largest = max(abs(s.low), abs(s.high), _COARSE * s.digit)
    unit = "%" if s.unit == "1" else column_unit([largest], s.unit)
    places = _places(*(convert(v, s.unit, unit) for v in (s.high - s.low, largest, s.digit)))

    def number(value: float) -> str:
        return fixed(convert(value, s.unit, unit), places) if math.isfinite(value) else _NONE

    def pair(a: float, b: float) -> str:
        return f"{number(a)}…{number(b)}"

    look = f", {lamp_look(s.median)}" if s.unit == "1" else ""
    return (
        f"{number(s.median)} {unit}{look}", pair(s.low, s.high),
        pair(s.first_order.low, s.first_order.high) + (" !" if _apart(s) else ""), pair(s.corner_low, s.corner_high),
    )  # fmt: skip


def _apart(s: Spread) -> bool:
    """Whether the first-order band is off by what shows on an instrument and is a fair part of the width."""
    return s.differs > _APART and s.differs * (s.high - s.low) > s.digit


def _places(width: float, largest: float, digit: float) -> int:
    """Give the decimals down to which a band's ends are told, with no more digits than the instrument or a person has."""
    most = min(math.floor(0.5 - math.log10(digit)), _MOST_DIGITS - 1 - math.floor(math.log10(largest)))
    return max(0, min(most, math.ceil(-math.log10(width / _FINE)) if width > 0 else most))


def _moved(s: Spread, marks: Mapping[str, str]) -> str:
    if not math.isfinite(s.median):
        return "" if s.verdict in marks else clean(s.verdict)
    floats = ["floats"] if s.floating and s.instrument == "voltmeter" else []
    shares = s.shares[:_NAMED] if s.high - s.low > s.digit else ()
    return clean(", ".join([*floats, *(f"{what} {100 * share:.0f} %" for what, share in shares)]))


def _named(block: _Block, width: int | None) -> Iterator[Line]:
    if width is None or cells(block.title + _GAP + block.leads) <= width:
        yield (Span(block.title, "label"), Span(_GAP + block.leads if block.leads else "", "faint"))
        return
    yield from (line(text, "label") for text in wrap(block.title, width))
    yield from (line(_GAP + text, "faint") for text in wrap(block.leads, width - len(_GAP)))


def spreads_csv(report: ToleranceReport) -> str:
    """Write one row a reading and step, SI units; empty where there is no number."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    records = report.records()
    columns = [c for c in records[0] if c != "shares"]
    rows.writerow([*columns, "moved_by"])
    for record in records:
        shares = "; ".join(f"{s['what']} {s['share']:.3f}" for s in record["shares"])
        rows.writerow([*(_csv_cell(record[c]) for c in columns), shares])
    return out.getvalue()


def _csv_cell(value: object) -> object:
    if isinstance(value, list):
        return ", ".join(value)
    return "" if isinstance(value, float) and not math.isfinite(value) else value
