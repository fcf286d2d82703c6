"""A circuit file for the circuit in front of somebody: from what can be seen and measured, with honest, wide tolerances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.errors import InputError, UnknownNameError
from circuitsim.library import load
from circuitsim.library.circuit import Circuit
from circuitsim.library.drafting import circuit_text
from circuitsim.measure import INSTRUMENTS, Conditions, Task, measure
from circuitsim.measure import meter as find_meter
from circuitsim.quantities import Tolerance, format_quantity
from circuitsim.studies.chart import Reading
from circuitsim.studies.evidence import Findings, Shown, TakenReading
from circuitsim.studies.fit import fit
from circuitsim.studies.predict import reading_plan

__all__ = ["CONTROLS", "Answers", "Drafted", "Narrowing", "draft"]

Array = NDArray[np.float64]
CONTROLS = {
    "linear": "a stage that regulates the motor's low side steadily (hot heat sink, command by a stepped resistor)",
    "pwm": "a stage that chops (duty command; a meter's low side reads between, a scope shows a square wave)",
    "pack": "a switch through a resistor pack in the air stream",
}
"""Kinds of ground-side control, and how to know them."""
_WIRES = {"feed": "W2", "low": "W3", "ground": "W5", "battery": "W1"}
_OF_FUSE = 0.65  # usual current at full speed over the fuse's rating (60 to 75 %, common practice)
_LENGTH = Tolerance("lognormal", 1.3)  # of a length that was estimated
_AREA = Tolerance("uniform", 0.05, relative=True)  # of a section read off the wire
_OHMS = Tolerance("lognormal", 1.5)  # of a motor measured with an ohmmeter: brush film and rotor position count


@dataclass(frozen=True)
class Answers:
    """What is known; SI, None for what is not. wires: name out of feed, low, ground, battery → (section, length or None)."""

    nominal: float
    control: str
    steps: int
    fuse: float | None = None
    current: float | None = None
    motor_resistance: float | None = None
    wires: tuple[tuple[str, float, float | None], ...] = ()
    name: str = "my-fan"
    title: str = ""


@dataclass(frozen=True)
class Narrowing:
    """One reading that would narrow the chart: where, how much of the chart's mean uncertainty is left after it."""

    label: str
    placed: str
    left: float


@dataclass(frozen=True)
class Drafted:
    """The text of the file, its circuit, and the readings that would narrow it most, in order."""

    text: str
    circuit: Circuit
    narrowing: tuple[Narrowing, ...]


def draft(answers: Answers) -> Drafted:
    """Write a circuit file from answers.

    Raises UnknownNameError for a kind of control that there is not, InputError for numbers that can't be.
    """
    if answers.control not in CONTROLS:
        raise UnknownNameError("kind of control", answers.control, tuple(CONTROLS), key="kind")
    fuse = answers.fuse if answers.fuse is not None else 30.0
    current = answers.current if answers.current is not None else _OF_FUSE * fuse
    if current > fuse:
        told = format_quantity(fuse, "A")
        raise InputError(f"{format_quantity(current, 'A')} at full speed is more than the fuse of {told}", key="current")
    options = {"nominal": answers.nominal, "steps": answers.steps, "fuse": fuse, "current": current}
    circuit = load(f"generic-{answers.control}", **options)
    notes: dict[tuple[str, str], str] = {}
    circuit = _wired(circuit, answers, notes)
    if answers.motor_resistance is not None:
        circuit = _with(circuit, "M1", "resistance", answers.motor_resistance, _OHMS)
        notes["M1", "resistance"] = "measured with an ohmmeter, which can't be trusted within a factor of 1.5"
    if answers.current is not None:
        circuit = _with_current(circuit, answers.current)
        notes["FAN1", "torque"] = f"made to fit the {format_quantity(answers.current, 'A')} that were measured at full speed"
    notes["F1", "rating"] = "as printed on the fuse" if answers.fuse is not None else "assumed"
    title = answers.title or f"{answers.name}: {_kind(answers)}"
    told = "Written from what could be seen and measured; the comments on top say what that was. All else is assumed."
    circuit = replace(circuit, name=answers.name, title=title, description=told, options={})
    text = circuit_text(circuit, head=_head(answers, current), notes=notes, digits=4)
    return Drafted(text, circuit, _narrowing(circuit))


def _kind(answers: Answers) -> str:
    words = {"linear": "linear stage", "pwm": "chopping stage", "pack": "resistor pack"}
    return f"fan fed all the time, {words[answers.control]} on the ground side"


def _head(answers: Answers, current: float) -> list[str]:
    """Say what the file rests on."""
    known = [f"nominal voltage {format_quantity(answers.nominal, 'V')}", f"{answers.steps} steps", CONTROLS[answers.control]]
    for value, unit, what in (
        (answers.fuse, "A", "fuse"), (answers.current, "A", "motor current at full speed"),
        (answers.motor_resistance, "Ω", "motor resistance"),
    ):  # fmt: skip
        if value is not None:
            known.append(f"{what} {format_quantity(value, unit)}")
    for name, area, length in answers.wires:
        run = f", {format_quantity(length, 'm')}" if length is not None else ", length not known"
        known.append(f"{name} wire {format_quantity(area, 'm²')}{run}")
    assumed = "" if answers.current is not None else f" Full-speed current assumed: {format_quantity(current, 'A', 3)}."
    return [
        f"{answers.name}: written from what could be seen and measured:",
        *(f"- {text}" for text in known),
        f"All else is assumed, with wide tolerances (mΩ joints ×/÷ 2 and the like).{assumed}",
        "Narrow it with readings from a good vehicle: circuitsim fit THIS.toml READINGS.csv -o FITTED.toml",
        "The vehicle maker's service information goes before this file.",
    ]


def _with(circuit: Circuit, element: str, parameter: str, value: float, tolerance: Tolerance | None) -> Circuit:
    net = circuit.net.copy()
    net.elements[element] = net.elements[element].replaced(**{parameter: value})
    if tolerance is not None:
        net.elements[element].tolerances[parameter] = tolerance
    return replace(circuit, net=net)


def _wired(circuit: Circuit, answers: Answers, notes: dict[tuple[str, str], str]) -> Circuit:
    """Give wires the sections and lengths that are known."""
    for name, area, length in answers.wires:
        if name not in _WIRES:
            raise UnknownNameError("wire", name, tuple(_WIRES), key="wire")
        wire = _WIRES[name]
        circuit = _with(circuit, wire, "area", area, _AREA)
        notes[wire, "area"] = "read off the wire"
        if length is not None:
            circuit = _with(circuit, wire, "length", length, _LENGTH)
            notes[wire, "length"] = "estimated"
    return circuit


def _with_current(circuit: Circuit, current: float) -> Circuit:
    """Fit the circuit to the current at its top step; the meter's own clamp tolerance."""
    step = circuit.steps[-1]
    task = Task(step, Conditions(), "clamp", at=circuit.motor)
    digit = find_meter("standard").amps[0].digit
    findings = Findings((TakenReading(0, task, Shown("number", current, digit)),), (), Conditions())
    return fit(circuit, findings).circuit


def _narrowing(circuit: Circuit, count: int = 3) -> tuple[Narrowing, ...]:
    """Find greedily the plugged readings that leave the least of the chart's uncertainty (linear, normal; GUM)."""
    meter = find_meter("standard")
    plan = [(t, r) for t, r in reading_plan(circuit, Conditions()) if t.instrument in ("voltmeter", "clamp")]
    plan = [(t, r) for t, r in plan if not t.conditions.unplugged and t.conditions.ignition == "on"]
    measured = measure(circuit, [t for t, _ in plan], meter)
    rows, noise = (
        _slopes(circuit, measured),
        np.array([_noise(m.expected, t, meter) for m, (t, _) in zip(measured, plan, strict=True)]),
    )
    prior = (rows**2).sum(axis=1) + noise
    found: list[Narrowing] = []
    for _ in range(count):
        own = (rows**2).sum(axis=1) + noise
        gain = ((rows @ rows.T) ** 2 / own[None, :] / prior[:, None]).sum(axis=0)
        best = int(np.argmax(gain))
        rows = rows - np.outer(rows @ rows[best], rows[best]) * _shrink(rows[best], float(noise[best]))
        left = float(np.sqrt(((rows**2).sum(axis=1) + noise) / prior).mean())
        task, reading = plan[best]
        leads = f"clamp on {task.at}" if task.at else f"{task.red} : {task.black}"
        found.append(Narrowing(reading.label, Reading.place(task.step, leads, (), "on"), left))
    return tuple(found)


def _shrink(row: Array, noise: float) -> float:
    """Give the factor with which a measured row is taken out of the square root of the covariance (Potter, 1963)."""
    size = float(row @ row)
    total = size + noise
    return (1 - np.sqrt(noise / total)) / size if size > 0 else 0.0


def _noise(expected: float, task: Task, meter: Any) -> float:
    return float(meter.limit(expected, INSTRUMENTS[task.instrument]) ** 2 / 3)


def _slopes(circuit: Circuit, measured: Sequence[Any]) -> Array:
    """Slopes of readings against all uncertain numbers, in their standard deviations."""
    place: dict[str, int] = {}
    entries = []
    for j, m in enumerate(measured):
        for c in m.contributions:
            element, _, parameter = c.what.rpartition(".")
            by_step = (element, parameter) in circuit.step_tables
            k = place.setdefault(f"{c.what}@{m.task.step}" if by_step else c.what, len(place))
            entries.append((j, k, c.slope * c.tolerance.standard(c.nominal)))
    rows = np.zeros((len(measured), len(place)))
    for j, k, value in entries:
        rows[j, k] = value if np.isfinite(value) else 0.0
    return rows
