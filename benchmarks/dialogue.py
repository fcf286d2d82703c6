"""How long a full diagnosis takes: all single faults, twelve readings, the next test included; against one `predict`.

Run: python -m benchmarks.dialogue [CIRCUIT …] [--cases 8]

Vehicles with faults are drawn as in `benchmarks.diagnosis`; twelve readings of each are what a technician takes first: supply,
feed, low side and command, and the motor's current. Timed are the first diagnosis of a dialogue, which solves every fault at
every severity, and those after it, which take the table of the first (the median). The yardstick is the chart of the same
circuit (`predict`, its median) in the same run.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import numpy as np

from benchmarks.faulty_vehicles import draw_cases, take
from circuitsim import load
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Conditions, Task
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import find_faults
from circuitsim.studies.diagnose import diagnose
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.predict import predict
from circuitsim.studies.priors import Prior

CIRCUITS = ("tractor-cab-fan", "coach-defroster-fan", "minibus-condenser-fan")


def twelve_tests(circuit: Circuit) -> list[Task]:
    """Give supply at rest of the fan and at full speed, feed and low side at each of three steps, command and current."""
    on, low = Conditions(), circuit.steps[1:]
    steps = [low[0], low[len(low) // 2], low[-1]]
    command = next(p for p in ("CMD", "T1") if p in circuit.probes)

    def volts(step: str, red: str, black: str) -> Task:
        return Task(step, on, "voltmeter", red, black)

    tests = [volts(s, "BAT+", "BAT-") for s in (circuit.steps[0], low[-1])]
    tests += [volts(s, red, "GND") for s in steps for red in ("MOT+", "MOT-")]
    tests += [volts(s, command, "GND") for s in (low[0], low[-1])]
    return [*tests, *(Task(s, on, "clamp", at=circuit.motor) for s in (low[0], low[-1]))]


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Give the seconds that a call takes, and what it gives."""
    begin = time.perf_counter()
    found = work()
    return time.perf_counter() - begin, found


def measure(names: Sequence[str] = CIRCUITS, cases: int = 8, seed: int = 3) -> list[dict[str, Any]]:
    """Measure: rows with what, value (s), yardstick (s), ratio."""
    rows: list[dict[str, Any]] = []
    for name in names:
        circuit, meter, prior = load(name), find_meter("standard"), Prior()
        tests = twelve_tests(circuit)
        faults = {n: f for n, f in find_faults(circuit).items() if not f.kind.intermittent}
        drawing = FaultTable(circuit, tests, meter, faults)
        taken = take(drawing, draw_cases(drawing, prior, cases, seed, healthy=0.0), tests, meter)
        diagnose(circuit, taken[0])  # what is derived once for a circuit is at hand
        first, opened = timed(partial(diagnose, circuit, taken[0]))
        later = [timed(partial(diagnose, circuit, one, table=opened.table))[0] for one in taken[1:]]
        chart = float(np.median([timed(partial(predict, circuit))[0] for _ in range(5)]))
        told = f"{len(tests)} readings, {len(faults)} faults, next test included"
        for what, value in (("first diagnosis of a dialogue", first), ("each after it (median)", float(np.median(later)))):
            row = {"what": f"{name}: {what}, {told}; against one predict", "value": value, "yardstick": chart}
            rows.append({**row, "ratio": value / chart, "target": None})
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("circuits", nargs="*", default=list(CIRCUITS))
    parser.add_argument("--cases", type=int, default=8)
    options = parser.parse_args()
    for row in measure(options.circuits, options.cases):
        print(f"{row['what']}: {row['value']:.2f} s against {row['yardstick']:.3f} s, ratio {row['ratio']:.1f}", flush=True)


if __name__ == "__main__":
    main()
