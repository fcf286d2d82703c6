"""How testable a circuit is, as text and Markdown."""

from __future__ import annotations

from circuitsim.report.markdown import escaped
from circuitsim.report.typeset import Line, clean, line, pad, plain, wrap
from circuitsim.studies.testability import Testability

__all__ = ["figures_lines", "figures_markdown", "figures_text"]

_NAMES = 4


def _summary(found: Testability) -> list[str]:
    shares = f"{100 * found.shown:.0f} % of faults show; {100 * found.isolated:.0f} % are isolated to one repair"
    rule = "A fault shows when the best judge confuses it with a good circuit in less than 5 % of cases; it is isolated when no"
    return [
        f"{len(found.tests)} tests, {found.minutes:.0f} min to make them all once (leads left in place, common practice)",
        f"{shares}; {found.group:.1f} faults stay together on average, of those that show",
        f"{rule} fault with another repair comes within 20 %",
    ]


def figures_lines(found: Testability, width: int | None = None) -> list[Line]:
    """Lay it out for a terminal; width: characters in a line."""
    width = width or 100
    lines = [line(text, "title") for text in wrap(clean(f"{found.circuit}: what these tests can find"), width)]
    for note in (found.summary, *_summary(found)):
        lines += [line("  " + text, "faint") for text in wrap(clean(note), width - 2)]
    lines += _table(found, width)
    if found.more:
        lines += [(), line("One more lead, black on ground, at every step", "heading")]
        size = max(len(m.point) for m in found.more[:10])
        for m in found.more[:10]:
            figures = f"{100 * m.shown:5.0f} % show {100 * m.isolated:5.0f} % isolated {m.group:6.1f} together"
            lines.append(line(f"{pad(clean(m.point), size)}  {figures}"))
    return lines


def _table(found: Testability, width: int) -> list[Line]:
    size = max(len(name) for name, *_ in found.faults)
    lines: list[Line] = [(), line(f"{pad('fault', size)}  shows  isolated  stays with", "heading")]
    room = max(20, width - size - 19)
    for name, shows, alone, others in found.faults:
        more = f" and {len(others) - _NAMES} more" if len(others) > _NAMES else ""
        told = wrap(clean(", ".join(others[:_NAMES]) + more), room)
        head = f"{pad(clean(name), size)}  {100 * shows:3.0f} %     {100 * alone:3.0f} %  "
        lines.append(line(head + (told[0] if told else "")))
        lines += [line(" " * len(head) + text) for text in told[1:]]
    return lines


def figures_text(found: Testability, width: int | None = None) -> str:
    """Give it as plain text."""
    return plain(figures_lines(found, width))


def figures_markdown(found: Testability) -> str:
    """Give it as Markdown with GitHub's tables."""
    parts = [f"# {escaped(clean(found.circuit))}: what these tests can find"]
    parts.append("\n".join(f"- {escaped(clean(note))}" for note in (found.summary, *_summary(found))))
    rows = ["| fault | shows | isolated | stays with |", "| --- | --: | --: | --- |"]
    for name, shows, alone, others in found.faults:
        rows.append(f"| {escaped(name)} | {100 * shows:.0f} % | {100 * alone:.0f} % | {escaped(', '.join(others))} |")
    parts.append("\n".join(rows))
    if found.more:
        more = ["| one more lead | show | isolated | together |", "| --- | --: | --: | --: |"]
        more += [
            f"| {escaped(m.point)} | {100 * m.shown:.0f} % | {100 * m.isolated:.0f} % | {m.group:.1f} |" for m in found.more
        ]
        parts.append("\n".join(more))
    return "\n\n".join(parts) + "\n"
