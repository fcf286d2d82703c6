"""A sheet as Markdown: GitHub's tables (GFM), with everything from the model escaped."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from circuitsim.report.sheet import Cell, Section, Sheet

__all__ = ["escaped", "markdown"]

_SPECIAL = re.compile(r"([\\`*_{}\[\]<>#|~&$@])")
_BULLET = re.compile(r"^([-+=:])|^([0-9]{1,9})([.)])")


def escaped(text: str) -> str:
    """Give text that Markdown shows as it is, inside a line or a cell of a table."""
    return _SPECIAL.sub(r"\\\1", text)


def _opening(text: str) -> str:
    """Give text that Markdown shows as it is, even where a line begins: it opens no list and underlines nothing."""
    return _BULLET.sub(lambda m: f"\\{m[1]}" if m[1] else f"{m[2]}\\{m[3]}", escaped(text))


def markdown(sheet: Sheet) -> str:
    """Give the Markdown of a sheet; a cell has the band on a second line."""
    parts = [f"# {escaped(sheet.title)}", "\n".join(f"- {_opening(fact)}" for fact in sheet.facts)]
    for section in (*sheet.sections, sheet.motor):
        if section.rows and section.steps:
            parts += [f"## {escaped(section.heading)}", _section(section)]
    parts += [_opening(note) for note in sheet.notes]
    if sheet.places:
        rows = [[f"**{escaped(n)}**" if n else "", escaped(colour), escaped(where)] for n, colour, where in sheet.places]
        parts += ["## Where the leads go", _table(["point", "wire", "where"], "---", rows)]
    if sheet.cautions:
        parts += ["## Take care", "\n".join(f"- {_opening(caution)}" for caution in sheet.cautions)]
    return "\n\n".join(part for part in parts if part) + "\n"


def _section(section: Section) -> str:
    rules = any(row.rule for row in section.rows)
    heads = ["at step", *(escaped(s) for s in section.steps), *(["rule of thumb"] if rules else [])]
    rows = []
    for row in section.rows:
        name = "<br>".join([f"**{escaped(row.label)}**", *([escaped(row.leads)] if row.leads else [])])
        figures = [_cell(row.cells.get(s)) for s in section.steps]
        rows.append([name, *figures, *([escaped(row.rule)] if rules else [])])
    return _table(heads, " | ".join(["---", *["--:"] * len(section.steps), *(["---"] if rules else [])]), rows)


def _cell(cell: Cell | None) -> str:
    if cell is None:
        return ""
    return "<br>".join(escaped(text) for text in (cell.shown, cell.band) if text)


def _table(heads: Sequence[str], rulers: str, rows: Iterable[Sequence[str]]) -> str:
    if "|" not in rulers:
        rulers = " | ".join([rulers] * len(heads))
    lines = [" | ".join(heads), rulers, *(" | ".join(row) for row in rows)]
    return "\n".join(f"| {text} |" for text in lines)
