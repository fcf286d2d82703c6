"""Random faulty vehicles: drawn faults, severities, tolerances and meter errors, and what a technician would write down."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.library.circuit import Circuit
from circuitsim.measure import INSTRUMENTS, Conditions, Meter, Task
from circuitsim.measure.faults import Fault
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.quantities import Tolerance
from circuitsim.studies.evidence import Findings, Shown, TakenReading
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.predict import reading_plan
from circuitsim.studies.priors import Prior

__all__ = ["Case", "displayed", "draw_cases", "drawn_strays", "standard_tests", "take", "write_down"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """One vehicle: its fault (None: healthy), how far its numbers stray (see `FaultBench.show`), its meter's errors.

    second: one more fault that has nothing to do with the first.
    """

    fault: Fault | None
    strays: Array
    gains: dict[str, float]
    seed: int
    second: Fault | None = None

    @property
    def name(self) -> str:
        """SITE:KIND, or healthy."""
        return self.fault.name if self.fault else "healthy"


def standard_tests(circuit: Circuit, conditions: Conditions) -> list[Task]:
    """Give the chart's volts and amperes with everything plugged, ignition on."""
    plan = reading_plan(circuit, conditions)
    kept = [t for t, _ in plan if t.instrument in ("voltmeter", "clamp") and not t.conditions.unplugged]
    return [t for t in kept if t.conditions.ignition == "on"]


def draw_cases(table: FaultTable, prior: Prior, count: int, seed: int, healthy: float = 0.1) -> list[Case]:
    """Draw vehicles: faults by the prior's weights, severities evenly along their plausible range, all tolerances."""
    rng = np.random.default_rng(seed)
    faults, bench = table.faults, table.bench
    tolerances = [t for t, filed in zip(bench.tolerances, bench.filed, strict=True) if filed]
    names = list(faults)
    weights = np.array([prior.weight(faults[n]) for n in names])
    weights /= weights.sum()
    cases = []
    for k in range(count):
        chosen = faults[names[int(rng.choice(len(names), p=weights))]]
        severity = float(chosen.at(float(rng.random()))) if chosen.graded else math.nan
        fault = None if rng.random() < healthy else chosen.fault(severity)
        strays = np.zeros(bench.filed.size)
        strays[bench.filed] = drawn_strays(tolerances, rng, 1)[0]
        gains = {unit: float(rng.uniform(-1, 1)) for unit in ("V", "A", "Ω", "1")}
        cases.append(Case(fault, strays, gains, seed + 1000 * k))
    return cases


def drawn_strays(tolerances: Sequence[Tolerance], rng: np.random.Generator, count: int) -> Array:
    """Draw how far numbers stray, each in its own shape, (count, numbers)."""
    even = np.array([t.kind == "uniform" for t in tolerances])
    size = (count, even.size)
    return np.where(even, rng.uniform(-math.sqrt(3), math.sqrt(3), size), rng.standard_normal(size))


def take(table: FaultTable, cases: Sequence[Case], tests: Sequence[Task], meter: Meter) -> list[Findings]:
    """Solve vehicles of the table's circuit, and write down what the meter shows."""
    return write_down(table.bench, cases, [table.place[t] for t in tests], tests, meter)


def write_down(
    bench: FaultBench, cases: Sequence[Case], columns: Sequence[int], tests: Sequence[Task], meter: Meter
) -> list[Findings]:
    """Solve vehicles on a bench, and write down what the meter shows of some of its tasks, with its errors and last digit."""
    vehicles = [tuple(f for f in (c.fault, c.second) if f) for c in cases]
    shown = bench.show(vehicles, columns, np.array([c.strays for c in cases]))
    found = []
    for case, values in zip(cases, shown.value, strict=True):
        rng = np.random.default_rng(case.seed)
        readings = [TakenReading(0, t, displayed(t, float(v), case, meter, rng)) for t, v in zip(tests, values, strict=True)]
        found.append(Findings(tuple(readings), (), tests[0].conditions))
    return found


def displayed(task: Task, value: float, case: Case, meter: Meter, rng: np.random.Generator) -> Shown:
    """Give what a meter shows of a value: its gain of this unit, its counts, its last digit."""
    unit = INSTRUMENTS[task.instrument]
    if not math.isfinite(value):
        return Shown("overload")
    at = meter.range_for(value, unit) or meter.ranges(unit)[-1]
    value += case.gains[unit] * at.share * abs(value) + float(rng.uniform(-1, 1)) * at.counts * at.digit
    return Shown("number", round(value / at.digit) * at.digit, at.digit)
