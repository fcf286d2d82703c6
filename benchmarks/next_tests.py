"""Minutes of work until the repair is known: the chosen next test against two orders of the trade, on the same vehicles.

Run: python -m benchmarks.next_tests [CIRCUIT] [--cases 40] [--seed 1] [--workers 1] [--minutes as-they-are,equal,uneven]

All begin with nothing measured, take one reading after the other of the same drawn vehicle, are judged by the same posterior,
and stop by the same rule (one repair has 90 %, or no test tells more). The yardsticks are the mean work of the trade's fixed
order (supply, grounds, command, feed, low side, motor current, then drops along the path and across the pins, then with plugs
parted; target 0.6 of it), and of half-splitting the path (a fused jumper from the low side to ground first; target: no more
than it, and told as well with the jumper put on and taken off in no time).

The orders go through their tests place by place, all steps of a place while the leads are there. They are judged after each of
the first places, then after every third, and in the stretch in which the rule is met the reading from which on it is is found
by bisection: what was known for a while, and then no more, is missed.

Printed too: the same with every test taking equal minutes (which makes all steps of a place dear, so that the fixed order has
no target there), and with each part of the work up or down by half, drawn anew for each vehicle.
"""

from __future__ import annotations

import argparse
import math
import sys
from bisect import bisect_left
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields, replace
from functools import cached_property, partial
from itertools import count
from multiprocessing import get_context
from typing import Any

import numpy as np

from benchmarks.faulty_vehicles import Case, draw_cases, take
from benchmarks.orders import Place, fixed_order, half_splitting, splits
from circuitsim import load
from circuitsim.measure import INSTRUMENTS, Conditions, Meter, Task
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import find_faults
from circuitsim.studies.candidates import candidates
from circuitsim.studies.diagnose import diagnose
from circuitsim.studies.diagnosis import Diagnosis
from circuitsim.studies.evidence import Findings, TakenReading
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.next_test import Minutes
from circuitsim.studies.priors import Prior

CIRCUIT = "tractor-cab-fan"
TARGETS = {"fixed": 0.6, "halves": 1.0}
MINUTES = ("as-they-are", "equal", "uneven")
_MOST = 60  # readings that the chooser may ask for; who has not found it by then gives up
_EACH, _EVERY = 6, 3  # orders are judged after each of so many places, then after every so many


class Equal(Minutes):
    """One minute for every reading."""

    def between(self, last: Task | None, test: Task) -> float:
        """Give a minute."""
        return 1.0


def minutes_for(kind: str, seed: int) -> Minutes:
    """Give the minutes of a vehicle: as they are, equal, or each half or one and a half times as long."""
    if kind == "equal":
        return Equal()
    if kind == "uneven":
        factors = np.random.default_rng([seed, 50]).choice([0.5, 1.5], len(fields(Minutes)))
        return Minutes(*(f.default * x for f, x in zip(fields(Minutes), factors, strict=True)))
    return Minutes()


@dataclass(frozen=True)
class Work:
    """What was done on one vehicle: the tests in their order, whether it was known in the end, and whether rightly."""

    tests: tuple[Task, ...]
    known: bool
    right: bool

    def minutes(self, minutes: Minutes) -> float:
        """Give its work."""
        return sum(minutes.between(a, b) for a, b in zip((None, *self.tests), self.tests, strict=False))


class Bench:
    """What all vehicles of a circuit share."""

    def __init__(self, name: str) -> None:
        circuit = load(name)
        faults = {n: f for n, f in find_faults(circuit).items() if not f.kind.intermittent}
        self.meter: Meter = find_meter("standard")
        self.tests = [t for t, _ in candidates(circuit, Conditions()) if t.instrument in ("voltmeter", "clamp")]
        bridged, upstream, downstream = splits(circuit)
        self.every = list(dict.fromkeys([*self.tests, *(split.task for split in (bridged, *upstream, *downstream))]))
        self.table = FaultTable(circuit, self.every, self.meter, faults)
        self.prior = Prior(healthy=0.1)
        self._first: dict[Minutes, Diagnosis] = {}

    def judge(self, readings: Sequence[TakenReading], minutes: Minutes) -> Diagnosis:
        """Diagnose."""
        if not readings and minutes in self._first:
            return self._first[minutes]
        findings = Findings(tuple(readings), (), Conditions())
        found = diagnose(self.table.circuit, findings, prior=self.prior, table=self.table, minutes=minutes)
        if not readings:
            self._first[minutes] = found
        return found

    def right(self, found: Diagnosis, case: Case) -> bool:
        """Whether the likeliest repair is the one that the vehicle needs, or its fault is in the first group."""
        first = found.suspects[0]
        cure = self.table.faults[case.name].cure if case.fault else "healthy"
        return case.name in first.faults or first.leader.cure == cure

    @cached_property
    def good(self) -> Mapping[Task, tuple[float, float]]:
        """Reading of a good circuit at each test, and its standard deviation."""
        columns = self.table.columns(self.every)
        shown = self.table.bench.show([()], columns)
        limits = [
            self.meter.limit(float(v), INSTRUMENTS[t.instrument]) for t, v in zip(self.every, shown.value[0], strict=True)
        ]
        own = shown.spread[0][:, self.table.bench.filed]
        deviation = np.sqrt((own**2).sum(axis=1) + np.array(limits) ** 2 / 3)
        return dict(zip(self.every, zip(shown.value[0].tolist(), deviation.tolist(), strict=True), strict=True))


def chosen(bench: Bench, shown: Mapping[Task, TakenReading], case: Case, minutes: Minutes) -> Work:
    """Take the next test that the diagnosis asks for, until it says that enough is known."""
    taken = list[TakenReading]()
    found = bench.judge(taken, minutes)
    while not found.enough and found.next_test and len(taken) < _MOST:
        taken.append(replace(shown[found.next_test.task], line=len(taken)))
        found = bench.judge(taken, minutes)
    return Work(tuple(r.task for r in taken), found.enough, bench.right(found, case))


def ordered(bench: Bench, shown: Mapping[Task, TakenReading], case: Case, places: Iterator[Place]) -> Work:
    """Go through places in an order, until the diagnosis says that enough is known."""
    taken, usual, before = list[TakenReading](), Minutes(), 0
    found = bench.judge(taken, usual)
    left = list(next(places, ()))
    for k in count():
        taken += [replace(shown[t], line=len(taken) + j) for j, t in enumerate(left)]
        left = list(next(places, ()))
        if left and k >= _EACH and k % _EVERY:
            continue
        found = bench.judge(taken, usual)
        if found.enough or not left:
            break
        before = len(taken)
    if found.enough:  # where in the last stretch was it first so?
        sizes = range(before + 1, len(taken))
        some = bisect_left(sizes, True, key=lambda size: bench.judge(taken[:size], usual).enough)
        taken = taken[: before + 1 + some]
        found = bench.judge(taken, usual)
    return Work(tuple(r.task for r in taken), found.enough, bench.right(found, case))


def work_on(bench: Bench, case: Case, kinds: Sequence[str]) -> dict[str, tuple[Work, float]]:
    """Work on one vehicle in every way: {way: (work, minutes)}."""
    shown = {r.task: r for r in take(bench.table, [case], bench.every, bench.meter)[0].readings}

    def off(task: Task) -> float:
        value, deviation = bench.good[task]
        number = shown[task].shown
        return (number.value - value) / deviation if number.kind == "number" else math.inf

    circuit = bench.table.circuit
    orders: dict[str, Callable[[], Iterator[Place]]] = {
        "fixed": lambda: iter(fixed_order(bench.tests, circuit.steps)),
        "halves": lambda: half_splitting(circuit, bench.tests, off),
    }
    others = {name: ordered(bench, shown, case, make()) for name, make in orders.items()}
    found: dict[str, tuple[Work, float]] = {}
    for kind in kinds:
        minutes = minutes_for(kind, case.seed)
        own = chosen(bench, shown, case, minutes)
        found[f"own {kind}"] = own, own.minutes(minutes)
        found |= {f"{name} {kind}": (work, work.minutes(minutes)) for name, work in others.items()}
    return found


_BENCHES: dict[str, Bench] = {}


def _one(job: tuple[int, Case], circuit: str, kinds: Sequence[str]) -> dict[str, tuple[Work, float]]:
    if circuit not in _BENCHES:
        _BENCHES[circuit] = Bench(circuit)
    number, case = job
    found = work_on(_BENCHES[circuit], case, kinds)
    told = ", ".join(f"{way} {m:.1f} min ({len(w.tests)}, {'right' if w.right else 'wrong'})" for way, (w, m) in found.items())
    print(f"{number} {case.name}: {told}", file=sys.stderr, flush=True)
    return found


def measure(
    circuit: str = CIRCUIT, cases: int = 40, seed: int = 1, workers: int = 1, kinds: Sequence[str] = MINUTES
) -> list[dict[str, Any]]:
    """Measure all policies: rows with what, value (minutes), yardstick (minutes), ratio, target."""
    bench = _BENCHES.setdefault(circuit, Bench(circuit))
    jobs = list(enumerate(draw_cases(bench.table, bench.prior, cases, seed)))
    one = partial(_one, circuit=circuit, kinds=tuple(kinds))
    if workers > 1:
        with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
            found = list(pool.map(one, jobs))
    else:
        found = list(map(one, jobs))
    return [_row(circuit, found, kind, against) for kind in kinds for against in TARGETS]


def _row(circuit: str, found: Sequence[dict[str, tuple[Work, float]]], kind: str, against: str) -> dict[str, Any]:
    mine, theirs = (np.array([one[f"{way} {kind}"][1] for one in found]) for way in ("own", against))
    told = []
    for way in ("own", against):
        works = [one[f"{way} {kind}"][0] for one in found]
        known = np.mean([w.known for w in works])
        size, right = np.mean([len(w.tests) for w in works]), np.mean([w.right for w in works])
        told.append(f"{size:.1f} readings, known in {100 * known:.0f} %, right in {100 * right:.0f} %")
    ratio = float(mine.mean() / theirs.mean())
    # Of a ratio of means of pairs, to first order (delta method).
    error = float(np.std(mine - ratio * theirs) / math.sqrt(len(found)) / theirs.mean())
    name = {"fixed": "the fixed order", "halves": "half-splitting"}[against]
    if against == "halves" and kind == MINUTES[0]:
        free = np.mean([one[f"{against} {kind}"][0].minutes(Minutes(fit=0.0)) for one in found])
        told[1] += f", {free:.2f} minutes with the jumper for nothing"
    what = f"{circuit}: minutes ({kind}) until the repair is known, {len(found)} vehicles, against {name}"
    return {
        "what": f"{what} ({told[0]}; {told[1]}; standard error of the ratio {error:.2f})", "value": float(mine.mean()),
        "yardstick": float(theirs.mean()), "ratio": ratio,
        "target": None if (kind, against) == ("equal", "fixed") else TARGETS[against],
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("circuit", nargs="?", default=CIRCUIT)
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--minutes", default=",".join(MINUTES), help=f"of {', '.join(MINUTES)}")
    options = parser.parse_args()
    kinds = options.minutes.split(",")
    for row in measure(options.circuit, options.cases, options.seed, options.workers, kinds):
        told = f"{row['value']:.2f} against {row['yardstick']:.2f}, ratio {row['ratio']:.2f} (target {row['target']})"
        print(f"{row['what']}: {told}")


if __name__ == "__main__":
    main()
