"""A calibration as text and Markdown: what the readings say, what they don't, and how much narrower the chart is."""

from __future__ import annotations

import math

from circuitsim.quantities import format_quantity
from circuitsim.report.markdown import escaped
from circuitsim.report.typeset import Line, clean, line, pad, plain, wrap
from circuitsim.studies.fit import Fitted, FittedNumber

__all__ = ["fitted_lines", "fitted_markdown", "fitted_text"]

_LISTED = 12


def _number(n: FittedNumber) -> tuple[str, str, str, str]:
    before, after = (f"{v:.4g}" if n.unit == "1" else format_quantity(v, n.unit, 4) for v in (n.before, n.after))
    return n.name, before, after, f"{100 * n.shrink:.0f} % less"


def _band(values: tuple[float, float, float], unit: str) -> str:
    if not all(map(math.isfinite, values)):
        return "–"
    return f"{format_quantity(values[0], unit, 4)} ({'…'.join(format_quantity(v, unit, 4) for v in values[1:])})"


def _summary(found: Fitted) -> list[str]:
    fits = f"misfit of the {found.freedom} readings before fitting: chi-square {found.misfit:.1f}"
    names = ", ".join(n.name for n in found.undetermined[:_LISTED])
    more = f" and {len(found.undetermined) - _LISTED} more" if len(found.undetermined) > _LISTED else ""
    silent = f"Of these the readings say next to nothing, so the tolerances keep them: {names}{more}"
    return [found.summary, found.meter, f"{fits} (so much or more in {100 * found.chance:.0f} % of good circuits)",
            *([silent] if found.undetermined else [])]  # fmt: skip


def fitted_lines(found: Fitted, width: int | None = None) -> list[Line]:
    """Lay it out for a terminal; width: characters in a line."""
    width = width or 110
    lines = [line(text, "title") for text in wrap(clean(f"{found.circuit.name}: fitted to readings"), width)]
    for text in _summary(found):
        lines += [line("  " + part, "faint") for part in wrap(clean(text), width - 2)]
    for note in found.notes:
        lines += [line(text, "verdict") for text in wrap(clean(f"Mind: {note}"), width)]
    rows = [("what the readings tell", "before", "after", "uncertainty"), *(_number(n) for n in found.determined)]
    lines += [(), *_table(rows)]
    if not found.determined:
        lines.append(line("  no number by itself; sums of them, see the bands below", "faint"))
    chart = [("chart", "before", "after", "width")]
    for r in found.readings:
        mark = " *" if r.used else ""
        share = f"{r.narrower:.2f} times" if math.isfinite(r.narrower) else "–"
        chart.append((r.placed + mark, _band(r.before, r.unit), _band(r.after, r.unit), share))
    lines += [(), *_table(chart), line("* fitted to", "faint")]
    return lines


def _table(rows: list[tuple[str, str, str, str]]) -> list[Line]:
    sizes = [max(len(row[k]) for row in rows) for k in range(4)]
    found = []
    for k, row in enumerate(rows):
        cells = [pad(clean(row[0]), sizes[0]), *(pad(clean(c), s, ">") for c, s in zip(row[1:], sizes[1:], strict=True))]
        found.append(line("  ".join(cells), "heading" if k == 0 else ""))
    return found


def fitted_text(found: Fitted, width: int | None = None) -> str:
    """Give it as plain text."""
    return plain(fitted_lines(found, width))


def fitted_markdown(found: Fitted) -> str:
    """Give it as Markdown with GitHub's tables."""
    parts = [f"# {escaped(found.circuit.name)}: fitted to readings"]
    parts.append("\n".join(f"- {escaped(clean(text))}" for text in (*_summary(found), *found.notes)))
    numbers = ["| number | before | after | uncertainty |", "| --- | --: | --: | --: |"]
    numbers += ["| " + " | ".join(escaped(clean(c)) for c in _number(n)) + " |" for n in found.determined]
    chart = ["| reading | before | after | width |", "| --- | --: | --: | --: |"]
    for r in found.readings:
        cells = (r.placed, _band(r.before, r.unit), _band(r.after, r.unit), f"{r.narrower:.2f}")
        chart.append("| " + " | ".join(escaped(clean(c)) for c in cells) + " |")
    return "\n\n".join([*parts, "\n".join(numbers), "\n".join(chart)]) + "\n"
