"""How often the diagnosis is right: random faulty vehicles, scored; beside it the exact posterior, and other vehicles.

Run: python -m benchmarks.diagnosis [CIRCUIT …] [--cases 500] [--other 200] [--seed 1]

Vehicles: faults by the prior's weights, severities evenly along their plausible range, all part tolerances, the supply's
among them, and the meter's errors drawn at random; every tenth is healthy. Each is solved with its own numbers, not to first
order. Readings are the chart's volts and amperes with everything plugged. Scores: share of cases in which the true fault is in
the first suspect, in the first three, log of the chance given to it, and how often the first suspect is right by the chance
given to it (`benchmarks.posterior` sets the exact posterior beside, on few readings). `--other N` scores vehicles that are not
as the circuit's file says (`benchmarks.other_vehicles`): another fan, lengths, one load more, tails, a biased meter.
`--outside N` scores what no single fault of the library is: two that have nothing to do with each other, on different sites,
each of which shows. Counted is how often a part that is not at fault is named with more than 90 %.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.faulty_vehicles import Case, draw_cases, standard_tests, take
from benchmarks.other_vehicles import NOBODY_DREW, other_vehicles
from circuitsim import load
from circuitsim.measure import INSTRUMENTS, Conditions, Meter, Task
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import find_faults
from circuitsim.studies.candidates import candidates
from circuitsim.studies.diagnose import Diagnosing
from circuitsim.studies.diagnosis import HEALTHY, OTHER
from circuitsim.studies.evidence import Findings
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.priors import Prior

Array = NDArray[np.float64]
CIRCUITS = ("tractor-cab-fan", "coach-defroster-fan", "harvester-cooler-fan")


@dataclass(frozen=True)
class Setting:
    """What all cases of a circuit share."""

    table: FaultTable
    tests: list[Task]
    prior: Prior
    meter: Meter


@dataclass(frozen=True)
class Score:
    """How one case came out: chance of the first suspect, whether it holds the truth, whether the first three do, log of the
    chance given to the truth, seconds.
    """

    truth: str
    first: tuple[str, ...]
    chance: float
    hit: bool
    three: bool
    log: float
    seconds: float


def setting(name: str, healthy: float = 0.1) -> Setting:
    """Solve the table of a circuit's faults and standard tests."""
    circuit = load(name)
    faults = {n: f for n, f in find_faults(circuit).items() if not f.kind.intermittent}
    conditions = Conditions()
    tests = standard_tests(circuit, conditions)
    table = FaultTable(circuit, [*tests, *(t for t, _ in candidates(circuit, conditions))], find_meter("standard"), faults)
    table.columns(tests)
    return Setting(table, tests, Prior(healthy=healthy), find_meter("standard"))


def score(given: Setting, case: Case, findings: Findings) -> tuple[Score, Diagnosing]:
    """Diagnose one case."""
    begin = time.perf_counter()
    work = Diagnosing(given.table.circuit, findings, given.meter, given.prior, table=given.table)
    chances = work.chances()
    suspects = [work.names(group) for group in work.groups()] + [[OTHER]]
    weights = [sum(chances.get(n, 0.0) for n in names) for names in suspects]
    order = np.argsort(-np.array(weights))
    ranked = [suspects[k] for k in order]
    seconds = time.perf_counter() - begin
    log = math.log(max(chances.get(case.name, 0.0), 1e-12))
    three = any(case.name in names for names in ranked[:3])
    found = Score(case.name, tuple(ranked[0]), float(weights[order[0]]), case.name in ranked[0], three, log, seconds)
    return found, work


def outside_cases(given: Setting, count: int, seed: int) -> list[Case]:
    """Draw vehicles with two faults on different sites, each of which moves some reading by five times what a meter tells."""
    columns = [given.table.place[t] for t in given.tests]
    firsts = [c for c in draw_cases(given.table, given.prior, 12 * count, seed, healthy=0.0) if c.fault]
    shown = given.table.bench.show([(), *((c.fault,) for c in firsts if c.fault)], columns)
    good = zip(shown.value[0].tolist(), given.tests, strict=True)
    limits = np.array([given.meter.limit(v, INSTRUMENTS[t.instrument]) for v, t in good])
    told = np.nan_to_num(np.abs(shown.value[1:] - shown.value[0]) / limits, nan=1e3).max(axis=1) > 5
    seen = [c for c, tells in zip(firsts, told, strict=True) if tells]
    pairs = [(a, b) for a, b in zip(seen[::2], seen[1::2], strict=False) if a.name.split(":")[0] != b.name.split(":")[0]]
    return [replace(a, second=b.fault) for a, b in pairs[:count]]


def outside_row(name: str, given: Setting, count: int, seed: int) -> dict[str, Any]:
    """Score what is outside the library."""
    drawn = outside_cases(given, count, seed)
    wrong, other = [], []
    for case, findings in zip(drawn, take(given.table, drawn, given.tests, given.meter), strict=True):
        found = score(given, case, findings)[0]
        true = {case.name, case.second.name if case.second else ""}
        part = found.first[0] not in (HEALTHY, OTHER)
        wrong.append(float(part and found.chance > 0.9 and not true & set(found.first)))
        other.append(float(found.first[0] == OTHER))
    spread = np.std(wrong) / math.sqrt(len(wrong))
    value = f"{np.mean(wrong):.3f} ± {spread:.3f}; 'something else' comes first in {np.mean(other):.3f}"
    return {"what": f"{name}: {len(drawn)} vehicles outside the library, a wrong part with more than 90 %", "value": value}


def wrong_part(score: Score, there: Sequence[str] = ()) -> bool:
    """Whether a part that is not at fault is named with more than 90 %; there: kinds of faults that every vehicle has."""
    named = score.chance > 0.9 and score.first[0] not in (HEALTHY, OTHER)
    return named and not score.hit and not any(name.partition(":")[2] in there for name in score.first)


def summary(name: str, scores: Sequence[Score], there: Sequence[str] = ()) -> list[dict[str, Any]]:
    """Put scores into rows; there: as of `wrong_part`."""
    count = len(scores)
    hits = np.array([s.hit for s in scores], dtype=float)
    logs = np.array([s.log for s in scores])

    def share(values: Array) -> str:
        return f"{values.mean():.3f} ± {values.std() / math.sqrt(max(1, values.size)):.3f}"

    rows = [
        {"what": f"{name}: {count} vehicles, true fault in the first suspect", "value": share(hits)},
        {"what": f"{name}: in the first three", "value": share(np.array([float(s.three) for s in scores]))},
        {"what": f"{name}: log score, nat (mean of the log of the chance given to the truth)", "value": share(logs)},
        {"what": f"{name}: seconds a diagnosis (median)", "value": f"{np.median([s.seconds for s in scores]):.2f}"},
    ]
    if there:
        also = [float(s.three or any(name.partition(":")[2] in there for name in s.first)) for s in scores]
        rows.append({"what": f"{name}: in the first three, or {there[0]} in the first", "value": share(np.array(also))})
    sound = np.array([float(s.hit) for s in scores if s.truth == HEALTHY])
    if sound.size:
        rows.append({"what": f"{name}: healthy called healthy ({sound.size})", "value": share(sound)})
    wrong = np.array([float(wrong_part(s, there)) for s in scores])
    rows.append({"what": f"{name}: a wrong part with more than 90 %", "value": share(wrong)})
    for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 0.99), (0.99, 1.01)):
        some = [s for s in scores if low <= s.chance < high]
        if some:
            given, right = np.mean([s.chance for s in some]), np.mean([s.hit for s in some])
            rows.append({"what": f"{name}: given {given:.2f} on average ({len(some)})", "value": f"right {right:.2f}"})
    return rows


def measure(
    names: Sequence[str] = CIRCUITS, cases: int = 500, others: int = 200, outside: int = 100, seed: int = 1
) -> list[dict[str, Any]]:
    """Measure all circuits: rows with what and value."""
    rows: list[dict[str, Any]] = []
    for name in names:
        given = setting(name)
        drawn = draw_cases(given.table, given.prior, cases, seed)
        found = take(given.table, drawn, given.tests, given.meter)
        scores: list[Score] = []
        for case, findings in zip(drawn, found, strict=True):
            scores.append(score(given, case, findings)[0])
        rows += summary(name, scores)
        if outside:
            rows.append(outside_row(name, given, outside, seed + 2))
        if others:
            strange = other_vehicles(given.table, given.prior, given.tests, given.meter, others, seed + 1)
            scores = [score(given, case, findings)[0] for case, findings in strange]
            rows += summary(f"{name}, other vehicles", scores, there=[NOBODY_DREW])
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("circuits", nargs="*", default=list(CIRCUITS))
    parser.add_argument("--cases", type=int, default=500)
    parser.add_argument("--other", type=int, default=200, help="vehicles of another model")
    parser.add_argument("--outside", type=int, default=100, help="vehicles with what is not in the library")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for row in measure(options.circuits, options.cases, options.other, options.outside, options.seed):
        print(f"{row['what']}: {row['value']}", flush=True)


if __name__ == "__main__":
    main()
