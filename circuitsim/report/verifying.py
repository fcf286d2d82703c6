"""A verification as text and Markdown: what was read before and after, beside a good circuit's band and the shop's rule."""

from __future__ import annotations

import math
from collections.abc import Sequence

from circuitsim.measure import lamp_look
from circuitsim.quantities import convert, format_number, format_quantity
from circuitsim.report.markdown import escaped
from circuitsim.report.sheet import fixed, state_heading
from circuitsim.report.typeset import Line, Span, cells, clean, line, pad, plain, wrap
from circuitsim.studies.verify import Checked, Verification

__all__ = ["verification_lines", "verification_markdown", "verification_text"]

_NONE = "–"
_HEADS = ("step", "before", "after", "good", "band")


def verification_lines(found: Verification, width: int | None = None) -> list[Line]:
    """Lay it out for a terminal; width: characters in a line."""
    width = width or 100
    lines = [line(text, "title") for text in wrap(clean(_title(found)), width)]
    for note in _facts(found):
        lines += [line("  " + text, "faint") for text in wrap(clean(note), width - 2)]
    lines += _table(found.readings, width)
    for heading, texts in _seen(found):
        lines += [(), line(heading, "heading"), *(line(t) for text in texts for t in wrap(clean(f"  {text}"), width, "  "))]
    lines.append(())
    lines += [line(t, "shown" if found.passed else "verdict") for t in wrap(clean(_sentence(found.verdict)), width)]
    lines += [line(t, "faint") for t in wrap(clean(_sentence(found.unrepeated)), width)] if found.unrepeated else []
    lines += [(), line("Take care", "heading")]
    lines += [line(t, "caution") for c in found.cautions for t in wrap(clean(f"- {_first_up(c)}"), width, "  ")]
    return lines


def verification_text(found: Verification, width: int | None = None) -> str:
    """Give it as plain text."""
    return plain(verification_lines(found, width))


def verification_markdown(found: Verification) -> str:
    """Give it as Markdown with GitHub's tables."""
    parts = [f"# {escaped(clean(_title(found)))}", "\n".join(f"- {escaped(clean(fact))}" for fact in _facts(found))]
    if found.readings:
        heads = ["reading", *_HEADS[1:], "result", "rule of thumb"]
        rows = [" | ".join(heads), " | ".join(["---", *["--:"] * 4, "---", "---"])]
        for r in found.readings:
            name = f"**{escaped(clean(r.label))}**<br>" if r.label else ""
            texts = [*_figures(r)[1:], _result(r), r.rule]
            rows.append(" | ".join([name + escaped(clean(r.placed)), *(escaped(clean(t)) for t in texts)]))
        parts.append("\n".join(f"| {row} |" for row in rows))
    parts += [f"{heading}: {escaped(clean(', '.join(texts)))}" for heading, texts in _seen(found)]
    parts += [f"**{escaped(clean(_sentence(found.verdict)))}**"]
    parts += [escaped(clean(_sentence(found.unrepeated)))] if found.unrepeated else []
    parts += ["## Take care", "\n".join(f"- {escaped(clean(_first_up(c)))}" for c in found.cautions)]
    return "\n\n".join(parts) + "\n"


def _title(found: Verification) -> str:
    return f"{found.circuit}: before and after the repair"


def _facts(found: Verification) -> tuple[str, ...]:
    legend = "band: 95 % of good circuits, parts and meter included; sd: standard uncertainties off"
    return (f"before: {found.before}", f"after: {found.after}", found.meter, legend)


def _seen(found: Verification) -> list[tuple[str, tuple[str, ...]]]:
    every = (("Cured", found.cured), ("Still there", found.left), ("Seen before, and nothing said of after", found.untold))
    return [(heading, texts) for heading, texts in every if texts]


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sentence(text: str) -> str:
    return f"{_first_up(text)}."


# One reading ------------------------------------------------------------------------------------------------------


def _figures(r: Checked) -> tuple[str, ...]:
    """Give step, before, after, what a good circuit shows, and its band."""
    good = _NONE if r.why.startswith("no figure") else r.good
    return (clean(r.task.step), r.before or _NONE, r.after or _NONE, clean(good), _band(r))


def _band(r: Checked) -> str:
    ends = (r.low, r.high)
    if r.why or not all(map(math.isfinite, ends)):
        return _NONE
    if r.task.instrument == "lamp":
        return "…".join(dict.fromkeys(lamp_look(max(v, 0.0)) for v in ends))
    number, _, unit = r.good.partition(" ")
    if not unit:  # OL
        return r.good
    scale = convert(1.0, r.unit, unit)
    if r.unit == "Hz":
        return "…".join(format_number(v * scale, 4) for v in ends)
    places = len(number.partition(".")[2])
    return "…".join(fixed(v * scale, places) for v in ends)


def _result(r: Checked) -> str:
    """Say what became of it, in a few words."""
    was = "" if r.was_inside is None else ", was in" if r.was_inside else ", was out"
    if not r.after:
        return f"not repeated{was}"
    if r.inside is None:
        return r.why
    if r.inside:
        return f"in{was if r.was_inside is False else ''}"
    unit = "%" if r.unit == "1" else None
    by = f" by {format_quantity(abs(r.left_over), r.unit, 2, display=unit)}" if math.isfinite(r.left_over) else ""
    side = "" if not math.isfinite(r.left_over) else " above" if r.left_over > 0 else " below"
    off = f" ({r.off:+.1f} sd)" if math.isfinite(r.off) else ""
    turned = f"; {r.turned}" if r.turned else ""
    return f"OUT{side}{by}{off}{was if r.was_inside else ''}{turned}"


def _table(readings: Sequence[Checked], width: int) -> list[Line]:
    """Lay readings out by state of the circuit and place, a step a line."""
    if not readings:
        return []
    figures = {id(r): _figures(r) for r in readings}
    sizes = [max(cells(head), *(cells(f[k]) for f in figures.values())) for k, head in enumerate(_HEADS)]
    lines: list[Line] = []
    states: dict[str, list[Checked]] = {}
    for r in readings:
        states.setdefault(_state(r), []).append(r)
    for state, members in states.items():
        heading = wrap(clean(state), width)
        lines += [(), *(line(text, "heading") for text in heading)]
        lines.append(line("  " + "  ".join(pad(h, s, ">") for h, s in zip(_HEADS, sizes, strict=True)), "faint"))
        places: dict[tuple[str, str], list[Checked]] = {}
        for r in members:
            places.setdefault(_name(r), []).append(r)
        for name, rows in places.items():
            lines += _group(name, rows, figures, sizes, width)
    return lines


def _state(r: Checked) -> str:
    c = r.task.conditions
    more = [*(["engine running"] if c.engine == "running" else []), *(f"{f.kind} from {f.red} to {f.black}" for f in c.fitted)]
    return ", ".join([state_heading(c.ignition, c.unplugged), *more])


def _name(r: Checked) -> tuple[str, str]:
    return (f"{r.label}, {r.leads}" if r.label and r.label != r.leads else r.leads, r.rule)


def _group(
    name: tuple[str, str], rows: Sequence[Checked], figures: dict[int, tuple[str, ...]], sizes: Sequence[int], width: int
) -> list[Line]:
    label, rule = name
    lines = [line(text, "label") for text in wrap(clean(label), width)]
    lines += [line("  " + text, "rule") for text in (wrap(clean(f"rule: {rule}"), width - 2) if rule else [])]
    for r in rows:
        head = "  " + "  ".join(pad(text, size, ">") for text, size in zip(figures[id(r)], sizes, strict=True)) + "  "
        room = width - cells(head)
        told = wrap(clean(_result(r)), room if room >= 14 else width - 6)
        role = "verdict" if r.inside is False or (not r.after and r.was_inside is False) else ""
        if room >= 14:
            lines.append((Span(head), Span(told[0], role)))
            lines += [line(" " * cells(head) + text, role) for text in told[1:]]
        else:
            lines += [line(head), *(line(" " * 6 + text, role) for text in told)]
    return lines
