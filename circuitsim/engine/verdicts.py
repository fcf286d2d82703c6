"""What a point is: running, stalled, locked, at rest, steady; or why it is no reading."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Domain
from circuitsim.elements.loads import LockedShaft
from circuitsim.engine.operating import Solved
from circuitsim.engine.settling import Stores, dynamic_rows

__all__ = ["find_verdicts", "slowest_growth"]

Array = NDArray[np.float64]
_STANDING = 0.5  # rad/s; friction is narrower than a tenth of this
_PUSHING = 1e-6  # N·m; a 10 MΩ meter's current gives some 1e-8
_CHECKED = 256  # the largest batch whose stability is looked at


def find_verdicts(solved: Solved) -> tuple[str, ...]:
    """Give the verdict on each sample."""
    verdicts = _motion(solved)
    for k, text in _limit_breaches(solved).items():
        verdicts[k] = text
    if solved.size <= _CHECKED:
        growth = slowest_growth(solved)
        for k in np.flatnonzero(growth > 0).tolist():
            if not verdicts[k].startswith(("runs away", "outside")):
                verdicts[k] = "unstable"
    for k in np.flatnonzero(~solved.solution.accepted).tolist():
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
            if speed[k] >= _STANDING:
                verdicts[k] = "running"
            elif push[shaft][k] > _PUSHING and verdicts[k] != "running":
                verdicts[k] = "locked" if shaft in locked else "stalled"
    return verdicts


def _pushes(solved: Solved, shafts: list[str]) -> dict[str, Array]:
    """Largest torque that any element puts on each shaft, N·m."""
    system = solved.system
    push = {shaft: np.zeros(solved.size) for shaft in shafts}
    rows = {system.index[shaft]: shaft for shaft in shafts}
    for g, group in enumerate(system.groups):
        statement = group.statement
        hits = [(r, e) for (r, e), at in np.ndenumerate(group.writes) if int(at) in rows]
        if not hits:
            continue
        out = np.empty((len(statement.rows), len(group.names), solved.size))
        statement.residual(solved.laws.inputs(g, solved.x), out)
        for r, e in hits:
            shaft = rows[int(group.writes[r, e])]
            push[shaft] = np.maximum(push[shaft], np.abs(out[r, e]))
    return push


def _limit_breaches(solved: Solved) -> dict[int, str]:
    """Find the samples in which a law has left its range, and name the element that left it furthest."""
    worst = np.zeros(solved.size)
    texts: dict[int, str] = {}
    for g, group in enumerate(solved.system.groups):
        limits, kernel = group.statement.limits
        if not limits:
            continue
        out = np.empty((3 * len(limits), len(group.names), solved.size))
        with np.errstate(all="ignore"):
            kernel(solved.laws.inputs(g, solved.x), out)
        for j, limit in enumerate(limits):
            value, low, high = out[3 * j : 3 * j + 3]
            excess = np.maximum(value - high, low - value) / np.maximum(np.abs(high - low), 1e-12)
            for e, k in np.argwhere(excess > 0):
                if excess[e, k] > worst[k]:
                    worst[k] = excess[e, k]
                    hot = "temperature" in limit.what and value[e, k] > high[e, k]
                    texts[int(k)] = _breach(group.names[e], limit.what, hot)
    return texts


def _breach(element: str, what: str, hot: bool) -> str:
    if hot and what == "cutout temperature":
        return f"outside validity at {element}: the cutout opens"
    return f"runs away at {element}" if hot else f"outside validity at {element}: {what}"


def slowest_growth(solved: Solved) -> Array:
    """Largest real part of the eigenvalues of the linearised motion, 1/s, less a rounding allowance; > 0 is unstable.

    Rows without a stored quantity are eliminated first: C·dx/dt = -(J_ss - J_sa J_aa⁻¹ J_as)·x.
    """
    plan = solved.compiled.plan(solved.frozen)
    stores = Stores(plan)
    storing = dynamic_rows(solved.system)[plan.free]
    growth = np.full(solved.size, -np.inf)
    s, a = np.flatnonzero(storing), np.flatnonzero(~storing)
    for k in np.flatnonzero(solved.solution.accepted) if s.size else ():
        laws = solved.laws.take(slice(k, k + 1))
        x = solved.x[:, k : k + 1]
        _, slopes = laws(x)
        full = plan.dense(plan.cells(slopes))[0]
        mass = stores.matrix(laws, x)[0][np.ix_(s, s)]
        growth[k] = _growth(full, mass, s, a)
    return growth


def _growth(full: Array, mass: Array, s: NDArray[np.intp], a: NDArray[np.intp]) -> float:
    reduced = full[np.ix_(s, s)]
    with np.errstate(all="ignore"):
        if a.size:
            inner = full[np.ix_(a, a)]
            r = 1 / np.maximum(np.abs(inner).max(axis=1), 1e-300)
            try:
                reduced = reduced - full[np.ix_(s, a)] @ np.linalg.solve(
                    inner * r[:, None], full[np.ix_(a, s)] * r[:, None]
                )
                rates = np.linalg.eigvals(-np.linalg.solve(mass, reduced))
            except np.linalg.LinAlgError:
                return -np.inf
        else:
            rates = np.linalg.eigvals(-np.linalg.solve(mass, reduced))
    if not np.isfinite(rates).all():
        return -np.inf
    allowance = 1e-12 * float(np.abs(rates).max())
    return float(rates.real.max()) - allowance
