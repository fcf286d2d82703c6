"""Random good vehicles, fitted to what a meter shows at two middle steps: how often the bands hold at the other steps.

Run: python -m benchmarks.fitting [CIRCUIT …] [--vehicles 200] [--seed 1]

Every number of a vehicle is drawn from its tolerance, the battery's included; its meter has a gain error in volts and one in
amperes, each reading its own counts, and the display its last digit. All standard readings of the middle steps with everything
plugged are fitted to. Then the vehicle is read at the other steps, with the same meter and with another of its kind: the share
of readings inside the 95 % bands that `fit` states, and how wide those are against the bands before. Readings of one vehicle
go together, so the standard error is that of the vehicles' shares. The yardstick of a share is 0.95, that of a width the band
before.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim import load, predict
from circuitsim.library.circuit import Circuit, StepTable
from circuitsim.measure import INSTRUMENTS, Conditions, Meter, Task
from circuitsim.measure import measure as read
from circuitsim.measure import meter as find_meter
from circuitsim.studies.evidence import Findings, Shown, TakenReading
from circuitsim.studies.fit import Fitted, fit
from circuitsim.studies.predict import reading_plan
from circuitsim.studies.sampling import uncertain_numbers

Array = NDArray[np.float64]
CIRCUITS = ("tractor-cab-fan", "generic-linear")


@dataclass(frozen=True)
class Case:
    """A vehicle, its fit, and what the meter of the fit and another of its kind show at the other steps."""

    vehicle: Circuit
    fitted: Fitted
    same: dict[Task, float]
    other: dict[Task, float]

    def share(self, shown: dict[Task, float]) -> float:
        """Share of readings inside their bands."""
        bands = {r.task: r.after for r in self.fitted.readings}
        return float(np.mean([bands[t][1] <= v <= bands[t][2] for t, v in shown.items()]))

    @property
    def width(self) -> float:
        """Mean width of the bands at the other steps against those before."""
        return float(np.nanmean([r.narrower for r in self.fitted.readings if r.task in self.same]))


def drawn(circuit: Circuit, rng: np.random.Generator) -> Circuit:
    """Draw a vehicle: every number from its own tolerance."""
    net, tables = circuit.net.copy(), dict(circuit.step_tables)
    for u in uncertain_numbers(circuit, circuit.net, {}):
        uniform = u.tolerance.kind == "uniform"
        value = float(u.at(rng.uniform(-math.sqrt(3), math.sqrt(3)) if uniform else rng.standard_normal()))
        if u.step is None:
            net.elements[u.key[0]].values[u.key[1]] = value
        else:
            given = tables[u.key]
            tables[u.key] = StepTable(tuple(value if k == u.step else v for k, v in enumerate(given.values)), given.tolerances)
    return replace(circuit, net=net, step_tables=tables)


class Instrument:
    """One meter: its gain errors, drawn once, and what it shows."""

    def __init__(self, meter: Meter, rng: np.random.Generator) -> None:
        self.meter, self.rng = meter, rng
        self.gains = {unit: float(rng.uniform(-1, 1)) for unit in "VA"}

    def show(self, task: Task, value: float) -> Shown:
        """Give what the display shows of a value."""
        unit = INSTRUMENTS[task.instrument]
        at = self.meter.range_for(value, unit) or self.meter.ranges(unit)[-1]
        value += self.gains[unit] * at.share * abs(value) + float(self.rng.uniform(-1, 1)) * at.counts * at.digit
        return Shown("number", round(value / at.digit) * at.digit, at.digit)


def plugged(circuit: Circuit, steps: Sequence[str]) -> list[Task]:
    """Give the chart's volts and amperes at some steps, everything plugged, ignition on."""
    plan = [t for t, _ in reading_plan(circuit, Conditions(), steps) if t.instrument in ("voltmeter", "clamp")]
    return [t for t in plan if not t.conditions.unplugged and t.conditions.ignition == "on"]


def cases(circuit: Circuit, count: int, seed: int = 1) -> Iterator[Case]:
    """Draw vehicles, read and fit them."""
    meter = find_meter("standard")
    middle = circuit.steps[2:-1]
    others = [s for s in circuit.steps[1:] if s not in middle]
    taken, left = plugged(circuit, middle), plugged(circuit, others)
    for k in range(count):
        rng = np.random.default_rng([seed, k])
        vehicle = drawn(circuit, rng)
        true = [m.expected for m in read(vehicle, [*taken, *left], meter)]
        own, another = Instrument(meter, rng), Instrument(meter, rng)
        readings = [TakenReading(0, t, own.show(t, v)) for t, v in zip(taken, true, strict=False)]
        fitted = fit(circuit, Findings(tuple(readings), (), Conditions()), chart=left)
        later = list(zip(left, true[len(taken) :], strict=True))
        yield Case(vehicle, fitted, *({t: i.show(t, v).value for t, v in later} for i in (own, another)))


def measure(circuits: Sequence[str] = CIRCUITS, vehicles: int = 200, seed: int = 1) -> list[dict[str, Any]]:
    """Measure circuits: rows with what, value, yardstick, ratio, target."""
    rows: list[dict[str, Any]] = []
    for name in circuits:
        circuit = load(name)
        predict(circuit)
        begin = time.perf_counter()
        predict(circuit)
        single, begin = time.perf_counter() - begin, time.perf_counter()
        found = list(cases(circuit, vehicles, seed))
        seconds = (time.perf_counter() - begin) / vehicles
        for what, shares in (
            ("with the same meter", [c.share(c.same) for c in found]),
            ("with another meter", [c.share(c.other) for c in found]),
        ):
            value, error = float(np.mean(shares)), float(np.std(shares)) / math.sqrt(vehicles)
            told = (
                f"{name}: share of readings at the other steps inside their bands, {what}, ± {error:.3f} ({vehicles} vehicles)"
            )
            rows.append({"what": told, "value": value, "yardstick": 0.95, "ratio": value / 0.95, "target": 1.0})
        strange = float(np.mean([c.fitted.chance < 1e-3 for c in found]))
        width = float(np.mean([c.width for c in found]))
        for what, value, yardstick in (
            ("mean width of those bands, that before is 1", width, 1.0),
            ("share of good vehicles told that they do not fit", strange, 1e-3),
            ("seconds to draw, read and fit a vehicle, against one predict", seconds, single),
        ):
            row = {
                "what": f"{name}: {what}",
                "value": value,
                "yardstick": yardstick,
                "ratio": value / yardstick,
                "target": None,
            }
            rows.append(row)
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("circuits", nargs="*", default=list(CIRCUITS))
    parser.add_argument("--vehicles", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for row in measure(options.circuits, options.vehicles, options.seed):
        print(f"{row['what']}: {row['value']:.4g}")


if __name__ == "__main__":
    main()
