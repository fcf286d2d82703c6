"""Does every circuit always give an answer, and the right one?

Four counts, printed as tables:

1. random sets of parameters within the tolerances, each at one of the steps, cold and warm: how many pass the
   acceptance rule, by which method, how many do not, what the verdicts are;
2. the same by the general way, from rest, each at a temperature of its own (a tenth as many);
3. random starts on random circuits: do any end at another root that would be returned as the answer;
4. extremes: every contact and wire from 1 µΩ to 1e12 Ω, a flat battery, a seized shaft.

Run it as ``python benchmarks/robustness.py [--samples 100000] [--circuits NAME ...]``.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.typing import NDArray

import circuitsim as cs
from circuitsim.engine.anchored import Anchored
from circuitsim.engine.operating import Solved, compile_netlist
from circuitsim.engine.points import Points
from circuitsim.measure.conditions import Conditions, make_bench
from circuitsim.measure.readings import step_values
from circuitsim.quantities import Tolerance

Array = NDArray[np.float64]
Values = dict[tuple[str, str], Array]
METHODS = ("direct", "narrowed", "settled", "predicted")
DECADES = (1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0, 100.0, 1e4, 1e6, 1e9, 1e12)
WIRES = ((1e-3, 1e-9, 1.0), (1e-4, 1e-8, 1.0), (1e-9, 1e-8, 1.0), (1e-9, 1e-6, 1e-2), (1e-9, 1e-4, 1e-6))
"""Section, resistivity and share of whole strands: a metre of wire from 1 µΩ to 1e11 Ω."""
CHUNK = 20_000


@dataclass
class Tally:
    """What a run of solves came to."""

    sets: int = 0
    accepted: int = 0
    raised: int = 0
    residual: float = 0.0
    seconds: float = 0.0
    methods: NDArray[np.int64] = field(default_factory=lambda: np.zeros(len(METHODS), np.int64))
    verdicts: Counter[str] = field(default_factory=Counter)
    lost: list[str] = field(default_factory=list)

    def add(self, points: Points, seconds: float, names: Sequence[str] = ()) -> None:
        """Count a solved batch."""
        self.sets += points.size
        self.accepted += int(points.accepted.sum())
        self.residual = max(self.residual, float(points.residual[points.accepted].max(initial=0.0)))
        self.seconds += seconds
        self.methods += np.bincount(points.solved.method, minlength=len(METHODS))
        self.verdicts.update(v.partition(" at ")[0] if " at " in v else v for v in points.verdicts)
        doubtful = (k for k, v in enumerate(points.verdicts) if v in ("unconverged", "unstable"))
        self.lost += [f"{points.verdicts[k]}: {names[k]}" for k in doubtful] if names else []

    def row(self, *first: str) -> str:
        """One line of a table."""
        counts = " ".join(f"{n:>9,}" for n in (self.sets, self.accepted, *self.methods, self.raised))
        said = ", ".join(f"{verdict} {count:,}" for verdict, count in self.verdicts.most_common())
        return f"{first[0]:<22} {first[1]:<5} {counts}  {self.residual:8.1e} {self.seconds:7.1f}  {said}"


HEAD = (
    f"{'circuit':<22} {'state':<5} " + " ".join(f"{h:>9}" for h in ("sets", "accepted", *METHODS, "raised"))
    + f"  {'residual':>8} {'seconds':>7}  verdicts"
)  # fmt: skip


def spread(nominal: float, tolerance: Tolerance | None, size: int, rng: np.random.Generator) -> Array:
    """Draw a number from its tolerance."""
    if tolerance is None:
        return np.full(size, nominal)
    if tolerance.kind == "lognormal":
        return nominal * np.exp(tolerance.log_sigma * rng.standard_normal(size))
    deviation = tolerance.standard(nominal)
    if tolerance.kind == "normal":
        return nominal + deviation * rng.standard_normal(size)
    return nominal + np.sqrt(3.0) * deviation * rng.uniform(-1, 1, size)


def at_step(circuit: cs.Circuit, step: str, size: int, rng: np.random.Generator) -> Values:
    """Random values of everything with a tolerance at a step, and of what the step sets."""
    k = circuit.step_index(step)
    values: Values = dict(step_values(circuit, [(step, Conditions())] * size))
    for name, e in circuit.net.elements.items():
        for parameter, tolerance in e.tolerances.items():
            key, p = (name, parameter), e.parameter(parameter)
            table = circuit.step_tables.get(key)
            nominal = table.values[k] if table else e.values[parameter]
            found = spread(nominal, table.tolerances[k] if table else tolerance, size, rng)
            values[key] = np.clip(found, p.low, p.high)
    return values


def random_sets(circuit: cs.Circuit, size: int, rng: np.random.Generator) -> tuple[NDArray[np.intp], Values]:
    """Random sets spread over the steps: the step of each, and its values."""
    labels = np.sort(np.arange(size) % len(circuit.steps))
    pieces = [at_step(circuit, s, int((labels == k).sum()), rng) for k, s in enumerate(circuit.steps)]
    return labels, {key: np.concatenate([piece[key] for piece in pieces]) for key in pieces[0]}


def chunks(total: int) -> Iterator[int]:
    """Split a number into chunks."""
    for first in range(0, total, CHUNK):
        yield min(CHUNK, total - first)


def solve(tally: Tally, way: Callable[[], Solved], names: Sequence[str] = ()) -> Points | None:
    """Solve and count; an error that gets out is counted too."""
    start = time.perf_counter()
    try:
        solved = way()
    except (cs.CircuitsimError, ArithmeticError, ValueError, LookupError) as error:
        tally.raised += 1
        tally.lost.append(repr(error))
        return None
    points = Points(solved)
    tally.add(points, time.perf_counter() - start, names)
    return points


def random_circuits(name: str, samples: int, general: bool, frozen: bool) -> Tally:
    """Random sets of one circuit, cold or warm."""
    circuit = cs.load(name)
    compiled = compile_netlist(make_bench(circuit).net)
    nominal = step_values(circuit, [(step, Conditions()) for step in circuit.steps])
    rng, tally = np.random.default_rng([1, general, frozen]), Tally()
    anchored = Anchored(compiled, nominal, len(circuit.steps), frozen=frozen)
    for size in chunks(samples):
        labels, values = random_sets(circuit, size, rng)
        ambient = rng.uniform(-30.0, 50.0, size)
        if general:
            solve(tally, partial(compiled.solve, values, ambient=ambient, frozen=frozen, size=size))
        else:
            solve(tally, partial(anchored.solve, labels, values))
    return tally


def random_starts(names: Sequence[str], circuits: int, starts: int) -> tuple[Tally, int, float]:
    """Random circuits from random starts, warm: the count, how many ended elsewhere as a reading, the largest gap."""
    rng, tally, elsewhere, widest = np.random.default_rng(2), Tally(), 0, 0.0
    reach = {"V": 30.0, "A": 60.0, "rad/s": 500.0, "°C": 100.0}
    compiled = {name: compile_netlist(make_bench(cs.load(name)).net) for name in names}
    for k in range(circuits):
        name = names[k % len(names)]
        circuit, system = cs.load(name), compiled[name].system
        values = at_step(circuit, str(rng.choice(circuit.steps)), 1, rng)
        start = system.rest(np.full(starts, 20.0))
        for row, unit in enumerate(system.units):
            start[row] += rng.uniform(-1, 1, starts) * reach.get(unit, 3.0)
        reference = Points(compiled[name].solve(values))
        found = solve(tally, partial(compiled[name].solve, values, start=start, size=starts))
        if found is None:
            continue
        # The rule leaves 1e-9 of each value and 1 µK, on either side.
        allowed = 2e-9 * np.abs(reference.solved.x) + 2e-6
        gap = np.abs(found.solved.x - reference.solved.x) / allowed
        returned = found.accepted & found.valid
        elsewhere += int((gap[:, returned].max(axis=0, initial=0.0) > 1).sum())
        widest = max(widest, float(gap[:, returned].max(initial=0.0)))
    return tally, elsewhere, widest


def extremes(name: str, frozen: bool) -> Tally:
    """Every contact and wire at every decade, a flat battery, a seized shaft; at each step."""
    circuit, tally = cs.load(name), Tally()
    compiled = compile_netlist(make_bench(circuit).net)
    changes: list[dict[tuple[str, str], float]] = []
    for e in circuit.net.elements.values():
        if e.kind in ("contact", "pin"):
            changes += [{(e.name, "resistance"): ohms} for ohms in DECADES]
        elif e.kind == "wire":
            keys = [(e.name, p) for p in ("area", "resistivity", "strands")]
            changes += [dict(zip(keys, wire, strict=True)) for wire in WIRES]
    changes += [{("BAT", "emf"): volts} for volts in (0.0, 1e-6, 1e-3, 0.1, 1.0, 4.0)]
    changes += [{(circuit.motor, "friction"): torque} for torque in (0.0, 0.01, 0.1, 1.0, 3.0, 10.0, 100.0)]
    for step in circuit.steps:
        values: Values = dict(step_values(circuit, [(step, Conditions())] * len(changes)))
        for k, change in enumerate(changes):
            for (element, parameter), value in change.items():
                usual = circuit.net.elements[element].values[parameter]
                values.setdefault((element, parameter), np.full(len(changes), usual))[k] = value
        labels = [f"{name}, step {step}, {'cold' if frozen else 'warm'}: {change}" for change in changes]
        solve(tally, partial(compiled.solve, values, frozen=frozen, size=len(changes)), labels)
    seized = circuit.net.copy()
    seized.add(cs.LockedShaft("SEIZED", circuit.net.elements[circuit.motor].nodes["shaft"]))
    steps = step_values(circuit, [(step, Conditions()) for step in circuit.steps])
    labels = [f"{name}, step {step}, {'cold' if frozen else 'warm'}: seized" for step in circuit.steps]
    solve(tally, partial(compile_netlist(seized).solve, steps, frozen=frozen, size=len(circuit.steps)), labels)
    return tally


def table(title: str, rows: Iterator[tuple[str, str, Tally]]) -> None:
    """Print a table as it comes, and at its end what was lost."""
    print(f"\n{title}\n{HEAD}", flush=True)
    lost: list[str] = []
    for name, state, tally in rows:
        print(tally.row(name, state), flush=True)
        lost += tally.lost
    for text in lost[:40]:
        print(f"  {text}")


def main() -> None:
    """Run all four."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--samples", type=int, default=100_000, help="random sets a circuit and state")
    parser.add_argument("--starts", type=int, default=64, help="random starts a circuit")
    parser.add_argument("--random-circuits", type=int, default=200, help="circuits for the random starts")
    parser.add_argument("--circuits", nargs="*", default=list(cs.circuit_names()), metavar="NAME")
    given = parser.parse_args()
    states = [(name, frozen) for name in given.circuits for frozen in (True, False)]

    def said(frozen: bool) -> str:
        return "cold" if frozen else "warm"

    table(
        f"{given.samples:,} random sets a circuit and state, the way of large batches",
        ((n, said(f), random_circuits(n, given.samples, False, f)) for n, f in states),
    )
    table(
        f"{given.samples // 10:,} random sets a circuit and state, from rest, -30 to 50 °C",
        ((n, said(f), random_circuits(n, given.samples // 10, True, f)) for n, f in states),
    )
    tally, elsewhere, widest = random_starts(given.circuits, given.random_circuits, given.starts)
    table(
        f"{given.starts} random starts on each of {given.random_circuits} random circuits, warm",
        iter([("all", "warm", tally)]),
    )
    print(f"  returned another root: {elsewhere}; widest gap {widest:.2g} of what the rule allows")
    table("extremes, one at a time, at each step", ((n, said(f), extremes(n, f)) for n, f in states))


if __name__ == "__main__":
    main()
