"""Minutes of work until the repair is known: the chosen next test against the trade's fixed order, on the same vehicles.

Run: python -m benchmarks.next_tests [CIRCUIT] [--cases 40] [--seed 1]

Both begin with nothing measured, take one reading after the other of the same drawn vehicle, are judged by the same posterior,
and stop by the same rule (one repair has 90 %, or no test is left). The fixed order is common practice: supply, grounds,
command, feed, low side, motor current, then drops along the path and across the pins, then with plugs parted. The yardstick
is its mean work in the same run.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from benchmarks.faulty_vehicles import Case, draw_cases, take
from circuitsim import load
from circuitsim.measure import Conditions, Meter, Task
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
TARGET = 0.6
_MOST = 25  # readings; who has not found it by then gives up


def _rank(task: Task) -> int:
    """Give the place of a test in the trade's order."""
    if task.conditions.unplugged:
        return 9
    if task.conditions.ignition == "off":
        return 0
    if "/" in task.red or "/" in task.black:
        return 8
    if task.at:
        return 6
    marks = (("BAT+", 0), ("U1+", 1), ("U1-", 2), ("U1s", 2), ("CMD", 3), ("MOT+", 4), ("MOT-", 5))
    if task.black not in ("GND", "BAT-"):
        return 7
    return next((k for lead, k in marks if task.red == lead), 7)


def fixed_order(tests: Sequence[tuple[Task, str]], steps: Sequence[str]) -> list[Task]:
    """Put tests into the trade's order: place by place, the top step first."""
    return sorted((t for t, _ in tests), key=lambda t: (_rank(t), t.red, t.black, t.at, -list(steps).index(t.step)))


def work(
    given: _Bench, case: Case, choose: Callable[[Diagnosis | None, int], Task | None], *, asks: bool = True
) -> tuple[float, int, bool]:
    """Give the minutes, the readings, and whether the repair was the right one. asks: whether a next test is to be chosen."""
    all_tests = [t for t, _ in given.tests]
    shown = {r.task: r for r in take(given.table, [case], all_tests, given.meter)[0].readings}
    minutes, taken = 0.0, list[TakenReading]()
    found: Diagnosis | None = None
    last: Task | None = None
    for k in range(_MOST):
        task = choose(found, k)
        if task is None:
            break
        minutes += Minutes().between(last, task)
        last = task
        taken.append(replace(shown[task], line=k))
        findings = Findings(tuple(taken), (), Conditions())
        found = diagnose(given.table.circuit, findings, prior=given.prior, table=given.table, next_test=asks)
        if found.enough:
            break
    leader = found.suspects[0].leader if found and found.suspects else None
    right = leader is not None and (leader.fault == case.name or leader.cure == given.cure(case))
    return minutes, len(taken), right


class _Bench:
    """What all vehicles share."""

    def __init__(self, name: str) -> None:
        circuit = load(name)
        faults = {n: f for n, f in find_faults(circuit).items() if not f.kind.intermittent}
        self.meter: Meter = find_meter("standard")
        self.tests = [(t, label) for t, label in candidates(circuit, Conditions()) if t.instrument in ("voltmeter", "clamp")]
        self.table = FaultTable(circuit, [t for t, _ in self.tests], self.meter, faults)
        self.prior = Prior(healthy=0.1)

    def cure(self, case: Case) -> str:
        """Give the repair of a case."""
        return self.table.faults[case.name].cure if case.fault else "healthy"


def measure(circuit: str = CIRCUIT, cases: int = 40, seed: int = 1) -> list[dict[str, Any]]:
    """Measure both policies: rows with what, value (minutes), yardstick (minutes), ratio, target."""
    given = _Bench(circuit)
    order = fixed_order(given.tests, given.table.circuit.steps)
    first = next(t for t in order if t.red == "MOT-" and t.step == given.table.circuit.steps[-1])
    own, fixed = [], []
    for case in draw_cases(given.table, given.prior, cases, seed):
        own.append(work(given, case, lambda d, k: first if d is None else d.next_test.task if d.next_test else None))
        fixed.append(work(given, case, lambda d, k: order[k] if k < len(order) else None, asks=False))
    (mine, count, right), (theirs, counted, straight) = (np.array(rows, dtype=float).T for rows in (own, fixed))
    told = f"{count.mean():.1f} readings, {100 * right.mean():.0f} % right, against {counted.mean():.1f}"
    told += f" and {100 * straight.mean():.0f} %"
    return [
        {
            "what": f"{circuit}: minutes until the repair is known, {cases} vehicles ({told})", "value": float(mine.mean()),
            "yardstick": float(theirs.mean()), "ratio": float(mine.mean() / theirs.mean()), "target": TARGET,
        }
    ]  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("circuit", nargs="?", default=CIRCUIT)
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for row in measure(options.circuit, options.cases, options.seed):
        told = f"{row['value']:.1f} against {row['yardstick']:.1f}, ratio {row['ratio']:.2f} (target {row['target']})"
        print(f"{row['what']}: {told}")


if __name__ == "__main__":
    main()
