"""Healthy beside faulty as text and Markdown; which tests show which faults as a table and a heat map."""

from __future__ import annotations

import math
from typing import Any

from circuitsim.report.faulting import LEFT_OUT
from circuitsim.report.heatmap import best_page, heat_pages
from circuitsim.report.markdown import escaped
from circuitsim.report.typeset import Line, clean, line, pad, plain, wrap
from circuitsim.studies.chart import Reading
from circuitsim.studies.compare import SURE, TELLS, Comparison, Detectability, Pair

__all__ = [
    "comparison_lines", "comparison_markdown", "comparison_text", "detectability_figure", "detectability_lines",
    "detectability_markdown", "detectability_pages", "detectability_text",
]  # fmt: skip

_HEADS = ("reading", "healthy", "faulty", "told apart")
_SHOWN = 15
_SUREST = 5  # places named before the table
_TELLS = "Surest tells, each place at the step that tells best"
_ALIKE = 1e-6  # of an overlap: what no eye sees in a picture


def _told(pair: Pair) -> str:
    if pair.tells:
        return "yes, surely" if pair.sure else "yes"
    return f"no ({100 * pair.overlap:.0f} % mistaken)" if math.isfinite(pair.overlap) else "–"


def _display(r: Reading) -> str:
    return r.display if math.isfinite(r.expected) else f"none: {r.verdict}"


def _placed(pair: Pair) -> str:
    r = pair.healthy
    return r.placed if r.label == r.leads else f"{r.label}, {r.placed}"


def _notes(found: Comparison) -> list[str]:
    """Say what 'told apart' means, and which fuses have opened."""
    rule = (
        f"told apart: whoever sees this reading alone, of another vehicle each time, is mistaken in less than "
        f"{100 * TELLS:g} % of cases; surely: in less than {100 * SURE:g} %"
    )
    opens = "open" if len(found.blown) > 1 else "opens"
    note = f"{' and '.join(found.blown)} {opens}: the faulty readings are as it is then, at every step"
    return [rule, *([note] if found.blown else [])]


def _surest(found: Comparison) -> list[str]:
    """Name the readings that tell the two apart best, with what each shows."""
    best = found.surest
    left = len(best) - _SUREST
    more = [f"and {left} place{'s' * (left > 1)} more"] if left > 0 else []
    shown = [f"{_placed(p)}: {p.healthy.display} healthy, {_display(p.faulty)} faulty" for p in best[:_SUREST]]
    return [*shown, *more] or ["none: no reading alone tells the two apart"]


def comparison_lines(found: Comparison, width: int | None = None) -> list[Line]:
    """Lay a comparison out for a terminal; width: characters in a line."""
    width = width or 110
    title = f"{found.healthy.circuit}: healthy beside {' and '.join(found.faults)}"
    lines = [line(text, "title") for text in wrap(clean(title), width)]
    for text in (found.healthy.summary, found.healthy.meter, *_notes(found)):
        lines += [line("  " + part, "faint") for part in wrap(clean(text), width - 2)]
    lines += [(), line(_TELLS, "heading")]
    lines += [line("  " + part, "shown") for text in _surest(found) for part in wrap(clean(text), width - 2, "  ")]
    rows = [_HEADS, *((_placed(p), p.healthy.display, _display(p.faulty), _told(p)) for p in found.pairs)]
    sizes = [min(34, max(len(row[k]) for row in rows)) for k in range(4)]
    sizes[0] = max(24, width - sum(sizes[1:]) - 6)
    lines.append(())
    for k, row in enumerate(rows):
        role = "heading" if k == 0 else "shown" if found.pairs[k - 1].tells else ""
        cells = [wrap(clean(text), size) or [""] for text, size in zip(row, sizes, strict=True)]
        for j in range(max(map(len, cells))):
            parts = [c[j] if j < len(c) else "" for c in cells]
            aligned = [pad(parts[0], sizes[0]), pad(parts[1], sizes[1], ">"), pad(parts[2], sizes[2], ">"), parts[3]]
            lines.append(line("  ".join(aligned), role))
    telling = [p for p in found.pairs if p.tells]
    lines += [(), line(f"{len(telling)} of {len(found.pairs)} readings tell the two apart.", "shown")]
    if found.healthy.cautions:
        lines += [(), line("Take care", "heading")]
        lines += [line(t, "caution") for c in found.healthy.cautions for t in wrap(clean(f"- {c}"), width, "  ")]
    return lines


def comparison_text(found: Comparison, width: int | None = None) -> str:
    """Give a comparison as plain text."""
    return plain(comparison_lines(found, width))


def comparison_markdown(found: Comparison) -> str:
    """Give a comparison as Markdown with GitHub's tables."""
    rows = ["| reading | healthy | band | faulty | band | told apart |", "| --- | --: | --: | --: | --: | --- |"]
    for p in found.pairs:
        bands = [
            f"{r.low:.4g}…{r.high:.4g} {r.unit}" if math.isfinite(r.low) and r.unit != "1" else "–"
            for r in (p.healthy, p.faulty)
        ]
        cells = (_placed(p), p.healthy.display, bands[0], _display(p.faulty), bands[1], _told(p))
        rows.append("| " + " | ".join(escaped(clean(c)) for c in cells) + " |")
    title = f"# {escaped(found.healthy.circuit)}: healthy beside {escaped(' and '.join(found.faults))}"
    notes = "\n".join(f"- {escaped(clean(text))}" for text in (found.healthy.summary, found.healthy.meter, *_notes(found)))
    surest = "\n".join(f"- {escaped(clean(text))}" for text in _surest(found))
    return "\n\n".join([title, notes, f"{_TELLS}:", surest, "\n".join(rows)]) + "\n"


# Which tests show which faults ------------------------------------------------------------------------------------------


def _summary(found: Detectability) -> list[str]:
    rows = zip(*_rows(found), strict=True)
    blind = ", ".join(label for label, k in rows if found.overlap[k].min() >= TELLS) or "none"
    shown = len(found.faults) - len(found.blind)
    return [
        f"{shown} of {len(found.faults)} faults show in some test, at their {found.severity} severity; each test alone",
        LEFT_OUT,
        f"no test shows: {blind}",
    ]


def detectability_lines(found: Detectability, width: int | None = None) -> list[Line]:
    """Lay out, for a terminal, what each fault's best tests are, and what each test shows."""
    width = width or 110
    lines = [line(text, "title") for text in wrap(clean(f"{found.circuit}: which tests show which faults"), width)]
    for text in (found.summary, *_summary(found)):
        lines += [line("  " + part, "faint") for part in wrap(clean(text), width - 2)]
    lines += [(), line("Tests that show most faults", "heading")]
    lines += [line(f"{count:4d}  {clean(test)}") for test, count in found.best[:_SHOWN]]
    labels, kept = _rows(found)
    size = min(max(map(len, labels)), max(24, 2 * width // 5))
    heading = f"tests that show it (of {len(found.tests)}), the clearest first"
    lines += [(), line(f"{pad('fault', size)}  {heading}", "heading")]
    for label, k in zip(labels, kept, strict=True):
        cells = [wrap(clean(label), size, "  "), wrap(_clearest(found, k, 2 if width >= 100 else 1), max(30, width - size - 2))]
        for j in range(max(map(len, cells))):
            name, told = (c[j] if j < len(c) else "" for c in cells)
            lines.append(line(f"{pad(name, size)}  {told}".rstrip()))
    return lines


def _clearest(found: Detectability, fault: int, count: int) -> str:
    """Say how many tests show a fault, and which do best."""
    row = found.overlap[fault]
    telling = [int(k) for k in row.argsort(kind="stable") if row[k] < TELLS]
    return clean(f"{len(telling)}: {'; '.join(found.tests[k] for k in telling[:count])}") if telling else "none"


def detectability_text(found: Detectability, width: int | None = None) -> str:
    """Give it as plain text."""
    return plain(detectability_lines(found, width))


def detectability_markdown(found: Detectability) -> str:
    """Give it as Markdown: one row a fault."""
    rows = ["| fault | tests that show it | the clearest |", "| --- | --: | --- |"]
    for name, row in zip(found.faults, found.overlap, strict=True):
        telling = [int(k) for k in row.argsort(kind="stable") if row[k] < TELLS]
        clearest = "; ".join(found.tests[k] for k in telling[:2])
        rows.append(f"| {escaped(clean(name))} | {len(telling)} | {escaped(clean(clearest))} |")
    notes = "\n".join(f"- {escaped(clean(text))}" for text in (found.summary, *_summary(found)))
    return "\n\n".join([f"# {escaped(found.circuit)}: which tests show which faults", notes, "\n".join(rows)]) + "\n"


def detectability_figure(found: Detectability) -> Any:
    """Draw faults × tests as a heat map on one page of A4: dark where one reading tells the fault from a good circuit.

    Faults of one site that read alike in every test share a row. Where they are too many for a page, those that most tests
    show are drawn, and the picture says how many there are.
    """
    return best_page(found, list(zip(*_rows(found), strict=True)))


def detectability_pages(found: Detectability) -> list[Any]:
    """Draw all rows of `detectability_figure`, on as many pages as they take."""
    return heat_pages(found, list(zip(*_rows(found), strict=True)))


def _rows(found: Detectability) -> tuple[list[str], list[int]]:
    """Give labels and numbers of the faults to show: those of one site that read alike in every test share a row."""
    kept: list[list[int]] = []
    for k, name in enumerate(found.faults):
        last = kept[-1][0] if kept else -1
        same = kept and name.partition(":")[0] == found.faults[last].partition(":")[0]
        if same and (abs(found.overlap[k] - found.overlap[last]) < _ALIKE).all():
            kept[-1].append(k)
        else:
            kept.append([k])
    return [_label([found.faults[k] for k in members]) for members in kept], [members[0] for members in kept]


def _label(names: list[str]) -> str:
    """Name faults of one site: 'X4.A:corroded, spread=360 mΩ'; of different severities, without them."""
    if len(names) == 1:
        return names[0]
    site = names[0].partition(":")[0]
    kinds, severities = zip(*(n.partition(":")[2].partition("=")[::2] for n in names), strict=True)
    end = f"={severities[0]}" if severities[0] and len(set(severities)) == 1 else ""
    return f"{site}:{', '.join(kinds)}{end}"
