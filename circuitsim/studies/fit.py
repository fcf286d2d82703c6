"""Calibrate a circuit to readings from a known-good vehicle, so that a shop makes its own charts without data sheets.

Every number with a tolerance is an unknown, and its tolerance is what is known of it beforehand; readings add what they say.
`studies.fitting` finds the likeliest numbers; their covariance is that of the problem made linear there (Laplace), and bands
of other readings are made with all of it, so that what is known of a sum narrows them though neither summand is known. Numbers
of which little was told keep the shape of their distribution in the bands, the others are taken as normal (GUM, JCGM 101).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit, StepTable
from circuitsim.library.functions import title_of, unit_of
from circuitsim.measure import Band, Contribution, Measured, Meter, Task, band_of
from circuitsim.measure import meter as find_meter
from circuitsim.quantities import Tolerance, format_quantity
from circuitsim.studies.chart import Reading
from circuitsim.studies.evidence import Findings
from circuitsim.studies.fitting import Climb, Data, Unknowns, climb, limit, ripple, supply_readings
from circuitsim.studies.predict import circuit_of, reading_plan
from circuitsim.studies.sampling import Uncertain
from circuitsim.studies.supplied import measured_each
from circuitsim.studies.unfit import far_off, unfit

__all__ = ["Combination", "Fitted", "FittedNumber", "FittedReading", "as_filed", "fit"]

Array = NDArray[np.float64]
_COVER = 1.959963984540054
_ONE = {"uniform": Tolerance("uniform", math.sqrt(3.0)), "normal": Tolerance("normal", _COVER)}
"""Tolerances of standard uncertainty 1."""
_SHAPED = 0.7  # of a number's variance; one that keeps so much keeps the shape of its distribution
_UNTOLD = 0.03  # share of a number's variance; who loses less has been told nothing
_ODD = 4.0  # standard deviations from what the other readings let expect
_MEMBER = 0.1  # of the square of a combination; what has less is no member
_ALONE = 0.7  # of the square of a combination; one member with more is determined by itself


@dataclass(frozen=True)
class FittedNumber:
    """A number before and after, SI.

    step: of a table by step, else ''; shrink: share of its standard uncertainty that the readings have taken away; off: how
    far it has gone from nominal, in standard uncertainties; share: the largest share that what is left of its uncertainty
    has in the variance of any reading of the chart.
    """

    element: str
    parameter: str
    step: str
    before: float
    after: float
    unit: str
    shrink: float
    off: float = 0.0
    share: float = 0.0

    @property
    def name(self) -> str:
        """What it is."""
        return f"{self.element}.{self.parameter}" + (f" at step {self.step}" if self.step else "")


@dataclass(frozen=True)
class Combination:
    """Numbers that the readings determine together, and not each: names with weights (deviates), largest first.

    shrink: as of a number, for the weighted sum of the deviates.
    """

    weights: tuple[tuple[str, float], ...]
    shrink: float


@dataclass(frozen=True)
class FittedReading:
    """A reading of the chart: expected value and 95 % band before and after, SI; NaN for no reading.

    after knows all that the readings say, of sums too; filed: what the fitted circuit by itself, and so its file, gives.
    measured: what was read, NaN if it was not; off_before: measured less expected before, in its standard uncertainty;
    off: measured less what all other readings let expect, in the standard uncertainty of that.
    """

    task: Task
    placed: str
    unit: str
    before: tuple[float, float, float]
    after: tuple[float, float, float]
    filed: tuple[float, float, float]
    measured: float = math.nan
    off_before: float = math.nan
    off: float = math.nan

    @property
    def used(self) -> bool:
        """Whether it was fitted to."""
        return math.isfinite(self.measured)

    @property
    def narrower(self) -> float:
        """Width of the band after over that before."""
        return _width(self.after, self.before)

    @property
    def narrower_filed(self) -> float:
        """Width of the fitted circuit's own band over that before."""
        return _width(self.filed, self.before)


def _width(one: tuple[float, float, float], other: tuple[float, float, float]) -> float:
    """Width of a band over that of another."""
    wide = other[2] - other[1]
    return (one[2] - one[1]) / wide if wide > 0 else math.nan


@dataclass(frozen=True)
class Fitted:
    """A calibrated circuit.

    circuit: with the fitted values and narrowed tolerances, each by itself: bands made from it alone (`filed`) are most often
    wider than those `after`, which know what the readings say of sums. covariance: of the normal deviates of `numbers`, in
    their order, (numbers, numbers). readings: those of the chart, then what else was measured. misfit: the least sum of
    squares; chi-square of as many as `freedom`, the number of readings, where vehicle and file go together; chance: of so much
    or more.
    supply: the battery as measured, V, None if it was not. unfit: in words, that the readings look like a faulty circuit's; ''
    where they do not.
    """

    circuit: Circuit
    numbers: tuple[FittedNumber, ...]
    combinations: tuple[Combination, ...]
    readings: tuple[FittedReading, ...]
    covariance: Array
    misfit: float
    freedom: int
    chance: float
    meter: str
    summary: str
    notes: tuple[str, ...] = field(default=())
    supply: float | None = None
    unfit: str = ""

    @property
    def known_best(self) -> tuple[float, str]:
        """Least width of a band that knows of sums too, over the fitted circuit's own, and where; (NaN, '') for no band."""
        shares = [(_width(r.after, r.filed), r.placed) for r in self.readings if not r.used]
        return min((one for one in shares if math.isfinite(one[0])), default=(math.nan, ""))

    @property
    def determined(self) -> tuple[FittedNumber, ...]:
        """Numbers that have lost more than half of their uncertainty, most first."""
        return tuple(sorted((n for n in self.numbers if n.shrink > 0.5), key=lambda n: -n.shrink))

    @property
    def undetermined(self) -> tuple[FittedNumber, ...]:
        """Numbers of which the readings say next to nothing, those first that matter most to the chart."""
        return tuple(sorted((n for n in self.numbers if n.shrink < 0.05), key=lambda n: -n.share))

    def to_dict(self) -> dict[str, Any]:
        """Give plain values for JSON, SI units; null for what is no number."""
        return {
            "circuit": self.circuit.name, "conditions": self.summary, "meter": self.meter, "notes": list(self.notes),
            "misfit": {"chi_square": self.misfit, "readings": self.freedom, "chance": self.chance, "faulty": bool(self.unfit)},
            "numbers": [
                {"number": n.name, "unit": n.unit, "before": n.before, "after": n.after, "shrink": n.shrink, "off": n.off,
                 "share": n.share}
                for n in self.numbers
            ],
            "combinations": [{"weights": dict(c.weights), "shrink": c.shrink} for c in self.combinations],
            "readings": [
                {"at": r.placed, "unit": r.unit, "measured": _plain(r.measured), "used": r.used,
                 "off_before": _plain(r.off_before), "off": _plain(r.off),
                 **{name: list(map(_plain, getattr(r, name))) for name in ("before", "after", "filed")}}
                for r in self.readings
            ],
        }  # fmt: skip


def _plain(value: float) -> float | None:
    return value if math.isfinite(value) else None


def fit(circuit: Circuit | str, findings: Findings, meter: str = "standard", *, chart: Iterable[Task] | None = None) -> Fitted:
    """Calibrate a circuit to readings from a vehicle that is known to be good.

    Parameters
    ----------
    circuit
        From `load`, or its name: the one to start from, with honest tolerances.
    findings
        Readings; only numbers count (no OL, no lamps, nothing that jumps).
    meter
        What they were taken with. Bands are for a meter of that kind, this one or another.
    chart
        Readings to give bands of, besides those that were taken; the circuit's own chart by default.

    Raises
    ------
    InputError
        When there is no reading to fit to, or no such meter.
    SolveError
        When a point of the circuit as it is has no solution.
    """
    return _Fit(circuit_of(circuit), findings, find_meter(meter), chart).result()


def as_filed(fitted: Fitted, circuit: Circuit, findings: Findings, meter: str = "standard") -> Fitted:
    """Put in what the fitted circuit gives as it was read back from its file, whose figures have fewer digits.

    fitted: what `fit` gave of the findings and the meter; circuit: as read back.
    """
    tasks = [r.task for r in fitted.readings]
    filed = measured_each(circuit, tasks, findings.conditions, find_meter(meter))
    return replace(fitted, readings=tuple(replace(r, filed=_ends(filed[r.task])) for r in fitted.readings))


class _Fit:
    def __init__(self, circuit: Circuit, findings: Findings, meter: Meter, chart: Iterable[Task] | None) -> None:
        self.circuit, self.findings, self.meter = circuit, findings, meter
        taken = [r for r in findings.readings if r.shown.kind == "number" and r.task.instrument != "lamp"]
        if not taken:
            raise InputError("no reading in volts, amperes or ohms to fit to", file=findings.file or None, key="readings")
        self.passed_over = len(findings.readings) - len(taken)
        self.unknowns = Unknowns(circuit, findings.conditions, meter)
        plan = [t for t, _ in reading_plan(circuit, findings.conditions)] if chart is None else list(chart)
        self.chart = list(dict.fromkeys([*(t for t in plan if t.instrument != "lamp"), *(r.task for r in taken)]))
        supplies = supply_readings(self.unknowns, self.chart)
        self.before = dict(zip(self.chart, self.unknowns.measured(self.chart, self._nominal), strict=True))
        self.lost = [r for r in taken if not math.isfinite(self.before[r.task].expected)]
        self.taken = [r for r in taken if math.isfinite(self.before[r.task].expected)]
        if not self.taken:
            m = self.before[self.lost[0].task]
            raise InputError(f"no reading where the circuit has one: {_placed(m.task)}: {m.verdict}", key="readings")
        first = [self.before[r.task] for r in self.taken]
        self.data = Data.of(self.taken, supplies, first, meter)

    @property
    def _nominal(self) -> Array:
        return np.zeros(self.unknowns.size)

    def result(self) -> Fitted:
        """Fit, and put everything together."""
        found = climb(self.unknowns, self.data)
        count = len(self.unknowns.numbers)
        untold = np.diag(found.covariance)[:count] > 1 - _UNTOLD
        z = found.z.copy()
        z[:count][untold & (np.abs(z[:count]) < _UNTOLD)] = 0.0  # what is not told stays as it was
        after = self.unknowns.measured(self.chart, z)
        slopes = self.unknowns.slopes(after, z)
        numbers = self._numbers(z, found.covariance, self._shares(slopes, found.covariance))
        chance = _chance(found.misfit, self.data.value.size)
        fitted, conditions = self._narrowed(self.unknowns.circuit_at(z), found.covariance), self.findings.conditions
        filed = measured_each(fitted, self.chart, conditions, self.meter)
        readings = self._readings(found, after, slopes, filed)
        doubt = unfit(chance, numbers, readings)
        return Fitted(
            fitted, numbers, _combinations(numbers, found.covariance[:count, :count]), readings,
            found.covariance[:count, :count], found.misfit, self.data.value.size, chance, self.meter.note(),
            conditions.sentence(), self._notes(found, numbers, doubt), conditions.supply, doubt,
        )  # fmt: skip

    # What is told ------------------------------------------------------------------------------------------------

    def _notes(self, found: Climb, numbers: Sequence[FittedNumber], doubt: str) -> tuple[str, ...]:
        notes = [doubt] if doubt else []
        worst = int(np.argmax(np.abs(found.alone)))
        if abs(found.alone[worst]) > _ODD and len(self.data.readings) > 2:
            reading = self.data.readings[worst]
            what = _placed(reading.task) if worst < len(self.taken) else "the measured supply"
            line = f" (line {reading.line})" if reading.line else ""
            off = f"{abs(found.alone[worst]):.0f} standard deviations"
            notes.append(f"{what}{line} is {off} off what the others let expect: a slip?")
        if far := far_off(numbers):
            notes.append(f"had to go far outside their tolerances: {', '.join(far)}")
        if not found.settled:
            notes.append("the fit did not come to rest; take it with care")
        notes += [f"not fitted to: {_placed(r.task)}: {self.before[r.task].verdict}" for r in self.lost]
        if self.passed_over:
            notes.append(f"not fitted to: {self.passed_over} that are no numbers (OL, lamps, what jumps)")
        return (*notes, *self.findings.notes)

    def _shares(self, slopes: Array, covariance: Array) -> Array:
        """Largest share of each number's own variance in any reading's that the instrument can tell, (unknowns,)."""
        own = slopes**2 * np.diag(covariance)
        floor = [limit(t, m.expected, self.meter) ** 2 / 3 for t, m in zip(self.chart, self.before.values(), strict=True)]
        total = np.maximum(own.sum(axis=1), 0) + np.nan_to_num(np.array(floor), nan=math.inf)
        return np.asarray((own / total[:, None]).max(axis=0, initial=0.0))

    def _numbers(self, z: Array, covariance: Array, shares: Array) -> tuple[FittedNumber, ...]:
        found = []
        for k, u in enumerate(self.unknowns.numbers):
            element, parameter = u.key
            unit = self.circuit.net.elements[element].parameter(parameter).unit
            shrink = 1 - math.sqrt(max(float(covariance[k, k]), 0.0))
            step = "" if u.step is None else self.circuit.steps[u.step]
            after = float(u.at(z[k]))
            found.append(FittedNumber(element, parameter, step, u.nominal, after, unit, shrink, float(z[k]), float(shares[k])))
        return tuple(found)

    def _readings(
        self, found: Climb, after: Sequence[Measured], slopes: Array, filed: Mapping[Task, Measured]
    ) -> tuple[FittedReading, ...]:
        value = {r.task: (k, r.shown.value) for k, r in enumerate(self.data.readings[: len(self.taken)])}
        start = self.unknowns.slopes([self.before[r.task] for r in self.taken], self._nominal)
        told = []
        for task, new, row in zip(self.chart, after, slopes, strict=True):
            old = self.before[task]
            band = self._band(new, row, found.covariance)
            k, measured = value.get(task, (-1, math.nan))
            off_before = math.nan
            if k >= 0:
                spread = float(start[k] @ start[k] + self.data.noise[k, k])
                off_before = (measured - old.expected) / math.sqrt(spread)
            told.append(FittedReading(
                task, _placed(task), unit_of(task.instrument), (old.expected, old.band.low, old.band.high),
                (new.expected, band.low, band.high), _ends(filed[task]), measured, off_before,
                float(found.alone[k]) if k >= 0 else math.nan,
            ))  # fmt: skip
        return tuple(told)

    def _band(self, m: Measured, row: Array, covariance: Array) -> Band:
        """Give a band with the covariance; what has been told little keeps the shape of its own distribution."""
        if not math.isfinite(m.expected):
            return Band(math.nan, math.nan, math.nan)
        variance = max(float(row @ covariance @ row), 0.0)
        shaped = [k for k in range(len(self.unknowns.numbers)) if row[k] and covariance[k, k] > _SHAPED]
        sizes = row[shaped] * np.sqrt(np.diag(covariance)[shaped])
        own = float(sizes @ sizes)
        share = min(1.0, math.sqrt(variance / own)) if own else 1.0
        parts = [Contribution("", 0.0, _ONE["normal"], math.sqrt(max(variance - own, 0.0)))]
        for k, size in zip(shaped, share * sizes, strict=True):
            tolerance = self.unknowns.numbers[k].tolerance
            if tolerance.kind == "lognormal":
                left = _left(tolerance, 1.0, math.sqrt(float(covariance[k, k])))
                parts.append(Contribution("", 1.0, left, float(size) / left.log_sigma))
            else:
                parts.append(Contribution("", 0.0, _ONE[tolerance.kind], float(size)))
        return band_of(m.expected, parts, limit(m.task, m.expected, self.meter) + ripple(m, self.meter))

    # The circuit -------------------------------------------------------------------------------------------------

    def _narrowed(self, fitted: Circuit, covariance: Array) -> Circuit:
        """Narrow each tolerance to what is left of its number's uncertainty."""
        net, tables = fitted.net.copy(), dict(fitted.step_tables)
        for k, u in enumerate(self.unknowns.numbers):
            if covariance[k, k] > 1 - _UNTOLD:
                continue
            value = self._value(fitted, u)
            new = _left(u.tolerance, u.nominal, math.sqrt(max(float(covariance[k, k]), 1e-8)))
            if new.kind != "lognormal" and u.low >= 0 and value > 0:  # a file takes no tolerance that reaches zero
                new = replace(new, size=min(new.size, 0.99 * value))
            if u.step is None:
                net.elements[u.key[0]].tolerances[u.key[1]] = new
            else:
                table = tables[u.key]
                tables[u.key] = StepTable(
                    table.values, tuple(new if j == u.step else t for j, t in enumerate(table.tolerances))
                )
        return replace(fitted, net=net, step_tables=tables)

    @staticmethod
    def _value(circuit: Circuit, number: Uncertain) -> float:
        """Give what a number is in a circuit."""
        if number.step is None:
            return circuit.net.elements[number.key[0]].values[number.key[1]]
        return circuit.step_tables[number.key].values[number.step]


def _ends(m: Measured) -> tuple[float, float, float]:
    return m.expected, m.band.low, m.band.high


def _left(tolerance: Tolerance, nominal: float, left: float) -> Tolerance:
    """Give what is left of a tolerance; left: share of its standard uncertainty."""
    if tolerance.kind == "lognormal":
        return Tolerance("lognormal", max(math.exp(_COVER * tolerance.log_sigma * left), 1 + 1e-9))
    if tolerance.kind == "uniform" and left**2 > _SHAPED:
        return Tolerance("uniform", math.sqrt(3.0) * tolerance.standard(nominal) * left)
    return Tolerance("normal", _COVER * tolerance.standard(nominal) * left)


def _combinations(numbers: Sequence[FittedNumber], covariance: Array) -> tuple[Combination, ...]:
    """Find the directions of the deviates that the readings determine, and that are of several numbers."""
    left, directions = np.linalg.eigh(covariance)
    found = []
    for size, direction in zip(left, directions.T, strict=True):
        shrink = 1 - math.sqrt(max(float(size), 0.0))
        if shrink < 0.5 or float((direction**2).max()) > _ALONE:
            continue
        members = [int(k) for k in np.argsort(-np.abs(direction)) if direction[k] ** 2 > _MEMBER]
        sign = math.copysign(1.0, direction[members[0]]) if members else 1.0
        if len(members) > 1:
            found.append(Combination(tuple((numbers[k].name, sign * float(direction[k])) for k in members), shrink))
    return tuple(found)


def _placed(task: Task) -> str:
    """Say where a reading is taken."""
    leads = f"on {task.at}" if task.at else f"{task.red} : {task.black}"
    tool = "" if task.instrument == "voltmeter" else f"{title_of(task.instrument, _capture(task))} "
    return Reading.place(task.step, tool + leads, task.conditions.unplugged, task.conditions.ignition)


def _capture(task: Task) -> str:
    return format_quantity(task.capture, "s") if task.capture else ""


def _chance(misfit: float, freedom: int) -> float:
    from scipy.special import chdtrc

    return float(chdtrc(freedom, misfit))
