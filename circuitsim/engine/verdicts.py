"""What a point is: running, stalled, locked, at rest, steady; or why it is no reading."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Domain
from circuitsim.elements.loads import LockedShaft
from circuitsim.engine.operating import Solved
from circuitsim.engine.system import Evaluator

__all__ = ["NO_READING", "STANDING", "Breach", "breaches", "find_verdicts", "limit_breaches"]

NO_READING = ("runs away", "outside validity", "unstable", "unconverged", "live")
"""How the verdicts begin that make a point no reading."""

Array = NDArray[np.float64]
STANDING = 0.1  # rad/s; a shaft held by dry friction creeps by 1 mrad/s, at the corner of its curve by 35 mrad/s
_MELTS = "the fuse melts"
_PUSHING = 0.05  # A into what should turn the shaft; a meter's current is no push


def find_verdicts(solved: Solved) -> tuple[str, ...]:
    """Give the verdict on each sample."""
    verdicts = _motion(solved)
    for k, text in limit_breaches(solved).items():
        verdicts[k] = text
    if solved.compiled.plan(solved.frozen).n:
        for k in np.flatnonzero(solved.unstable).tolist():
            if not verdicts[k].startswith(NO_READING):
                verdicts[k] = "unstable"
    for k in np.flatnonzero(~solved.solution.accepted).tolist():
        # A body that left its range on the way from rest, and found no rest, is running away.
        if not verdicts[k].startswith("runs away") and not verdicts[k].endswith(_MELTS):
            verdicts[k] = "unconverged"
    return tuple(verdicts)


def _motion(solved: Solved) -> list[str]:
    system, x = solved.system, solved.x
    shafts = [n for n, d in system.net.nodes().items() if d is Domain.ROTATIONAL and n not in system.given]
    if not shafts:
        return ["steady"] * solved.size
    locked = {e.nodes["shaft"] for e in system.net.elements.values() if isinstance(e, LockedShaft)}
    verdicts = ["at rest"] * solved.size
    push = _pushes(solved, shafts)
    for shaft in shafts:
        speed = np.abs(x[system.index[shaft]])
        for k in range(solved.size):
            if speed[k] >= STANDING:
                verdicts[k] = "running"
            elif push[shaft][k] > _PUSHING and verdicts[k] != "running":
                verdicts[k] = "locked" if shaft in locked else "stalled"
    return verdicts


def _pushes(solved: Solved, shafts: list[str]) -> dict[str, Array]:
    """Largest current into any element that puts a torque on each shaft, A."""
    system = solved.system
    push = {shaft: np.zeros(solved.size) for shaft in shafts}
    rows = {system.index[shaft]: shaft for shaft in shafts}
    for g, group in enumerate(system.groups):
        statement = group.statement
        hits = [(e, rows[int(at)]) for (_, e), at in np.ndenumerate(group.writes) if int(at) in rows]
        electrical = {t.name for t in statement.element.terminals if t.domain is Domain.ELECTRICAL}
        currents = [r for r, row in enumerate(statement.rows) if row in electrical]
        if not hits or not currents:
            continue
        out = np.empty((len(statement.rows), len(group.names), solved.size))
        statement.residual(solved.laws.inputs(g, solved.x), out)
        for e, shaft in hits:
            push[shaft] = np.maximum(push[shaft], np.abs(out[currents, e]).max(axis=0))
    return push


def limit_breaches(solved: Solved) -> dict[int, str]:
    """Find the samples in which a law has left its range, and name the element that left it furthest.

    Of samples that were followed in time, give why they stopped on their way.
    """
    if solved.stopped is not None:
        return solved.stopped
    worst: dict[int, Breach] = {}
    for found in breaches(solved.laws, solved.x):
        if found.sample not in worst or found.excess > worst[found.sample].excess:
            worst[found.sample] = found
    return {k: worst[k].verdict for k in sorted(worst)}


class Breach(NamedTuple):
    """A limit that is passed: by which sample, where, by what share of its range, for how long it may be (s), the verdict."""

    sample: int
    place: tuple[int, int, int]
    excess: float
    lasting: float
    verdict: str


def breaches(laws: Evaluator, x: Array) -> Iterator[Breach]:
    """Find all limits that are passed at x, (rows, batch)."""
    for g, group in enumerate(laws.system.groups):
        limits, kernel = group.statement.limits
        if not limits:
            continue
        out = np.empty((3 * len(limits), len(group.names), x.shape[1]))
        with np.errstate(all="ignore"):
            kernel(laws.inputs(g, x), out)
        for j, what in enumerate(limits):
            value, low, high = out[3 * j : 3 * j + 3]
            excess = np.maximum(value - high, low - value) / np.maximum(np.abs(high - low), 1e-12)
            for e, k in np.argwhere(excess > 0).tolist():
                hot = "temperature" in what and bool(value[e, k] > high[e, k])
                verdict = _breach(group.names[e], what, hot)
                yield Breach(k, (g, e, j), float(excess[e, k]), group.statement.lasting[j], verdict)


def _breach(element: str, what: str, hot: bool) -> str:
    if hot and what == "cutout temperature":
        return f"outside validity at {element}: the cutout opens"
    if hot and what == "fuse element temperature":
        return f"outside validity at {element}: {_MELTS}"
    return f"runs away at {element}" if hot else f"outside validity at {element}: {what}"
