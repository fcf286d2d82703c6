"""How a circuit comes to its readings, and what happens when something is switched or pulled."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from circuitsim.engine.transient import Course, Event, Phase, follow
from circuitsim.errors import InputError, UnknownNameError, shown, with_place
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Conditions, Task, fitted_supply
from circuitsim.measure import meter as find_meter
from circuitsim.measure.conditions import duration
from circuitsim.measure.taking import bench_in_states
from circuitsim.quantities import parse, parse_with_tolerance
from circuitsim.studies.cautions import jumper_cautions
from circuitsim.studies.predict import circuit_of, reading_plan

__all__ = ["Course", "Event", "transient"]

_KEYS = ("step", "ignition", "engine", "unplug", "values")
_STARTS = {
    "rest": "switched on at 0 s, all at rest",
    "cold": "settled at 0 s, not warmed up",
    "warm": "settled and warm at 0 s",
}
_LONGEST = 360_000.0  # s; 100 hours, after which all is warm
Change = tuple[Any, Mapping[str, Any]]
Moment = tuple[float, Task, dict[tuple[str, str], float], str]


def transient(
    circuit: Circuit | str, until: Any, *, step: str | int = "", start: str = "rest", then: Iterable[Change] = (),
    supply: Any = None, supply_at: str = "off", ambient: Any = None, engine: str = "off", ignition: str = "on",
    unplug: str | Iterable[str] = (), fit: str | Iterable[str] = (), probe: str | Iterable[str] = (),
    meter: str = "standard",
) -> Course:  # fmt: skip
    """Follow a circuit in time: electrical, shaft and temperatures together.

    Parameters
    ----------
    circuit : Circuit or str
        As for `predict`.
    until : float or str
        When to end: "10 s", or a number of seconds.
    step : str
        At the beginning; the fastest by default.
    start : str
        "rest": it is switched on at 0, all standing and at ambient; "cold" or "warm": it has settled at the step, with
        bodies at ambient or settled too.
    then : iterable of (time, mapping)
        What is changed when, in order: ``("5 s", {"step": "off"})``. Keys: step, ignition, engine, unplug (all connectors
        that are unplugged from then on), values (``{"K1.closed": 0}``: parameters, for good).
    supply, supply_at, ambient, engine, ignition, unplug, fit, meter
        As for `predict`; the meter is what the supply was measured with.
    probe : str or iterable of str
        ``RED:BLACK`` pairs, or ``at:ELEMENT`` for a clamp, to be shown; with nothing connected there.

    Returns
    -------
    Course
        Times, voltages, currents, speeds and temperatures; it ends early where a fuse or a cutout opens or something melts,
        which `stopped` tells. A chopping stage counts with its average over a period. `given` has step, start, conditions
        (as in `Chart.conditions`), all of them in a `sentence`, `probes`: (red, black, at) by name, `cautions` about jumpers.

    Raises
    ------
    InputError
        (or UnknownNameError, QuantityError) for anything that is not accepted, by name.
    SolveError
        When the integration finds no way on, or nothing settles to start from.

    Examples
    --------
    >>> import circuitsim as cs
    >>> course = cs.transient("tractor-cab-fan", "2 s", then=[("1 s", {"step": "off"})])
    >>> round(float(course.at([0.9]).currents["M1"][0]), 1)
    20.8
    """
    circuit = circuit_of(circuit)
    tool = find_meter(meter)
    state = Conditions.read(
        circuit, supply=supply, supply_at=supply_at, ambient=ambient, engine=engine, ignition=ignition, unplug=unplug, fit=fit
    )
    first = str(step) if step != "" else circuit.steps[-1]
    circuit.step_index(first)
    _one_of(start)
    setting, _ = fitted_supply(circuit, state, tool)
    given = _given(circuit, state, first, start, probe)
    moments: list[Moment] = [(0.0, Task(first, state, "nothing"), {}, "")]
    end = _seconds(until, "until")
    for time, change in then:
        moments.append(_next(circuit, moments[-1], time, change, end))
    compiled, values = bench_in_states(circuit, [task for _, task, _, _ in moments], tool, setting)
    own = _own(circuit, [extra for _, _, extra, _ in moments])
    phases = [Phase(t, {**v, **extra}, what) for (t, _, _, what), v, extra in zip(moments, values, own, strict=True)]
    return follow(compiled, end, phases, start=start, ambient=state.ambient, given=given)


def _one_of(start: str) -> None:
    if start not in _STARTS:
        raise UnknownNameError("start", start, _STARTS, key="start")


def _given(circuit: Circuit, state: Conditions, step: str, start: str, probe: str | Iterable[str]) -> dict[str, Any]:
    """Tell what the course is asked for with, and refuse probes that there are not."""
    probes = {r.label: (task.red, task.black, task.at) for task, r in reading_plan(circuit, state, step, probe) if probe}
    for *_, at in probes.values():
        if at:
            circuit.net.element(at)
    record = {key: value for key, value in state.record().items() if key != "since"}
    sentence = f"step {step}, {state.sentence(_STARTS[start])}"
    cautions = list(jumper_cautions(circuit, state))
    return {"step": step, "start": start, **record, "probes": probes, "sentence": sentence, "cautions": cautions}


def _next(circuit: Circuit, before: Moment, time: Any, change: Mapping[str, Any], end: float) -> Moment:
    """Give the next moment at which something changes; every error is told as one of `then`."""
    when = _seconds(time, "then")
    if when <= before[0]:
        what = f"the change at {duration(when)} must come after the one at {duration(before[0])}"
        raise InputError(f"{what}; accepted: changes in the order of time", key="then")
    if when >= end:
        what = f"the change at {duration(when)} must come before the end at {duration(end)}"
        raise InputError(f"{what}; give an earlier one, or a later end (until)", key="then")
    try:
        return _changed(circuit, before, when, change)
    except InputError as error:
        placed = with_place(error)
        placed.key = "then"
        raise placed from None


def _changed(circuit: Circuit, before: Moment, when: float, change: Mapping[str, Any]) -> Moment:
    for key in change:
        if key not in _KEYS:
            raise UnknownNameError("thing to change", str(key), _KEYS)
    _, task, extra, _ = before
    c = task.conditions
    state = Conditions.read(
        circuit, ambient=c.ambient, engine=change.get("engine", c.engine), ignition=change.get("ignition", c.ignition),
        unplug=change.get("unplug", c.unplugged),
    )  # fmt: skip
    step = str(change.get("step", task.step))
    circuit.step_index(step)
    kept = c.but(engine=state.engine, ignition=state.ignition, unplugged=state.unplugged)
    values = {**extra, **dict(_value(circuit, *item) for item in change.get("values", {}).items())}
    said = [f"{key} {', '.join(v) if isinstance(v, tuple | list) else v}" for key, v in change.items() if key != "values"]
    said += [f"{name} = {v}" for name, v in change.get("values", {}).items()]
    return when, Task(step, kept, "nothing"), values, "; ".join(said)


def _value(circuit: Circuit, name: str, value: Any) -> tuple[tuple[str, str], float]:
    element, _, parameter = str(name).rpartition(".")
    e = circuit.net.element(element)
    p = e.parameter(parameter)
    if p.state and str(value).strip() not in ("0", "1", "0.0", "1.0"):
        raise InputError(f"{shown(value)} found for {name}; accepted: 0 or 1")
    try:
        number = float(value) if p.state else parse_with_tolerance(value, p.unit)[0]
    except InputError as error:
        raise InputError(f"{name}: {error.message}") from None
    e.check_value(p, number)
    return (element, parameter), number


def _own(circuit: Circuit, extras: list[dict[tuple[str, str], float]]) -> list[dict[tuple[str, str], float]]:
    """Give the parameters of the changes for every phase; before they are changed they are as they are."""
    keys = dict.fromkeys(key for extra in extras for key in extra)
    given = {key: circuit.net.elements[key[0]].values[key[1]] for key in keys if key not in circuit.step_tables}
    given = {key: v for key, v in given.items() if key not in circuit.switched}
    return [{**given, **extra} for extra in extras]


def _seconds(given: Any, key: str) -> float:
    accepted = f"accepted: a time with its unit, such as 10s, 2min or 1h, above 0 and up to {duration(_LONGEST)}"
    if isinstance(given, str) and not re.match(r"\s*[-+.0-9]", given):
        raise InputError(f"{shown(given)} is no time; {accepted}", key=key)
    try:
        found = parse(given, "s")
    except InputError as error:
        raise InputError(f"{error.message}; {accepted}", key=key) from None
    if not 0 < found <= _LONGEST:
        typed = shown(given.strip()) if isinstance(given, str) else f"{found:g} s"
        raise InputError(f"{typed} is out of range; {accepted}", key=key)
    return found
