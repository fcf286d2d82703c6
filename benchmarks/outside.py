"""What no single fault of the library is, on five readings at one step: what is said where the exact posterior can tell.

Run: python -m benchmarks.outside [CIRCUIT] [--cases 60] [--step 3] [--seed 3]

Vehicles have two faults that have nothing to do with each other, on different sites, each of which moves some reading by five
times what the meter tells. The exact posterior weighs every suspect of the library by solved vehicles
(`benchmarks.exact_posterior`), each reading being wrong altogether with the same chance as in the diagnosis, and 'something
else' by the density that the diagnosis has for it, with the same chances beforehand. Where the diagnosis itself, with no room
given, finds 'something else' 15 nat above the library, or 5 below, it is believed (it is a fraction of a nat off): far from any
fault sampling would take for ever. Where that gives 'something else' more than half, readings can tell; there the diagnosis
should say so too, and not name a part that is good (target: in nine of ten).
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchmarks.diagnosis import Setting, outside_cases
from benchmarks.exact_posterior import Samplers, exact_posterior
from benchmarks.faulty_vehicles import Case, write_down
from benchmarks.posterior import CIRCUIT, Trials, tests_of
from circuitsim.measure import INSTRUMENTS, Task
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.studies.allowance import SHARP
from circuitsim.studies.diagnose import Diagnosing
from circuitsim.studies.diagnosis import HEALTHY, OTHER
from circuitsim.studies.evidence import Findings, TakenReading
from circuitsim.studies.likelihood import SLIP
from circuitsim.studies.priors import Prior

TELLS = 0.5
"""Chance of 'something else' by the exact posterior above which readings can tell."""
CLEAR, CLEAR_FIT = 15.0, 5.0
"""Nats by which 'something else' is above all of the library, or below what then fits well, from which on nobody samples."""
NAMED = 0.9
"""Chance from which on a part is named."""
VEHICLES, FEW = 256, 16
"""Of a suspect: a measure of how many are weighed, and how many at first."""


@dataclass(frozen=True)
class Told:
    """What a case came to: chance of 'something else' by the exact posterior and by the diagnosis, and whether the diagnosis
    puts it first, or names a part that is good.
    """

    exact: float
    own: float
    first: bool
    wrong: bool


class Strangers:
    """Vehicles with two faults, and both verdicts on them."""

    def __init__(self, circuit: str, cases: int, step: str, seed: int) -> None:
        self.trials = Trials(circuit, 0, VEHICLES, step, seed)
        self.trials.prior = Prior(healthy=0.1)  # with a chance of something else
        given = Setting(self.trials.table, tests_of(step), self.trials.prior, self.trials.meter)
        # A display that is over its range has no digits whose chance could be weighed.
        self.cases = [c for c in outside_cases(given, cases, seed) if self._in_range(self.findings(c))]
        self._fewer: dict[tuple[Task, ...], Samplers] = {}

    @staticmethod
    def _in_range(findings: Findings) -> bool:
        return all(r.shown.kind == "number" for r in findings.readings)

    def findings(self, case: Case) -> Findings:
        """Solve a case, and write down what the meter shows."""
        bench = self.trials.samplers.bench
        named = dict(zip(self.trials.table.bench.what, case.strays, strict=True))
        own = replace(case, strays=np.array([named[name] for name in bench.what]))
        return write_down(bench, [own], list(range(len(bench.tasks))), list(bench.tasks), self.trials.meter)[0]

    def told(self, case: Case) -> Told:
        """Diagnose a case, and weigh it exactly."""
        findings = self.findings(case)
        work = self.trials.diagnosed(findings)
        chances = work.chances()
        groups = [work.names(group) for group in work.groups()]
        weights = [sum(chances[n] for n in names) for names in groups]
        best = int(np.argmax(weights))
        true = {case.name, case.second.name if case.second else ""}
        wrong = weights[best] > NAMED and HEALTHY not in groups[best] and not true & set(groups[best])
        return Told(self._exact(case, findings), chances[OTHER], chances[OTHER] > max(weights), wrong)

    def _exact(self, case: Case, findings: Findings) -> float:
        """Give the chance of 'something else' by the exact posterior; at most so much, where it is below a half."""
        work = self.trials.diagnosed(findings, [SHARP])
        apart = self._apart(work)
        if not -CLEAR_FIT < apart < CLEAR:
            return float(apart > 0)
        cells = [math.log(self._cell(r)) for r in findings.readings]
        other = math.log(self.trials.prior.other) + work.weighed.anything + sum(cells)
        library = [self._library(case, findings, work, other, sum(cells))]
        if other > library[0]:  # unless one reading is wrong altogether
            for j, cell in enumerate(cells):
                left = replace(findings, readings=findings.readings[:j] + findings.readings[j + 1 :])
                slipped = math.log(SLIP / (1 - SLIP)) + cell - math.log(work.likelihood.span[j])
                again = self.trials.diagnosed(left, [SHARP])
                library.append(slipped + self._library(case, left, again, other - slipped, sum(cells) - cell))
        return math.exp(other - float(np.logaddexp.reduce([other, *library])))

    @staticmethod
    def _told(work: Diagnosing) -> float:
        """Logarithm of the density of the readings by all of the library, as the diagnosis has it."""
        before = {HEALTHY: work.prior.healthy, **work.prior.chances(work.faults)}
        return float(np.logaddexp.reduce([math.log(p) + work.logs[name] for name, p in before.items() if p > 0]))

    def _apart(self, work: Diagnosing) -> float:
        """Give how far the diagnosis has 'something else' above all of the library, nats."""
        return math.log(work.prior.other) + work.logs[OTHER] - self._told(work)

    def _cell(self, reading: TakenReading) -> float:
        unit = INSTRUMENTS[reading.task.instrument]
        return (self.trials.meter.range_for(reading.shown.value, unit) or self.trials.meter.ranges(unit)[-1]).digit

    def _library(self, case: Case, findings: Findings, work: Diagnosing, other: float, cells: float) -> float:
        """Logarithm of the chance of the digits shown, by all suspects of the library with their chances beforehand.

        other: that of something else; cells: logarithm of the size of all digits. What is far below is as good as nothing, and
        is not sampled.
        """
        if (told := self._told(work) + cells) < other - CLEAR:
            return told
        samplers = self.trials.samplers
        if len(findings.readings) < len(samplers.bench.tasks):
            tasks = [r.task for r in findings.readings]
            samplers = self._fewer.setdefault(
                tuple(tasks), Samplers(FaultBench(self.trials.circuit, tasks, self.trials.meter, work.faults), work.faults)
            )
        rough = exact_posterior(work, samplers, case.name, FEW, case.seed).total
        # The diagnosis may have it by one reading that is wrong, which is weighed by itself.
        if rough < other - 2 * CLEAR:
            return rough
        return exact_posterior(work, samplers, case.name, VEHICLES, case.seed).total


def measure(circuit: str = CIRCUIT, cases: int = 60, step: str = "3", seed: int = 3) -> list[dict[str, Any]]:
    """Measure: rows with what, value, target."""
    strangers, found = Strangers(circuit, cases, step, seed), []
    for k, case in enumerate(strangers.cases):
        found.append(strangers.told(case))
        told = f"exact {found[-1].exact:.3f}, own {found[-1].own:.3f}"
        print(f"case {k}: {case.name} and {case.second.name if case.second else ''}, {told}", file=sys.stderr, flush=True)
    tells = [t for t in found if t.exact > TELLS]
    what = f"{circuit}: {len(found)} vehicles with two faults, five readings; readings can tell of {len(tells)}"
    count = max(len(tells), 1)
    return [
        {"what": f"{what}; of these 'something else' first", "value": sum(t.first for t in tells) / count, "target": None},
        {"what": f"{what}; of these no wrong part named", "value": 1 - sum(t.wrong for t in tells) / count, "target": 0.9},
        {"what": f"{circuit}: of all, no wrong part named", "value": 1 - np.mean([t.wrong for t in found]), "target": None},
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("circuit", nargs="?", default=CIRCUIT)
    parser.add_argument("--cases", type=int, default=60)
    parser.add_argument("--step", default="3")
    parser.add_argument("--seed", type=int, default=3)
    options = parser.parse_args()
    for row in measure(options.circuit, options.cases, options.step, options.seed):
        print(f"{row['what']}: {row['value']:.3f}", flush=True)


if __name__ == "__main__":
    main()
