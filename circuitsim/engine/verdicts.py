"""What a point is: running, stalled, locked, at rest, steady; or why it is no reading."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Domain
from circuitsim.elements.loads import LockedShaft
from circuitsim.engine.operating import Solved
from circuitsim.engine.settling import Stores

__all__ = ["NO_READING", "STANDING", "find_verdicts", "limit_breaches", "unstable"]

NO_READING = ("runs away", "outside validity", "unstable", "unconverged", "live")
"""How the verdicts begin that make a point no reading."""

Array = NDArray[np.float64]
STANDING = 0.1  # rad/s; a shaft held by dry friction creeps by 1 mrad/s, at the corner of its curve by 35 mrad/s
_PUSHING = 0.05  # A into what should turn the shaft; a meter's current is no push
_CHECKED = 256  # samples whose time constants are looked at one by one


def find_verdicts(solved: Solved) -> tuple[str, ...]:
    """Give the verdict on each sample."""
    verdicts = _motion(solved)
    for k, text in limit_breaches(solved).items():
        verdicts[k] = text
    if solved.compiled.plan(solved.frozen).n:
        for k in np.flatnonzero(unstable(solved)).tolist():
            if not verdicts[k].startswith(NO_READING):
                verdicts[k] = "unstable"
    for k in np.flatnonzero(~solved.solution.accepted).tolist():
        # A body that left its range on the way from rest, and found no rest, is running away.
        if not verdicts[k].startswith("runs away"):
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


def unstable(solved: Solved) -> NDArray[np.bool_]:
    """Say at which accepted points a disturbance would grow, (batch,).

    Near a point M·dx/dt = -J·x, so that exp(λt) is a motion when J⁻¹M has the eigenvalue -1/λ: a growing one shows as
    a negative real part. Rows without a stored quantity give zeros; rounding blurs what grows within a billionth of
    the slowest time constant. In a large batch the first samples are judged so, and the others by the sign of det J:
    between two stable points of one circuit it never changes while no real λ passes zero.
    """
    accepted = np.flatnonzero(solved.solution.accepted)
    grows = np.zeros(solved.size, bool)
    grows[accepted[:_CHECKED]] = [_grows(solved, k) for k in accepted[:_CHECKED].tolist()]
    rest = accepted[_CHECKED:]
    if rest.size:
        good = accepted[:_CHECKED][~grows[accepted[:_CHECKED]]]
        if good.size:
            grows[rest] = _signs(solved, rest) != _signs(solved, good[:1])[0]
        else:
            grows[rest] = [_grows(solved, k) for k in rest.tolist()]
    return grows


def _grows(solved: Solved, k: int) -> bool:
    plan = solved.compiled.plan(solved.frozen)
    laws = solved.laws.take(slice(k, k + 1))
    x = solved.x[:, k : k + 1]
    _, slopes = laws(x)
    times = _time_constants(plan.dense(plan.cells(slopes))[0], Stores(plan).matrix(laws, x)[0])
    return times.size > 0 and bool(times.real.min() < -1e-9 * np.abs(times).max())


def _signs(solved: Solved, chosen: NDArray[np.intp]) -> Array:
    """Give the sign of det J at some samples."""
    plan = solved.compiled.plan(solved.frozen)
    signs = []
    for part in np.array_split(chosen, max(1, chosen.size // 512)):
        _, slopes = solved.laws.take(part)(solved.x[:, part])
        full = plan.dense(plan.cells(slopes))
        signs.append(np.linalg.slogdet(full / np.abs(full).max(axis=2, keepdims=True)).sign)
    return np.concatenate(signs)


def _time_constants(full: Array, mass: Array) -> NDArray[np.complex128]:
    """Give the eigenvalues of J⁻¹M, s; none when the matrix is singular."""
    stored = np.flatnonzero(np.any(mass != 0, axis=0))
    if not stored.size:
        return np.zeros(0, np.complex128)
    with np.errstate(all="ignore"):
        r = 1 / np.abs(full).max(axis=1)
        scaled = full * r[:, None]
        c = 1 / np.abs(scaled).max(axis=0)
        try:
            moved = np.linalg.solve(scaled * c, mass[:, stored] * r[:, None]) * c[:, None]
        except np.linalg.LinAlgError:
            return np.zeros(0, np.complex128)
    if not np.isfinite(moved).all():
        return np.zeros(0, np.complex128)
    return np.asarray(np.linalg.eigvals(moved[stored]), np.complex128)
