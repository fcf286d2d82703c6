"""A calibration as text and Markdown: what the readings say, what they don't, and how much narrower the chart is."""

from __future__ import annotations

import math
from collections.abc import Sequence

from circuitsim.measure import METERS, Meter
from circuitsim.quantities import format_quantity
from circuitsim.report.markdown import escaped
from circuitsim.report.typeset import Line, cells, clean, line, pad, plain, wrap
from circuitsim.studies.fit import Combination, Fitted, FittedNumber, FittedReading

__all__ = ["fitted_lines", "fitted_markdown", "fitted_text"]

_NONE = "–"
_PROSE = 110  # characters in a line where no width is given
_LISTED = 12
_ROWS = 12  # readings of the chart on a screen, unless all are asked for
_NEWS = 0.05  # of a band's width; a reading of which less has changed is left out there
_NARROWER = 0.98  # times a band; what is known of sums is worth a word from there on
_MATTERS = 0.1  # of the variance of a reading of the chart
_NUMBERS = ("number", "before", "after", "uncertainty")
_USED = ("reading", "measured", "before", "after", "off before", "off")
_CHART = ("reading", "before", "after", "width")
_LEGEND = (
    "off: measured less what all other readings let expect, in standard deviations of that; "
    "off before: measured less the value before, likewise"
)
_TOLD = "What the readings determine"
_TOGETHER = "Known together only, each in units of its tolerance"
_UNTOLD = "What the readings do not determine: it keeps its tolerance"
Row = tuple[str, ...]


def fitted_lines(found: Fitted, width: int | None = None, *, every: bool = False) -> list[Line]:
    """Lay it out for a terminal.

    width: characters in a line, None for as many as tables need; every: the whole chart, not just what has changed most.
    """
    lines = [line(text, "title") for text in wrap(clean(f"{found.circuit.name}: fitted to readings"), width or _PROSE)]
    for text in _summary(found):
        lines += _under(text, width, "faint")
    for note in found.notes:
        lines += [line(text, "verdict") for text in wrap(clean(f"Mind: {note}"), width or _PROSE, "  ")]
    lines += [(), line(_TOLD, "heading")]
    if found.determined:
        lines += _table([_NUMBERS, *map(_number, found.determined)], width)
    else:
        lines.append(line("  no number by itself", "faint"))
    for heading, texts in ((_TOGETHER, [_together(c) for c in found.combinations]), (_UNTOLD, _silent(found))):
        if texts:
            lines += [(), *(line(part, "heading") for part in wrap(heading, width or _PROSE))]
            lines += [part for text in texts for part in _under(text, width)]
    used, tool = [r for r in found.readings if r.used], _tool(found)
    lines += [
        (),
        line("The readings", "heading"),
        *_table([_USED, *(_used(r, tool) for r in used)], width),
        *_under(_LEGEND, width, "faint"),
        *_under(_after(found), width, "faint"),
    ]
    rest = [r for r in found.readings if not r.used]
    if rest:
        kept, told = _changed(rest, every=every)
        lines += [(), line("The chart", "heading")]
        lines += _table([_CHART, *(_charted(r, tool) for r in kept)], width) if kept else []
        lines += _under(told, width, "faint") if told else []
    return lines


def fitted_text(found: Fitted, width: int | None = None, *, every: bool = False) -> str:
    """Give it as plain text."""
    return plain(fitted_lines(found, width, every=every))


def _changed(chart: Sequence[FittedReading], *, every: bool) -> tuple[list[FittedReading], str]:
    """Give the readings of a chart that have changed most, in their order, and what is said of the others."""
    if every or len(chart) <= _ROWS:
        return list(chart), ""
    order = sorted(range(len(chart)), key=lambda k: -_change(chart[k]))
    kept = sorted(k for k in order[:_ROWS] if _change(chart[k]) > _NEWS)
    left = [r for k, r in enumerate(chart) if k not in set(kept)]
    most = max((_change(r) for r in left), default=0.0)
    how = "--all, and --format json or markdown, give all"
    told = f"{len(left)} more changed less, by {100 * most:.0f} % of a band's width at most: {how}" if left else ""
    return [chart[k] for k in kept], told


def _change(r: FittedReading) -> float:
    """Give by how much of its band a reading has changed: in width, or in where it lies; 0 where there is none."""
    wide = r.before[2] - r.before[1]
    if not (math.isfinite(r.narrower_filed) and wide > 0):
        return 0.0
    return max(abs(1 - r.narrower_filed), abs(r.filed[0] - r.before[0]) / wide)


def fitted_markdown(found: Fitted) -> str:
    """Give it as Markdown with GitHub's tables."""
    parts = [f"# {escaped(clean(found.circuit.name))}: fitted to readings"]
    parts.append(_list((*_summary(found), *(f"**Mind:** {note}" for note in found.notes)), bold=True))
    parts.append(f"## {_TOLD}")
    parts.append(_grid([_NUMBERS, *map(_number, found.determined)]) if found.determined else "No number by itself.")
    for heading, texts in ((_TOGETHER, [_together(c) for c in found.combinations]), (_UNTOLD, _silent(found))):
        if texts:
            parts += [f"## {heading}", _list(texts)]
    tool = _tool(found)
    parts += ["## The readings", _grid([_USED, *(_used(r, tool) for r in found.readings if r.used)])]
    parts += [_LEGEND, escaped(_after(found))]
    rest = [r for r in found.readings if not r.used]
    if rest:
        parts += ["## The chart", _grid([_CHART, *(_charted(r, tool) for r in rest)])]
    return "\n\n".join(parts) + "\n"


def _under(text: str, width: int | None, role: str = "") -> list[Line]:
    """Break text into lines that all begin with an indent."""
    return [line("  " + part, role) for part in wrap(clean(text), (width or _PROSE) - 2, "  ")]


def _list(texts: Sequence[str], *, bold: bool = False) -> str:
    """Give a list; bold: a bold beginning is meant as such."""

    def item(text: str) -> str:
        head = "**Mind:** "
        if bold and text.startswith(head):
            return head + escaped(clean(text.removeprefix(head)))
        return escaped(clean(text))

    return "\n".join(f"- {item(text)}" for text in texts)


def _grid(rows: Sequence[Row]) -> str:
    ruled = [rows[0], tuple("---" if k == 0 else "--:" for k in range(len(rows[0]))), *rows[1:]]
    return "\n".join("| " + " | ".join(c if k == 1 else escaped(clean(c)) for c in row) + " |" for k, row in enumerate(ruled))


def _table(rows: Sequence[Row], width: int | None) -> list[Line]:
    """Lay rows out in columns; where they are too wide, the first cell stands on a line of its own."""
    sizes = [max(cells(clean(row[k])) for row in rows) for k in range(len(rows[0]))]
    apart = width is not None and 2 * len(sizes) + sum(sizes) > width
    found: list[Line] = []
    for k, row in enumerate(rows):
        role = "heading" if k == 0 else ""
        figures = "  ".join(pad(clean(c), s, ">") for c, s in zip(row[1:], sizes[1:], strict=True))
        if apart and width is not None:
            found += [line("  " + part, role) for part in wrap(clean(row[0]), width - 2)]
            short = figures if cells(figures) + 4 <= width else "  ".join(clean(c) for c in row[1:])
            found += [line("    " + part, role) for part in wrap(short, width - 4)]
        else:
            found.append(line(f"  {pad(clean(row[0]), sizes[0])}  {figures}", role))
    return found


# What each says -----------------------------------------------------------------------------------------------------


def _summary(found: Fitted) -> list[str]:
    fits = f"misfit of {found.freedom} measured values: chi-square {found.misfit:.1f}"
    return [found.summary, found.meter, f"{fits}; so much or more in {_percent(found.chance)} of good vehicles of this kind"]


def _after(found: Fitted) -> str:
    """Say where the bands after come from, and what a file has no place for."""
    supply = f" --supply {format_quantity(found.supply, 'V').replace(' ', '')}" if found.supply is not None else ""
    name = next((name for name, m in METERS.items() if m.note() == found.meter), "standard")
    supply += f" --meter {name}" * (name != "standard")
    told = f"after: what 'predict FITTED.toml{supply}' gives of the file that -o writes, under the conditions above"
    share, placed = found.known_best
    if not share < _NARROWER:
        return told
    return (
        f"{told}; what is known together only narrows bands further, at most to {share:.2f} times ({placed}), "
        "but a file has no place for it (--format json has these bands)"
    )


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.005 else "less than 0.5 %" if share > 1e-3 else "less than 0.1 %"


def _number(n: FittedNumber) -> Row:
    before, after = (f"{v:.4g}" if n.unit == "1" else format_quantity(v, n.unit, 4) for v in (n.before, n.after))
    return n.name, before, after, f"{100 * n.shrink:.0f} % less"


def _together(c: Combination) -> str:
    terms = [f"{'' if k == 0 and w > 0 else '+ ' if w > 0 else '- '}{name}" for k, (name, w) in enumerate(c.weights)]
    return f"{' '.join(terms)}: {100 * c.shrink:.0f} % less"


def _silent(found: Fitted) -> list[str]:
    """Name what the readings do not tell: first what the chart hangs on."""
    silent = found.undetermined
    matter = [f"{n.name}: {100 * n.share:.0f} % of what is left open in a reading" for n in silent if n.share >= _MATTERS]
    rest = [n.name for n in silent if n.share < _MATTERS]
    more = f" and {len(rest) - _LISTED} more" if len(rest) > _LISTED else ""
    return [*matter, *([f"of less weight: {', '.join(rest[:_LISTED])}{more}"] if rest else [])]


def _band(values: tuple[float, float, float], unit: str, tool: Meter | None) -> str:
    if not all(map(math.isfinite, values)):
        return _NONE
    return f"{_displayed(values[0], unit, tool)} ({'…'.join(_displayed(v, unit, tool) for v in values[1:])})"


def _displayed(value: float, unit: str, tool: Meter | None) -> str:
    """Write a value to the digit of the meter; 0 for what that digit does not show."""
    if tool is None or unit not in ("V", "A", "Ω"):
        return format_quantity(value, unit, 4)
    text = tool.display(value, unit)
    return f"0 {unit}" if not text.partition(" ")[0].strip("-0.") else text


def _tool(found: Fitted) -> Meter | None:
    """Give the meter that the readings were taken with."""
    return next((m for m in METERS.values() if m.note() == found.meter), None)


def _off(value: float) -> str:
    return f"{value:+.1f}" if math.isfinite(value) else _NONE


def _used(r: FittedReading, tool: Meter | None) -> Row:
    measured = format_quantity(r.measured, r.unit, 4)
    return r.placed, measured, _band(r.before, r.unit, tool), _band(r.filed, r.unit, tool), _off(r.off_before), _off(r.off)


def _charted(r: FittedReading, tool: Meter | None) -> Row:
    share = f"{r.narrower_filed:.2f} times" if math.isfinite(r.narrower_filed) else _NONE
    return r.placed, _band(r.before, r.unit, tool), _band(r.filed, r.unit, tool), share
