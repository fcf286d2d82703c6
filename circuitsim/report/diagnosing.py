"""A diagnosis as text and Markdown: suspects, why, what to measure next, what to do."""

from __future__ import annotations

from collections.abc import Sequence

from circuitsim.report.markdown import escaped
from circuitsim.report.typeset import Line, clean, line, pad, plain, wrap
from circuitsim.studies.diagnosis import HEALTHY, Diagnosis, Suspect
from circuitsim.studies.next_test import Choice

__all__ = ["diagnosis_lines", "diagnosis_markdown", "diagnosis_text"]

_GAP = "  "
_LISTED = 5
_MOST = 8  # names in a line
_WOULD_READ = "Given the readings so far it would read:"


def diagnosis_lines(found: Diagnosis, width: int | None = None) -> list[Line]:
    """Lay a diagnosis out for a terminal; width: characters in a line, None for as many as it needs."""
    width = width or 100
    lines = [line(text, "title") for text in wrap(clean(f"{found.circuit}: {found.title}"), width)]
    for note in (found.summary, found.meter):
        lines += [line(text, "faint") for text in _under(note, width, _GAP)]
    lines += [(), line("Suspects", "heading")]
    for suspect in found.suspects[:_LISTED]:
        lines += _suspect(suspect, width)
    rest = sum(s.probability for s in found.suspects[_LISTED:])
    if rest > 0.005:
        lines.append(line(f"{_percent(rest)}  {len(found.suspects) - _LISTED} others", "faint"))
    for text in found.doubtful:
        lines += [line(t, "caution") for t in wrap(clean(f"Measure again: {text}"), width, _GAP)]
    lines += _compared(found, width)
    if found.seen:
        lines += [(), line("What was seen", "heading")]
        lines += [line(t) for text in found.seen for t in wrap(clean(text), width, _GAP)]
    lines += [(), line("What next", "heading")]
    for told in filter(None, (found.verdict, found.other_repair)):
        lines += [line(text, "shown") for text in wrap(clean(_sentence(told)), width)]
    for k, choice in enumerate(filter(None, (found.next_test, *found.alternatives))):
        lines += _choice(choice, width, first=k == 0)
    if found.sensitivity:
        lines += [line(text, "faint") for text in wrap(clean(_sentence(found.sensitivity)), width)]
    for note in found.notes:
        lines += [line(text, "faint") for text in wrap(clean(_sentence(note)), width)]
    if found.left_out:
        left = f"Not used, of an instrument that this can't judge: {'; '.join(found.left_out)}"
        lines += [line(text, "faint") for text in wrap(clean(left), width)]
    if found.cautions:
        lines += [(), line("Take care", "heading")]
        lines += [line(t, "caution") for c in found.cautions for t in wrap(clean(f"- {c}"), width, _GAP)]
    return lines


def diagnosis_text(found: Diagnosis, width: int | None = None) -> str:
    """Give a diagnosis as plain text."""
    return plain(diagnosis_lines(found, width))


def _under(text: str, width: int, indent: str) -> list[str]:
    """Break text into lines that all begin with an indent."""
    return [indent + part for part in wrap(clean(text), width - len(indent))]


def _percent(chance: float) -> str:
    text = f"{100 * chance:.0f}"
    return f"{'>99' if text == '100' else text:>3} %"


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _named(suspect: Suspect) -> str:
    leader = suspect.leader
    if leader.fault == HEALTHY and len(suspect.faults) > 1:
        own = _percent(leader.probability).strip()
        return f"healthy ({own}), or one of {len(suspect.faults) - 1} faults that these readings would not show"
    if suspect.unseen and len(suspect.faults) > 1:
        return f"{len(suspect.faults)} faults that nothing measured so far could show, such as {leader.fault}"
    if len(suspect.faults) < 2:
        return _likeliest(suspect)
    own = _percent(leader.probability).strip()
    return f"one of {len(suspect.faults)} that can't be told apart so far; likeliest {_likeliest(suspect)} ({own})"


def _likeliest(suspect: Suspect) -> str:
    leader = suspect.leader
    return leader.fault if leader.text == leader.fault else f"{leader.fault}, about {leader.text.partition('=')[2]}"


def _suspect(suspect: Suspect, width: int) -> list[Line]:
    head = f"{_percent(suspect.probability)}  {clean(_named(suspect))}"
    indent = " " * 7
    lines = [line(head, "label")]
    others = suspect.faults[1:]
    if others:
        more = f", and {len(others) - _MOST} more" if len(others) > _MOST else ""
        healthy = suspect.leader.fault == HEALTHY
        start = "the likeliest:" if healthy else "others of them:" if suspect.unseen else "the others:"
        together = f"{start} {', '.join(others[:_MOST])}{more}"
        lines += [line(text) for text in _under(together, width, indent)]
    lines += [line(text, "faint") for text in _under(suspect.why, width, indent)]
    if suspect.cures and not suspect.unseen:
        cures = " | ".join(suspect.cures[:3]) + (f" | … {len(suspect.cures) - 3} more" if len(suspect.cures) > 3 else "")
        lines += [line(text) for text in _under(f"repair: {cures}", width, indent)]
    return lines


def _compared(found: Diagnosis, width: int) -> list[Line]:
    """Give the readings beside what the first suspect that is a fault predicts."""
    first = next((s for s in found.suspects if s.readings and not s.unseen), None)
    if first is None:
        return []
    rows = [("reading", "measured", "predicted", "off by")]
    rows += [(clean(r.placed), clean(r.shown), clean(r.predicted), f"{r.off:+.1f} sd") for r in first.readings]
    sizes = [max(len(row[k]) for row in rows) for k in range(4)]
    sizes[0] = min(sizes[0], max(20, width - sum(sizes[1:]) - 6))
    lines: list[Line] = [(), line(clean(f"If it is {_likeliest(first)}"), "heading")]
    for k, row in enumerate(rows):
        label = wrap(row[0], sizes[0])
        figures = _GAP.join(pad(text, size, ">") for text, size in zip(row[1:], sizes[1:], strict=True))
        lines.append(line(f"{pad(label[0], sizes[0])}{_GAP}{figures}", "faint" if k == 0 else ""))
        lines += [line(text) for text in label[1:]]
    return lines


def _choice(choice: Choice, width: int, *, first: bool) -> list[Line]:
    head = "Next test: " if first else "or: "
    work = f"({choice.minutes:.1f} min, {choice.bits:.2f} bits)"
    lines = [line(t, "label" if first else "") for t in wrap(clean(f"{head}{choice.label}, {choice.placed} {work}"), width)]
    return [*lines, *_ranges(choice, width)] if first else lines


def _ranges(choice: Choice, width: int) -> list[Line]:
    """Lay out what a test would read: one line for all suspects that predict the same."""
    rows = [(clean(text), clean(", ".join(_would(name) for name in names))) for text, names in choice.ranges]
    size = max(len(text) for text, _ in rows) if rows else 0
    room = max(width - size - 3 * len(_GAP), 20)
    lines = [line(text) for text in _under(_WOULD_READ, width, _GAP)] if rows else []
    for text, names in rows:
        parts = wrap(names, room)
        lines.append(line(f"{_GAP}{_GAP}{pad(text, size)}{_GAP}{parts[0]}"))
        lines += [line(" " * (size + 3 * len(_GAP)) + part) for part in parts[1:]]
    return lines


def _would(name: str) -> str:
    """Name a suspect of a range; the chart's band of a good circuit is for any, this one is for the one at hand."""
    return "if healthy, given what you read so far" if name == HEALTHY else name


def diagnosis_markdown(found: Diagnosis) -> str:
    """Give a diagnosis as Markdown with GitHub's tables."""
    parts = [
        f"# {escaped(clean(found.circuit))}: suspects",
        f"- {escaped(clean(found.summary))}\n- {escaped(clean(found.meter))}",
    ]
    rows = [["chance", "fault", "severity", "repair"]]
    for s in found.suspects:
        severity = s.leader.text.partition("=")[2]
        rows.append([_percent(s.probability).strip(), ", ".join(s.faults), severity, " / ".join(s.cures)])
    parts.append(_table(rows))
    if found.doubtful:
        parts.append("\n".join(f"- Measure again: {escaped(clean(text))}" for text in found.doubtful))
    if found.seen:
        parts += ["## What was seen", "\n".join(f"- {escaped(clean(text))}" for text in found.seen)]
    parts += [f"**{escaped(clean(_sentence(told)))}**" for told in (found.verdict, found.other_repair) if told]
    if found.notes:
        parts.append("\n".join(f"- {escaped(clean(_sentence(note)))}" for note in found.notes))
    if found.next_test:
        t = found.next_test
        parts.append(f"Next test: {escaped(clean(f'{t.label}, {t.placed}'))}")
        parts.append("What it would read, given the readings so far:")
        parts.append(_table([["suspect", "would read"], *([", ".join(map(_would, n)), x] for x, n in t.ranges)]))
    first = next((s for s in found.suspects if s.readings), None)
    if first:
        body = [[r.placed, r.shown, r.predicted, f"{r.off:+.1f}"] for r in first.readings]
        parts += [f"## If it is {escaped(_likeliest(first))}", _table([["reading", "measured", "predicted", "off, sd"], *body])]
    if found.cautions:
        parts += ["## Take care", "\n".join(f"- {escaped(clean(c))}" for c in found.cautions)]
    return "\n\n".join(parts) + "\n"


def _table(rows: Sequence[Sequence[str]]) -> str:
    ruled = [rows[0], ["---"] * len(rows[0]), *rows[1:]]
    return "\n".join(
        f"| {' | '.join(text if k == 1 else escaped(clean(text)) for text in row)} |" for k, row in enumerate(ruled)
    )
