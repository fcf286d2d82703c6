"""Globalised Newton over a batch: one step length a sample, judged by how far the next correction would still be.

A step x + a·d is taken when the correction that the SAME matrix gives there is shorter than the step's own: this test
does not depend on how the balances are scaled against each other (P. Deuflhard, *Newton Methods for Nonlinear
Problems*, natural monotonicity test), which matters where 250 S and 0.1 µS meet at a node.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.elimination import Plan
from circuitsim.engine.system import FLOOR, Evaluator, System

__all__ = ["BACKWARD_ERROR", "CORRECTION", "FLOOR", "Solution", "newton", "typical"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BACKWARD_ERROR = 1e-12
"""A point is accepted when max |balance| over the sum of its terms' sizes is below this …"""
CORRECTION = 1e-9
"""… and one more Newton correction is below this share of each value (plus a floor: 1 nV, 1 nrad/s, 1 µK)."""

_TYPICAL = {"V": 1.0, "A": 1.0, "rad/s": 10.0, "°C": 20.0, "N·m": 0.1}
_SHORTEST = 1.0 / 512
_LARGEST_HEATING = 400.0  # K in one step


@dataclass
class Solution:
    """What the iteration ended with, one entry a sample: `x` (rows, batch), backward error, last correction as a
    share of what is allowed, iterations, and whether it is accepted.
    """  # noqa: D205

    x: Array
    residual: Array
    correction: Array
    iterations: NDArray[np.int64]
    accepted: Mask

    @classmethod
    def blank(cls, x: Array) -> Solution:
        """Give a solution in which nothing is accepted yet, over `x` itself."""
        size = x.shape[1]
        return cls(x, np.full(size, np.inf), np.full(size, np.inf), np.zeros(size, np.int64), np.zeros(size, bool))

    def put(self, chosen: NDArray[np.intp], other: Solution) -> None:
        """Replace some samples by those of another solution (effort adds up)."""
        self.x[:, chosen] = other.x
        self.residual[chosen], self.correction[chosen] = other.residual, other.correction
        self.iterations[chosen] += other.iterations
        self.accepted[chosen] = other.accepted


def typical(system: System, rows: NDArray[np.intp], table: dict[str, float] = _TYPICAL) -> Array:
    """Give the typical (or floor) size of each variable by its unit, shape (rows, 1)."""
    smallest = min(table.values())
    return np.array([[table.get(system.units[k], smallest)] for k in rows])


def newton(plan: Plan, laws: Evaluator, start: Array, *, limit: int = 60, dense: bool = False) -> Solution:
    """Iterate from `start` (rows of x, batch), which is not changed.

    Samples that are accepted or stuck leave the batch. `dense` uses the pivoted path.
    """
    run = _Run(plan, laws, start, dense)
    if not plan.n:  # dead shorts have left nothing to find
        run.done.residual[:], run.done.correction[:], run.done.accepted[:] = 0.0, 0.0, True
        return run.done
    for _ in range(limit):
        if not run.active.size:
            break
        run.iterate()
    return run.done


class _Run:
    """State of one iteration over the samples that are still active."""

    def __init__(self, plan: Plan, laws: Evaluator, start: Array, dense: bool) -> None:
        size = start.shape[1]
        self.plan, self.laws, self.dense = plan, laws, dense
        self.floor = typical(plan.system, plan.free, FLOOR)
        self.scale = typical(plan.system, plan.free)
        self.heat = plan.system.thermal[plan.free]
        self.done = Solution.blank(start.copy())
        self.active = np.arange(size)
        self.x = start.copy()
        self.entries, self.slopes = laws(self.x)

    def _balances(self, entries: Array) -> Array:
        with np.errstate(all="ignore"):
            return self.plan.balances(entries)

    def _solver(self, cells: Array) -> tuple[list[Array] | None, Array]:
        right = -self._balances(self.entries)
        if self.dense:
            return None, self.plan.solve_dense(cells, right)
        factored = self.plan.factor(cells)
        return factored, self.plan.solve(factored, right)

    def iterate(self) -> None:
        """Take one step for every active sample, and let go of those that are finished."""
        plan = self.plan
        cells = plan.cells(self.slopes)
        factored, step = self._solver(cells)
        with np.errstate(all="ignore"):
            balance = np.abs(self._balances(self.entries))
            error = np.nanmax(balance / (plan.scale(self.entries, self.slopes, self.x) + 1e-300), axis=0, initial=0.0)
            allowed = CORRECTION * np.abs(self.x[plan.free]) + self.floor
            correction = np.max(np.abs(step) / allowed, axis=0, initial=0.0)
        lost = ~np.isfinite(step).all(axis=0) | ~np.isfinite(balance).all(axis=0)
        good = (error < BACKWARD_ERROR) & (correction < 1.0) & ~lost
        self._record(error, correction, good)
        going = ~(good | lost)
        if not going.all():
            self._keep(going)
            cells, step = cells[:, going], step[:, going]
            factored = None if factored is None else [f[going] for f in factored]
        if self.active.size:
            self._advance(cells, factored, step)

    def _record(self, error: Array, correction: Array, good: Mask) -> None:
        at = self.active
        self.done.x[:, at] = self.x
        self.done.residual[at], self.done.correction[at] = error, correction
        self.done.iterations[at] += 1
        self.done.accepted[at] = good

    def _keep(self, going: Mask) -> None:
        self.active, self.x = self.active[going], self.x[:, going]
        self.entries, self.slopes = self.entries[:, going], self.slopes[:, going]
        self.laws = self.laws.take(going)

    def _length(self, step: Array) -> Array:
        with np.errstate(all="ignore"):
            return np.asarray(np.sqrt(np.mean((step / self.scale) ** 2, axis=0)))

    def _advance(self, cells: Array, factored: list[Array] | None, step: Array) -> None:
        """Find each sample's step length by halving; a sample with none left takes the shortest and goes on."""
        length = self._length(step)
        hottest = np.abs(step[self.heat]).max(axis=0, initial=0.0)
        share = np.minimum(1.0, _LARGEST_HEATING / np.maximum(hottest, 1e-300))
        # Corrections this small are rounding; halving them would never end.
        small = length < 1e-7 * (1.0 + self._length(self.x[self.plan.free]))
        pending = np.arange(self.active.size)
        x, entries, slopes = self.x.copy(), self.entries, self.slopes
        while pending.size:
            whole = pending.size == self.active.size
            laws = self.laws if whole else self.laws.take(pending)
            trial = self.x[:, pending].copy()
            trial[self.plan.free] += share[pending] * step[:, pending]
            new_entries, new_slopes = laws(trial)
            right = -self._balances(new_entries)
            if factored is None:
                after = self.plan.solve_dense(cells[:, pending], right)
            else:
                after = self.plan.solve(factored if whole else [f[pending] for f in factored], right)
            left = self._length(after)
            ok = (left <= (1 - 0.25 * share[pending]) * length[pending]) | small[pending]
            ok |= share[pending] <= _SHORTEST
            if whole:
                x, entries, slopes = trial, new_entries, new_slopes
            else:
                x[:, pending], entries[:, pending], slopes[:, pending] = trial, new_entries, new_slopes
            pending = pending[~ok]
            share[pending] *= 0.5
        self.x, self.entries, self.slopes = x, entries, slopes
