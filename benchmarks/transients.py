"""The course in time: is the operating point the one that it leads to, how exact is it, and what does it cost?

Run: OPENBLAS_NUM_THREADS=1 python benchmarks/transients.py [--circuits 200]

1. The operating points of random circuits (seven circuits with all that has a tolerance drawn from it, random steps and
   temperatures around, every sixth dragging so hard that it stalls, and cooled well enough to bear it) against the course
   from rest over 30,000 s: the largest difference of any value as a share of it (1 V, 1 A, 1 rad/s or 1 °C at least). Points
   that are no reading are compared by verdict.
2. Temperatures two minutes after key-on against the same course with a hundredth of the tolerance.
3. Time for one course of two minutes against scipy.integrate.solve_ivp (Radau and BDF, with the exact Jacobian) on the same
   equations, what stores nothing being eliminated by Newton in every evaluation (scipy's solvers take no balances without a
   store), at tolerances that leave both the same error in temperatures. Ours alternates with each; medians of three.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Callable
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is loaded

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

import circuitsim as cs
from circuitsim.engine.operating import Compiled, compile_netlist
from circuitsim.engine.points import Points
from circuitsim.engine.reaching import reach, step_plan
from circuitsim.engine.stepping import StepPlan
from circuitsim.engine.system import Evaluator
from circuitsim.measure.conditions import Conditions, make_bench
from circuitsim.measure.readings import step_values

Array = NDArray[np.float64]
Key = tuple[str, str]
LONG = 3e4  # s; a hundred of the longest time constants
ROUNDS = 3


def drawn(circuit: cs.Circuit, size: int, rng: np.random.Generator) -> dict[Key, Array]:
    """Random values of all that has a tolerance, at random steps; every sixth motor drags."""
    steps = rng.integers(1, len(circuit.steps), size)
    values = dict(step_values(circuit, [(circuit.steps[k], Conditions()) for k in steps]))
    for name, e in circuit.net.elements.items():
        for parameter, tolerance in e.tolerances.items():
            base = values.get((name, parameter), np.full(size, e.values[parameter]))
            if tolerance.kind == "lognormal":
                found = base * np.exp(tolerance.log_sigma * rng.standard_normal(size))
            else:
                found = base + tolerance.standard(1.0) * (base if tolerance.relative else 1.0) * rng.uniform(-1.7, 1.7, size)
            p = e.parameter(parameter)
            values[name, parameter] = np.clip(found, p.low, p.high)
    motor, drags = circuit.net.elements[circuit.motor], np.arange(size) % 6 == 5
    for parameter, dragging in (("friction", 20.0), ("winding_resistance_heat", 0.1), ("case_resistance_heat", 0.1)):
        base = values.get((circuit.motor, parameter), motor.values[parameter])
        values[circuit.motor, parameter] = np.where(drags, dragging, base)
    return values


def compare(name: str, size: int, seed: int) -> tuple[float, dict[str, int], int]:
    """Compare operating points with where time leads: the largest difference, verdicts, and how many verdicts differ."""
    circuit = cs.load(name)
    compiled = compile_netlist(make_bench(circuit).net)
    rng = np.random.default_rng(seed)
    values, air = drawn(circuit, size, rng), rng.uniform(-20, 45, size)
    points = Points(compiled.solve(values, ambient=air, size=size))
    led = Points(reach(compiled, values, LONG, ambient=air, size=size))
    both = points.valid & led.valid
    far = np.abs(points.solved.x - led.solved.x) / np.maximum(np.abs(points.solved.x), 1.0)
    verdicts: dict[str, int] = {}
    for v in points.verdicts:
        verdicts[v] = verdicts.get(v, 0) + 1
    said = [a == b or not (x or y) for a, b, x, y in zip(points.verdicts, led.verdicts, points.valid, led.valid, strict=True)]
    return float(far[: len(compiled.system.variables), both].max(initial=0.0)), verdicts, said.count(False)


def right_root(circuits: int) -> list[dict[str, Any]]:
    """Rows of the first question."""
    names = cs.circuit_names()
    worst, counts, apart = 0.0, dict[str, int](), 0
    for k, name in enumerate(names):
        far, verdicts, differ = compare(name, circuits // len(names) + (k < circuits % len(names)), k)
        worst, apart = max(worst, far), apart + differ
        for v, n in verdicts.items():
            counts[v.partition(" at ")[0]] = counts.get(v.partition(" at ")[0], 0) + n
    said = ", ".join(f"{n} {v}" for v, n in sorted(counts.items(), key=lambda item: -item[1]))
    return [
        {"what": f"operating point against the course from rest, {circuits} circuits ({said}): largest difference",
         "value": worst, "yardstick": 1e-6, "ratio": worst / 1e-6, "target": 1},
        {"what": "verdicts that differ", "value": apart, "yardstick": circuits, "ratio": apart / circuits, "target": 0},
    ]  # fmt: skip


class Reduced:
    """A circuit as an ordinary differential equation of what it stores, the rest found by Newton: for scipy."""

    def __init__(self, compiled: Compiled, values: dict[Key, float]) -> None:
        self.plan: StepPlan = step_plan(compiled)
        self.laws = Evaluator.of(compiled.system, values, 1)
        self.at = np.flatnonzero(self.plan.stored)
        self.rest = np.flatnonzero(~self.plan.stored)
        self.rows = np.flatnonzero(~self.plan.storing)
        self.x = compiled.system.rest(np.array([20.0]))

    def _found(self, y: Array) -> tuple[Array, Array, Array]:
        """Give the flows, and J and M, dense, with the balances that store nothing closed."""
        plan = self.plan
        self.x[self.at, 0] = y
        for _ in range(60):
            flow, jacobian, mass = plan.matrices(self.laws, self.x)
            full = plan.dense(jacobian)[0]
            step = np.linalg.solve(full[np.ix_(self.rows, self.rest)], -flow[self.rows, 0])
            share = min(1.0, 5.0 / np.abs(step).max(initial=1e-9))
            self.x[self.rest, 0] += share * step
            if np.abs(step).max(initial=0.0) < 1e-9:
                break
        return flow[:, 0], full, plan.dense(mass)[0]

    def slope(self, _: float, y: Array) -> Array:
        flow, _, mass = self._found(y)
        storing = np.flatnonzero(self.plan.storing)
        return np.linalg.solve(mass[np.ix_(storing, self.at)], -flow[storing])

    def jacobian(self, _: float, y: Array) -> Array:
        _, full, mass = self._found(y)
        storing = np.flatnonzero(self.plan.storing)
        follow = np.linalg.solve(full[np.ix_(self.rows, self.rest)], full[np.ix_(self.rows, self.at)])
        inner = full[np.ix_(storing, self.at)] - full[np.ix_(storing, self.rest)] @ follow
        return np.linalg.solve(mass[np.ix_(storing, self.at)], -inner)


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.perf_counter()
    found = work()
    return time.perf_counter() - start, found


def speed(name: str = "generic-pack", step: str = "2", seconds: float = 120.0) -> list[dict[str, Any]]:
    """Rows of the second and third question."""
    circuit = cs.load(name)
    compiled = compile_netlist(make_bench(circuit).net)
    values = {key: float(v[0]) for key, v in step_values(circuit, [(step, Conditions())]).items()}
    exact = reach(compiled, values, seconds, relative=1e-9).x[:, 0]
    hot = np.flatnonzero(compiled.system.thermal)
    reduced = Reduced(compiled, values)
    places = np.searchsorted(reduced.at, hot)

    def error(x: Array) -> float:
        return float(np.abs(x - exact[hot]).max())

    rows = []
    ours = error(reach(compiled, values, seconds).x[hot, 0])
    rows.append({"what": f"{name} after {seconds:g} s: error of temperatures, K, against 1 mK", "value": ours,
                 "yardstick": 1e-3, "ratio": ours / 1e-3, "target": 1})  # fmt: skip
    for method in ("Radau", "BDF"):
        times: list[tuple[float, float]] = []
        left = 0.0
        for _ in range(ROUNDS):
            mine, _ = timed(lambda: reach(compiled, values, seconds))
            reduced.x = compiled.system.rest(np.array([20.0]))
            start = reduced.x[reduced.at, 0].copy()
            theirs, found = timed(
                lambda start=start, method=method: solve_ivp(
                    reduced.slope, (0.0, seconds), start, method=method, jac=reduced.jacobian, rtol=1e-6, atol=1e-6
                )
            )
            left = error(found.y[places, -1])
            times.append((mine, theirs))
        mine, theirs = (statistics.median(t) for t in zip(*times, strict=True))
        rows.append({"what": f"scipy's {method} on the eliminated equations (its error {left:.1e} K), s, against ours",
                     "value": theirs, "yardstick": mine, "ratio": theirs / mine, "target": 1})  # fmt: skip
    return rows


def measure(circuits: int = 200) -> list[dict[str, Any]]:
    """Measure; a row a figure."""
    return [*right_root(circuits), *speed()]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--circuits", type=int, default=200)
    for row in measure(parser.parse_args().circuits):
        print(f"{row['what']}: {row['value']:.3g} against {row['yardstick']:.3g}, ratio {row['ratio']:.3g} ({row['target']})")


if __name__ == "__main__":
    main()
