"""What one accepted operating point costs in a large batch, against one dense linear solve in the same run.

Run: python benchmarks/batches.py [CIRCUIT] [--samples 100000]

The batch: `samples` draws within the tolerances of the circuit's file, all steps mixed, electrical, shaft and heat
together, fallbacks included. The yardstick: ONE batched `numpy.linalg.solve` (one BLAS thread) of a dense random system of
the circuit's reduced size, in turn with the rest, seven times; medians. Two sizes are used: chains of two-node elements
taken out, bodies left in (the plain reading); and the package's own reduction, where bodies that only their own current
warms are out too, so that splitting a joint in two adds nothing (the strict reading). The targets are for the strict one:
the note under the table says who meets them. Numpy's, the default way, does not.

The floor: operations of the recorded program at the rate of this machine's matrix product, and the bytes of what goes in
(start, parameters that vary) and out (all rows), at the rate of a copy; whichever is longer.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is loaded

import numpy as np

import circuitsim as cs
from circuitsim.elements.base import Domain
from circuitsim.engine.anchored import PREDICTED, Anchored
from circuitsim.engine.native import available
from circuitsim.engine.operating import compile_netlist
from circuitsim.measure import Conditions, make_bench
from circuitsim.measure.readings import step_values
from circuitsim.studies.sampling import draw, uncertain_numbers

ROUNDS = 7
YARD = 2000  # systems in one call of the yardstick
TARGETS = {1: 0.25, 2: 0.14}
"""Ratio aimed at against the strict size, by threads."""


def reduced_size(net: cs.Netlist, unknowns: int) -> int:
    """Give the unknowns left when electrical nodes that only join two elements of a chain are taken out."""
    users: dict[str, list[object]] = {}
    for e in net.elements.values():
        for t in e.terminals:
            if t.domain is Domain.ELECTRICAL:
                users.setdefault(e.nodes[t.name], []).append(e)
    chain = sum(len(u) == 2 and all(e.ends is not None for e in u) for n, u in users.items() if n != net.ground)
    return unknowns - chain


def batch(circuit: cs.Circuit, net: cs.Netlist, samples: int) -> tuple[np.ndarray, dict, dict]:
    """Draw a batch with all steps mixed, in step order; give labels, nominal values by step, and the batch's values."""
    state = Conditions()
    count = len(circuit.steps)
    labels = np.sort(np.random.default_rng(1).integers(0, count, samples))
    modes = {k: np.asarray(v) for k, v in step_values(circuit, [(s, state) for s in circuit.steps]).items()}
    values = {k: v[0] if np.ptp(v) == 0 else v[labels] for k, v in modes.items()}
    numbers = uncertain_numbers(circuit, net, {})
    size = 1 << (samples - 1).bit_length()
    for number, z in zip(numbers, draw(numbers, size, 1, 0)[:, :samples], strict=True):
        drawn = number.at(z)
        if number.step is None:
            values[number.key] = drawn
        else:
            here = labels == number.step
            values[number.key] = np.where(here, drawn, values[number.key])
    return labels, modes, values


def floor(solver: Anchored, columns: int) -> float:
    """Give the least time of a point that operations and traffic allow on this machine, one thread, in seconds."""
    program, plan = solver.fused.program, solver.compiled.plan(False)
    side = 512
    a, b = np.ones((2, side, side))
    flops = 2 * side**3 / min(_timed(lambda: a @ b) for _ in range(5))
    big, copy = np.ones((2, 4_000_000))
    rate = 2 * big.nbytes / min(_timed(lambda: np.copyto(copy, big)) for _ in range(5))
    moved = 8 * (solver.fused.reduction.size + columns + plan.n)
    return max(program.operations / flops, moved / rate)


def _timed(what: Any) -> float:
    begin = time.perf_counter()
    what()
    return time.perf_counter() - begin


def measure(name: str = "tractor-cab-fan", samples: int = 100_000) -> list[dict[str, Any]]:
    """Give rows with what, value (seconds a point), yardstick (seconds), ratio, target and a note."""
    circuit = cs.load(name)
    net = make_bench(circuit).net
    labels, modes, values = batch(circuit, net, samples)
    compiled = compile_netlist(net)
    solvers = {"numpy": Anchored(compiled, modes, len(circuit.steps), native=False)}
    if available():
        solvers["compiled"] = Anchored(compiled, modes, len(circuit.steps), native=True)
    n = compiled.plan(False).n
    sizes = {"plain": reduced_size(net, n), "strict": solvers["numpy"].fused.reduction.size}
    yards = {kind: _yard(size) for kind, size in sizes.items()}
    times: dict[Any, list[float]] = {}
    done = {way: solver.solve(labels, values) for way, solver in solvers.items()}  # what is made once is made now
    for _ in range(ROUNDS):
        for kind, (matrices, right) in yards.items():
            times.setdefault(kind, []).append(_timed(lambda m=matrices, r=right: np.linalg.solve(m, r)) / YARD)
        for way, solver in solvers.items():
            for threads in TARGETS:
                cost = _timed(lambda s=solver, t=threads: s.solve(labels, values, threads=t)) / labels.size
                times.setdefault((way, threads), []).append(cost)
    rows, least = [], floor(solvers["numpy"], len(values))
    for way, solved in done.items():
        for threads, target in TARGETS.items():
            cost = statistics.median(times[way, threads])
            many = "s" if threads > 1 else ""
            aim = statistics.median(times["strict"]) * target
            note = (
                f"{labels.size:,} points; {way}; accepted {solved.solution.accepted.mean():.6f}, by the general way "
                f"{(solved.method != PREDICTED).mean():.6f}; residual at most {solved.solution.residual.max():.0e}; "
                f"{cost / least:.1f} times the floor of {1e6 * least:.2f} µs; on {threads} thread{many} it "
                f"{'meets' if cost <= aim else 'misses'} the target of {target:g}"
            )
            for kind, size in sizes.items():
                yard = statistics.median(times[kind])
                what = f"{name}, {way}, {threads} thread{many}, against dense n = {size} ({kind})"
                row = {"what": what, "value": cost, "yardstick": yard, "ratio": cost / yard, "note": note}
                rows.append({**row, "target": target if kind == "strict" else None})
    return rows


def _yard(size: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(0)
    return rng.normal(size=(YARD, size, size)) + size * np.eye(size), rng.normal(size=(YARD, size, 1))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("circuit", nargs="?", default="tractor-cab-fan")
    parser.add_argument("--samples", type=int, default=100_000)
    options = parser.parse_args()
    note = ""
    for row in measure(options.circuit, options.samples):
        if row["note"] != note:
            note = row["note"]
            print(note)
        print(f"  {row['what']:70} {1e6 * row['value']:6.2f} / {1e6 * row['yardstick']:6.2f} µs   ratio {row['ratio']:.3f}")


if __name__ == "__main__":
    main()
