"""What one accepted operating point costs in a large batch, against one dense linear solve in the same run.

Run: OPENBLAS_NUM_THREADS=1 python benchmarks/batches.py [CIRCUIT] [--samples 100000]

The batch: `samples` draws within the tolerances of the circuit's file, all steps mixed, electrical, shaft and heat
together, fallbacks included. The yardstick: ONE batched `numpy.linalg.solve` (one BLAS thread) of a dense random system of
the circuit's REDUCED size, that is without the electrical nodes that only join two elements of a chain. Both are run in
turn, seven times; medians.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is loaded

import numpy as np

import circuitsim as cs
from circuitsim.elements.base import Domain
from circuitsim.engine.anchored import PREDICTED, Anchored
from circuitsim.engine.operating import compile_netlist
from circuitsim.measure import Conditions, make_bench
from circuitsim.measure.readings import step_values
from circuitsim.studies.sampling import draw, uncertain_numbers

ROUNDS = 7
YARD = 2000  # systems in one call of the yardstick


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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("circuit", nargs="?", default="tractor-cab-fan")
    parser.add_argument("--samples", type=int, default=100_000)
    options = parser.parse_args()
    circuit = cs.load(options.circuit)
    net = make_bench(circuit).net
    labels, modes, values = batch(circuit, net, options.samples)
    solver = Anchored(compile_netlist(net), modes, len(circuit.steps))
    n = solver.compiled.plan(False).n
    reduced = reduced_size(net, n)
    rng = np.random.default_rng(0)
    matrices = rng.normal(size=(YARD, reduced, reduced)) + reduced * np.eye(reduced)
    right = rng.normal(size=(YARD, reduced, 1))
    solver.solve(labels, values)  # what is made once is made now
    times: dict[str, list[float]] = {"dense": [], "one": [], "two": []}
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        np.linalg.solve(matrices, right)
        times["dense"].append((time.perf_counter() - begin) / YARD)
        for threads, name in ((1, "one"), (2, "two")):
            begin = time.perf_counter()
            solved = solver.solve(labels, values, threads=threads)
            times[name].append((time.perf_counter() - begin) / labels.size)
    dense, one, two = (1e6 * statistics.median(times[k]) for k in ("dense", "one", "two"))
    fallback = float((solved.method != PREDICTED).mean())
    print(
        f"{circuit.name}: {labels.size:,} points, {len(values)} parameters vary; {platform.machine()}, numpy {np.__version__}"
    )
    print(f"unknowns {n}, reduced {reduced}; accepted {solved.solution.accepted.mean():.6f}, by the general way {fallback:.6f}")
    print(f"residual at most {solved.solution.residual.max():.1e}; corrections a point {solved.solution.iterations.mean():.2f}")
    print(f"dense solve of the reduced system  {dense:7.2f} µs")
    print(f"accepted point, one thread         {one:7.2f} µs   ratio {one / dense:.3f}")
    print(f"accepted point, two threads        {two:7.2f} µs   ratio {two / dense:.3f}")


if __name__ == "__main__":
    main()
