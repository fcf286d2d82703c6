"""Footnotes: what a verdict means that makes a point no reading, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from circuitsim.engine.verdicts import NO_READING
from circuitsim.library.circuit import Circuit
from circuitsim.report.typeset import clean
from circuitsim.studies import Chart

__all__ = ["AVERAGED", "chops", "marked", "no_readings", "verdict_notes"]

_MEANINGS = {
    "runs away": "overheats: no steady state with these parts; read it cold, or see {place}",
    "outside validity": "that part is past what it stands, or past what is known of it, so there is no figure; see {place}",
    "unstable": "the circuit leaves that point by itself, so there is no steady figure",
    "unconverged": "no point was found whose balances close, so there is no figure",
    "live": "an ohmmeter reads nothing on a circuit under voltage: switch off, or unplug the part",
}
"""What each beginning of a verdict means; `place` is the element that the verdict names."""
AVERAGED = (
    "{} worked out with the chopping stage averaged: at a frequency so low that the motor's current becomes discontinuous, "
    "{} too low on the way"
)
"""What is said of a course in time with a chopping stage: what is worked out so, and what is too low then."""


def chops(circuit: Circuit) -> bool:
    """Whether a circuit has a chopping stage."""
    return any(type(e).modes() is not None for e in circuit.net.elements.values())


def no_readings(chart: Chart) -> dict[str, list[str]]:
    """Give the verdicts that make readings or operating points of a chart none, each with its steps."""
    found: dict[str, list[str]] = {}
    points = [(r.verdict, r.step) for r in chart.readings] + [(p.verdict, p.step) for p in chart.operating_points]
    for verdict, step in points:
        if verdict.startswith(NO_READING):
            steps = found.setdefault(verdict, [])
            steps += [step] if step not in steps else []
    return found


def marked(verdicts: Iterable[str]) -> dict[str, str]:
    """Give each verdict that is no reading the mark that stands in its place in a table: (1), (2), …, in their order."""
    lost = [verdict for verdict in dict.fromkeys(verdicts) if verdict.startswith(NO_READING)]
    return {verdict: f"({k})" for k, verdict in enumerate(lost, 1)}


def verdict_notes(marks: Mapping[str, str]) -> tuple[str, ...]:
    """Explain marks: one line for each, with the verdict, what it means and what to do about it."""
    notes = []
    for verdict, mark in marks.items():
        kind = next(beginning for beginning in NO_READING if verdict.startswith(beginning))
        place = verdict.partition(":")[0].removeprefix(kind).removeprefix(" at ").strip() or "the parts"
        joint = ";" if ":" in verdict else ":"
        notes.append(clean(f"{mark} {verdict}{joint} {_MEANINGS[kind].format(place=place)}"))
    return tuple(notes)
