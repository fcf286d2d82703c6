"""What is read, where and with what, and the bench with the instruments on it: a reading is a sample of a batch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements import Lamp, Ohmmeter, ProbeLamp, Voltmeter
from circuitsim.elements.base import Domain, Element
from circuitsim.engine.kernels import kernels_of
from circuitsim.engine.operating import Compiled, compile_netlist
from circuitsim.engine.system import Values
from circuitsim.errors import InputError, UnknownNameError
from circuitsim.library.circuit import Circuit
from circuitsim.library.functions import INSTRUMENTS, WAVE_INSTRUMENTS, on_bench
from circuitsim.measure.bands import Band, Contribution
from circuitsim.measure.conditions import TEST_LAMP, Bench, Conditions, make_bench
from circuitsim.measure.meters import Meter

__all__ = ["INSTRUMENTS", "Measured", "Stand", "Task", "by_stand", "shown_ohms", "step_values"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Task:
    """One reading to take: the step, the conditions, the instrument and where it goes.

    capture: over how long a minimum or maximum is averaged, s; 0 for all else.
    """

    step: str
    conditions: Conditions
    instrument: str
    red: str = ""
    black: str = ""
    at: str = ""
    capture: float = 0.0


@dataclass(frozen=True)
class Measured:
    """What a task gives: true value, band, verdict on the point, and whether a lead sits on a part that floats."""

    task: Task
    expected: float
    band: Band
    verdict: str
    floating: bool
    residual: float
    contributions: Sequence[Contribution]


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


def by_stand(tasks: Sequence[Task]) -> list[list[int]]:
    """Group tasks, by position, that share a bench: the same connectors parted, things fitted, and lamp if any."""
    benches: dict[Any, list[int]] = {}
    for k, task in enumerate(tasks):
        lamp = (task.red, task.black) if task.instrument == "lamp" else None
        key = (task.conditions.unplugged, task.conditions.fitted, task.conditions.since, lamp)
        benches.setdefault(key, []).append(k)
    return list(benches.values())


class Stand:
    """The bench of some tasks with all their instruments on it: one sample a task, its own instrument connected.

    Parameters
    ----------
    circuit, tasks, meter
        Which, what and with what. All tasks share one bench (see `by_stand`). A task with no `red` and no `at` has
        nothing connected: the bare circuit.
    supply
        Parameters set from a measured supply, on top of the circuit's own.

    Attributes
    ----------
    bench : Bench
        The netlist, and what floats on it.
    leads : list
        Nodes of the two leads of each task, None for a clamp or nothing.
    instruments : dict
        (instrument, red node, black node) → name of its element.
    """

    _lamp: ClassVar[type[Lamp]] = Lamp

    def __init__(self, circuit: Circuit, tasks: Sequence[Task], meter: Meter, supply: Values | None = None) -> None:
        self.circuit, self.tasks, self.meter, self.supply = circuit, list(tasks), meter, dict(supply or {})
        self.leads = [(self._node(t.red), self._node(t.black)) if t.red else None for t in tasks]
        self.bench, self.instruments = self._make()

    @cached_property
    def compiled(self) -> Compiled:
        """The bench made ready for solving."""
        return compile_netlist(self.bench.net)

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
            kind = on_bench(task.instrument)
            if leads is None or (kind, *leads) in names:
                continue
            name = f"{kind}-at-{len(names) + 1}"
            names[kind, *leads] = name
            extra.append(self._instrument(kind, name, *leads))
        bench = self._bench(extra)
        for task in self.tasks:
            if task.at:
                self._check_clamp(bench, task)
        return bench, names

    def _bench(self, extra: Sequence[Element]) -> Bench:
        first = self.tasks[0].conditions
        return make_bench(self.circuit, first.unplugged, first.fitted, extra)

    def _check_clamp(self, bench: Bench, task: Task) -> None:
        """Raise UnknownNameError or InputError for a place that no clamp could go round."""
        gone = {pin for name in task.conditions.unplugged for pin in self.circuit.connector(name).pins}
        if task.at not in bench.net.elements or task.at in gone:
            raise UnknownNameError("element for the clamp", task.at, [n for n in bench.net.elements if n not in gone])
        if "current" not in kernels_of(type(bench.net.elements[task.at])).outputs[0]:
            raise InputError(f"{task.at} has no wire that a clamp could go round", key="probe")

    def _instrument(self, kind: str, name: str, red: str, black: str) -> Element:
        if kind == "voltmeter":
            return Voltmeter(name, red, black, conductance=0.0)
        if kind == "ohmmeter":
            return Ohmmeter(name, red, black)
        if kind == "lamp":
            voltage = 12.0 if self.circuit.nominal < 18 else 24.0
            return self._lamp(name, red, black, power=TEST_LAMP["power"], voltage=voltage)
        raise UnknownNameError("instrument", kind, (*INSTRUMENTS, *WAVE_INSTRUMENTS))

    def values(self) -> dict[tuple[str, str], Any]:
        """Give the parameters of the nominal vehicle, one entry a task where they vary."""
        values: dict[tuple[str, str], Any] = {**step_values(self.circuit, [(t.step, t.conditions) for t in self.tasks])}
        values |= self.supply
        gone = {name for name in self.circuit.net.elements if name not in self.bench.net.elements}
        values = {key: v for key, v in values.items() if key[0] not in gone}
        for (kind, *leads), name in self.instruments.items():
            on = np.array(
                [
                    float(on_bench(t.instrument) == kind and at == tuple(leads))
                    for t, at in zip(self.tasks, self.leads, strict=True)
                ]
            )
            if kind == "voltmeter":
                values[name, "conductance"] = on / self.meter.input_resistance
            elif kind == "ohmmeter" or self._lamp is ProbeLamp:
                values[name, "connected"] = on
        return values


def shown_ohms(volts: Array) -> tuple[Array, Array]:
    """Give what an ohmmeter shows at a voltage between its leads, v/i with i = (emf - v)/resistance, and its slope."""
    source = Ohmmeter("scale", "a", "b").values
    emf, resistance = source["emf"], source["resistance"]
    gap = np.maximum(emf - volts, 1e-12)
    return resistance * volts / gap, resistance * emf / gap**2
