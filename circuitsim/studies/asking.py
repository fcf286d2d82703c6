"""Which test to ask for next: each suspect's readings at every test that could be made, and what they would tell."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from circuitsim.measure import INSTRUMENTS, Task
from circuitsim.measure.faults import Fault
from circuitsim.studies.diagnosis import HEALTHY
from circuitsim.studies.likelihood import shared_by
from circuitsim.studies.next_test import TOLD, Choice, Minutes, choose, excluded, one_a_place

if TYPE_CHECKING:
    from circuitsim.studies.diagnose import Diagnosing

__all__ = ["ranked_tests", "stand_ins"]

Array = NDArray[np.float64]
_LEVELS = (1 / 6, 0.5, 5 / 6)  # of the posterior, of severities that stand for all
_LITTLE = 1e-3  # a chance; a circuit with less is not told what it would read


def ranked_tests(work: Diagnosing, chances: Mapping[str, float], cannot: Sequence[str], minutes: Minutes) -> list[Choice]:
    """Rank the tests that could be made next, one a place, the best first: by information about the repair a minute.

    work: the suspects so far; chances: of each; cannot: tests that can't be made; minutes: of work.
    """
    taken = {(r.task.step, *leads, r.task.at, r.task.conditions) for r in work.readings for leads in _both_ways(r.task)}
    open_tests = [
        k for k, (t, _) in enumerate(work.tests)
        if t in work.table.place and (t.step, t.red, t.black, t.at, t.conditions) not in taken and not excluded(t, cannot)
    ]  # fmt: skip
    vehicles = stand_ins(work, chances)
    if not open_tests or len(vehicles) < 2:
        return []
    mean, deviation = _predictions(work, [v for v, _, _, _ in vehicles], open_tests)
    weight = np.array([w for _, _, w, _ in vehicles])
    names = list(dict.fromkeys(c for _, c, _, _ in vehicles))
    classes = np.array([names.index(c) for _, c, _, _ in vehicles], dtype=np.intp)
    tasks = [work.tests[k][0] for k in open_tests]
    spans = [{"V": 1.3 * work.circuit.nominal, "A": 60.0, "Ω": 1e3, "1": 1.0}[INSTRUMENTS[t.instrument]] for t in tasks]
    last = _as_listed(work, work.readings[-1].task) if work.readings else None
    ranked = choose(tasks, mean, deviation, weight, classes, last, minutes, work.meter, spans)
    if work.flickers:  # unplugging may cure what comes and goes: plugged, loaded tests first
        plugged = [r for r in ranked if not tasks[r[0]].conditions.unplugged and r[1] > TOLD]
        ranked = plugged or ranked
    labels = [work.tests[k][1] for k in open_tests]
    # What a circuit that is ruled out would read is of no use to anybody.
    possible = ["" if name == HEALTHY and chances.get(name, 0.0) < _LITTLE else name for _, _, _, name in vehicles]
    found = []
    for k, bits, minutes_of in one_a_place(ranked, tasks)[:6]:
        turned = _turned(work, tasks[k], mean[:, k], weight)
        told = _expected(work, tasks[k], -mean[:, k] if turned else mean[:, k], possible)
        found.append(Choice(tasks[k], labels[k], bits, minutes_of, told, turned))
    return found


def _both_ways(task: Task) -> tuple[tuple[str, str], ...]:
    return (task.red, task.black), (task.black, task.red)


def _as_listed(work: Diagnosing, task: Task) -> Task:
    """Give a task as it stands among the tests: with its leads the other way round where that is how it is listed."""
    other = replace(task, red=task.black, black=task.red)
    return other if task not in work.table.place and other in work.table.place else task


def _turned(work: Diagnosing, task: Task, mean: Array, weight: Array) -> bool:
    """Whether a good circuit, or where it shows nothing most suspects, would read negative between two points off ground."""
    if task.instrument != "voltmeter" or work.circuit.net.ground in (task.red, task.black):
        return False
    least = work.meter.limit(0.0, "V")
    good = float(mean[0])  # the healthy vehicle comes first
    if math.isfinite(good) and abs(good) > least:
        return good < 0
    known = np.isfinite(mean)
    return float(weight[known] @ mean[known]) < -least


def stand_ins(work: Diagnosing, chances: Mapping[str, float]) -> list[tuple[tuple[Fault, ...], str, float, str]]:
    """Vehicles that stand for the suspects: faults, repair, weight, name."""
    found: list[tuple[tuple[Fault, ...], str, float, str]] = [((), HEALTHY, chances.get(HEALTHY, 0.0), HEALTHY)]
    total = 0.0
    for k in np.argsort(-work.by_course):
        if work.by_course[k] < 1e-3 or total > 0.995:
            break
        total += float(work.by_course[k])
        levels = _LEVELS if work.courses[k].graded else (0.5,)
        leader = max(work.members[k], key=lambda f: chances.get(f.name, 0.0))
        share = float(work.by_course[k]) / len(levels)
        shares = work.densities[k].quantiles(levels).tolist()
        found += [(work.courses[k].make(x), leader.cure, share, leader.name) for x in shares]
    for pair, course, _ in work.pairs:
        if (chance := chances[pair.name]) > _LITTLE:
            shares = course.density(work.likelihood, work.sightings).quantiles(_LEVELS).tolist()
            found += [(course.make(x), pair.cure, chance / len(_LEVELS), pair.name) for x in shares]
    return found


def _predictions(work: Diagnosing, vehicles: Sequence[tuple[Fault, ...]], tests: Sequence[int]) -> tuple[Array, Array]:
    """Give what each vehicle's readings at tests would be, given all readings so far, and their deviations."""
    count = len(work.readings)
    shown = work.weighed.bench.show(vehicles, [*work.columns[:count], *(work.table.place[work.tests[k][0]] for k in tests)])
    mean, spread = shown.value[:, count:], shown.spread[:, count:]
    room = [work.likelihood.allowance.of(INSTRUMENTS[work.tests[k][0].instrument]) for k in tests]
    variance = (spread**2).sum(axis=-1) + np.array(room) ** 2
    numbers = work.likelihood.numbers
    if numbers.size:
        value, shared = shown.value[:, :count], shared_by(shown.spread[:, :count])
        inverse, _, left = work.likelihood.solved(value, shared, work.likelihood.judge(value, shared).let_go)
        cross = spread @ shown.spread[:, numbers].transpose(0, 2, 1)
        mean = mean + np.einsum("vtj,vjk,vk->vt", cross, inverse, left)
        variance = variance - np.einsum("vtj,vjk,vtk->vt", cross, inverse, cross)
    return mean, np.sqrt(np.maximum(variance, 0.0))


def _expected(work: Diagnosing, task: Task, mean: Array, owners: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Say what each suspect predicts there, from the lowest to the highest; owners: of each vehicle, '' for none."""
    found: list[tuple[str, str]] = []
    for name in list(filter(None, dict.fromkeys(owners)))[:9]:
        own = sorted(float(mean[k]) for k, owner in enumerate(owners) if owner == name and math.isfinite(mean[k]))
        ends = list(dict.fromkeys(work.text(task, v) for v in (own[0], own[-1]))) if own else []
        found.append((name, " to ".join(ends) or "no reading"))
    return tuple(found)
