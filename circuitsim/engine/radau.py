"""Radau's method (IIA, three stages, order 5) for batches of stiff circuits, each sample with a step of its own.

The equations are d/dt store(x) + flow(x) = 0 in the balances that store and flow(x) = 0 in the others (an implicit system of
index 1). The method is L-stable and ends its step on a stage, so that the others hold exactly at every stage: what is fast
falls into place, however long the step. Stages are found by Newton with one matrix a step; the error estimate is the embedded
one of order 3 (E. Hairer, G. Wanner, *Solving Ordinary Differential Equations II*, section IV.8). It judges the stored
variables alone: the others follow them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.stepping import Factors, _Stored, flows_and_stores
from circuitsim.engine.system import Evaluator

__all__ = ["NODES", "WEIGHTS", "Attempt", "Matrices", "Tolerance", "attempt", "interpolate", "step_factor"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

_R6 = np.sqrt(6.0)
NODES = np.array([(4 - _R6) / 10, (4 + _R6) / 10, 1.0])
"""Places of the stages in a step."""
_A = np.array(
    [
        [(88 - 7 * _R6) / 360, (296 - 169 * _R6) / 1800, (-2 + 3 * _R6) / 225],
        [(296 + 169 * _R6) / 1800, (88 + 7 * _R6) / 360, (-2 - 3 * _R6) / 225],
        [(16 - _R6) / 36, (16 + _R6) / 36, 1 / 9],
    ]
)
WEIGHTS = _A[2]
"""Weights of the stages in an integral over the step."""
_INVERSE = np.linalg.inv(_A)
_ERROR = np.array([-13 - 7 * _R6, -13 + 7 * _R6, -1]) / 3
_CUBIC = np.linalg.inv(NODES[None, :] ** np.arange(1, 4)[:, None])
"""From what the stages have moved to the coefficients of θ, θ², θ³."""


def _modes() -> tuple[Complex, Complex, Complex]:
    """Give the real and one complex eigenvalue of the inverse, and the maps to modes and back (the third is a conjugate)."""
    values, vectors = np.linalg.eig(_INVERSE)
    order = np.argsort(np.abs(values.imag) + (values.imag < 0))
    values, vectors = values[order], vectors[:, order]
    return values[:2], np.linalg.inv(vectors)[:2], vectors


_RATES, _INTO, _BACK = _modes()

_MOST = 10  # corrections in a step
_STUBBORN = 25  # the same, with a matrix for each
_CLOSE = 0.01  # share of the tolerance to which stages are found


@dataclass(frozen=True)
class Tolerance:
    """Allowed error of a step: relative · |x| + absolute, the latter one a variable, (n, 1)."""

    relative: float
    absolute: Array

    def scale(self, x: Array) -> Array:
        """Give what is allowed at x, (n, batch)."""
        return self.absolute + self.relative * np.abs(x)


@dataclass
class Matrices:
    """What a step starts from at x: the flows there, (n, batch), and the nonzeros of J and M, (cells, batch)."""

    flow: Array
    jacobian: Array
    mass: Array

    def take(self, chosen: NDArray[np.intp]) -> Matrices:
        """Give those of some samples."""
        return Matrices(self.flow[:, chosen], self.jacobian[:, chosen], self.mass[:, chosen])


@dataclass
class Attempt:
    """A step that was tried, one entry a sample.

    moved: what each stage has moved from the start, (3, n, batch); error: of the stored variables over what is allowed;
    found: whether the stages were; effort: corrections spent.
    """

    moved: Array
    error: Array
    found: Mask
    effort: Array

    def put(self, chosen: NDArray[np.intp], other: Attempt) -> None:
        """Replace some samples by those of another attempt."""
        self.moved[:, :, chosen] = other.moved
        self.error[chosen], self.found[chosen], self.effort[chosen] = other.error, other.found, other.effort


def attempt(
    plan: _Stored, one: Evaluator, laws: Evaluator, x: Array, h: Array, at: Matrices, tolerance: Tolerance, guess: Array,
    first: Mask, stubborn: bool = False,
) -> Attempt:  # fmt: skip
    """Try a step of h seconds, (batch,), from x, (rows, batch).

    one: the laws; laws: those of the stages, three times the batch; guess: what the stages may move, (3, n, batch); first:
    samples for which the balances that don't store may not hold at x yet; stubborn: find the stages by the full, damped
    Newton method instead of with the one matrix of x, which won't do across a corner of a law.
    """
    factors = plan.factors(np.concatenate([at.jacobian + (rate / h) * at.mass for rate in _RATES], axis=1))
    scale = tolerance.scale(x[plan.free])
    problem = _Stages(plan, laws, x, plan.stores.quantity(one, x), h)
    moved, found, effort = _stubborn(problem, guess, scale) if stubborn else _simplified(problem, factors, guess, scale)
    gained = problem.residual(moved)[1]
    return Attempt(moved, _error(plan, factors, at, h, gained, tolerance, moved[2], first, one, x), found, effort)


class _Stages:
    """The balances of the three stages of a step, by what the stages have moved, (3, n, batch)."""

    def __init__(self, plan: _Stored, laws: Evaluator, x: Array, before: Array, h: Array) -> None:
        self.plan, self.laws, self.x, self.before, self.h = plan, laws, x, before, h

    def take(self, chosen: Index) -> _Stages:
        """Give the problem of some samples."""
        if chosen.size == self.h.size:
            return self
        three = (chosen + self.h.size * np.arange(3)[:, None]).ravel()
        return _Stages(self.plan, self.laws.take(three), self.x[:, chosen], self.before[:, chosen], self.h[chosen])

    def at(self, moved: Array) -> Array:
        """Give x at the stages, one after the other, (rows, 3 batches)."""
        stages = np.repeat(self.x[:, None], 3, axis=1)
        stages[self.plan.free] += moved.transpose(1, 0, 2)
        return stages.reshape(self.x.shape[0], -1)

    def _parted(self, flat: Array) -> Array:
        return flat.reshape(flat.shape[0], 3, -1).transpose(1, 0, 2)

    def residual(self, moved: Array) -> tuple[Array, Array]:
        """Give by how much the balances fail, and what is stored beyond the start, (3, n, batch) each."""
        flow, stored = flows_and_stores(self.plan, self.laws, self.at(moved))
        gained = self._parted(stored) - self.before
        with np.errstate(all="ignore"):
            return self._parted(flow) + np.einsum("ij,jnb->inb", _INVERSE, gained) / self.h, gained

    def solvers(self, moved: Array) -> list[Callable[[Array], Array]]:
        """Give for each sample what solves with the slopes of all balances against all that has moved, NaN if singular."""
        plan, size = self.plan, self.h.size
        _, jacobian, mass = plan.matrices(self.laws, self.at(moved))
        own, by_mass = (m.reshape(-1, 3, size).transpose(2, 1, 0) for m in (jacobian, mass))
        coupled = _INVERSE[:, :, None] / self.h[:, None, None, None] * by_mass[:, None]
        coupled[:, range(3), range(3)] += own
        stage = plan.n * np.arange(3)
        rows = np.broadcast_to(plan.cell_rows + stage[:, None, None], coupled.shape[1:]).ravel()
        columns = np.broadcast_to(plan.cell_columns + stage[:, None], coupled.shape[1:]).ravel()
        return [_sparse_solver(c.ravel(), rows, columns, 3 * plan.n) for c in coupled]


def _sparse_solver(cells: Array, rows: Index, columns: Index, size: int) -> Callable[[Array], Array]:
    from scipy.sparse import csc_matrix
    from scipy.sparse.linalg import splu

    kept = cells != 0
    try:
        lu = splu(csc_matrix((cells[kept], (rows[kept], columns[kept])), shape=(size, size)))
    except RuntimeError:  # exactly singular
        return lambda right: np.full_like(right, np.nan)
    return lu.solve  # type: ignore[no-any-return]


def _simplified(problem: _Stages, factors: Factors, guess: Array, scale: Array) -> tuple[Array, Mask, Array]:
    """Find the stages with the one matrix of the start; give what they moved, which are found, corrections spent."""
    size, moved = problem.h.size, guess.copy()
    found, lost = np.zeros(size, bool), np.zeros(size, bool)
    last, needed = np.full(size, np.inf), np.full(size, float(_MOST))
    for effort in range(_MOST):
        step = _correction(factors, problem.residual(moved)[0])
        with np.errstate(all="ignore"):
            length = np.max(np.abs(step) / scale, axis=(0, 1))
            rate = length / last if effort else np.full(size, 0.5)
            ahead = rate ** (_MOST - 1 - effort) / (1 - rate) * length
            good = (length < 1e-2 * _CLOSE) | ((rate < 1) & (rate / (1 - rate) * length < _CLOSE) & (effort > 0))
        lost |= ~found & ~good & (~np.isfinite(length) | ((effort > 0) & ((rate >= 1) | (ahead > _CLOSE))))
        going = ~(found | lost)
        moved[:, :, going] += step[:, :, going]
        needed[going & good] = effort + 1
        found |= going & good
        if (found | lost).all():
            break
        last = length
    return moved, found, needed


def _stubborn(problem: _Stages, guess: Array, scale: Array) -> tuple[Array, Mask, Array]:
    """Find the stages by Newton with a matrix of its own for each correction, which is halved until the next is shorter."""
    size, moved, found = problem.h.size, guess.copy(), np.zeros(problem.h.size, bool)
    left = np.arange(size)
    for _ in range(_STUBBORN):
        part = problem.take(left)
        step, good, share = _damped(part, moved[:, :, left], scale[:, left])
        moved[:, :, left] += share * np.where(share > 0, step, 0.0)
        found[left] = good
        left = left[~good & (share > 0)]
        if not left.size:
            break
    return moved, found, np.full(size, float(_MOST))


def _damped(problem: _Stages, moved: Array, scale: Array) -> tuple[Array, Mask, Array]:
    """Give one correction, where it is small enough to be the last, and how much of it to take (0 where there is none)."""
    size = problem.h.size

    def correction(solvers: list[Callable[[Array], Array]], at: Array) -> Array:
        left = problem.residual(at)[0].reshape(-1, size)
        good = np.asarray(np.isfinite(left).all(axis=0))
        columns = [solve(-left[:, k]) if good[k] else np.full(len(left), np.nan) for k, solve in enumerate(solvers)]
        return np.stack(columns, axis=1).reshape(3, -1, size)

    def length(step: Array) -> Array:
        with np.errstate(all="ignore"):
            return np.asarray(np.sqrt(np.mean((step / problem.plan.typical) ** 2, axis=(0, 1))))

    solvers = problem.solvers(moved)
    step = correction(solvers, moved)
    with np.errstate(all="ignore"):
        good = np.asarray(np.max(np.abs(step) / scale, axis=(0, 1)) < _CLOSE)
    share, before = np.where(np.isfinite(step).all(axis=(0, 1)), 1.0, 0.0), length(step)
    for _ in range(7):
        if good.all():
            break
        after = length(correction(solvers, moved + share * np.where(share > 0, step, 0.0)))
        long = np.asarray(~good & (share > 0) & ~(after <= (1 - 0.25 * share) * before))
        if not long.any():
            break
        share = np.where(long, 0.5 * share, share)
    return step, good, share


def _correction(factors: Factors, left: Array) -> Array:
    """Solve for the correction of all stages: a real and a complex system, side by side."""
    size = left.shape[2]
    with np.errstate(all="ignore"):
        right = -np.einsum("kj,jnb->knb", _INTO, left)
        solved = factors.solve(np.concatenate([right[0], right[1]], axis=1))
        real, wave = solved[:, :size], solved[:, size:]
        step: Array = (_BACK[:, 0, None, None] * real + 2 * _BACK[:, 1, None, None] * wave).real
    return step


def _error(
    plan: _Stored, factors: Factors, at: Matrices, h: Array, gained: Array, tolerance: Tolerance, moved: Array,
    first: Mask, laws: Evaluator, x: Array,
) -> Array:  # fmt: skip
    """Give the error of the stored variables over what is allowed."""
    stored, start = plan.stored, x[plan.free]
    scale = np.maximum(tolerance.scale(start), tolerance.scale(start + moved))[stored]
    with np.errstate(all="ignore"):
        drift = np.einsum("j,jnb->nb", _ERROR, gained) / h
        storing = np.any(at.mass != 0, axis=1)
        rows = np.zeros(plan.n, bool)
        rows[plan.cell_rows[storing]] = True
        error = _solved_real(factors, np.where(rows[:, None], drift - at.flow, 0.0))
        size = np.max(np.abs(error[stored]) / scale, axis=0, initial=0.0)
        again = (size >= 1) | first
        if again.any():  # damp what is stiff once more
            there = x.copy()
            there[plan.free] += error
            flow = flows_and_stores(plan, laws, there)[0]
            error = _solved_real(factors, np.where(rows[:, None], drift - flow, 0.0))
            size = np.where(again, np.max(np.abs(error[stored]) / scale, axis=0, initial=0.0), size)
    return np.where(np.isfinite(size), size, np.inf)


def _solved_real(factors: Factors, right: Array) -> Array:
    """Solve with the real one of the two systems."""
    both = np.concatenate([right, np.zeros_like(right)], axis=1).astype(complex)
    found: Array = factors.solve(both)[:, : right.shape[1]].real
    return found


def step_factor(tried: Attempt) -> Array:
    """Give by how much the step may change for an error of what is allowed, from 0.2 to 8."""
    with np.errstate(all="ignore"):
        factor = 0.9 * (2 * _MOST + 1) / (2 * _MOST + tried.effort) * tried.error**-0.25
    return np.where(tried.found, np.clip(factor, 0.2, 8.0), 0.25)


def interpolate(moved: Array, share: Array | float) -> Array:
    """Give what has moved at a share of the step, (n, batch), by the cubic through the start and the stages.

    moved: (3, n, batch); share: (batch,), or a number; beyond 1 it extrapolates.
    """
    powers = np.stack([np.asarray(share, float) ** k for k in (1, 2, 3)])
    weights = np.einsum("ik,k...->i...", _CUBIC, powers)
    return np.asarray(np.einsum("inb,i->nb" if weights.ndim == 1 else "inb,ib->nb", moved, weights))
