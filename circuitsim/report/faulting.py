"""The faults of a circuit as text and Markdown: each kind told once, with the sites that can have it."""

from __future__ import annotations

from collections.abc import Sequence

from circuitsim.library.circuit import Circuit
from circuitsim.measure.faults import PossibleFault, severity_text
from circuitsim.report.markdown import escaped
from circuitsim.report.typeset import Line, clean, line, plain, wrap

__all__ = ["LEFT_OUT", "faults_lines", "faults_markdown", "faults_text"]

LEFT_OUT = "joints that come and go, which 'faults' counts too, are left out"
"""Why studies of one reading at a time count fewer faults."""


def faults_lines(circuit: Circuit, faults: Sequence[PossibleFault], width: int | None = None) -> list[Line]:
    """Lay the faults out for a terminal; width: characters in a line."""
    width = width or 100
    title = f"{circuit.name}: {len(faults)} faults that its parts can have"
    lines = [line(text, "title") for text in wrap(clean(title), width)]
    note = "Given as SITE:KIND or SITE:KIND=SEVERITY, such as --fault " + (str(faults[0].fault()) if faults else "SITE:KIND")
    lines += [line(text, "faint") for text in _under(note, width)]
    loose = sum(f.kind.intermittent for f in faults)
    if loose:
        told = f"{loose} of them are joints that come and go: 'compare' and 'testability' leave these out"
        lines += [line(text, "faint") for text in _under(told, width)]
    lines.append(())
    for name, members in _by_kind(faults).items():
        kind = members[0].kind
        first, *rest = wrap(clean(f"{name}: {kind.what}"), width, "  ")
        lines += [line(first, "heading"), *(line(text, "heading") for text in rest)]
        lines += [line(text, "faint") for text in _under(f"signs: {kind.signs}. Repair: {_repairs(members)}", width)]
        lines += [line(text, "label") for text in _under("at " + _sites(members), width)]
    return lines


def _under(text: str, width: int) -> list[str]:
    return ["  " + part for part in wrap(clean(text), width - 2)]


def _sites(faults: Sequence[PossibleFault]) -> str:
    """Name the sites of a kind: those of the same plausible severities together, those of one step in full."""
    spans: dict[str, list[str]] = {}
    for f in faults:
        spans.setdefault(_span(f) if f.graded else "", []).append(f.name if f.step else f.site)
    return "; ".join(f"{', '.join(sites)}{f' [{span}]' if span else ''}" for span, sites in spans.items())


def _repairs(faults: Sequence[PossibleFault]) -> str:
    """Name the repairs of a kind once each, … for the site where there are several, with the minutes they take."""
    several = len({f.site for f in faults}) > 1
    found = dict.fromkeys(f.cure.replace(f.site, "…") if several else f.cure for f in faults)
    return f"{'; or '.join(found)} ({faults[0].minutes:g} min)"


def _span(fault: PossibleFault) -> str:
    return " to ".join(severity_text(v, fault.unit) for v in (fault.low, fault.high)).replace(" ", "\u00a0")


def _by_kind(faults: Sequence[PossibleFault]) -> dict[str, list[PossibleFault]]:
    found: dict[str, list[PossibleFault]] = {}
    texts: dict[str, str] = {}
    for f in faults:
        name = f.kind.name
        # A kind of the same name on other parts says something else.
        name = name if texts.setdefault(name, f.kind.what) == f.kind.what else f"{name} ({f.kind.on[0]})"
        found.setdefault(name, []).append(f)
    return found


def faults_text(circuit: Circuit, faults: Sequence[PossibleFault], width: int | None = None) -> str:
    """Give the faults as plain text."""
    return plain(faults_lines(circuit, faults, width))


def faults_markdown(circuit: Circuit, faults: Sequence[PossibleFault]) -> str:
    """Give the faults as Markdown with GitHub's tables."""
    parts = [f"# {escaped(clean(circuit.name))}: faults"]
    rows = ["| fault | what | severity | signs | repair |", "| --- | --- | --- | --- | --- |"]
    for f in faults:
        cells = (f.name, f.kind.what, _span(f) if f.graded else "", f.signs, f.cure)
        rows.append("| " + " | ".join(escaped(clean(cell)) for cell in cells) + " |")
    return "\n\n".join([*parts, "\n".join(rows)]) + "\n"
