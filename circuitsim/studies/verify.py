"""Did the repair bring every reading back into its band? What was measured before and after, beside a good circuit's."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from circuitsim.engine.verdicts import NO_READING
from circuitsim.errors import InputError, with_place
from circuitsim.library.circuit import Circuit
from circuitsim.library.functions import function_of, on_clamp, title_of, unit_of
from circuitsim.measure import Fitted, Measured, Meter, Task, lamp_look
from circuitsim.measure import meter as find_meter
from circuitsim.measure.instruments import show_function
from circuitsim.quantities import format_quantity
from circuitsim.studies.chart import Reading
from circuitsim.studies.evidence import Findings, Observation, Shown, TakenReading
from circuitsim.studies.overloads import measured_overloads
from circuitsim.studies.predict import circuit_of
from circuitsim.studies.supplied import measured_each
from circuitsim.studies.swapped import turned_round

__all__ = ["Checked", "Verification", "verify"]

_LISTED = 6  # places in a sentence
_RANGED = ("V", "A", "Ω")
_OWN_SOURCE = ("ohmmeter", "lamp")  # what says something of a part that floats
_LOOKS = ("dark", "dim", "bright")
_OF_SPEED = ("off", "slow", "fast", "always full")  # what a fan that turns as it should ends
_PROOF = (
    "in band does not prove the part: a joint that is good now may be bad when it is warm or moved, so run it warm at full "
    "load, and wiggle the harness"
)
_FLOATS = "floats: no path to ground, so a voltmeter proves nothing there"

_CSV_COLUMNS = (
    "step", "unplugged", "red", "black", "at", "instrument", "before", "after", "good", "expected", "low", "high", "unit",
    "inside", "off", "left_over", "was_inside", "why", "rule", "label", "ignition", "engine", "fitted",
    "capture",
)  # fmt: skip


@dataclass(frozen=True)
class Checked:
    """One place: what it read before and after, and what a good circuit reads there as things were after (SI).

    before, after: what was shown, '' where it was not taken; good: what the instrument shows on a good circuit; expected, low,
    high, standard: its value, 95 % band and standard uncertainty, NaN where it is no reading; inside, was_inside: whether the
    reading after, and before, lies in its band, None where it was not taken or can't be judged (`why` says so); off: how many
    standard uncertainties the reading after is off; left_over: how far it lies beyond its band, 0 inside, NaN where that is no
    number; label, rule: what the circuit's chart calls it, and the shop's rule of thumb; turned: in words, whether leads or
    clamp may have been the wrong way round, and what would fit.
    """

    task: Task
    label: str
    unit: str
    before: str
    after: str
    good: str
    expected: float
    low: float
    high: float
    standard: float
    inside: bool | None
    was_inside: bool | None
    off: float
    left_over: float
    why: str
    rule: str
    turned: str = ""

    @property
    def leads(self) -> str:
        """Which instrument, where it is no plain voltmeter, and where it goes."""
        t = self.task
        tool = title_of(t.instrument, format_quantity(t.capture, "s") if t.capture else "")
        where = f"on {t.at}" if t.at else f"{t.red} : {t.black}"
        return where if tool == "voltmeter" else f"{tool} {where}"

    @property
    def placed(self) -> str:
        """Where and in which state it is taken."""
        c = self.task.conditions
        running = ", engine running" if c.engine == "running" else ""
        fitted = "".join(f", {f.kind} from {f.red} to {f.black}" for f in c.fitted)
        return Reading.place(self.task.step, self.leads, c.unplugged, c.ignition) + running + fitted

    def record(self) -> dict[str, Any]:
        """Give plain values for JSON; null for what is no number."""
        t, c = self.task, self.task.conditions
        values = {k: v for k, v in self.__dict__.items() if k != "task"}
        return {
            "step": t.step, "unplugged": list(c.unplugged), "red": t.red, "black": t.black, "at": t.at,
            "instrument": t.instrument, "capture": t.capture, "ignition": c.ignition, "engine": c.engine,
            "fitted": [str(f) for f in c.fitted],
            **{k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in values.items()},
        }  # fmt: skip


@dataclass(frozen=True)
class Verification:
    """What became of every reading and observation.

    readings: one for each that was taken after, then those that were not repeated; cured, left, untold: what was seen before
    and is gone, what is still (or newly) there, what nobody said anything of after; before, after: the conditions in words;
    passed: all readings taken after that can be judged are in their bands, at least one is, none that was outside before
    was left out, and nothing that was seen is left; verdict: the same in a sentence.
    """

    circuit: str
    title: str
    meter: str
    before: str
    after: str
    readings: tuple[Checked, ...]
    cured: tuple[str, ...]
    left: tuple[str, ...]
    untold: tuple[str, ...]
    passed: bool
    verdict: str
    cautions: tuple[str, ...] = ()

    @property
    def left_over(self) -> bool:
        """Whether something is left over: a reading outside, something that is still seen; or nothing could be judged."""
        return bool(self.outside or self.left) or all(r.inside is None for r in self.readings)

    @property
    def unrepeated(self) -> str:
        """Name what was in its band before, or could not be judged, and was not read again; '' for nothing."""
        rows = [r for r in self.not_repeated if r.was_inside is not False]
        return f"not repeated, though nothing was wrong there before: {_listed(rows)}" if rows else ""

    @property
    def outside(self) -> tuple[Checked, ...]:
        """Readings that are still, or newly, outside their bands."""
        return tuple(r for r in self.readings if r.inside is False)

    @property
    def not_repeated(self) -> tuple[Checked, ...]:
        """Readings taken before and not after."""
        return tuple(r for r in self.readings if not r.after)

    def records(self) -> list[dict[str, Any]]:
        """Give one plain record a reading; null for what is no number."""
        return [r.record() for r in self.readings]

    def to_dict(self) -> dict[str, Any]:
        """Give plain values for JSON."""
        return {
            "circuit": self.circuit, "meter": self.meter, "before": self.before, "after": self.after, "passed": self.passed,
            "left_over": self.left_over,
            "verdict": self.verdict, "readings": self.records(), "not_repeated": [r.placed for r in self.not_repeated],
            "cured": list(self.cured), "left": list(self.left), "untold": list(self.untold), "cautions": list(self.cautions),
        }  # fmt: skip

    def to_csv(self) -> str:
        """Give CSV text: one row a reading, numbers in the SI unit of the column `unit`, empty for what is no number."""
        out = io.StringIO()
        rows = csv.DictWriter(out, _CSV_COLUMNS, extrasaction="ignore", lineterminator="\n")
        rows.writeheader()
        rows.writerows({k: _cell(v) for k, v in record.items()} for record in self.records())
        return out.getvalue()


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    return ", ".join(value) if isinstance(value, list) else "" if value is None else str(value)


def verify(circuit: Circuit | str, before: Findings, after: Findings, meter: str = "standard") -> Verification:
    """Compare readings before and after a repair with a good circuit's bands.

    Parameters
    ----------
    circuit
        From `load`, or its name.
    before, after
        As from `load_findings`; each under its own conditions (the battery may have been charged in between).
    meter
        What the readings were taken with: see `circuitsim.measure.METERS`.

    Raises
    ------
    UnknownNameError
        For an unknown circuit or meter.
    InputError
        For a measured supply that can't be; names the file of readings.
    SolveError
        When the good circuit has no operating point under the conditions of a reading.
    """
    found, tool = circuit_of(circuit), find_meter(meter)
    good = {**_measured(found, before, tool), **_measured(found, after, tool)}
    old = {_place(found, r.task): r for r in before.readings}
    again = {_place(found, r.task) for r in after.readings}
    pairs: list[tuple[TakenReading | None, TakenReading | None]] = [
        *((old.get(_place(found, r.task)), r) for r in after.readings),
        *((r, None) for place, r in old.items() if place not in again),
    ]
    rows = tuple(_checked(found, was, now, good, tool) for was, now in pairs)
    cured, left, untold = _compare_seen(before.observations, after.observations)
    lost = [r for r in rows if not r.after and r.was_inside is False]
    judged = [r for r in rows if r.inside is not None]
    passed = bool(judged) and all(r.inside for r in judged) and not lost and not left
    return Verification(
        found.name, found.title, tool.note(), before.conditions.sentence(), after.conditions.sentence(), rows, cured, left,
        untold, passed, _verdict(rows, lost, left), _cautions(found, before, after),
    )  # fmt: skip


def _cautions(circuit: Circuit, before: Findings, after: Findings) -> tuple[str, ...]:
    unknown = [w for w, f in (("before", before), ("after", after)) if f.readings and not _supplied(f)]
    text = (
        f"no battery voltage is given for {' and '.join(unknown)} (# supply: 12.3 V): bands are for the circuit's own battery"
    )
    notes = [f"{f'in {f.file}' if f.file else w}: {n}" for w, f in (("before", before), ("after", after)) for n in f.notes]
    over = measured_overloads(circuit, after.readings)
    return (*over, _PROOF, *([text] if unknown else []), *notes, *circuit.cautions)


def _supplied(findings: Findings) -> bool:
    return all(r.task.conditions.supply is not None for r in findings.readings)


def _place(circuit: Circuit, task: Task) -> tuple[Any, ...]:
    """Give what two readings of one place share; the battery's charge, the weather and the time on may differ."""
    c = task.conditions
    leads = (circuit.node(task.red), circuit.node(task.black)) if task.red else ()
    return (task.step, task.instrument, task.capture, leads, task.at, c.unplugged, c.fitted, c.ignition, c.engine)


def _measured(circuit: Circuit, findings: Findings, meter: Meter) -> dict[Task, Measured]:
    """Take the readings of a good circuit, each with its own supply."""
    try:
        return measured_each(circuit, (r.task for r in findings.readings), findings.conditions, meter)
    except InputError as error:
        raise with_place(error, file=findings.file or None) from None


# One place --------------------------------------------------------------------------------------------------------


def _checked(
    circuit: Circuit, old: TakenReading | None, new: TakenReading | None, good: Mapping[Task, Measured], meter: Meter
) -> Checked:
    taken = new or old
    if taken is None:
        raise ValueError("a place needs a reading")
    m, unit = good[taken.task], unit_of(taken.task.instrument)
    before, after = (r.shown.text(unit) if r else "" for r in (old, new))
    inside, off, beyond = _judged(new.shown, m, unit, meter) if new else (None, math.nan, math.nan)
    was = _judged(old.shown, good[old.task], unit, meter)[0] if old else None
    label, rule = _charted(circuit, taken.task)
    turned = "" if inside is not False or new is None else _turned(new, m, off, meter)
    return Checked(
        taken.task, label, unit, before, after, _display(m, meter),
        m.expected, m.band.low, m.band.high, m.band.standard, inside, was, off, beyond, _why(m), rule, turned,
    )  # fmt: skip


def _turned(taken: TakenReading, m: Measured, off: float, meter: Meter) -> str:
    """Say where leads or a clamp may have been the wrong way round: with its sign changed the reading is a good circuit's."""
    if taken.shown.kind != "number" or not math.isfinite(off):
        return ""
    other = replace(taken.shown, value=-taken.shown.value)
    inside, changed, _ = _judged(other, m, unit_of(taken.task.instrument), meter)
    return turned_round(taken.task, taken.shown.value, abs(off), abs(changed), meter) if inside else ""


def _display(m: Measured, meter: Meter) -> str:
    """Give what the instrument shows on a good circuit."""
    instrument = m.task.instrument
    if function := function_of(instrument):
        return show_function(function.name, m.expected, meter, "A" if on_clamp(instrument) else "V").display
    return lamp_look(m.expected) if instrument == "lamp" else meter.display(m.expected, unit_of(instrument))


def _why(m: Measured) -> str:
    """Say why a place can't be judged; '' where it can."""
    if not math.isfinite(m.expected) or m.verdict.startswith(NO_READING):
        lost = m.verdict if m.verdict.startswith(NO_READING) else "nothing there that comes and goes"
        return f"no figure: {lost}"
    if not (math.isfinite(m.band.low) and math.isfinite(m.band.high)):
        return "no band: how far a good circuit's reading may lie from its figure is not known there"
    return _FLOATS if m.floating and m.task.instrument not in _OWN_SOURCE else ""


def _judged(shown: Shown, m: Measured, unit: str, meter: Meter) -> tuple[bool | None, float, float]:
    """Say whether what was shown is in the band, how many standard uncertainties it is off, and how far beyond it lies.

    A displayed number stands for all values within half a digit; a display that jumps is in where both its ends are.
    """
    if _why(m):
        return None, math.nan, math.nan
    if shown.kind == "look":
        looks = [_LOOKS.index(lamp_look(v)) for v in (m.band.low, m.expected, m.band.high)]
        return min(looks) <= _LOOKS.index(shown.look) <= max(looks), math.nan, math.nan
    if shown.kind == "overload":
        return unit in _RANGED and m.band.high >= meter.ranges(unit)[-1].full_scale, math.nan, math.nan
    half, spread = 0.5 * shown.digit, math.hypot(m.band.standard, shown.digit / math.sqrt(12))
    ends = (shown.low, shown.high) if shown.kind == "unstable" else (shown.value,)
    worst = max(ends, key=lambda v: abs(v - m.expected))
    beyond = max((_beyond(v, m.band.low, m.band.high, half) for v in ends), key=abs)
    return not beyond, (worst - m.expected) / spread if spread else math.nan, beyond


def _beyond(value: float, low: float, high: float, half: float) -> float:
    """How far a displayed number lies outside a band, with its sign; 0 where some value that it stands for is inside."""
    # A share of the digit keeps what lies on the edge inside, whatever rounding does.
    if low - half * 1.000001 <= value <= high + half * 1.000001:
        return 0.0
    return value - high if value > high else value - low


def _charted(circuit: Circuit, task: Task) -> tuple[str, str]:
    """Give the label and the shop's rule of the circuit's chart for a place; a rule holds in the state it was made for."""
    c = task.conditions
    wanted = _place(circuit, task)[1:]
    for r in circuit.readings:
        state = c.but(unplugged=tuple(sorted(r.unplugged)), ignition=r.ignition, fitted=tuple(map(Fitted.read, r.fitted)))
        own = Task(task.step, state, r.instrument, r.red, r.black, r.at, r.capture)
        if _place(circuit, own)[1:] == wanted:
            return r.label, r.rule if not r.steps or task.step in r.steps else ""
    return "", ""


# What was seen, and the sentence ----------------------------------------------------------------------------------


def _compare_seen(
    before: Sequence[Observation], after: Sequence[Observation]
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Sort what was seen into cured, left over (or new), and what nobody said anything of after; 'normal' is no complaint."""
    cured: list[str] = []
    untold: list[str] = []
    left = list(dict.fromkeys(_told(o) for o in after if o.seen and o.word != "normal"))
    for o in before:
        there = [a for a in after if not a.step or not o.step or a.step == o.step]
        if not o.seen or o.word == "normal" or any(a.seen and a.word == o.word for a in there):
            continue
        denied = any(not a.seen and a.word == o.word for a in there)
        turns = o.word in _OF_SPEED and any(a.seen and a.word == "normal" for a in there)
        (cured if denied or turns else untold).append(_told(o))
    return tuple(dict.fromkeys(cured)), tuple(left), tuple(dict.fromkeys(untold))


def _told(o: Observation) -> str:
    return f"{o.word} at step {o.step}" if o.step else o.word


def _verdict(rows: Sequence[Checked], lost: Sequence[Checked], left: Sequence[str]) -> str:
    judged = [r for r in rows if r.inside is not None]
    outside = [r for r in judged if not r.inside]
    if not any(r.after for r in rows):
        parts = ["nothing was measured after the repair, so nothing is proved"]
    elif not judged:
        parts = ["none of the readings taken after can be judged, so nothing is proved"]
    elif outside:
        parts = [f"{len(outside)} of {len(judged)} still outside: {_listed(outside)}"]
        turned = [f"{r.placed} ({r.turned})" for r in outside if r.turned]
        parts += [f"measure again first: {'; '.join(turned[:_LISTED])}"] if turned else []
    else:
        back = "back in its band" if any(r.was_inside is False for r in rows) else "in its band"
        parts = [f"every reading is {back} ({len(judged)} of {len(judged)})"]
        was = [r.was_inside for r in rows if r.was_inside is not None]
        if was and all(was):
            parts.append("so was every reading before: what was wrong did not show in them")
    if lost:
        parts.append(f"not repeated, though outside before: {_listed(lost)}; read there too, or nothing is proved there")
    if left:
        parts.append(f"still seen: {', '.join(left)}")
    return ". ".join(part if k == 0 else part[:1].upper() + part[1:] for k, part in enumerate(parts))


def _listed(rows: Sequence[Checked]) -> str:
    """Name places, the furthest off first, with all their steps."""
    far = sorted(rows, key=lambda r: -abs(r.off) if math.isfinite(r.off) else -math.inf)
    places: dict[tuple[Any, ...], list[Checked]] = {}
    for r in far:
        new = " (in its band before)" if r.was_inside and r.after else ""
        places.setdefault((replace(r.task, step=""), new), []).append(r)
    named = []
    for (task, new), members in places.items():
        steps = dict.fromkeys(r.task.step for r in sorted(members, key=rows.index))
        named.append(replace(members[0], task=replace(task, step=", ".join(steps))).placed + new)
    left = len(named) - _LISTED
    more = [f"and {left} more place{'s' * (left > 1)}"] if left > 0 else []
    return "; ".join([*named[:_LISTED], *more])
