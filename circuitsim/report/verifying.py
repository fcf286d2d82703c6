"""A verification as text and Markdown."""

from __future__ import annotations

import math

from circuitsim.measure import lamp_look
from circuitsim.quantities import format_quantity
from circuitsim.report.markdown import escaped
from circuitsim.report.typeset import Line, clean, line, pad, plain, wrap
from circuitsim.studies.verify import Checked, Verification

__all__ = ["verification_lines", "verification_markdown", "verification_text"]

_HEADS = ("reading", "before", "after", "good", "band", "")


def _row(r: Checked) -> tuple[str, ...]:
    if r.unit == "1":
        band = " to ".join(dict.fromkeys(lamp_look(max(v, 0.0)) for v in (r.low, r.high) if math.isfinite(v)))
    else:
        ends = (r.low, r.high)
        band = "…".join(format_quantity(v, r.unit, 4) for v in ends) if all(map(math.isfinite, ends)) else "–"
    mark = {True: "in", False: "OUT", None: "not repeated" if not r.after else "no band"}[r.inside]
    off = f" ({r.off:+.1f} sd)" if math.isfinite(r.off) and r.inside is False else ""
    return (r.placed, r.before or "–", r.after or "–", r.good, band, mark + off)


def verification_lines(found: Verification, width: int | None = None) -> list[Line]:
    """Lay it out for a terminal; width: characters in a line."""
    width = width or 110
    lines = [line(text, "title") for text in wrap(clean(f"{found.circuit}: before and after the repair"), width)]
    lines += [line("  " + text, "faint") for text in wrap(clean(found.meter), width - 2)]
    rows = [_HEADS, *(tuple(clean(c) for c in _row(r)) for r in found.readings)]
    sizes = [max(len(row[k]) for row in rows) for k in range(6)]
    sizes[0] = min(sizes[0], max(18, width - sum(sizes[1:]) - 10))
    lines.append(())
    for k, row in enumerate(rows):
        label = wrap(row[0], sizes[0])
        figures = "  ".join(pad(c, s, ">") for c, s in zip(row[1:5], sizes[1:5], strict=True))
        role = "heading" if k == 0 else "verdict" if row[5].startswith("OUT") else ""
        lines.append(line(f"{pad(label[0], sizes[0])}  {figures}  {row[5]}", role))
        lines += [line(text) for text in label[1:]]
        if k and row[5].startswith("OUT") and found.readings[k - 1].rule:
            lines += [line("  " + t, "rule") for t in wrap(clean(f"rule: {found.readings[k - 1].rule}"), width - 2)]
    for title, texts in (("Cured", found.cured), ("Still there", found.left)):
        if texts:
            lines += [(), line(title, "heading"), *(line("  " + clean(t)) for t in texts)]
    lines.append(())
    lines += [line(t, "shown" if found.passed else "verdict") for t in wrap(clean(_sentence(found.verdict)), width)]
    return lines


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def verification_text(found: Verification, width: int | None = None) -> str:
    """Give it as plain text."""
    return plain(verification_lines(found, width))


def verification_markdown(found: Verification) -> str:
    """Give it as Markdown with GitHub's tables."""
    rows = [_HEADS, ("---", *["--:"] * 4, "---")]
    body = [" | ".join(c if k == 1 else escaped(clean(c)) for c in row) for k, row in enumerate(rows)]
    body += [" | ".join(escaped(clean(c)) for c in _row(r)) for r in found.readings]
    parts = [f"# {escaped(clean(found.circuit))}: before and after the repair", "\n".join(f"| {text} |" for text in body)]
    parts += [
        f"{title}: {escaped(', '.join(texts))}"
        for title, texts in (("Cured", found.cured), ("Still there", found.left))
        if texts
    ]
    return "\n\n".join([*parts, f"**{escaped(_sentence(found.verdict))}**"]) + "\n"
