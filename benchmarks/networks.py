"""What one big linear network costs, against bare `scipy.sparse.linalg.spsolve` on the assembled matrix in the same run.

Run: python benchmarks/networks.py [--largest 100000]

Three networks of resistors with one ideal source, seeded:

* ladder: rungs of 10 Ω between steps of 0.1 Ω;
* sheet: what a vehicle's body is, random points joined to their neighbours (Delaunay triangulation: planar), resistances
  over some decades, each hundredth node bolted to ground by 1 Ω;
* crossed: the same with one long link across it for each 500 nodes, so that no way of cutting it up is good.

Measured: `Compiled.solve` from a ready circuit, whole acceptance rule included, with one resistance changed in each round so
that nothing factored before can serve; also the very first solve, which finds the order of elimination. The yardstick:
`spsolve(A, b)` of the nodal matrix without the source's node, with assembly left out. Both in turn, medians. Then what
comes before: building the netlist, checking it, compiling it.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is loaded

import numpy as np
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import spsolve
from scipy.spatial import Delaunay

import circuitsim as cs
from circuitsim.engine.operating import compile_netlist

SIZES = (1_000, 3_162, 10_000, 31_623, 100_000)
GROUND = -1  # as an end of a branch; node 0 is the source's
EMF = 12.0
SLOWER = 2.0  # the target: times spsolve
GROWTH = 1.2  # the target: exponent of the ladder

Branches = tuple[np.ndarray, np.ndarray, np.ndarray]  # first ends, second ends, ohms


def ladder(n: int) -> Branches:
    node = np.arange(n)
    first, second = np.concatenate([node[:-1], node[1:]]), np.concatenate([node[1:], np.full(n - 1, GROUND)])
    return first, second, np.repeat([0.1, 10.0], n - 1)


def sheet(n: int) -> Branches:
    rng = np.random.default_rng(n)
    corners = Delaunay(rng.random((n, 2)) * (4.0, 2.0)).simplices
    sides = np.concatenate([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [0, 2]]])
    edges = np.unique(np.sort(sides, axis=1), axis=0)
    bolted = np.arange(1, n, 100)
    first, second = np.concatenate([edges[:, 0], bolted]), np.concatenate([edges[:, 1], np.full(bolted.size, GROUND)])
    return first, second, np.concatenate([1e-3 * np.exp(rng.normal(size=len(edges))), np.ones(bolted.size)])


def crossed(n: int) -> Branches:
    first, second, ohms = sheet(n)
    ends = np.random.default_rng(n + 1).permutation(n)[: 2 * (n // 500)].reshape(2, -1)
    return np.append(first, ends[0]), np.append(second, ends[1]), np.append(ohms, np.full(ends.shape[1], 1e-3))


def netlist(branches: Branches) -> cs.Netlist:
    net = cs.Netlist("network")
    net.add(cs.VoltageSource("V", "n0", "GND", emf=EMF))
    for k, (a, b, ohms) in enumerate(zip(*(part.tolist() for part in branches), strict=True)):
        net.add(cs.Resistor(f"R{k}", f"n{a}", "GND" if b == GROUND else f"n{b}", resistance=ohms))
    return net


def assembled(branches: Branches, n: int) -> tuple[csc_matrix, np.ndarray]:
    """Give the nodal matrix of nodes 1 … n-1 and the currents from the source's node."""
    first, second, ohms = branches
    a, b, g = first - 1, np.where(second == GROUND, n, second) - 1, 1 / ohms  # -1 source, n - 1 ground
    entries = [(a, a, g), (b, b, g), (a, b, -g), (b, a, -g)]
    rows, columns, values = (np.concatenate(part) for part in zip(*entries, strict=True))
    inside = (rows >= 0) & (rows < n - 1) & (columns >= 0) & (columns < n - 1)
    matrix = csc_matrix((values[inside], (rows[inside], columns[inside])), shape=(n - 1, n - 1))
    fed = (rows >= 0) & (rows < n - 1) & (columns < 0)
    return matrix, np.bincount(rows[fed], -EMF * values[fed], n - 1)


Result = TypeVar("Result")


@dataclass(frozen=True)
class Times:
    """Seconds for one network: medians of solve, spsolve, check and compile; build and the first solve once."""

    solve: float
    spsolve: float
    build: float
    check: float
    compile: float
    first: float


def timed(work: Callable[[], Result]) -> tuple[float, Result]:
    start = time.perf_counter()
    result = work()
    return time.perf_counter() - start, result


def measure_one(branches: Branches, n: int) -> Times:
    build, net = timed(lambda: netlist(branches))
    check = statistics.median(timed(net.check)[0] for _ in range(3))
    compile_ = statistics.median(timed(lambda: compile_netlist(net))[0] for _ in range(3))
    compiled = compile_netlist(net)
    first, _ = timed(compiled.solve)
    matrix, right = assembled(branches, n)
    ours, bare = [], []
    for k in range(7 if n > 20_000 else 31):
        values = {("R0", "resistance"): float(branches[2][0]) * (1 + 1e-6 * (k + 1))}
        seconds, solved = timed(lambda values=values: compiled.solve(values))
        ours.append(seconds)
        seconds, volts = timed(lambda: spsolve(matrix, right))
        bare.append(seconds)
        if not solved.solution.accepted.all():
            raise SystemExit("a point was not accepted")
    rows = [solved.system.index[f"n{k}"] for k in range(1, n)]
    # One resistance is off by some 1e-5 at most; what is asked here is only whether both solve the same network.
    if np.abs(solved.x[rows, 0] - volts).max() > 1e-3 * EMF:
        raise SystemExit("the two do not agree")
    return Times(statistics.median(ours), statistics.median(bare), build, check, compile_, first)


def exponent(sizes: tuple[int, ...], seconds: list[float]) -> float:
    """Give the growth exponent: the least-squares slope of log time against log size."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


def measure(largest: int = SIZES[-1]) -> list[dict[str, object]]:
    """Give a row a figure: what, value and yardstick (s, or exponents), ratio, target (None where none is set)."""
    return list(_rows(tuple(n for n in SIZES if n <= largest)))


def _rows(sizes: tuple[int, ...]) -> Iterator[dict[str, object]]:
    for network in (ladder, sheet, crossed):
        target = None if network is crossed else SLOWER
        name = network.__name__
        times = [measure_one(network(n), n) for n in sizes]
        for n, t in zip(sizes, times, strict=True):
            yield _row(f"{name} of {n} nodes: solve", t.solve, t.spsolve, t.solve / t.spsolve, target)
        for n, t in zip(sizes, times, strict=True):
            yield _row(f"{name} of {n} nodes: first solve", t.first, t.spsolve, t.first / t.spsolve, None)
        bare = exponent(sizes, [t.spsolve for t in times])
        for step in ("build", "check", "compile", "first", "solve"):
            grown = exponent(sizes, [getattr(t, step) for t in times])
            yield _row(f"{name}: growth exponent of {step}", grown, bare, grown, GROWTH if network is ladder else None)


def _row(what: str, value: float, yardstick: float, ratio: float, target: float | None) -> dict[str, object]:
    return {"what": what, "value": value, "yardstick": yardstick, "ratio": ratio, "target": target}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--largest", type=int, default=SIZES[-1])
    print(f"{'':44}{'ours':>11}{'spsolve':>11}{'ratio':>7}{'target':>8}")
    for row in _rows(tuple(n for n in SIZES if n <= parser.parse_args().largest)):
        scale, unit = (1.0, "") if "exponent" in str(row["what"]) else (1e3, " ms")
        times = "".join(f"{scale * float(str(row[k])):>8.2f}{unit:3}" for k in ("value", "yardstick"))
        print(f"{row['what']:44}{times}{row['ratio']:>7.2f}{row['target'] or '':>8}", flush=True)


if __name__ == "__main__":
    main()
