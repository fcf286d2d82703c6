"""Which readings of a good vehicle would narrow a circuit's chart most: found from slopes, before anything is measured.

Every reading is taken as linear in all uncertain numbers about the nominal circuit (exact slopes), and these as normal with
their standard uncertainties. What a reading then leaves of the uncertainty of all others does not depend on what it will
show (GUM supplement 2; the update of a covariance by one measurement).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.library.circuit import Circuit, StandardReading
from circuitsim.measure import INSTRUMENTS, Conditions, Measured, Meter, Range, Task, fitted_supply, measure
from circuitsim.measure import meter as find_meter
from circuitsim.studies.chart import Reading
from circuitsim.studies.predict import reading_plan

__all__ = ["Narrowing", "Plan", "narrow"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Narrowing:
    """A reading to take.

    label, placed: what and where, in words; where: where the leads go; task: the same for a program; unit, expected, low,
    high: what a good circuit shows, SI, and its band; left: share of the width of the other readings' bands that is left, on
    average, after this reading and those before it; most, most_left: the reading that it narrows most, and what is left of
    that one's band.
    """

    label: str
    placed: str
    where: str
    task: Task
    unit: str
    expected: float
    low: float
    high: float
    left: float
    most: str
    most_left: float


@dataclass(frozen=True)
class Plan:
    """What to measure: supply: battery voltage to note, V, and share of the bands' width left by that alone; then readings."""

    supply: float
    supply_left: float
    readings: tuple[Narrowing, ...]


def narrow(circuit: Circuit, count: int = 3, meter: str = "standard") -> Plan:
    """Find the readings, one after the other, that leave least of the uncertainty of the chart's other readings.

    Parameters
    ----------
    circuit
        As it is known so far.
    count
        How many to find.
    meter
        What they will be taken with; one of `circuitsim.measure.METERS`.

    Notes
    -----
    The chart's readings that are taken plugged, at steps that are on, with voltmeter or clamp. The battery's voltage is noted
    with them, as always, at the step off. Each round takes the reading that lowers the sum of the variances of all readings not
    yet taken, each over what it was at first, most. A meter's gain is one for all its readings in one unit; counts are not.

    Raises
    ------
    SolveError
        When a point of the chart is not accepted.
    """
    tool = find_meter(meter)
    plan = _plan(circuit)
    tasks = [task for task, _ in plan]
    noted = Conditions(supply=circuit.net.elements[circuit.supply.battery].values["emf"])
    before = measure(circuit, tasks, tool)
    known = measure(circuit, tasks, tool, *fitted_supply(circuit, noted, tool))
    kept = [k for k, pair in enumerate(zip(before, known, strict=True)) if all(math.isfinite(m.expected) for m in pair)]
    plan, before, known = [plan[k] for k in kept], [before[k] for k in kept], [known[k] for k in kept]
    first = np.array([_variance(m, tool) for m in before])
    search = _Search(_slopes(circuit, known, tool), np.array([_counts(m, tool) for m in known]))
    supply_left = float(np.sqrt(search.variance() / first).mean())
    found = []
    for _ in range(min(count, len(plan) - 1)):
        last = search.variance()
        best = search.take()
        now = search.variance()
        others = [k for k in range(len(plan)) if k not in search.taken]
        most = min(others, key=lambda k: now[k] / last[k])
        found.append(
            Narrowing(
                plan[best][1].label, _placed(plan[best][0]), _where(circuit, plan[best][0]), plan[best][0], *_good(known[best]),
                float(np.sqrt(now / first)[others].mean()), f"{plan[most][1].label} at step {plan[most][0].step}",
                math.sqrt(float(now[most] / last[most])),
            )
        )  # fmt: skip
    return Plan(noted.supply or 0.0, supply_left, tuple(found))


def _placed(task: Task) -> str:
    leads = f"clamp on {task.at}" if task.at else f"{task.red} : {task.black}"
    return Reading.place(task.step, leads, (), "on")


def _where(circuit: Circuit, task: Task) -> str:
    if task.at:
        return f"clamp round one wire of {task.at}, never both"
    red, black = (circuit.probes[p].where if p in circuit.probes else p for p in (task.red, task.black))
    return f"red on {red}; black on {black}"


def _good(m: Measured) -> tuple[str, float, float, float]:
    return INSTRUMENTS[m.task.instrument], m.expected, m.band.low, m.band.high


def _plan(circuit: Circuit) -> list[tuple[Task, StandardReading]]:
    on = circuit.steps[1:]
    plan = reading_plan(circuit, Conditions(), on)
    return [
        (t, r) for t, r in plan
        if t.instrument in ("voltmeter", "clamp") and not t.conditions.unplugged and t.conditions.ignition == "on"
    ]  # fmt: skip


class _Search:
    """Readings as rows of a square root of their covariance, from which what was measured is taken out.

    rows: (readings, numbers), noise: each reading's own variance, (readings,); taken: readings in the order of taking.
    """

    def __init__(self, rows: Array, noise: Array) -> None:
        self.rows, self.noise = rows, noise
        self.prior = self.variance()
        self.taken: list[int] = []

    def variance(self) -> Array:
        """Variance of each reading now, its meter's counts included."""
        return np.asarray((self.rows**2).sum(axis=1) + self.noise)

    def gains(self) -> Array:
        """Give, for each reading, by how much it would lower the sum of all others' relative variances."""
        shared = (self.rows @ self.rows.T) ** 2 / self.variance()[None, :] / self.prior[:, None]
        np.fill_diagonal(shared, 0.0)
        shared[self.taken] = 0.0
        return np.asarray(shared.sum(axis=0))

    def take(self) -> int:
        """Take the best reading; the rows become a square root of the new covariance (Potter's update)."""
        gains = self.gains()
        gains[self.taken] = -math.inf
        best = int(np.argmax(gains))
        row, own = self.rows[best], float(self.noise[best])
        size = float(row @ row)
        if size > 0:
            factor = (1 - math.sqrt(own / (size + own))) / size
            self.rows = self.rows - np.outer(self.rows @ row, row) * factor
        self.taken.append(best)
        return best


def _counts(m: Measured, tool: Meter) -> float:
    """Variance of a reading from its meter's counts, which are each reading's own."""
    at = _range(m, tool)
    return float((at.counts * at.digit) ** 2 / 3 + at.digit**2 / 12)


def _gain(m: Measured, tool: Meter) -> float:
    """Deviation of a reading from its meter's gain."""
    return float(_range(m, tool).share * abs(m.expected) / math.sqrt(3))


def _range(m: Measured, tool: Meter) -> Range:
    unit = INSTRUMENTS[m.task.instrument]
    return tool.range_for(m.expected, unit) or tool.ranges(unit)[-1]


def _variance(m: Measured, tool: Meter) -> float:
    return sum(c.standard**2 for c in m.contributions) + _counts(m, tool) + _gain(m, tool) ** 2


def _slopes(circuit: Circuit, measured: Sequence[Measured], tool: Meter) -> Array:
    """Readings' slopes against all uncertain numbers and the meter's gains, in standard deviations, (readings, numbers)."""
    place: dict[tuple[str, str], int] = {}
    entries = []
    for j, m in enumerate(measured):
        for c in m.contributions:
            element, _, parameter = c.what.rpartition(".")
            step = m.task.step if (element, parameter) in circuit.step_tables else ""
            k = place.setdefault((c.what, step), len(place))
            entries.append((j, k, c.slope * c.tolerance.standard(c.nominal)))
        k = place.setdefault(("gain", INSTRUMENTS[m.task.instrument]), len(place))
        entries.append((j, k, _gain(m, tool)))
    rows = np.zeros((len(measured), len(place)))
    for j, k, value in entries:
        rows[j, k] = value
    return rows
