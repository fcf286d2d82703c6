"""Readings of a circuit: one batch a bench, every reading a sample with its own instrument connected."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements import Lamp, Ohmmeter, Voltmeter
from circuitsim.elements.base import Domain, Element
from circuitsim.engine.operating import Compiled, compile_netlist
from circuitsim.engine.points import Points
from circuitsim.engine.sensitivity import Answer, current_answer, sensitivities, voltage_answer
from circuitsim.engine.statement import statement_of
from circuitsim.engine.system import Column, Values
from circuitsim.errors import InputError, UnknownNameError
from circuitsim.library.circuit import Circuit
from circuitsim.measure.bands import Band, Contribution, band_of
from circuitsim.measure.conditions import TEST_LAMP, Bench, Conditions, make_bench
from circuitsim.measure.meters import Meter
from circuitsim.quantities import Tolerance

__all__ = ["INSTRUMENTS", "Measured", "Task", "measure", "step_values"]

Array = NDArray[np.float64]
_DEAD = 1e-3  # V; more than this between an ohmmeter's leads spoils its reading

INSTRUMENTS = {"voltmeter": "V", "clamp": "A", "ohmmeter": "Ω", "lamp": "1"}
"""Instruments by name and the unit that each reads."""


@dataclass(frozen=True)
class Task:
    """One reading to take: the step, the conditions, the instrument and where it goes."""

    step: str
    conditions: Conditions
    instrument: str
    red: str = ""
    black: str = ""
    at: str = ""


@dataclass(frozen=True)
class Measured:
    """What a task gives: true value, band, verdict on the point, and whether a lead sits on a part that floats."""

    task: Task
    expected: float
    band: Band
    verdict: str
    floating: bool
    residual: float
    contributions: tuple[Contribution, ...]


def step_values(circuit: Circuit, tasks: Sequence[tuple[str, Conditions]]) -> dict[tuple[str, str], Array]:
    """Give parameter arrays for (step, conditions) pairs: step tables, ignition and engine."""
    values: dict[tuple[str, str], Array] = {}
    steps = [circuit.step_index(step) for step, _ in tasks]
    for key, table in circuit.step_tables.items():
        values[key] = np.array([table.values[k] for k in steps])
    for key, condition in circuit.switched.items():
        wanted = {"ignition": "on", "engine": "running"}[condition]
        values[key] = np.array([float(getattr(c, condition) == wanted) for _, c in tasks])
    return values


def measure(
    circuit: Circuit,
    tasks: Sequence[Task],
    meter: Meter,
    supply: Values | None = None,
    known: dict[tuple[str, str], Tolerance] | None = None,
) -> list[Measured]:
    """Take readings.

    Parameters
    ----------
    circuit, tasks, meter
        What, which and with what. Tasks with the same connectors parted and things fitted share one batch.
    supply
        Parameters set from a measured supply, on top of the circuit's own.
    known
        Tolerances that replace the circuit's, for the parameters in `supply`.

    Raises
    ------
    SolveError
        When a point is not accepted.
    """
    results: dict[int, Measured] = {}
    benches: dict[Any, list[int]] = {}
    for k, task in enumerate(tasks):
        lamp = (task.red, task.black) if task.instrument == "lamp" else None
        key = (task.conditions.unplugged, task.conditions.fitted, task.conditions.since, lamp)
        benches.setdefault(key, []).append(k)
    for members in benches.values():
        batch = _Batch(circuit, [tasks[k] for k in members], meter, dict(supply or {}), known or {})
        results.update(zip(members, batch.run(), strict=True))
    return [results[k] for k in range(len(tasks))]


class _Batch:
    """Tasks that share a bench."""

    def __init__(
        self,
        circuit: Circuit,
        tasks: list[Task],
        meter: Meter,
        supply: dict[Any, Any],
        known: dict[Any, Tolerance],
    ) -> None:
        self.circuit, self.tasks, self.meter, self.supply, self.known = circuit, tasks, meter, supply, known
        self.leads = [(self._node(t.red), self._node(t.black)) if t.instrument != "clamp" else None for t in tasks]
        self.bench, self.instruments = self._make()
        self.compiled: Compiled = compile_netlist(self.bench.net)

    def _node(self, name: str) -> str:
        node = self.circuit.node(name)
        if {**self.circuit.net.nodes(), **self.circuit.net.references()}.get(node) is not Domain.ELECTRICAL:
            raise InputError(f"{name!r} is no electrical point", key="probe")
        return node

    def _make(self) -> tuple[Bench, dict[tuple[str, str, str], str]]:
        """Put every instrument of the batch on the bench, none of them connected yet."""
        names: dict[tuple[str, str, str], str] = {}
        extra: list[Element] = []
        for task, leads in zip(self.tasks, self.leads, strict=True):
            if leads is None or (task.instrument, *leads) in names:
                continue
            name = f"{task.instrument}-at-{len(names) + 1}"
            names[task.instrument, *leads] = name
            extra.append(_instrument(self.circuit, task.instrument, name, *leads))
        first = self.tasks[0].conditions
        bench = make_bench(self.circuit, first.unplugged, first.fitted, extra)
        for place in {task.at for task in self.tasks if task.instrument == "clamp"}:
            if place not in bench.net.elements:
                raise UnknownNameError("element for the clamp", place, list(bench.net.elements))
            if "current" not in statement_of(type(bench.net.elements[place])).law.outputs:
                raise InputError(f"{place} has no wire that a clamp could go round", key="probe")
        return bench, names

    def _values(self) -> dict[tuple[str, str], Any]:
        values: dict[tuple[str, str], Any] = {**step_values(self.circuit, [(t.step, t.conditions) for t in self.tasks])}
        values |= self.supply
        gone = {name for name in self.circuit.net.elements if name not in self.bench.net.elements}
        values = {key: v for key, v in values.items() if key[0] not in gone}
        for (kind, *leads), name in self.instruments.items():
            on = np.array(
                [float(t.instrument == kind and at == tuple(leads)) for t, at in zip(self.tasks, self.leads, strict=True)]
            )
            if kind == "voltmeter":
                values[name, "conductance"] = on / self.meter.input_resistance
            elif kind == "ohmmeter":
                values[name, "connected"] = on
        return values

    def run(self) -> list[Measured]:
        ambient = np.array([t.conditions.ambient for t in self.tasks])
        frozen = self.tasks[0].conditions.since == "cold"
        points = Points(self.compiled.solve(self._values(), ambient=ambient, frozen=frozen, size=len(self.tasks)))
        points.require(self.tasks[0].conditions.sentence())
        answers = self._answers(points)
        live = self._live(ambient, frozen)
        out: list[Measured | None] = [None] * len(self.tasks)
        for answer, members in answers:
            slopes = sensitivities(points.solved, answer)
            for k in members:
                out[k] = self._measured(points, answer, slopes, k, k in live)
        return [m for m in out if m is not None]

    def _live(self, ambient: Array, frozen: bool) -> set[int]:
        """Find the ohms readings whose leads have a voltage between them before the ohmmeter adds its own."""
        ohms = [k for k, t in enumerate(self.tasks) if t.instrument == "ohmmeter"]
        if not ohms:
            return set()
        values = self._values() | {(n, "connected"): 0.0 for (kind, *_), n in self.instruments.items() if kind == "ohmmeter"}
        bare = Points(self.compiled.solve(values, ambient=ambient, frozen=frozen, size=len(self.tasks)))
        pairs = {k: self.leads[k] or ("", "") for k in ohms}
        return {k for k, (red, black) in pairs.items() if not abs(bare.voltage(red, black)[k]) < _DEAD}

    def _answers(self, points: Points) -> list[tuple[Answer, list[int]]]:
        """One answer for all voltage-like tasks, one for each element under a clamp or lamp."""
        system = points.system
        ground = system.index[self.bench.net.ground]
        red = np.array([ground if at is None else system.index[at[0]] for at in self.leads], dtype=np.intp)
        black = np.array([ground if at is None else system.index[at[1]] for at in self.leads], dtype=np.intp)
        volts = voltage_answer(points.solved, red, black)
        answers = [(volts, [k for k, t in enumerate(self.tasks) if t.instrument == "voltmeter"])]
        ohms = [k for k, t in enumerate(self.tasks) if t.instrument == "ohmmeter"]
        if ohms:
            answers.append((_as_ohms(volts), ohms))
        for element, output, members in self._by_element():
            answers.append((current_answer(points.solved, element, output), members))
        return answers

    def _by_element(self) -> list[tuple[str, str, list[int]]]:
        """Group the clamps and lamps by the element whose output they show."""
        found: dict[tuple[str, str], list[int]] = {}
        for k, (task, leads) in enumerate(zip(self.tasks, self.leads, strict=True)):
            if task.instrument == "clamp":
                found.setdefault((task.at, "current"), []).append(k)
            elif task.instrument == "lamp" and leads is not None:
                found.setdefault((self.instruments["lamp", *leads], "power share"), []).append(k)
        return [(element, output, members) for (element, output), members in found.items()]

    def _measured(self, points: Points, answer: Answer, slopes: list[Array], k: int, live: bool) -> Measured:
        task = self.tasks[k]
        parts = self._contributions(points, slopes, k)
        value = float(answer.value[k])
        unit = INSTRUMENTS[task.instrument]
        limit = self.meter.limit(value, unit) if unit != "1" else 0.0
        leads = self.leads[k] or ()
        floats = any(node in self.bench.floating for node in leads)
        valid = bool(points.valid[k]) and not live
        verdict = "live: no ohms reading" if live else points.verdicts[k]
        band = band_of(value, parts, limit) if valid else Band(*[float("nan")] * 3)
        expected = value if valid else float("nan")
        return Measured(task, expected, band, verdict, floats, float(points.residual[k]), parts)

    def _contributions(self, points: Points, slopes: list[Array], k: int) -> tuple[Contribution, ...]:
        step = self.circuit.step_index(self.tasks[k].step)
        laws = points.solved.laws
        found = []
        for (g, p, e), key, tolerances in self._uncertain:
            slope, tolerance = float(slopes[g][p, e, k]), tolerances[step]
            if slope and tolerance is not None:
                varying = laws.columns.get((g, p, e))
                nominal = float(laws.base[g][p, e, 0] if varying is None else varying[k])
                found.append(Contribution(f"{key[0]}.{key[1]}", nominal, tolerance, slope))
        return tuple(found)

    @cached_property
    def _uncertain(self) -> list[tuple[Column, tuple[str, str], tuple[Tolerance | None, ...]]]:
        """Every parameter on the bench with a tolerance at some step: its column, its name, its tolerance by step."""
        steps = len(self.circuit.steps)
        by_key: dict[tuple[str, str], tuple[Tolerance | None, ...]] = {
            (e.name, p): (tolerance,) * steps for e in self.bench.net.elements.values() for p, tolerance in e.tolerances.items()
        }
        by_key |= {key: table.tolerances for key, table in self.circuit.step_tables.items()}
        by_key |= {key: (tolerance,) * steps for key, tolerance in self.known.items()}
        system = self.compiled.system
        return [(system.column(*key), key, found) for key, found in by_key.items() if key[0] in system.place]


def _instrument(circuit: Circuit, kind: str, name: str, red: str, black: str) -> Element:
    if kind == "voltmeter":
        return Voltmeter(name, red, black, conductance=0.0)
    if kind == "ohmmeter":
        return Ohmmeter(name, red, black)
    if kind == "lamp":
        return Lamp(name, red, black, power=TEST_LAMP["power"], voltage=12.0 if circuit.nominal < 18 else 24.0)
    raise UnknownNameError("instrument", kind, tuple(INSTRUMENTS))


def _as_ohms(volts: Answer) -> Answer:
    """Turn the ohmmeter's voltage into what it shows: v/i with i = (emf - v)/resistance."""
    source = Ohmmeter("scale", "a", "b").values
    emf, resistance = source["emf"], source["resistance"]
    gap = np.maximum(emf - volts.value, 1e-12)
    slope = resistance * emf / gap**2
    return Answer(resistance * volts.value / gap, volts.by_x * slope, {})
