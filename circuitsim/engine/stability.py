"""Whether a point would be kept: how a small disturbance moves on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.elimination import Plan
from circuitsim.engine.newton import Solution
from circuitsim.engine.settling import Stores
from circuitsim.engine.system import Evaluator

__all__ = ["CHECKED", "unstable"]

Array = NDArray[np.float64]
CHECKED = 256
"""Samples of a batch whose time constants are looked at one by one."""
_FASTEST = 1e-9  # s; what grows faster than this is rounding


def unstable(plan: Plan, laws: Evaluator, solution: Solution) -> NDArray[np.bool_]:
    """Say at which accepted points a disturbance would grow, (batch,).

    Near a point M·dx/dt = -J·x, so that exp(λt) is a motion when J⁻¹M has the eigenvalue -1/λ: a growing one shows as
    a negative real part. Rows without a stored quantity give zeros; rounding blurs what grows within a billionth of
    the slowest time constant, or within a nanosecond. In a large batch the first samples are judged so, and the others
    by the sign of det J: between two stable points of one circuit it never changes while no real λ passes zero.
    """
    accepted = np.flatnonzero(solution.accepted)
    grows = np.zeros(laws.size, bool)
    grows[accepted[:CHECKED]] = [_grows(plan, laws, solution.x, k) for k in accepted[:CHECKED].tolist()]
    rest = accepted[CHECKED:]
    if rest.size:
        good = accepted[:CHECKED][~grows[accepted[:CHECKED]]]
        if good.size:
            grows[rest] = _signs(plan, laws, solution.x, rest) != _signs(plan, laws, solution.x, good[:1])[0]
        else:
            grows[rest] = [_grows(plan, laws, solution.x, k) for k in rest.tolist()]
    return grows


def _grows(plan: Plan, laws: Evaluator, x: Array, k: int) -> bool:
    one, point = laws.take(slice(k, k + 1)), x[:, k : k + 1]
    _, slopes = one(point)
    times = _time_constants(plan.dense(plan.cells(slopes))[0], Stores(plan).matrix(one, point)[0])
    return times.size > 0 and bool(times.real.min() < -max(1e-9 * float(np.abs(times).max()), _FASTEST))


def _signs(plan: Plan, laws: Evaluator, x: Array, chosen: NDArray[np.intp]) -> Array:
    """Give the sign of det J at some samples."""
    signs = []
    for part in np.array_split(chosen, max(1, chosen.size // 512)):
        _, slopes = laws.take(part)(x[:, part])
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
