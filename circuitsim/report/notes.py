"""Footnotes: what a verdict means that makes a point no reading, and what to do about it."""

from __future__ import annotations

from circuitsim.engine.verdicts import NO_READING
from circuitsim.report.typeset import clean
from circuitsim.studies import Chart

__all__ = ["no_readings", "verdict_notes"]

_MEANINGS = {
    "runs away": "overheats: no steady state with these parts; read it cold, or see {place}",
    "outside validity": "that part is past what it stands, or past what is known of it, so there is no figure; see {place}",
    "unstable": "the circuit leaves that point by itself, so there is no steady figure",
    "unconverged": "no point was found whose balances close, so there is no figure",
    "live": "an ohmmeter reads nothing on a circuit under voltage: switch off, or unplug the part",
}
"""What each beginning of a verdict means; `place` is the element that the verdict names."""


def no_readings(chart: Chart) -> dict[str, list[str]]:
    """Give the verdicts that make readings or operating points of a chart none, each with its steps."""
    found: dict[str, list[str]] = {}
    points = [(r.verdict, r.step) for r in chart.readings] + [(p.verdict, p.step) for p in chart.operating_points]
    for verdict, step in points:
        if verdict.startswith(NO_READING):
            steps = found.setdefault(verdict, [])
            steps += [step] if step not in steps else []
    return found


def verdict_notes(chart: Chart) -> tuple[str, ...]:
    """Explain the verdicts of a chart that are no reading: one line for each kind and place."""
    notes = {}
    for verdict in no_readings(chart):
        kind = next(beginning for beginning in NO_READING if verdict.startswith(beginning))
        head = verdict.partition(":")[0]
        place = head.removeprefix(kind).removeprefix(" at ").strip() or "the parts"
        notes[head] = clean(f"{head}: {_MEANINGS[kind].format(place=place)}")
    return tuple(notes.values())
