"""Healthy beside faulty as text and Markdown; which tests show which faults as a table and a heat map."""

from __future__ import annotations

import math
from typing import Any

from circuitsim.report.markdown import escaped
from circuitsim.report.typeset import Line, clean, line, pad, plain, wrap
from circuitsim.studies.chart import Reading
from circuitsim.studies.compare import TELLS, Comparison, Detectability, Pair

__all__ = [
    "comparison_lines", "comparison_markdown", "comparison_text", "detectability_figure", "detectability_lines",
    "detectability_markdown", "detectability_text",
]  # fmt: skip

_HEADS = ("reading", "healthy", "faulty", "told apart")
_SHOWN = 15


def _told(pair: Pair) -> str:
    if pair.tells:
        return "yes"
    return f"no ({100 * pair.overlap:.0f} % mistaken)" if math.isfinite(pair.overlap) else "–"


def _display(r: Reading) -> str:
    return r.display if math.isfinite(r.expected) else f"none: {r.verdict}"


def _placed(pair: Pair) -> str:
    return f"{pair.healthy.label}, {pair.healthy.placed}"


def comparison_lines(found: Comparison, width: int | None = None) -> list[Line]:
    """Lay a comparison out for a terminal; width: characters in a line."""
    width = width or 110
    title = f"{found.healthy.circuit}: healthy beside {' and '.join(found.faults)}"
    lines = [line(text, "title") for text in wrap(clean(title), width)]
    note = "Told apart: whoever sees this reading alone, of another vehicle each time, is mistaken in less than 5 % of cases"
    for text in (found.healthy.summary, found.healthy.meter, note):
        lines += [line("  " + part, "faint") for part in wrap(clean(text), width - 2)]
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
    return "\n\n".join([title, f"- {escaped(clean(found.healthy.summary))}", "\n".join(rows)]) + "\n"


# Which tests show which faults ------------------------------------------------------------------------------------------


def _summary(found: Detectability) -> list[str]:
    blind = ", ".join(found.blind) or "none"
    shown = len(found.faults) - len(found.blind)
    return [
        f"{shown} of {len(found.faults)} faults show in some test, at their {found.severity} severity; each test alone",
        f"No test shows: {blind}",
    ]


def detectability_lines(found: Detectability, width: int | None = None) -> list[Line]:
    """Lay out, for a terminal, what each fault's best tests are, and what each test shows."""
    width = width or 110
    lines = [line(text, "title") for text in wrap(clean(f"{found.circuit}: which tests show which faults"), width)]
    for text in (found.summary, *_summary(found)):
        lines += [line("  " + part, "faint") for part in wrap(clean(text), width - 2)]
    lines += [(), line("Tests that show most faults", "heading")]
    lines += [line(f"{count:4d}  {clean(test)}") for test, count in found.best[:_SHOWN]]
    size = max(len(f) for f in found.faults)
    lines += [(), line(f"{pad('fault', size)}  tests that show it (of {len(found.tests)}), the clearest first", "heading")]
    for name, row in zip(found.faults, found.overlap, strict=True):
        telling = [int(k) for k in row.argsort(kind="stable") if row[k] < TELLS]
        text = f"{len(telling)}: {'; '.join(found.tests[k] for k in telling[:2])}" if telling else "none"
        told = wrap(clean(text), max(30, width - size - 2))
        lines += [line(f"{pad(clean(name) if k == 0 else '', size)}  {part}") for k, part in enumerate(told)]
    return lines


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
    """Draw faults × tests as a heat map: dark where one reading tells the fault from a good circuit.

    Faults of one site that read alike in every test share a row.
    """
    from matplotlib.figure import Figure

    labels, kept = _rows(found)
    rows, columns = len(labels), len(found.tests)
    figure = Figure(figsize=(4.6 + 0.17 * columns, 2.6 + 0.17 * rows), layout="constrained")
    axes = figure.subplots()
    image = axes.imshow(1 - 2 * found.overlap[kept], cmap="Blues", vmin=0, vmax=1, aspect="auto", interpolation="nearest")
    axes.set_xticks(range(columns), found.tests, rotation=90, fontsize=7)
    axes.set_yticks(range(rows), labels, fontsize=7)
    axes.tick_params(length=2)
    axes.set_title(f"{found.circuit}: which reading alone shows which fault ({found.severity} severity)", fontsize=10)
    bar = figure.colorbar(image, ax=axes, shrink=0.3, ticks=(0, 1 - 2 * TELLS, 1), pad=0.01, anchor=(0.0, 1.0))
    bar.ax.set_yticklabels(["reads as a good circuit", "mistaken in 5 %", "never mistaken"], fontsize=7)
    return figure


def _rows(found: Detectability) -> tuple[list[str], list[int]]:
    """Give the labels and numbers of the rows to draw."""
    labels: list[str] = []
    kept: list[int] = []
    for k, name in enumerate(found.faults):
        same = kept and name.partition(":")[0] == found.faults[kept[-1]].partition(":")[0]
        if same and (abs(found.overlap[k] - found.overlap[kept[-1]]) < 1e-6).all():
            labels[-1] = f"{labels[-1].partition('=')[0]}, {name.partition(':')[2].partition('=')[0]}"
        else:
            labels.append(name)
            kept.append(k)
    return labels, kept
