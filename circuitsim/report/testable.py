"""How testable a circuit is, as text and Markdown."""

from __future__ import annotations

from collections.abc import Sequence

from circuitsim.report.faulting import LEFT_OUT
from circuitsim.report.markdown import escaped
from circuitsim.report.typeset import Line, clean, line, pad, plain, wrap
from circuitsim.studies.testability import Testability

__all__ = ["figures_lines", "figures_markdown", "figures_text"]

_Figures = tuple[str, float, float, tuple[str, ...]]
_NAMES = 4  # that a fault stays with, in a row
_ROWS = 20  # on a screen
_UNSEEN = 12  # names of faults that do not show, on a screen


def _summary(found: Testability) -> list[str]:
    shares = (
        f"{100 * found.shown:.0f} % of {len(found.faults)} faults show; {100 * found.isolated:.0f} % are isolated to one repair"
    )
    rule = "A fault shows when the best judge confuses it with a good circuit in less than 5 % of cases; it is isolated when no"
    them = "it" if len(found.tests) == 1 else "them all"
    return [
        f"{_tests(len(found.tests))}, {_minutes(found.minutes)} to make {them} once (leads left in place, common practice)",
        f"{shares}; {found.group:.1f} faults stay together on average, of those that show",
        f"{rule} fault with another repair comes within 20 %",
        LEFT_OUT,
    ]


def figures_lines(found: Testability, width: int | None = None, *, every: bool = False) -> list[Line]:
    """Lay it out for a terminal; width: characters in a line; every: all faults, not just those that stand out."""
    width = width or 100
    lines = [line(text, "title") for text in wrap(clean(f"{found.circuit}: what these tests can find"), width)]
    for note in (found.summary, *_summary(found)):
        lines += [line("  " + text, "faint") for text in wrap(clean(note), width - 2)]
    lines += _table(found, found.faults, width, every=True) if every else _short(found, width)
    if found.more:
        lines += [(), line("One more lead, black on ground, at every step", "heading")]
        size = max(len(m.point) for m in found.more[:10])
        for m in found.more[:10]:
            figures = f"{100 * m.shown:5.0f} % show {100 * m.isolated:5.0f} % isolated {m.group:6.1f} together"
            lines.append(line(f"{pad(clean(m.point), size)}  {figures}"))
    return lines


def _tests(count: int) -> str:
    return f"{count} test{'s' * (count != 1)}"


def _minutes(minutes: float) -> str:
    return f"{minutes:.0f} min" if minutes >= 0.95 else "under 1 min"


def _short(found: Testability, width: int) -> list[Line]:
    """Give the faults that are told apart best, some names of those that do not show, and say how to see all."""
    shown = sorted((f for f in found.faults if f[1] > 0), key=lambda f: (-f[2], -f[1]))
    unseen = [name for name, shows, *_ in found.faults if not shows]
    if len(shown) <= _ROWS and len(unseen) <= _UNSEEN:
        return _table(found, found.faults, width, every=True)
    lines = _table(found, shown[:_ROWS], width, every=False) if shown else []
    if len(shown) > _ROWS:
        lines.append(line(f"and {len(shown) - _ROWS} more that show{'s' * (len(shown) - _ROWS == 1)}", "faint"))
    if unseen:
        more = f" and {len(unseen) - _UNSEEN} more" if len(unseen) > _UNSEEN else ""
        told = f"{len(unseen)} do{'es' * (len(unseen) == 1)} not show: {', '.join(unseen[:_UNSEEN])}{more}"
        lines += [(), *(line(text) for text in wrap(clean(told), width))]
    hint = (
        f"These are the ones told apart best; --all gives a row for each of the {len(found.faults)} faults, --format json too."
    )
    return [*lines, *(line(text, "faint") for text in wrap(hint, width))]


def _table(found: Testability, faults: Sequence[_Figures], width: int, *, every: bool) -> list[Line]:
    """Lay out faults; every: with some names of what each stays with, else with as many as a line holds."""
    size = max((len(name) for name, *_ in faults), default=5)
    lines: list[Line] = [(), line(f"{pad('fault', size)}  shows  isolated  stays with", "heading")]
    room = max(20, width - size - 19)
    for name, shows, alone, others in faults:
        fitting = next((k for k in range(_NAMES, 1, -1) if len(_together(others, k)) <= room), 1)
        told = wrap(clean(_together(others, _NAMES if every else fitting)), room)
        head = f"{pad(clean(name), size)}  {100 * shows:3.0f} %     {100 * alone:3.0f} %  "
        lines.append(line(head + (told[0] if told else "")))
        lines += [line(" " * len(head) + text) for text in told[1:]]
    return lines


def _together(others: Sequence[str], most: int) -> str:
    """Name some of the faults that one stays with, and count the others."""
    more = f" and {len(others) - most} more" if len(others) > most else ""
    return ", ".join(others[:most]) + more


def figures_text(found: Testability, width: int | None = None) -> str:
    """Give it as plain text, with all faults."""
    return plain(figures_lines(found, width, every=True))


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
