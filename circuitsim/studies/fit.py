"""Calibrate a circuit to readings from a known-good vehicle, so that a shop makes its own charts without data sheets.

Every number with a tolerance is an unknown, and its tolerance what is known of it beforehand; readings add what they say,
with the meter's gain shared by all readings in one unit and its counts by each. The likeliest numbers are found by Gauss
and Newton with exact slopes, in normal deviates (logarithms for what scatters by factors); their covariance is that of the
linearised problem there (Laplace; GUM supplement 2 for bands of several answers).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit, StepTable
from circuitsim.measure import INSTRUMENTS, Measured, Meter, Task, fitted_supply, measure
from circuitsim.measure import meter as find_meter
from circuitsim.quantities import Tolerance
from circuitsim.studies.chart import Reading
from circuitsim.studies.evidence import Findings
from circuitsim.studies.likelihood import Likelihood
from circuitsim.studies.predict import circuit_of, reading_plan

__all__ = ["Fitted", "FittedNumber", "FittedReading", "fit"]

Array = NDArray[np.float64]
Number = tuple[str, str, str]  # element, parameter, step ('' for all)
_COVER = 1.959963984540054
_ROUNDS = 12
_STRIDE = 2.0  # standard deviations; furthest that a number moves in a round
_UNMOVED = 0.03  # of a standard deviation, and of the variance: less than that is no news
_STRANGE = 1e-3  # chance of readings so far off from this circuit, below which that is said


@dataclass(frozen=True)
class FittedNumber:
    """A number before and after: nominal values, SI; shrink: share of its uncertainty that the readings have taken away."""

    element: str
    parameter: str
    step: str
    before: float
    after: float
    unit: str
    shrink: float

    @property
    def name(self) -> str:
        """What it is."""
        return f"{self.element}.{self.parameter}" + (f" at step {self.step}" if self.step else "")


@dataclass(frozen=True)
class FittedReading:
    """A reading of the chart: band before and after, SI; used, measured: whether it was fitted to, and what it read."""

    placed: str
    unit: str
    before: tuple[float, float, float]
    after: tuple[float, float, float]
    measured: float
    used: bool

    @property
    def narrower(self) -> float:
        """Width of the band after over that before."""
        wide = self.before[2] - self.before[1]
        return (self.after[2] - self.after[1]) / wide if wide > 0 else math.nan


@dataclass(frozen=True)
class Fitted:
    """A calibrated circuit.

    circuit: with the fitted values and narrowed tolerances (each by itself: bands of the circuit alone are wider than those
    here, which know what the readings say of sums); numbers, readings: see there; misfit: chi-square of the readings about the
    circuit as it was, freedom: their number, chance: of so much or more.
    """

    circuit: Circuit
    numbers: tuple[FittedNumber, ...]
    readings: tuple[FittedReading, ...]
    covariance: Array
    misfit: float
    freedom: int
    chance: float
    meter: str
    summary: str
    notes: tuple[str, ...] = field(default=())

    @property
    def determined(self) -> tuple[FittedNumber, ...]:
        """Numbers of which the readings have taken away more than half of the uncertainty."""
        return tuple(sorted((n for n in self.numbers if n.shrink > 0.5), key=lambda n: -n.shrink))

    @property
    def undetermined(self) -> tuple[FittedNumber, ...]:
        """Numbers of which the readings say next to nothing."""
        return tuple(n for n in self.numbers if n.shrink < 0.05)

    def to_dict(self) -> dict[str, Any]:
        """Give plain values for JSON."""

        def plain(v: float) -> float | None:
            return v if math.isfinite(v) else None

        return {
            "circuit": self.circuit.name, "conditions": self.summary, "meter": self.meter, "notes": list(self.notes),
            "misfit": {"chi_square": self.misfit, "readings": self.freedom, "chance": self.chance},
            "numbers": [
                {"number": n.name, "unit": n.unit, "before": n.before, "after": n.after, "shrink": n.shrink}
                for n in self.numbers
            ],
            "readings": [
                {"at": r.placed, "unit": r.unit, "measured": plain(r.measured), "used": r.used,
                 "before": [plain(v) for v in r.before], "after": [plain(v) for v in r.after]}
                for r in self.readings
            ],
        }  # fmt: skip


def fit(circuit: Circuit | str, findings: Findings, *, meter: str = "standard") -> Fitted:
    """Calibrate a circuit to readings from a vehicle that is known to be good.

    Parameters
    ----------
    circuit
        From `load`, or its name: the one to start from, with honest tolerances.
    findings
        Readings; only numbers count (no OL, no lamps).
    meter
        What they were taken with.

    Raises
    ------
    InputError
        When there is no reading to fit to.
    SolveError
        When a point has no solution on the way.
    """
    return _Fit(circuit_of(circuit), findings, find_meter(meter)).result()


class _Fit:
    def __init__(self, circuit: Circuit, findings: Findings, meter: Meter) -> None:
        self.circuit, self.findings, self.meter = circuit, findings, meter
        self.taken = [
            r for r in findings.readings if r.shown.kind == "number" and r.task.instrument in ("voltmeter", "clamp", "ohmmeter")
        ]
        if not self.taken:
            raise InputError("no reading in volts, amperes or ohms to fit to", file=findings.file or None, key="readings")
        self.tasks = [r.task for r in self.taken]
        likelihood = Likelihood(self.taken, meter, circuit.nominal)
        self.value = likelihood.value
        self.noise = np.diag(likelihood.noise) + likelihood.gains @ likelihood.gains.T
        self.numbers: list[Number] = []
        self.place: dict[Number, int] = {}
        self.known: set[tuple[str, str]] = set()

    def result(self) -> Fitted:
        """Fit, and put everything together."""
        chart = [t for t, _ in reading_plan(self.circuit, self.findings.conditions) if t.instrument in ("voltmeter", "clamp")]
        chart = list(dict.fromkeys([*self.tasks, *chart]))
        first = self._measured(self.circuit, chart)
        self._list(first)
        z = np.zeros(len(self.numbers))
        expected, slopes = self._linear(self.circuit, first[: len(self.tasks)], z)
        start = self.value - expected
        misfit = float(start @ np.linalg.solve(slopes @ slopes.T + self.noise, start))
        z = self._improved(z, expected, slopes)
        for _ in range(_ROUNDS):
            now = self._at(z)
            expected, slopes = self._linear(now, self._measured(now, self.tasks), z)
            last, z = z, self._improved(z, expected, slopes)
            if np.abs(z - last).max() < 1e-3:
                break
        covariance = np.eye(z.size) - slopes.T @ np.linalg.solve(slopes @ slopes.T + self.noise, slopes)
        z[(np.abs(z) < _UNMOVED) & (np.diag(covariance) > 1 - _UNMOVED)] = 0.0  # what is not told stays as it was
        fitted = self._at(z)
        after = self._measured(fitted, chart)
        return Fitted(
            self._narrowed(fitted, covariance), self._told(z, covariance), self._readings(chart, first, after, z, covariance),
            covariance, misfit, len(self.tasks), _chance(misfit, len(self.tasks)), self.meter.note(),
            self.findings.conditions.sentence(), self._notes(misfit),
        )  # fmt: skip

    def _notes(self, misfit: float) -> tuple[str, ...]:
        strange = _chance(misfit, len(self.tasks)) < _STRANGE
        text = "these readings do not fit this circuit: is the vehicle really good, and the file of the right kind?"
        return (text,) if strange else ()

    def _measured(self, circuit: Circuit, tasks: Sequence[Task]) -> list[Measured]:
        results: dict[int, Measured] = {}
        groups: dict[tuple[Any, ...], list[int]] = {}
        for k, t in enumerate(tasks):
            c = t.conditions
            groups.setdefault((c.supply, c.supply_at, c.engine, c.ignition, c.ambient, c.since), []).append(k)
        for members in groups.values():
            setting, known = fitted_supply(circuit, tasks[members[0]].conditions.but(unplugged=(), fitted=()), self.meter)
            self.known |= set(known)
            results.update(zip(members, measure(circuit, [tasks[k] for k in members], self.meter, setting, known), strict=True))
        return [results[k] for k in range(len(tasks))]

    def _list(self, measured: Sequence[Measured]) -> None:
        """List every number that moves any reading."""
        for m in measured:
            for what in m.contributions.what if hasattr(m.contributions, "what") else ():
                element, _, parameter = what.rpartition(".")
                step = m.task.step if (element, parameter) in self.circuit.step_tables else ""
                number = (element, parameter, step)
                if number not in self.place and element in self.circuit.net.elements:
                    self.place[number] = len(self.numbers)
                    self.numbers.append(number)

    def _nominal(self, number: Number) -> tuple[float, Tolerance]:
        """Give a number of the circuit as it was, and its tolerance."""
        element, parameter, step = number
        table = self.circuit.step_tables.get((element, parameter))
        if table is not None and step:
            k = self.circuit.step_index(step)
            return table.values[k], table.tolerances[k] or Tolerance("uniform", 0.0)
        e = self.circuit.net.elements[element]
        return e.values[parameter], e.tolerances.get(parameter, Tolerance("uniform", 0.0))

    def _scale(self, number: Number, z: float) -> float:
        """Slope of a number against its normal deviate."""
        nominal, tolerance = self._nominal(number)
        if tolerance.kind == "lognormal":
            return abs(nominal) * tolerance.log_sigma * math.exp(tolerance.log_sigma * z)
        return tolerance.standard(nominal)

    def _moved(self, number: Number, z: float) -> float:
        nominal, tolerance = self._nominal(number)
        if tolerance.kind == "lognormal":
            return nominal * math.exp(tolerance.log_sigma * z)
        p = self.circuit.net.elements[number[0]].parameter(number[1])
        return float(np.clip(nominal + tolerance.standard(nominal) * z, p.low, p.high))

    def _linear(self, circuit: Circuit, measured: Sequence[Measured], z: Array) -> tuple[Array, Array]:
        """Give expected readings, and their slopes against the deviates, (readings, numbers)."""
        slopes = np.zeros((len(measured), len(self.numbers)))
        for j, m in enumerate(measured):
            for c in m.contributions:
                element, _, parameter = c.what.rpartition(".")
                step = m.task.step if (element, parameter) in self.circuit.step_tables else ""
                k = self.place.get((element, parameter, step))
                if k is not None and math.isfinite(c.slope):
                    own = c.tolerance.standard(c.nominal) if (element, parameter) in self.known else None
                    slopes[j, k] += c.slope * (own if own is not None else self._scale(self.numbers[k], float(z[k])))
        return np.array([m.expected for m in measured]), slopes

    def _improved(self, z: Array, expected: Array, slopes: Array) -> Array:
        """Go one Gauss-Newton step; readings that are none count nothing."""
        good = np.isfinite(expected)
        j, left = slopes[good], (self.value - expected)[good]
        noise = self.noise[np.ix_(good, good)]
        goal = j.T @ np.linalg.solve(j @ j.T + noise, left + j @ z)
        return np.asarray(z + np.clip(goal - z, -_STRIDE, _STRIDE))

    def _at(self, z: Array) -> Circuit:
        """Give the circuit with its numbers at their deviates; what a measured supply sets stays."""
        net, tables = self.circuit.net.copy(), dict(self.circuit.step_tables)
        for number, deviate in zip(self.numbers, z, strict=True):
            element, parameter, step = number
            if (element, parameter) in self.known:
                continue
            value = self._moved(number, float(deviate))
            if step:
                table = tables[element, parameter]
                k = self.circuit.step_index(step)
                values = tuple(value if j == k else v for j, v in enumerate(table.values))
                tables[element, parameter] = StepTable(values, table.tolerances)
            else:
                net.elements[element].values[parameter] = value
        return replace(self.circuit, net=net, step_tables=tables)

    def _narrowed(self, fitted: Circuit, covariance: Array) -> Circuit:
        """Narrow each tolerance to what is left of its number's uncertainty."""
        net, tables = fitted.net.copy(), dict(fitted.step_tables)
        for k, number in enumerate(self.numbers):
            element, parameter, step = number
            if (element, parameter) in self.known:
                continue
            nominal, tolerance = self._nominal(number)
            if covariance[k, k] > 1 - _UNMOVED:
                continue
            left = math.sqrt(max(float(covariance[k, k]), 1e-6))
            if tolerance.kind == "lognormal":
                new = Tolerance("lognormal", max(math.exp(_COVER * tolerance.log_sigma * left), 1 + 1e-9))
            else:
                new = Tolerance("normal", _COVER * tolerance.standard(nominal) * left)
            if step:
                table, at = tables[element, parameter], self.circuit.step_index(step)
                spreads = tuple(new if j == at else t for j, t in enumerate(table.tolerances))
                tables[element, parameter] = StepTable(table.values, spreads)
            elif tolerance.size:
                net.elements[element].tolerances[parameter] = new
        return replace(fitted, net=net, step_tables=tables)

    def _told(self, z: Array, covariance: Array) -> tuple[FittedNumber, ...]:
        found = []
        for k, number in enumerate(self.numbers):
            element, parameter, step = number
            if (element, parameter) in self.known:
                continue
            unit = self.circuit.net.elements[element].parameter(parameter).unit
            shrink = 1 - math.sqrt(max(float(covariance[k, k]), 0.0))
            before, after = self._nominal(number)[0], self._moved(number, float(z[k]))
            found.append(FittedNumber(element, parameter, step, before, after, unit, shrink))
        return tuple(found)

    def _readings(
        self, chart: Sequence[Task], before: Sequence[Measured], after: Sequence[Measured], z: Array, covariance: Array
    ) -> tuple[FittedReading, ...]:
        _, slopes = self._linear(self.circuit, after, z)
        variance = np.einsum("mi,ij,mj->m", slopes, covariance, slopes)
        values = {r.task: r.shown.value for r in self.taken}
        found = []
        for k, (task, old, new) in enumerate(zip(chart, before, after, strict=True)):
            limit = self.meter.limit(new.expected, INSTRUMENTS[task.instrument]) if math.isfinite(new.expected) else math.nan
            reach = _COVER * math.sqrt(max(float(variance[k]), 0.0) + limit**2 / 3)
            band = (new.expected, new.expected - reach, new.expected + reach)
            leads = f"clamp on {task.at}" if task.at else f"{task.red} : {task.black}"
            placed = Reading.place(task.step, leads, task.conditions.unplugged, task.conditions.ignition)
            own = (old.expected, old.band.low, old.band.high)
            measured = values.get(task, math.nan)
            found.append(FittedReading(placed, INSTRUMENTS[task.instrument], own, band, measured, task in values))
        return tuple(found)


def _chance(misfit: float, freedom: int) -> float:
    from scipy.special import chdtrc

    return float(chdtrc(freedom, misfit))
