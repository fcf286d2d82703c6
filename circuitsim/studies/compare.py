"""Healthy against faulty, side by side; and which tests show which faults at all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit
from circuitsim.measure import INSTRUMENTS, Conditions
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import Fault, PossibleFault, find_faults, with_faults
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.studies.chart import Chart, Reading
from circuitsim.studies.predict import circuit_of, predict, reading_plan

__all__ = ["Comparison", "Detectability", "Pair", "bayes_error_of_two", "compare", "detectability"]

Array = NDArray[np.float64]
TELLS = 0.05
"""Probability of overlap below which a reading tells the two apart."""
SURE = 0.001
"""Probability of overlap below which it does so as good as always."""
_TAKEN = ("voltmeter", "clamp", "ohmmeter", "lamp")
_NOTHING = 1e-15  # beside the deviation of any meter


@dataclass(frozen=True)
class Pair:
    """One reading of both vehicles. overlap: Bayes error with even odds (0 to 0.5); tells: whether a meter tells them apart."""

    healthy: Reading
    faulty: Reading
    overlap: float

    @property
    def tells(self) -> bool:
        """Whether the reading alone tells the two apart."""
        return self.overlap < TELLS

    @property
    def apart(self) -> float:
        """How far apart the two are, in standard deviations of their difference; infinite where one of them is no reading."""
        both = math.hypot(self.healthy.standard, self.faulty.standard)
        gap = abs(self.faulty.expected - self.healthy.expected)
        return gap / both if math.isfinite(gap) and both > 0 else math.inf

    @property
    def sure(self) -> bool:
        """Whether nobody would take the one for the other."""
        return self.overlap < SURE


@dataclass(frozen=True)
class Comparison:
    """All readings of a healthy and a faulty vehicle under the same conditions.

    faults: as given; blown: fuses that they open, open in all readings of the faulty vehicle.
    """

    healthy: Chart
    faulty: Chart
    faults: tuple[str, ...]
    pairs: tuple[Pair, ...]
    blown: tuple[str, ...] = ()

    @property
    def surest(self) -> tuple[Pair, ...]:
        """Readings that tell the two apart, the surest first: of each place and state the step at which it tells best.

        Where one of the two is no reading comes after numbers that tell as surely.
        """
        found: dict[tuple[Any, ...], Pair] = {}
        for p in sorted((p for p in self.pairs if p.tells), key=lambda p: (not p.sure, math.isinf(p.apart), -p.apart)):
            r = p.healthy
            found.setdefault((r.instrument, r.capture, r.leads, r.unplugged, r.ignition, r.fitted), p)
        return tuple(found.values())

    def records(self) -> list[dict[str, Any]]:
        """Give one plain record a reading; null for what is no number."""
        return [
            {
                "step": p.healthy.step, "unplugged": list(p.healthy.unplugged), "red": p.healthy.red, "black": p.healthy.black,
                "at": p.healthy.at, "instrument": p.healthy.instrument, "unit": p.healthy.unit, "label": p.healthy.label,
                "healthy": _number(p.healthy.expected), "healthy_band": [_number(p.healthy.low), _number(p.healthy.high)],
                "faulty": _number(p.faulty.expected), "faulty_band": [_number(p.faulty.low), _number(p.faulty.high)],
                "faulty_verdict": p.faulty.verdict, "overlap": _number(p.overlap), "tells": p.tells, "sure": p.sure,
            }
            for p in self.pairs
        ]  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Give plain values for JSON."""
        return {
            "circuit": self.healthy.circuit, "faults": list(self.faults), "blown": list(self.blown),
            "conditions": self.healthy.summary, "meter": self.healthy.meter, "readings": self.records(),
        }  # fmt: skip


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def compare(circuit: Circuit | str, faults: Sequence[Fault | str], **conditions: Any) -> Comparison:
    """Predict a circuit healthy and with faults, and say which readings tell the two apart.

    conditions: as of `predict`. The overlap takes each reading as normal with its standard uncertainty, tolerances and meter
    included, and the two vehicles as different ones (their tolerances are drawn apart), which is what a technician has. A
    fuse that the faults overload at any step is open in all readings, as it would be found.
    Raises InputError for no fault at all, and as `predict` and `with_faults` do.
    """
    found = circuit_of(circuit)
    if not faults:
        raise InputError("needs a fault to compare with", key="fault")
    faulty = with_faults(found, faults)
    good, bad = predict(found, **conditions), predict(faulty, **conditions)
    blown: tuple[str, ...] = ()
    while opened := [name for name in _opened(faulty, bad) if name not in blown]:
        blown += (*opened,)
        bad = predict(with_faults(found, [*faults, *(f"{name}:blown" for name in blown)]), **conditions)
    pairs = tuple(Pair(a, b, _overlap(a, b)) for a, b in zip(good.readings, bad.readings, strict=True))
    return Comparison(good, bad, faulty.faults, pairs, blown)


def _opened(circuit: Circuit, chart: Chart) -> list[str]:
    """Name the fuses that a chart's points overload."""
    verdicts = {r.verdict for r in chart.readings} | {p.verdict for p in chart.operating_points}
    fuses = [name for name, e in circuit.net.elements.items() if e.kind == "fuse"]
    return [name for name in fuses if any(v.startswith(f"outside validity at {name}:") for v in verdicts)]


def _overlap(a: Reading, b: Reading) -> float:
    """Bayes error of two readings with even odds; a reading that is none is told from one that is."""
    here, there = math.isfinite(a.expected), math.isfinite(b.expected)
    if not here or not there:
        return 0.5 if here == there else 0.0
    if a.instrument == "lamp":  # told by how it looks
        return 0.5 if a.display == b.display else 0.0
    return float(bayes_error_of_two(b.expected - a.expected, a.standard, b.standard))


def bayes_error_of_two(gap: Array | float, first: Array | float, second: Array | float) -> Array:
    """Give ½∫min(p, q) of two normals: how often the best judge, at even odds, takes the one for the other.

    gap: between their means; first, second: their standard deviations; all of one shape. Between the two points where the
    densities are equal the narrower one is the larger, outside the wider one; of equal deviations it is Φ(-gap / 2σ).
    """
    from scipy.special import ndtr

    narrow, wide = np.minimum(first, second) + _NOTHING, np.maximum(first, second) + _NOTHING
    ratio, apart = wide / narrow, np.abs(gap) / narrow
    alike = ratio < 1 + 1e-6
    t = np.where(alike, 2.0, ratio)
    # z of the narrower one where (1 - 1/t²)·z² + 2·(apart/t²)·z - (apart/t)² - 2·ln t = 0; no digits are lost in this form.
    a, b, c = 1 - t**-2, apart / t**2, (apart / t) ** 2 + 2 * np.log(t)
    low = -(b + np.sqrt(b**2 + a * c)) / a
    high = -c / (a * low)
    mixed = 0.5 * (ndtr(low) + ndtr(-high) + ndtr((high - apart) / t) - ndtr((low - apart) / t))
    return np.asarray(np.where(alike, ndtr(-apart / (1 + ratio)), mixed))


@dataclass(frozen=True)
class Detectability:
    """Faults × tests: probability of overlap with the healthy circuit, 0.5 where a test says nothing.

    faults: with their severity; tests: places; overlap: (faults, tests); blind: faults that no test shows.
    """

    circuit: str
    title: str
    summary: str
    severity: str
    faults: tuple[str, ...]
    tests: tuple[str, ...]
    overlap: Array

    @property
    def blind(self) -> tuple[str, ...]:
        """Faults that no test shows."""
        return tuple(f for f, row in zip(self.faults, self.overlap, strict=True) if row.min() >= TELLS)

    @property
    def best(self) -> tuple[tuple[str, int], ...]:
        """Tests by the number of faults that each shows alone, the best first."""
        counts = (self.overlap < TELLS).sum(axis=0)
        return tuple((self.tests[k], int(counts[k])) for k in np.argsort(-counts, kind="stable"))

    def records(self) -> list[dict[str, Any]]:
        """Give one plain record a fault and test."""
        return [
            {"fault": f, "test": t, "overlap": float(self.overlap[j, k]), "tells": bool(self.overlap[j, k] < TELLS)}
            for j, f in enumerate(self.faults) for k, t in enumerate(self.tests)
        ]  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Give plain values for JSON."""
        return {
            "circuit": self.circuit, "conditions": self.summary, "severity": self.severity, "faults": list(self.faults),
            "tests": list(self.tests), "overlap": self.overlap.tolist(), "unseen": list(self.blind),
            "best_tests": [{"test": t, "shows": n} for t, n in self.best],
        }  # fmt: skip


def detectability(
    circuit: Circuit | str, *, severity: str = "usual", probe: str | Sequence[str] = (), step: str | Sequence[str] = (),
    meter: str = "standard", **conditions: Any,
) -> Detectability:  # fmt: skip
    """Say which tests show which faults: each alone, at one severity.

    severity: "low" (a tenth along the plausible range), "usual" or "high" (nine tenths along); others as of `predict`. Faults
    that come and go are left out: at their bad moments they read as the lasting ones.
    """
    found, tool = circuit_of(circuit), find_meter(meter)
    state = Conditions.read(found, **conditions)
    tasks = [t for t, _ in reading_plan(found, state, step, probe) if t.instrument in _TAKEN]
    known = {name: f for name, f in find_faults(found).items() if not f.kind.intermittent}
    chosen = [_at(f, severity) for f in known.values()]
    shown = FaultBench(found, tasks, tool, known).show([(), *((f,) for f in chosen)])
    limits = np.array([[tool.limit(float(v), INSTRUMENTS[t.instrument]) if np.isfinite(v) and t.instrument != "lamp" else 0.05
                        for v, t in zip(row, tasks, strict=True)] for row in shown.value])  # fmt: skip
    deviation = np.sqrt((shown.spread**2).sum(axis=-1) + limits**2 / 3)
    overlap = bayes_error_of_two(shown.value[1:] - shown.value[0], deviation[1:], deviation[:1])
    overlap = np.where(np.isfinite(overlap), overlap, 0.0)
    places = tuple(_placed(t) for t in tasks)
    return Detectability(found.name, found.title, state.sentence(), severity, tuple(map(str, chosen)), places, overlap)


def _at(fault: PossibleFault, severity: str) -> Fault:
    share = {"low": 0.1, "usual": math.nan, "high": 0.9}.get(severity)
    if share is None:
        raise InputError(f"{severity!r} is no severity, accepted: low, usual, high", key="severity")
    return fault.fault() if math.isnan(share) or not fault.graded else fault.fault(float(fault.at(share)))


def _placed(task: Any) -> str:
    leads = f"clamp on {task.at}" if task.at else f"{task.red} : {task.black}"
    name = "lamp " if task.instrument == "lamp" else ""
    return name + Reading.place(task.step, leads, task.conditions.unplugged, task.conditions.ignition)
