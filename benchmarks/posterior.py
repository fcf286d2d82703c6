"""The diagnosis beside the exact posterior, on five readings at one step.

Run: python -m benchmarks.posterior [CIRCUIT] [--cases 300] [--vehicles 4096] [--step 3] [--workers 1] [--cases-to FILE]

How the exact posterior is found is told in `benchmarks.exact_posterior`, exact groups in `benchmarks.exact_groups`. What the
sampling leaves in doubt is printed: effective number of vehicles, standard errors, and the change when only half of the
vehicles are taken. Figures don't depend on the number of workers (processes). FILE gets a row for each case as it is done.

Printed: log score of both and their difference (target 0.1 nat); the share of cases in which the first group holds the truth
over what the exact posterior would reach by choosing among the same groups (target 0.97), and over what it reaches with the
exact groups; the calibration; and how the diagnosis's groups agree with the exact ones, so that large groups win nothing.
"""

from __future__ import annotations

import argparse
import csv
import math
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.exact_groups import Groups, compare_groups
from benchmarks.exact_posterior import LISTED, SURE, Samplers, exact_posterior
from benchmarks.faulty_vehicles import Case, displayed, draw_cases
from circuitsim import load
from circuitsim.measure import Conditions, Task
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import find_faults
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.studies.allowance import SHARP, Allowance
from circuitsim.studies.candidates import candidates
from circuitsim.studies.diagnose import Diagnosing
from circuitsim.studies.evidence import Findings, TakenReading
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.priors import Prior
from circuitsim.studies.weighing import ALLOWANCES

CIRCUIT = "tractor-cab-fan"
LEADS = (("BAT+", "BAT-"), ("MOT+", "GND"), ("MOT-", "GND"), ("CMD", "GND"))
TARGETS = {"log": 0.1, "accuracy": 0.97}


def tests_of(step: str) -> list[Task]:
    """Give supply, feed, low side and command by the voltmeter, and the motor's current."""
    volts = [Task(step, Conditions(), "voltmeter", red, black) for red, black in LEADS]
    return [*volts, Task(step, Conditions(), "clamp", at="M1")]


@dataclass(frozen=True)
class Score:
    """One case: logarithms of the truth's chance, by the diagnosis, the exact posterior and half of it; how sure that is.

    first, best: whether the group that the diagnosis thinks likeliest, and that the exact posterior does, holds the truth;
    given, earned: chance of the former group by both; groups: how groups agree.
    """

    case: int
    truth: str
    own: float
    exact: float
    half: float
    effective: float
    error: float
    first: bool
    best: bool
    given: float
    earned: float
    seconds: float
    groups: Groups

    def row(self) -> dict[str, Any]:
        """Give a flat row of a table."""
        found = {**asdict(self), **asdict(self.groups), "truth": self.truth, "in_exact_groups": self.groups.truth}
        del found["groups"]
        return {k: float(f"{v:.6g}") if isinstance(v, float) else v for k, v in found.items()}


class Trials:
    """Random vehicles of one circuit, and all that it takes to score them."""

    def __init__(self, circuit: str, cases: int, vehicles: int, step: str, seed: int) -> None:
        self.circuit, self.vehicles = load(circuit), vehicles
        # A meter that loads nothing, so that the exact posterior may have all of them on at once.
        self.meter = replace(find_meter("standard"), input_resistance=1e12)
        faults = {n: f for n, f in find_faults(self.circuit).items() if not f.kind.intermittent}
        tests, self.prior = tests_of(step), Prior(healthy=0.1, other=0.0)
        every = [*tests, *(t for t, _ in candidates(self.circuit, Conditions()))]
        self.table = FaultTable(self.circuit, every, self.meter, faults)
        self.samplers = Samplers(FaultBench(self.circuit, tests, self.meter, faults), faults)
        self.cases = draw_cases(self.table, self.prior, cases, seed)

    def findings(self, case: Case) -> Findings:
        """Solve a case by itself, and write down what the meter shows."""
        fault = self.table.faults[case.name] if case.fault else None
        share = np.array([float(fault.share(np.array(case.fault.severity))) if fault and fault.graded and case.fault else 0.5])
        named = dict(zip(self.table.bench.what, case.strays, strict=True))
        strays = np.array([named[name] for name in self.samplers.bench.what])
        values = self.samplers[case.name].show(share, strays[None])[0]
        rng = np.random.default_rng(case.seed)
        readings = [
            TakenReading(0, t, displayed(t, float(v), case, self.meter, rng))
            for t, v in zip(self.samplers.bench.tasks, values, strict=True)
        ]  # fmt: skip
        return Findings(tuple(readings), (), Conditions())

    def diagnosed(self, findings: Findings, allowances: Sequence[Allowance] = ALLOWANCES) -> Diagnosing:
        """Diagnose readings."""
        return Diagnosing(self.circuit, findings, self.meter, self.prior, table=self.table, allowances=allowances)

    def score(self, number: int) -> Score:
        """Diagnose a case, and weigh it exactly."""
        began, case = time.perf_counter(), self.cases[number]
        findings = self.findings(case)
        work = self.diagnosed(findings)
        told, sharp = work.chances(), self.diagnosed(findings, [SHARP]) if work.weighed.room() else work
        exact = exact_posterior(sharp, self.samplers, case.name, self.vehicles, case.seed)
        groups = [work.names(group) for group in work.groups()]
        chosen = max(groups, key=lambda g: sum(told.get(n, 0.0) for n in g))
        better = max(groups, key=lambda g: sum(exact.chances.get(n, 0.0) for n in g))
        own, optimum, half = (
            math.log(max(chances.get(case.name, 0.0), 1e-9)) for chances in (told, exact.chances, exact.half)
        )  # fmt: skip
        given, earned = (sum(chances.get(n, 0.0) for n in chosen) for chances in (told, exact.chances))
        compared = compare_groups(work, self.samplers, exact, case.name, case.seed)
        return Score(
            number, case.name, own, optimum, half, exact.effective, exact.error, case.name in chosen, case.name in better,
            given, earned, time.perf_counter() - began, compared,
        )  # fmt: skip


class _Worker:
    """What a process of several keeps between cases."""

    trials: Trials

    @classmethod
    def begin(cls, *settings: Any) -> None:
        cls.trials = Trials(*settings)

    @classmethod
    def score(cls, number: int) -> Score:
        return cls.trials.score(number)


def scores(settings: tuple[Any, ...], numbers: Sequence[int], workers: int) -> Iterator[Score]:
    """Score cases, in whatever order they are done; `settings` are those of `Trials`."""
    if workers < 2:
        yield from map(Trials(*settings).score, numbers)
        return
    context = get_context("spawn")
    with ProcessPoolExecutor(workers, context, _Worker.begin, settings) as pool:
        for done in as_completed([pool.submit(_Worker.score, k) for k in numbers]):
            yield done.result()


def measure(
    circuit: str = CIRCUIT, cases: int = 300, vehicles: int = 4096, step: str = "3", seed: int = 1, workers: int = 1,
    told: Callable[[Score], None] | None = None,
) -> list[dict[str, Any]]:  # fmt: skip
    """Measure: rows with what, value, yardstick, ratio, target; told: called with each case when it is done."""
    found = []
    for score in scores((circuit, cases, vehicles, step, seed), range(cases), workers):
        found.append(score)
        if told:
            told(score)
    found.sort(key=lambda s: s.case)
    return [*_rows(circuit, found), *_group_rows(circuit, [s.groups for s in found])]


def _rows(circuit: str, found: Sequence[Score]) -> list[dict[str, Any]]:
    own, exact, halves, effective, errors = np.array([(s.own, s.exact, s.half, s.effective, s.error) for s in found]).T
    lost, size = exact - own, own.size
    told = f"exact {exact.mean():.3f}; standard error of the difference {lost.std() / math.sqrt(size):.3f}"
    doubling = f"half the vehicles {halves.mean():.3f}; effective vehicles: least {effective.min():.0f}, "
    doubling += f"a tenth below {np.quantile(effective, 0.1):.0f}, median {np.median(effective):.0f}; "
    doubling += f"standard error of a case's score: median {np.median(errors):.3f}, largest {errors.max():.3f}"
    if np.median(errors) > SURE:
        doubling += f"; NO YARDSTICK: a median of {SURE} nat is wanted"
    sure = [(s.given, s.earned, s.first) for s in found if s.given > 0.8]
    kept = np.array(sure, dtype=float).mean(axis=0) if sure else np.full(3, math.nan)
    calibration = f"{circuit}: of {len(sure)} given more than 80 % ({kept[0]:.3f} on average, exact {kept[1]:.3f}), right"
    what = f"{circuit}: {size} cases, five readings"
    first, best = (np.mean(row) for row in zip(*((s.first, s.best) for s in found), strict=True))
    # The exact groups are of suspects that are listed; where the truth is not, only the diagnosis could have it.
    listed = [s for s in found if s.exact > math.log(LISTED)]
    mine, both = (np.mean(row) for row in zip(*((s.first, s.groups.truth) for s in listed), strict=True))
    return [
        _row(f"{what}: log score lost against the exact posterior, nat ({told}; {doubling})", lost.mean(), TARGETS["log"], 1.0),
        _row(f"{what}: truth in the first group, over the best by the exact posterior", first, best, TARGETS["accuracy"]),
        _row(
            f"{what}: truth in the first group, over that of the exact groups ({len(listed)} with a listed truth)",
            mine,
            both,
            None,
        ),
        _row(calibration, kept[2], kept[0], None),
    ]


def _group_rows(circuit: str, found: Sequence[Groups]) -> list[dict[str, Any]]:
    """Say how the groups agree; all that is counted are suspects with an exact chance that is listed."""
    total = {name: sum(getattr(g, name) for g in found) for name in asdict(found[0])}
    what, several = f"{circuit}: groups", [g for g in found if g.suspects > 1]
    split = f"{total['alike_own']} of {total['judged']} alike by the diagnosis, {total['alike_exact']} by exact vehicles; "
    split += f"20 % is between the exact bounds of {total['open']}"
    same = sum(g.same for g in several) / max(len(several), 1)
    return [
        _row(f"{what}: cases of {len(several)} with several suspects in which the partition is the exact one", same, 1.0, None),
        _row(f"{what}: pairs of suspects that are together in both or in neither", total["agreed"], total["pairs"], None),
        _row(f"{what}: comparisons with a leader that end alike ({split})", total["like"], total["judged"], None),
        _row(f"{what}: of those that the exact bounds decide", total["settled"], total["judged"] - total["open"], None),
        _row(
            f"{what}: suspects in the first group, on average",
            *(total[k] / len(found) for k in ("first_own", "first_exact")),
            None,
        ),
        _row(
            f"{what}: suspects in a group, on average",
            *(total["suspects"] / max(total[k], 1) for k in ("groups_own", "groups_exact")),
            None,
        ),
    ]


def _row(what: str, value: float, yardstick: float, target: float | None) -> dict[str, Any]:
    ratio = float(value) / max(float(yardstick), 1e-9)
    return {"what": what, "value": float(value), "yardstick": float(yardstick), "ratio": ratio, "target": target}


class _Log:
    """Writes a row for each case to a file, if there is one, and a line to standard error."""

    def __init__(self, path: Path | None) -> None:
        self.path, self.fresh = path, True

    def __call__(self, score: Score) -> None:
        row = score.row()
        if self.path:
            with self.path.open("w" if self.fresh else "a", newline="", encoding="utf-8") as file:
                writer = csv.DictWriter(file, list(row))
                if self.fresh:
                    writer.writeheader()
                writer.writerow(row)
        self.fresh = False
        print(
            f"case {score.case}: {score.truth}, own {score.own:.3f}, exact {score.exact:.3f} ± {score.error:.3f}, "
            f"effective {score.effective:.0f}, {score.seconds:.1f} s", file=sys.stderr, flush=True,
        )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("circuit", nargs="?", default=CIRCUIT)
    parser.add_argument("--cases", type=int, default=300)
    parser.add_argument("--vehicles", type=int, default=4096, help="of one suspect: a measure of how many")
    parser.add_argument("--step", default="3")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--cases-to", type=Path, metavar="FILE", help="CSV of all cases")
    options = parser.parse_args()
    settings = (options.circuit, options.cases, options.vehicles, options.step, options.seed, options.workers)
    for row in measure(*settings, told=_Log(options.cases_to)):
        print(f"{row['what']}: {row['value']:.3f} against {row['yardstick']:.3f}, ratio {row['ratio']:.3f}", flush=True)


if __name__ == "__main__":
    main()
