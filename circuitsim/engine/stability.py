"""Whether a point would be kept: how a small disturbance moves on."""

from __future__ import annotations

from contextlib import suppress

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.elimination import Plan
from circuitsim.engine.modes import growing
from circuitsim.engine.newton import Solution
from circuitsim.engine.settling import Stores
from circuitsim.engine.sparse import SparsePlan
from circuitsim.engine.system import Evaluator

__all__ = ["CHECKED", "unstable"]

Array = NDArray[np.float64]
CHECKED = 256
"""Samples of a batch whose time constants are looked at one by one."""
_FASTEST = 1e-9  # s; what grows faster than this is rounding
_NUMBERS = 4_000_000  # in the matrices that are looked at together


def unstable(plan: Plan, laws: Evaluator, solution: Solution) -> NDArray[np.bool_]:
    """Say at which accepted points a disturbance would grow, (batch,).

    Near a point M·dx/dt = -J·x, so that exp(λt) is a motion when J⁻¹M has the eigenvalue -1/λ: a growing one shows as
    a negative real part. Rows without a stored quantity give zeros; rounding blurs what grows within a billionth of
    the slowest time constant, or within a nanosecond. In a large batch the first samples are judged so, and the others
    by the sign of det J: between two stable points of one circuit it never changes while no real λ passes zero.
    """
    accepted = np.flatnonzero(solution.accepted)
    grows = np.zeros(laws.size, bool)
    if not accepted.size or not Stores(plan).rows.size:  # a circuit that stores nothing has no motions
        return grows
    if isinstance(plan, SparsePlan):
        return growing(plan, laws, solution)
    grows[accepted[:CHECKED]] = _growing(plan, laws, solution.x, accepted[:CHECKED])
    rest = accepted[CHECKED:]
    if rest.size:
        good = accepted[:CHECKED][~grows[accepted[:CHECKED]]]
        if good.size:
            grows[rest] = _signs(plan, laws, solution.x, rest) != _signs(plan, laws, solution.x, good[:1])[0]
        else:
            grows[rest] = _growing(plan, laws, solution.x, rest)
    return grows


def _growing(plan: Plan, laws: Evaluator, x: Array, chosen: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Say where a disturbance would grow, by time constants, at some samples."""
    stores, found = Stores(plan), [np.zeros(0, bool)]
    for part in np.array_split(chosen, max(1, chosen.size * plan.n**2 // _NUMBERS)):
        some, points = laws.take(part), x[:, part]
        _, slopes = some(points)
        times = _time_constants(plan.dense(plan.cells(slopes)), stores.matrix(some, points))
        longest = np.abs(times).max(axis=1, initial=0.0)
        found.append(times.real.min(axis=1, initial=0.0) < -np.maximum(1e-9 * longest, _FASTEST))
    return np.concatenate(found)


def _signs(plan: Plan, laws: Evaluator, x: Array, chosen: NDArray[np.intp]) -> Array:
    """Give the sign of det J at some samples."""
    signs = []
    for part in np.array_split(chosen, max(1, chosen.size // 512)):
        _, slopes = laws.take(part)(x[:, part])
        full = plan.dense(plan.cells(slopes))
        signs.append(np.linalg.slogdet(full / np.abs(full).max(axis=2, keepdims=True)).sign)
    return np.concatenate(signs)


def _time_constants(full: Array, mass: Array) -> NDArray[np.complex128]:
    """Give the eigenvalues of J⁻¹M, s, (batch, stores); zeros where the matrix is singular."""
    stored = np.flatnonzero(np.any(mass != 0, axis=(0, 1)))
    found = np.zeros((full.shape[0], stored.size), np.complex128)
    with np.errstate(all="ignore"):
        r = 1 / np.abs(full).max(axis=2, initial=0.0)
        scaled = full * r[:, :, None]
        c = 1 / np.abs(scaled).max(axis=1, initial=0.0)
        scaled *= c[:, None, :]
        moved = _solved(scaled, mass[:, :, stored] * r[:, :, None]) * c[:, :, None]
    good = np.isfinite(moved).all(axis=(1, 2))
    found[good] = np.linalg.eigvals(moved[good][:, stored])
    return found


def _solved(full: Array, right: Array) -> Array:
    """Solve for matrices one and all; those that are singular, or not finite, give NaN."""
    good = np.isfinite(full).all(axis=(1, 2)) & np.isfinite(right).all(axis=(1, 2))
    out = np.full_like(right, np.nan)
    try:
        out[good] = np.linalg.solve(full[good], right[good])
    except np.linalg.LinAlgError:
        for k in np.flatnonzero(good).tolist():
            with suppress(np.linalg.LinAlgError):
                out[k] = np.linalg.solve(full[k], right[k])
    return out
