"""What a set of tests can find: how many faults show at all, how many can be told from all others, and one point more.

A fault at a severity *shows* when its readings lie far enough from a good circuit's, and is *isolated* when no fault with
another repair, at any severity, could give readings as near: Bayes error below 5 % and 20 %, in the metric of all tolerances
and of the meter (Mahalanobis distance d; the error of two equal normals is Φ(-d/2)).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit
from circuitsim.measure import INSTRUMENTS, Conditions, Meter, Task
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import find_faults
from circuitsim.studies.allowance import SHARP
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.next_test import Minutes
from circuitsim.studies.predict import circuit_of, reading_plan

__all__ = ["OneMore", "Testability", "assess"]

Array = NDArray[np.float64]
_SHOWS = 3.2897  # d at which the Bayes error is 5 %: -2·Φ⁻¹(0.05)
_APART = 1.6832  # d at which it is 20 %
_SEVERITIES = 3  # of each fault: a quarter, half, three quarters of its plausible range


@dataclass(frozen=True)
class OneMore:
    """What one more probe point would buy: a lead there, black on ground, at every step."""

    point: str
    shown: float
    isolated: float
    group: float


@dataclass(frozen=True)
class Testability:
    """Figures of a set of tests.

    shown, isolated: shares of faults (over their severities) that show, and that can be told from all with another repair;
    group: mean number of faults that stay together; minutes: to make all tests once; faults: (name, share of severities at
    which it shows, at which it is isolated, faults that stay with it); more: what one more point would buy, best first.
    """

    circuit: str
    title: str
    summary: str
    tests: tuple[str, ...]
    shown: float
    isolated: float
    group: float
    minutes: float
    faults: tuple[tuple[str, float, float, tuple[str, ...]], ...]
    more: tuple[OneMore, ...]

    def records(self) -> list[dict[str, Any]]:
        """Give one plain record a fault."""
        return [
            {"fault": name, "shown": shown, "isolated": isolated, "together_with": list(others)}
            for name, shown, isolated, others in self.faults
        ]  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Give plain values for JSON."""
        return {
            "circuit": self.circuit, "conditions": self.summary, "tests": list(self.tests), "detected": self.shown,
            "isolated": self.isolated, "mean_group_size": self.group, "minutes": self.minutes, "faults": self.records(),
            "one_more": [
                {"point": m.point, "detected": m.shown, "isolated": m.isolated, "mean_group_size": m.group} for m in self.more
            ],
        }  # fmt: skip


def assess(
    circuit: Circuit | str, *, probe: str | Sequence[str] = (), step: str | Sequence[str] = (), meter: str = "standard",
    one_more: bool = False, **conditions: Any,
) -> Testability:  # fmt: skip
    """Say what a list of probe points can find of a circuit's faults.

    Parameters
    ----------
    circuit
        From `load`, or its name.
    probe, step
        As of `predict`; by default the plugged volts and amperes of the circuit's chart at all steps.
    meter
        What is read with.
    one_more
        Whether to try what one more point would buy (about a minute of computing).
    conditions
        As of `predict`.

    Raises InputError when no such test is left, and as `predict` does.
    """
    found = circuit_of(circuit)
    tool = find_meter(meter)
    state = Conditions.read(found, **conditions)
    plan = reading_plan(found, state, step, probe)
    tests = [t for t, _ in plan if t.instrument in ("voltmeter", "clamp") and (probe or _plugged(t, state))]
    if not tests:
        raise InputError("no volts or amperes are left to test with", key="probe")
    extra = _extra(found, state, tests) if one_more else {}
    faults = {name: f for name, f in find_faults(found).items() if not f.kind.intermittent}
    table = FaultTable(found, [*tests, *(t for own in extra.values() for t in own)], tool, faults)
    figures = _Figures(table, tests, tool)
    return Testability(
        found.name, found.title, state.sentence(), tuple(_placed(t) for t in tests), figures.shown, figures.isolated,
        figures.group, _minutes(tests), figures.faults(), _one_more(table, tests, extra, tool),
    )  # fmt: skip


def _plugged(task: Task, state: Conditions) -> bool:
    return task.conditions.unplugged == state.unplugged and task.conditions.ignition == state.ignition


def _extra(circuit: Circuit, state: Conditions, tests: Sequence[Task]) -> dict[str, list[Task]]:
    """Give the points that no lead is on yet: probe points of the circuit, and both sides of pins that can be reached."""
    used = {circuit.node(name) for t in tests for name in (t.red, t.black) if name}
    names = [*circuit.probes]
    for connector in circuit.connectors.values():
        names += [f"{pin}/{side}" for pin in connector.pins if connector.unpluggable for side in ("harness", "part")]
    found: dict[str, list[Task]] = {}
    steps = list(dict.fromkeys(t.step for t in tests))
    for name in names:
        node = circuit.node(name)
        if node not in used and node != circuit.net.ground:
            used.add(node)
            found[name] = [Task(s, state, "voltmeter", name, circuit.net.ground) for s in steps]
    return found


def _one_more(table: FaultTable, tests: Sequence[Task], extra: dict[str, list[Task]], meter: Meter) -> tuple[OneMore, ...]:
    found = []
    for name, own in extra.items():
        figures = _Figures(table, [*tests, *own], meter)
        found.append(OneMore(name, figures.shown, figures.isolated, figures.group))
    return tuple(sorted(found, key=lambda m: (-m.isolated, m.group)))


class _Figures:
    """Distances between faults for some tests."""

    def __init__(self, table: FaultTable, tests: Sequence[Task], meter: Meter) -> None:
        self.table = table
        columns = table.columns(tests)
        self.healthy, self.courses = table.courses(columns, SHARP.factors(table.bench))
        limits = np.array([
            meter.limit(float(v), INSTRUMENTS[t.instrument]) for v, t in zip(self.healthy.value[0], tests, strict=True)
        ])  # fmt: skip
        self.noise = limits**2 / 3
        self.cures = [family[0].cure for family in table.families]
        self._measure()

    def _measure(self) -> None:
        starts, ends, owner = self._segments()
        shows, alone, together = [], [], []
        for k, course in enumerate(self.courses):
            at = (np.arange(_SEVERITIES) + 1) / (_SEVERITIES + 1) if course.graded else np.array([0.5])
            found = course.at(at)
            for value, shared in zip(found.value, found.shared, strict=True):
                lower = np.linalg.cholesky(shared + np.diag(self.noise))
                near = self._nearest(lower, value, starts, ends, owner)
                visible = float(np.linalg.norm(np.linalg.solve(lower, _known(value - self.healthy.value[0])))) > _SHOWS
                others = [j for j in np.flatnonzero(near < _APART).tolist() if j != k] if visible else []
                shows.append((k, visible))
                alone.append((k, visible and all(self.cures[j] == self.cures[k] for j in others)))
                together.append((k, others))
        self._shows, self._alone, self._together = shows, alone, together

    def _segments(self) -> tuple[Array, Array, NDArray[np.intp]]:
        """Give every fault's readings along its severity as straight pieces, and whose they are."""
        starts, ends, owner = [], [], []
        for k, course in enumerate(self.courses):
            value = _known(course.value)
            pairs = pairwise(value) if len(value) > 1 else [(value[0], value[0])]
            for a, b in pairs:
                starts.append(a)
                ends.append(b)
                owner.append(k)
        return np.array(starts), np.array(ends), np.array(owner)

    def _nearest(self, lower: Array, value: Array, starts: Array, ends: Array, owner: NDArray[np.intp]) -> Array:
        """Give the distance of readings to each fault's pieces, in standard deviations."""
        a = np.linalg.solve(lower, (starts - _known(value)).T)
        along = np.linalg.solve(lower, (ends - starts).T)
        length = (along**2).sum(axis=0)
        part = np.clip(-(a * along).sum(axis=0) / np.maximum(length, 1e-300), 0, 1)
        distance = np.sqrt(((a + part * along) ** 2).sum(axis=0))
        near = np.full(len(self.courses), np.inf)
        np.minimum.at(near, owner, distance)
        return near

    @property
    def shown(self) -> float:
        """Share of faults that show."""
        return float(np.mean([v for _, v in self._shows]))

    @property
    def isolated(self) -> float:
        """Share of faults that can be told from all with another repair."""
        return float(np.mean([v for _, v in self._alone]))

    @property
    def group(self) -> float:
        """Mean number of faults that stay together, of those that show."""
        sizes = [1 + len(others) for (_, others), (_, v) in zip(self._together, self._shows, strict=True) if v]
        return float(np.mean(sizes)) if sizes else float("nan")

    def faults(self) -> tuple[tuple[str, float, float, tuple[str, ...]], ...]:
        """Give the figures of each fault."""
        found = []
        for k, family in enumerate(self.table.families):
            shows, alone = (float(np.mean([v for j, v in rows if j == k])) for rows in (self._shows, self._alone))
            others = dict.fromkeys(o for j, group in self._together if j == k for o in group)
            names = tuple(self.table.families[o][0].name for o in others)
            found += [(f.name, shows, alone, names) for f in family]
        return tuple(found)


def _known(values: Array) -> Array:
    return np.nan_to_num(values)


def _minutes(tests: Sequence[Task]) -> float:
    """Minutes to make all tests once, with leads left in place while the steps go round."""
    work, last = Minutes(), None
    total = 0.0
    for test in sorted(tests, key=lambda t: (t.conditions.unplugged, t.at, t.red, t.black)):
        total += work.between(last, test)
        last = test
    return total


def _placed(task: Task) -> str:
    return f"{f'clamp on {task.at}' if task.at else f'{task.red} : {task.black}'} at step {task.step}"
