"""Where a reading was taken, with what, and in which state: the cells of a row that say so, in the circuit's own names."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from circuitsim.elements.base import Domain
from circuitsim.engine.kernels import kernels_of
from circuitsim.errors import InputError, UnknownNameError, blaming, shown, with_place
from circuitsim.library.circuit import Circuit
from circuitsim.library.functions import CAPTURE, FUNCTIONS, INSTRUMENTS, WAVE_INSTRUMENTS, function_of, on_clamp, read_capture
from circuitsim.measure import Conditions, Task
from circuitsim.studies.displays import LOOKS, SIGNS

__all__ = ["ARGUMENTS", "UNITS", "read_condition", "read_place", "read_step"]

ARGUMENTS = {"unplugged": "unplug", "fitted": "fit"}
"""Columns that `Conditions.read` calls by another name."""
UNITS = {**INSTRUMENTS, **WAVE_INSTRUMENTS}
"""What each instrument reads, SI."""
_ROW_STATE = ("unplugged", "fitted", "engine", "ignition", "since", "supply")
_BY_UNIT = {"ω": "ohmmeter", "ohm": "ohmmeter", "ohms": "ohmmeter", "%": "duty", "hz": "frequency"}


def read_place(circuit: Circuit, row: Mapping[str, str], base: Conditions) -> Task:
    """Say where and in which state a reading was taken."""
    state = _conditions(circuit, row, base)
    step = read_step(circuit, row) if row.get("step") or state.ignition == "on" else circuit.steps[0]
    at, red, black = row.get("at", ""), row.get("red", ""), row.get("black", "")
    if at:
        if red or black:
            raise InputError("a clamp goes round a wire (at); red and black are leads: give one or the other", key="at")
        at = _clamped(circuit, at, state)
    elif red:
        red, black = (_point(circuit, text, key) for text, key in ((red, "red"), (black or circuit.net.ground, "black")))
        if circuit.node(red) == circuit.node(black):
            raise InputError(f"both leads are on {red}", key="black")
    else:
        raise InputError("needs red (and black), or at for a clamp", key="red")
    task = Task(step, state, _instrument(row, at), red, black, at)
    return replace(task, capture=_capture(circuit, row, task))


def _clamped(circuit: Circuit, name: str, state: Conditions) -> str:
    """Give the element that a clamp sits on."""
    parted = {pin for plug in state.unplugged for pin in circuit.connector(plug).pins}
    there = [n for n, e in circuit.net.elements.items() if n not in parted and "current" in kernels_of(type(e)).outputs[0]]
    found = _spelled(name, [*there, *parted])
    if found in parted:
        raise InputError(f"no clamp can sit on {found} while it is unplugged", key="at")
    if found not in there:
        raise UnknownNameError("element for a clamp", name, there, key="at")
    return found


def read_step(circuit: Circuit, row: Mapping[str, str]) -> str:
    """Give the step of a row; errors name the column."""
    step = _spelled(row.get("step", ""), circuit.steps)
    if not step:
        raise InputError(f"needs the step; accepted: {', '.join(circuit.steps)}", key="step")
    try:
        circuit.step_index(step)
    except UnknownNameError as error:
        raise with_place(error, key="step") from None
    return step


def _instrument(row: Mapping[str, str], at: str) -> str:
    given = row.get("instrument", "").lower()
    reading = " ".join((row.get("reading") or row.get("max", "")).translate(SIGNS).split()).lower()
    if not given:
        told = next((name for ending, name in _BY_UNIT.items() if reading.endswith(ending)), "voltmeter")
        return "clamp" if at else "lamp" if reading in LOOKS else told
    if at and given in FUNCTIONS:
        given = f"clamp-{given}"
    if given not in UNITS:
        raise UnknownNameError("instrument", given, tuple(UNITS), key="instrument")
    if on_clamp(given) != bool(at):
        what = "a clamp needs the element that it goes round, in the column at" if not at else "at is for a clamp"
        raise InputError(what, key="instrument")
    return given


def _capture(circuit: Circuit, row: Mapping[str, str], task: Task) -> float:
    """Give the time over which a min or max is averaged, s: as the row says, else the circuit's chart, else what is usual."""
    function = function_of(task.instrument)
    if function is None or not function.capture:
        return 0.0
    if row.get("capture"):
        try:
            return read_capture(row["capture"])
        except InputError as error:
            raise with_place(error, key="capture") from None
    own = (task.instrument, task.red, task.black, task.at)
    return next((r.capture for r in circuit.readings if (r.instrument, r.red, r.black, r.at) == own), CAPTURE)


def _conditions(circuit: Circuit, row: Mapping[str, str], base: Conditions) -> Conditions:
    """Give the conditions of a row: the common ones, and what the row changes."""
    changes = {ARGUMENTS.get(key, key): read_condition(circuit, key, row[key]) for key in _ROW_STATE if row.get(key)}
    if not changes:
        return base
    off = changes.get("ignition", base.ignition) == "off"
    if off:
        changes.setdefault("engine", "off")
    if "supply" in changes:
        changes["supply_at"] = "rest" if off else read_step(circuit, row)
    given: dict[str, Any] = {
        "supply": base.supply, "supply_at": base.supply_at, "ambient": base.ambient, "engine": base.engine,
        "ignition": base.ignition, "since": base.since, "unplug": base.unplugged, "fit": [str(f) for f in base.fitted],
    }  # fmt: skip
    return Conditions.read(circuit, **{**given, **changes})


def read_condition(circuit: Circuit, key: str, text: str) -> Any:
    """Read one condition by itself, as `Conditions.read` takes it; errors name the column."""
    value: Any = text.lower() if key in ("engine", "ignition", "since") else text
    if key == "unplugged":
        value = tuple(_spelled(name, circuit.connectors) for name in re.split(r"[\s,;+]+", text) if name)
    elif key == "fitted":
        value = tuple(_fitting(circuit, one) for one in re.split(r"[\s,;]+", text) if one)
    elif key == "supply_at":
        value = _spelled(text, (*circuit.steps, "rest"))
    try:
        Conditions.read(circuit, **{ARGUMENTS.get(key, key): value})
    except InputError as error:
        raise blaming(error, key) from None
    return value


def _fitting(circuit: Circuit, text: str) -> str:
    kind, *leads = text.split(":")
    return ":".join([kind.lower(), *(_spelled(lead, _points(circuit)) for lead in leads)])


def _points(circuit: Circuit) -> list[str]:
    net = circuit.net
    return [*circuit.probes, *net.nodes(), *net.references(), *net.aliases()]


def _point(circuit: Circuit, name: str, key: str) -> str:
    found = _spelled(name, _points(circuit))
    try:
        node = circuit.node(found)
    except UnknownNameError as error:
        raise with_place(error, key=key) from None
    if {**circuit.net.nodes(), **circuit.net.references()}.get(node) is not Domain.ELECTRICAL:
        raise InputError(f"{shown(found)} is no electrical point", key=key)
    return found


def _spelled(name: str, accepted: Iterable[str]) -> str:
    """Give a name in the case that the circuit has it in, where that leaves one choice."""
    names = set(accepted)
    alike = [n for n in names if n.casefold() == name.casefold()]
    return alike[0] if name not in names and len(alike) == 1 else name
