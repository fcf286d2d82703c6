"""The likeliest numbers of a circuit, given readings: what is not known, how it moves the readings, and the climb.

Unknown is every number with a tolerance, as a normal deviate (of its logarithm for what scatters by factors), and what each
measured supply stands for. A displayed value is off by the gain of the meter, which all readings in one unit share, and by
counts and half a digit of its own (GUM 4.3.7: limits over √3); a measured supply by the whole limit by itself, as nobody says
that the same meter took it. The sum of squares of both is brought to its least by Gauss and Newton's steps with exact slopes,
shortened by Levenberg's damping where they overshoot.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from circuitsim.errors import SolveError
from circuitsim.library.circuit import Circuit, StepTable
from circuitsim.library.functions import INSTRUMENTS, function_of, on_clamp, unit_of
from circuitsim.measure import Conditions, Measured, Meter, Task, fitted_supply, measure
from circuitsim.measure.instruments import show_function
from circuitsim.quantities import Tolerance
from circuitsim.studies.displays import Shown
from circuitsim.studies.evidence import TakenReading
from circuitsim.studies.sampling import Uncertain, uncertain_numbers

__all__ = ["Climb", "Data", "Unknowns", "climb", "limit", "ripple", "supply_readings"]

Array = NDArray[np.float64]
Key = tuple[str, str]
_LOOSE = 100.0  # standard deviations of its own; a supply is known by its measurement alone
_SETTLED = 1e-3  # standard deviations; a step that is shorter is the last
_MOST = 40  # points looked at
_STRIDE = 3.0  # standard deviations; furthest that a number is moved at once


@dataclass(frozen=True)
class _Supply:
    """A supply that was measured: the reading at the posts, what it sets, and what is fixed beside it."""

    task: Task
    volts: float
    key: Key
    setting: float
    fixed: dict[Key, float]
    known: dict[Key, Tolerance]
    column: int

    def at(self, z: float) -> dict[Key, float]:
        """Give what it sets at a deviate."""
        return {**self.fixed, self.key: self.setting + self.size * z}

    @property
    def size(self) -> float:
        return self.known[self.key].standard(self.setting)


class Unknowns:
    """Everything that is not known exactly of a circuit under some conditions.

    Parameters
    ----------
    circuit
        With its tolerances.
    conditions
        Those common to all readings; a reading that differs in its ignition alone has the same supply.
    meter
        What the supply was measured with.

    Attributes
    ----------
    numbers : tuple of Uncertain
        Every number with a tolerance; `precision` holds 1 for each, and next to nothing for each supply after them.
    """

    def __init__(self, circuit: Circuit, conditions: Conditions, meter: Meter) -> None:
        self.circuit, self.common, self.meter = circuit, conditions, meter
        self.numbers = uncertain_numbers(circuit, circuit.net, {})
        steps = circuit.steps
        self.place = {(u.key, None if u.step is None else steps[u.step]): k for k, u in enumerate(self.numbers)}
        self.supplies: dict[Conditions, _Supply] = {}

    @property
    def size(self) -> int:
        """Number of unknowns, supplies included."""
        return len(self.numbers) + len(self.supplies)

    @property
    def precision(self) -> Array:
        """What each deviate's square weighs before any reading."""
        return np.array([1.0] * len(self.numbers) + [_LOOSE**-2] * len(self.supplies))

    def supply(self, conditions: Conditions) -> _Supply | None:
        """Give the supply that was measured under some conditions; it is met on its first use. None where none was."""
        if conditions.supply is None:
            return None
        state = conditions.but(unplugged=(), fitted=())
        common = self.common.but(unplugged=(), fitted=())
        if state == common.but(ignition="off", engine="off"):
            state = common
        if state not in self.supplies:
            self.supplies[state] = self._supply(state, float(conditions.supply))
        return self.supplies[state]

    def _supply(self, state: Conditions, volts: float) -> _Supply:
        setting, known = fitted_supply(self.circuit, state, self.meter)
        key = next(k for k, t in known.items() if t.size or len(known) == 1)
        at_rest = state.supply_at == "rest"
        step = self.circuit.steps[0] if at_rest else state.supply_at
        seen = state.but(ignition="off", engine="off") if at_rest else state
        task = Task(step, seen, "voltmeter", self.circuit.supply.plus, self.circuit.supply.minus)
        fixed = {k: v for k, v in setting.items() if k != key}
        return _Supply(task, volts, key, setting[key], fixed, known, len(self.numbers) + len(self.supplies))

    def circuit_at(self, z: Array) -> Circuit:
        """Give the circuit with every number at its deviate."""
        net, tables = self.circuit.net.copy(), dict(self.circuit.step_tables)
        for u, deviate in zip(self.numbers, z, strict=False):
            value = float(u.at(deviate))
            if u.step is None:
                net.elements[u.key[0]].values[u.key[1]] = value
            else:
                given = tables[u.key]
                values = tuple(value if k == u.step else v for k, v in enumerate(given.values))
                tables[u.key] = StepTable(values, given.tolerances)
        return replace(self.circuit, net=net, step_tables=tables)

    def measured(self, tasks: Sequence[Task], z: Array) -> list[Measured]:
        """Take readings of the circuit at some deviates.

        Raises SolveError for a point that is not accepted.
        """
        circuit = self.circuit_at(z)
        found: dict[int, Measured] = {}
        groups: dict[int, list[int]] = {}
        for k, task in enumerate(tasks):
            supply = self.supply(task.conditions)
            groups.setdefault(supply.column if supply else -1, []).append(k)
        for column, members in groups.items():
            supply = self.supply(tasks[members[0]].conditions)
            setting, known = (supply.at(float(z[column])), supply.known) if supply else ({}, {})
            found.update(zip(members, measure(circuit, [tasks[k] for k in members], self.meter, setting, known), strict=True))
        return [found[k] for k in range(len(tasks))]

    def slopes(self, measured: Sequence[Measured], z: Array) -> Array:
        """Give the slopes of readings against the deviates, (readings, unknowns); zero where they are not known."""
        scale = np.array([_scale(u, float(d)) for u, d in zip(self.numbers, z, strict=False)])
        out = np.zeros((len(measured), self.size))
        for row, m in zip(out, measured, strict=True):
            supply = self.supply(m.task.conditions)
            for c in m.contributions:
                element, _, parameter = c.what.rpartition(".")
                key = (element, parameter)
                if not math.isfinite(c.slope):
                    continue
                if supply is not None and key in supply.known:
                    if key == supply.key:
                        row[supply.column] += c.slope * supply.size
                    continue
                k = self.place.get((key, m.task.step if key in self.circuit.step_tables else None))
                if k is not None:
                    row[k] += c.slope * scale[k]
        return out


def _scale(number: Uncertain, z: float) -> float:
    """Give the slope of a number against its deviate."""
    t = number.tolerance
    if t.kind == "lognormal":
        return number.nominal * t.log_sigma * math.exp(t.log_sigma * z)
    return t.standard(number.nominal)


@dataclass
class Data:
    """Readings as numbers: values, (readings,), and the covariance of their errors, which are the instrument's.

    readings: those that are numbers, the measured supplies after them.
    """

    readings: list[TakenReading]
    value: Array
    noise: Array

    @classmethod
    def of(
        cls, readings: Sequence[TakenReading], supplies: Sequence[TakenReading], first: Sequence[Measured], meter: Meter
    ) -> Data:  # fmt: skip
        """Make it of readings and measured supplies; first: what the readings show in the circuit as it is."""
        both = [*readings, *supplies]
        value = np.array([r.shown.value for r in both])
        own, gains = np.zeros(value.size), np.zeros((value.size, 3))
        for k, r in enumerate(both):
            unit = unit_of(r.task.instrument)
            if k >= len(readings) or r.task.instrument not in INSTRUMENTS:
                own[k] = limit(r.task, float(value[k]), meter) ** 2 / 3
            else:
                at = meter.range_for(float(value[k]), unit) or meter.ranges(unit)[-1]
                own[k] = (at.counts * at.digit) ** 2 / 3
                gains[k, "VAΩ".index(unit)] = at.share * value[k] / math.sqrt(3)
            own[k] += r.shown.digit**2 / 12 + (ripple(first[k], meter) ** 2 / 3 if k < len(readings) else 0.0)
        return cls(both, value, np.diag(own) + gains @ gains.T)


def limit(task: Task, value: float, meter: Meter) -> float:
    """Give how far an instrument may be off at a value, with no ripple."""
    if function := function_of(task.instrument):
        return show_function(function.name, value, meter, "A" if on_clamp(task.instrument) else "V").limit
    return meter.limit(value, unit_of(task.instrument))


def ripple(m: Measured, meter: Meter) -> float:
    """Give how far ripple may move a reading: what its band has beyond tolerances and the instrument, as a limit."""
    spread = sum(c.standard**2 for c in m.contributions)
    rest = 3 * (m.band.standard**2 - spread) - limit(m.task, m.expected, meter) ** 2
    return math.sqrt(rest) if rest > 1e-9 * m.band.standard**2 else 0.0


def supply_readings(unknowns: Unknowns, tasks: Iterable[Task]) -> list[TakenReading]:
    """Give the measured supplies of some readings as readings themselves."""
    for task in tasks:
        unknowns.supply(task.conditions)
    return [TakenReading(0, s.task, Shown("number", s.volts)) for s in unknowns.supplies.values()]


@dataclass(frozen=True)
class Climb:
    """Where the climb ended.

    z: deviates, (unknowns,); slopes: of the data there, (data, unknowns); left: each value less what the circuit shows;
    covariance: of the deviates (Laplace), (unknowns, unknowns); misfit: sum of squares, chi-square of as many as there are
    data for a circuit and a vehicle that go together; settled: whether the last step was next to nothing.
    """

    z: Array
    slopes: Array
    left: Array
    covariance: Array
    misfit: float
    settled: bool
    alone: Array = field(repr=False)
    """Each value less what all others let expect, in standard deviations of that, (data,)."""


def climb(unknowns: Unknowns, data: Data) -> Climb:
    """Find the likeliest deviates.

    Raises SolveError when the circuit as it is has no point.
    """
    weight = np.linalg.inv(data.noise)
    tasks, precision = [r.task for r in data.readings], unknowns.precision

    def look(z: Array) -> tuple[float, Array, Array]:
        seen = unknowns.measured(tasks, z)
        left = data.value - np.array([m.expected for m in seen])
        height = float(left @ weight @ left + (precision * z) @ z)
        return (height if math.isfinite(height) else math.inf), left, unknowns.slopes(seen, z)

    z = np.zeros(unknowns.size)
    best, left, slopes = look(z)
    damping, settled = 0.0, False
    for _ in range(_MOST):
        pull = slopes.T @ weight @ left - precision * z
        curve = slopes.T @ weight @ slopes + np.diag(precision)
        step = np.linalg.solve(curve + damping * np.diag(np.diag(curve)), pull)
        step *= min(1.0, _STRIDE / max(float(np.abs(step[: len(unknowns.numbers)]).max(initial=0.0)), 1e-12))
        if np.abs(step).max(initial=0.0) < _SETTLED:
            settled = True
            break
        try:
            tried, new_left, new_slopes = look(z + step)
        except SolveError:
            tried = math.inf
        if tried < best:
            z, best, left, slopes = z + step, tried, new_left, new_slopes
            damping = damping / 5 if damping > 1e-3 else 0.0
        else:
            damping = max(5 * damping, 0.02)
    curve = slopes.T @ weight @ slopes + np.diag(precision)
    covariance = np.asarray(np.linalg.inv(curve), dtype=np.float64)
    return Climb(z, slopes, left, covariance, best, settled, _alone(z, left, slopes, data.noise, precision))


def _alone(z: Array, left: Array, slopes: Array, noise: Array, precision: Array) -> Array:
    """Compare each value with what all others let expect (the circuit linear about where the climb ended)."""
    spread = (slopes / precision) @ slopes.T + noise
    inverse = np.linalg.inv(spread)
    return np.asarray(inverse @ (left + slopes @ z) / np.sqrt(np.diag(inverse)))
