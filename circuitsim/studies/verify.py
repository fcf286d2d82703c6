"""Did the repair bring every reading back into its band? What was measured before and after, beside a good circuit's."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from circuitsim.library.circuit import Circuit
from circuitsim.measure import INSTRUMENTS, Measured, Meter, Task, fitted_supply, lamp_look, measure
from circuitsim.measure import meter as find_meter
from circuitsim.studies.chart import Reading
from circuitsim.studies.evidence import Findings, Observation, Shown, TakenReading
from circuitsim.studies.predict import circuit_of

__all__ = ["Checked", "Verification", "verify"]

_PLACE = ("step", "instrument", "red", "black", "at")
_AS_IT_SHOULD = ("normal",)


@dataclass(frozen=True)
class Checked:
    """One place: what it read before and after ('' where it was not taken), a good circuit's reading and band, SI.

    inside: whether the reading after lies in the band; None where it was not repeated; off: how many standard uncertainties
    the reading after is off, NaN where that can't be said; rule: the shop's rule of thumb.
    """

    placed: str
    unit: str
    before: str
    after: str
    expected: float
    low: float
    high: float
    good: str
    inside: bool | None
    off: float
    rule: str


@dataclass(frozen=True)
class Verification:
    """What became of every reading and observation. passed: every reading taken after is in its band, nothing seen is left."""

    circuit: str
    title: str
    meter: str
    readings: tuple[Checked, ...]
    cured: tuple[str, ...]
    left: tuple[str, ...]
    passed: bool
    verdict: str
    cautions: tuple[str, ...] = ()

    def records(self) -> list[dict[str, Any]]:
        """Give one plain record a place; null for what is no number."""
        return [
            {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in r.__dict__.items()}
            for r in self.readings
        ]

    def to_dict(self) -> dict[str, Any]:
        """Give plain values for JSON."""
        return {
            "circuit": self.circuit, "meter": self.meter, "passed": self.passed, "verdict": self.verdict,
            "readings": self.records(), "cured": list(self.cured), "left": list(self.left),
        }  # fmt: skip


def verify(circuit: Circuit | str, before: Findings, after: Findings, *, meter: str = "standard") -> Verification:
    """Compare readings before and after a repair with a good circuit's bands.

    Parameters
    ----------
    circuit
        From `load`, or its name.
    before, after
        As from `load_findings`; each under its own conditions (the battery may have been charged in between).
    meter
        What the readings were taken with.

    Raises SolveError when the good circuit has no operating point under the conditions of a reading.
    """
    found, tool = circuit_of(circuit), find_meter(meter)
    old = {_place(r.task): r for r in before.readings}
    new = {_place(r.task): r for r in after.readings}
    tasks = {key: r.task for key, r in {**old, **new}.items()}
    good = dict(zip(tasks, _measured(found, list(tasks.values()), tool), strict=True))
    rows = [_checked(found, old.get(key), new.get(key), good[key], tool) for key in tasks]
    cured, left = _seen(before.observations, after.observations)
    outside = [r for r in rows if r.inside is False]
    missing = [r for r in rows if r.inside is None and r.after == ""]
    passed = not outside and not left and bool(after.readings)
    return Verification(
        found.name, found.title, tool.note(), tuple(rows), cured, left, passed,
        _verdict(rows, outside, missing, left), found.cautions,
    )  # fmt: skip


def _place(task: Task) -> tuple[Any, ...]:
    c = task.conditions
    return (*(getattr(task, name) for name in _PLACE), c.unplugged, c.fitted, c.ignition, c.engine)


def _measured(circuit: Circuit, tasks: Sequence[Task], meter: Meter) -> list[Measured]:
    """Take the readings of a good circuit, each with its own supply."""
    results: dict[int, Measured] = {}
    groups: dict[tuple[Any, ...], list[int]] = {}
    for k, t in enumerate(tasks):
        c = t.conditions
        groups.setdefault((c.supply, c.supply_at, c.engine, c.ignition, c.ambient, c.since), []).append(k)
    for members in groups.values():
        setting, known = fitted_supply(circuit, tasks[members[0]].conditions.but(unplugged=(), fitted=()), meter)
        results.update(zip(members, measure(circuit, [tasks[k] for k in members], meter, setting, known), strict=True))
    return [results[k] for k in range(len(tasks))]


def _checked(circuit: Circuit, old: TakenReading | None, new: TakenReading | None, good: Measured, meter: Meter) -> Checked:
    task = good.task
    unit = INSTRUMENTS[task.instrument]
    expected = lamp_look(good.expected) if unit == "1" else meter.display(good.expected, unit)
    c = task.conditions
    leads = f"clamp on {task.at}" if task.at else f"{task.red} : {task.black}"
    placed = Reading.place(task.step, leads, c.unplugged, c.ignition) + (", engine running" if c.engine == "running" else "")
    inside, off = _judged(new.shown, good, unit, meter) if new else (None, math.nan)
    before, after = (_text(r.shown, unit, meter) if r else "" for r in (old, new))
    return Checked(
        placed, unit, before, after, good.expected, good.band.low, good.band.high, expected, inside, off, _rule(circuit, task)
    )  # fmt: skip


def _judged(shown: Shown, good: Measured, unit: str, meter: Meter) -> tuple[bool | None, float]:
    """Say whether what was shown is in the band, its last digit allowed for, and how far it is off."""
    if not math.isfinite(good.expected):
        return None, math.nan
    if shown.kind == "look":
        return shown.look in {lamp_look(v) for v in (good.expected, max(good.band.low, 0.0), good.band.high)}, math.nan
    if shown.kind == "unstable":
        return False, math.nan
    if shown.kind == "overload":
        return meter.range_for(good.expected, unit) is None, math.nan
    half = 0.5 * shown.digit
    off = (shown.value - good.expected) / good.band.standard if good.band.standard else math.nan
    return good.band.low - half <= shown.value <= good.band.high + half, off


def _text(shown: Shown, unit: str, meter: Meter) -> str:
    if shown.kind == "look":
        return shown.look
    if shown.kind == "overload":
        return "OL"
    if shown.kind == "unstable":
        return f"unstable {shown.low:g}-{shown.high:g} {unit}"
    return meter.display(shown.value, unit)


def _rule(circuit: Circuit, task: Task) -> str:
    c = task.conditions
    for r in circuit.readings:
        own = (r.instrument, r.red, r.black, r.at, set(r.unplugged), r.ignition)
        if own == (task.instrument, task.red, task.black, task.at, set(c.unplugged), c.ignition) and not c.fitted:
            return r.rule
    return ""


def _seen(before: Sequence[Observation], after: Sequence[Observation]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Sort what was seen into cured and left over; 'normal' is no complaint."""

    def told(seen: Sequence[Observation]) -> list[str]:
        bad = [o for o in seen if o.seen and o.word not in _AS_IT_SHOULD]
        return list(dict.fromkeys(f"{o.word} at step {o.step}" if o.step else o.word for o in bad))

    left = told(after)
    return tuple(text for text in told(before) if text not in left), tuple(left)


def _verdict(rows: Sequence[Checked], outside: Sequence[Checked], missing: Sequence[Checked], left: Sequence[str]) -> str:
    taken = [r for r in rows if r.after]
    if not taken:
        return "nothing was measured after the repair: nothing is proved"
    again = f"; not measured again: {'; '.join(r.placed for r in missing)}" if missing else ""
    if outside:
        places = "; ".join(r.placed for r in outside)
        return f"{len(outside)} of {len(taken)} readings still lie outside their band: {places}{again}"
    if left:
        return f"every reading is in its band, but this is still there: {', '.join(left)}{again}"
    return f"every reading is in its band{again}; in band does not prove a part, so drive it, warm, and wiggle at full load"
