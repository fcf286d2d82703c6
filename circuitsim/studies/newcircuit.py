"""A circuit file for the circuit in front of somebody: from what can be seen and measured, with honest, wide tolerances."""

from __future__ import annotations

import json
import math
import textwrap
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit
from circuitsim.library.templates import circuit_from_text, filled_template
from circuitsim.measure import Conditions, Task, fitted_supply, measure, measure_with_points
from circuitsim.measure import meter as find_meter
from circuitsim.quantities import Tolerance, format_quantity
from circuitsim.studies.answers import COMMANDS, CONTROLS, WIRES, Answers, Motor, motor_of
from circuitsim.studies.narrowing import Narrowing, Plan, narrow
from circuitsim.studies.sizes import FULL_SPEED, Size, sizes, wire_sizes

__all__ = ["COMMANDS", "CONTROLS", "Answers", "Drafted", "Narrowing", "Plan", "draft"]

_CLOSE = 1e-6  # share of the current
_KINDS = {
    "linear": "Its speed is regulated on the ground side by a linear stage; the command {way} as speed rises.",
    "pwm": "It is chopped on the ground side; voltages are averages, as a DC meter shows. The command {way} as speed rises.",
    "pack": "It is slowed on the ground side by a pack of resistors in the air stream, of which a selector picks the tap.",
}
_TITLES = {"linear": "linear stage", "pwm": "chopping (PWM) stage", "pack": "resistor pack"}


@dataclass(frozen=True)
class Drafted:
    """The text of the file, its circuit, and what it rests on."""

    text: str
    circuit: Circuit
    answers: Answers
    motor: Motor

    @cached_property
    def plan(self) -> Plan:
        """What to measure next."""
        return narrow(self.circuit, meter=self.answers.meter)

    @property
    def half_told(self) -> tuple[tuple[str, str, str], ...]:
        """Wires of which one thing was told, and the other assumed: which, its size as the file has it, where that is from."""
        found = wire_sizes(self.answers, self.motor)
        half = [name for name, area, length in self.answers.wires if (area is None) != (length is None)]
        return tuple((name, _as_words(found[name]), found[name].origin) for name in half)

    @property
    def narrowing(self) -> tuple[Narrowing, ...]:
        """The readings that would narrow the chart most, in order."""
        return self.plan.readings

    def to_dict(self) -> dict[str, Any]:
        """Give plain values for JSON, SI units."""
        a = self.answers
        return {
            "circuit": self.circuit.name, "title": self.circuit.title,
            "answers": {
                "nominal": a.nominal, "kind": a.control, "steps": a.steps,
                "command": a.command if a.control != "pack" else None,
                "fuse": a.fuse, "current": a.current, "supply": a.supply, "motor_resistance": a.motor_resistance,
                "wires": [{"wire": name, "area": area, "length": length} for name, area, length in a.wires],
            },
            "half_told": [{"wire": name, "size": size, "from": origin} for name, size, origin in self.half_told],
            "fuse": self.motor.fuse, "current": self.motor.current, "motor_resistance": self.motor.resistance,
            "supply": {"voltage": self.plan.supply, "left": self.plan.supply_left},
            "readings": [
                {
                    "label": n.label, "step": n.task.step, "red": n.task.red, "black": n.task.black, "at": n.task.at,
                    "where": n.where, "unit": n.unit, "expected": n.expected, "low": n.low, "high": n.high,
                    "left": n.left, "most": {"reading": n.most, "left": n.most_left},
                }
                for n in self.plan.readings
            ],
        }  # fmt: skip


def draft(answers: Answers, *, file: str = "") -> Drafted:
    """Write a circuit file from answers.

    Parameters
    ----------
    answers
        What is known.
    file
        Name of the file that it will be, for the comment that says how to fit it; by default that of the circuit.

    Raises
    ------
    InputError
        For answers that can't be together; its key is the attribute of `Answers`.
    SolveError
        When a point of the circuit has no solution.
    """
    motor = motor_of(answers)
    texts = _texts(answers, motor, file or f"{answers.name}.toml")
    torque, constant = _matched(answers, motor, texts)
    text = filled_template("fan.toml", {**texts, **sizes(answers, motor, torque, constant)})
    circuit = circuit_from_text(text, file)
    return Drafted(text, circuit, answers, motor)


# What is said -----------------------------------------------------------------------------------------------------


def _texts(answers: Answers, motor: Motor, file: str) -> dict[str, Any]:
    kind = answers.control
    volts = format_quantity(answers.nominal, "V")
    steps = ["off", *(str(k) for k in range(1, answers.steps + 1))]
    title = " ".join(answers.title.split()) or f"{volts} fan, {_TITLES[kind]} on the ground side, {_steps(answers.steps)}"
    way = "falls" if answers.command == "falling" else "rises"
    fed = "A fan motor that is fed whenever the ignition is on. "
    return {
        "plain_title": title, "title": json.dumps(title, ensure_ascii=False), "name": answers.name, "file": file,
        "description": _folded(fed + _KINDS[kind].format(way=way)), "nominal": volts, "steps": steps,
        "top": steps[-1], "kind": kind, "way": answers.command, "panel": kind == "linear" and answers.command == "rising",
        "answers": _said(answers, motor),
    }  # fmt: skip


def _folded(text: str) -> str:
    """Break text over lines of a TOML string, each ended so that they read as one."""
    return " \\\n".join(textwrap.wrap(text, 118))


def _as_words(size: Size) -> str:
    """Give a wire's size without the marks of the file: area 4 mm² ±5 %, length 2 m ×/÷ 2."""
    return size.text.replace(" = ", " ").replace('"', "")


def _steps(count: int) -> str:
    return "1 step" if count == 1 else f"{count} steps"


def _said(answers: Answers, motor: Motor) -> list[tuple[str, str]]:
    """List the answers, each with what was made of it where it is not known."""
    kind = answers.control
    said = [("nominal voltage", format_quantity(answers.nominal, "V")), ("ground side", CONTROLS[kind]),
            ("steps", f"{answers.steps}, without off")]  # fmt: skip
    if kind != "pack":
        said.append(("command", COMMANDS[answers.command]))
    for what, known, text in (
        ("fuse", answers.fuse, f"{format_quantity(motor.fuse, 'A')}, {motor.fuse_from}"),
        ("current", answers.current, f"{format_quantity(motor.current, 'A')} at full speed: {motor.current_from}"),
        ("resistance", answers.motor_resistance, f"{format_quantity(motor.resistance, 'Ω', 2)}, {motor.resistance_from}"),
    ):
        said.append((f"motor {what}", text if known is not None else f"not known; {text}"))
    wires = {name: (area, length) for name, area, length in answers.wires}
    for name, meaning in WIRES.items():
        if name in wires:
            area, length = wires[name]
            run = f"about {format_quantity(length, 'm', display='m')}" if length is not None else "length not known"
            section = format_quantity(area, "m²") if area is not None else "section not known"
            half = f"; taken: {_as_words(wire_sizes(answers, motor)[name])}" if area is None or length is None else ""
            said.append((f"{name} wire", f"{section}, {run} ({meaning}){half}"))
        elif name != "battery":
            said.append((f"{name} wire", f"not known ({meaning})"))
    return said


# Motor and fan that take the current --------------------------------------------------------------------------------


def _matched(answers: Answers, motor: Motor, texts: dict[str, Any]) -> tuple[Size, Size]:
    """Find the fan's torque and the motor's constant with which the motor takes its current at full speed."""
    draft_of = sizes(answers, motor, Size("0.46 N·m", "to be found"), Size("28.5 mV·s/rad ±0 %", "to be found"))
    circuit = circuit_from_text(filled_template("fan.toml", {**texts, **draft_of}), "draft")
    circuit = _turning(circuit, motor.current, answers.supply)
    told = f"made so that the motor takes {format_quantity(motor.current, 'A')} at full speed: {motor.current_from}"
    torque, constant = circuit.net.elements["FAN1"].values["torque"], circuit.net.elements["M1"].values["constant"]
    spread = _spread(circuit, motor.spread)
    free = "assumed: 3000 rpm at full speed. No electrical reading depends on it, as the torque goes with it"
    return (
        Size(f"{format_quantity(torque, 'N·m', 4, display='N·m')} {spread.text(None, 'N·m', 2)}", told),
        Size(f"{format_quantity(constant, 'V·s/rad', 4)} ±0 %", free),
    )


def _turning(circuit: Circuit, current: float, supply: float | None) -> Circuit:
    """Give the circuit with torque and constant for a current, cold, at `FULL_SPEED` at the top step.

    At that current and speed K = (v - R·i - brush(i))/ω, and the fan's torque is what friction leaves of K·i. The motor's
    voltage is that of the circuit at hand, moved along the path's resistance to the wanted current.
    """
    top, tool = circuit.steps[-1], find_meter("standard")
    conditions = Conditions(supply=supply, supply_at=top)
    for _ in range(8):
        setting, known = fitted_supply(circuit, conditions, tool)
        _, points, _ = measure_with_points(circuit, [], [Task(top, conditions, "voltmeter")], tool, setting, known)
        m, nodes = circuit.net.elements[circuit.motor].values, circuit.net.elements[circuit.motor].nodes
        found, volts = float(points.current(circuit.motor)[0]), float(points.voltage(nodes["plus"], nodes["minus"])[0])
        if not points.valid[0] or found <= 0:
            raise InputError(f"the motor does not run with these answers ({points.verdicts[0]})", key="current")
        if abs(found / current - 1) < _CLOSE:
            return circuit
        # What the path takes goes with the current; the posts are held where they were measured.
        rest = (supply or circuit.net.elements[circuit.supply.battery].values["emf"]) - volts
        volts += rest * (1 - current / found)
        brush = m["brush_drop"] * math.tanh(current / m["brush_onset"])
        constant = (volts - m["resistance"] * current - brush) / FULL_SPEED
        torque = constant * current - m["friction"] - m["viscous"] * FULL_SPEED
        if constant <= 0 or torque <= 0:
            left = f"{format_quantity(max(volts, 0.0), 'V', 2)} are left for the motor at {format_quantity(current, 'A')}"
            raise InputError(f"{left}, too little to turn a fan: look at current, resistance and wires again", key="current")
        circuit = _with(_with(circuit, circuit.motor, "constant", constant), "FAN1", "torque", torque)
    raise InputError(f"no motor was found that takes {format_quantity(current, 'A')} with these answers", key="current")


def _with(circuit: Circuit, element: str, parameter: str, value: float) -> Circuit:
    net = circuit.net.copy()
    net.elements[element] = net.elements[element].replaced(**{parameter: value})
    return replace(circuit, net=net)


def _spread(circuit: Circuit, wanted: Tolerance) -> Tolerance:
    """Give the torque's tolerance that lets the current at full speed scatter as wanted."""
    task = Task(circuit.steps[-1], Conditions(), "clamp", at=circuit.motor)
    (found,) = measure(circuit, [task], find_meter("standard"))
    slope = next(c.slope * c.nominal for c in found.contributions if c.what == "FAN1.torque")
    power = found.expected / slope  # share of the torque for a share of the current
    if wanted.kind == "lognormal":
        return Tolerance("lognormal", wanted.size**power)
    return Tolerance("uniform", min(wanted.size * power, 0.9), relative=True)
