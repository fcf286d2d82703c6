"""Globalised Newton over a batch: one step length a sample, judged by how far the next correction would still be.

A step x + a·d is taken when the correction that the SAME matrix gives there is shorter than the step's own: this test
does not depend on how the balances are scaled against each other (P. Deuflhard, *Newton Methods for Nonlinear
Problems*, natural monotonicity test), which matters where 250 S and 0.1 µS meet at a node.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.elimination import Plan
from circuitsim.engine.system import FLOOR, Evaluator

__all__ = ["BACKWARD_ERROR", "CORRECTION", "FLOOR", "Solution", "newton", "one_step", "refind"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BACKWARD_ERROR = 1e-12
"""A point is accepted when max |balance| over the sum of its terms' sizes is below this …"""
CORRECTION = 1e-9
"""… and one more Newton correction is below this share of each value (plus a floor: 1 nV, 1 nrad/s, 1 µK)."""

_SHORTEST = 1.0 / 512
_HALVINGS = 9  # from a half to the shortest
_FEW = 160  # trials in one call, up to which it takes little longer than for a few (measured)
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


def refind(plan: Plan, laws: Evaluator, start: Array) -> Solution:
    """Find points from near by; by the pivoted way where the fixed order of elimination fails."""
    found = newton(plan, laws, start, limit=40)
    left = np.flatnonzero(~found.accepted)
    if left.size:
        found.put(left, newton(plan, laws.take(left), start[:, left], limit=40, dense=True))
    return found


def one_step(plan: Plan, laws: Evaluator, start: Array) -> Solution | None:
    """Solve a linear network: one whole correction, judged by another with the same factors; None where that won't do."""
    x = start.copy()
    entries, slopes = laws(x)
    cells = plan.cells(slopes)
    factored = plan.factor(cells)
    x[plan.free] += plan.solve(factored, -plan.balances(entries))
    entries, slopes = laws(x)
    if not np.array_equal(plan.cells(slopes), cells):
        return None
    balance = plan.balances(entries)
    error, correction = _judged(plan, x, entries, slopes, balance, plan.solve(factored, -balance))
    good = (error < BACKWARD_ERROR) & (correction < 1.0)  # which no NaN passes
    return Solution(x, error, correction, np.full(good.size, 2, np.int64), good) if good.all() else None


def _judged(plan: Plan, x: Array, entries: Array, slopes: Array, balance: Array, step: Array) -> tuple[Array, Array]:
    """Give what the acceptance rule asks of each sample: its backward error, and its correction as a share of the allowed."""
    with np.errstate(all="ignore"):
        shares = np.abs(balance) / (plan.scale(entries, slopes, x) + 1e-300)
        free = plan.free
        corrections = np.abs(step) / (CORRECTION * np.abs(x[free]) + plan.floor[free])
        return np.nanmax(shares, axis=0, initial=0.0), np.max(corrections, axis=0, initial=0.0)


class _Run:
    """State of one iteration over the samples that are still active."""

    def __init__(self, plan: Plan, laws: Evaluator, start: Array, dense: bool) -> None:
        size = start.shape[1]
        self.plan, self.laws, self.dense = plan, laws, dense
        self.scale = plan.typical
        self.heat = plan.system.thermal[plan.free]
        self.done = Solution.blank(start.copy())
        self.active = np.arange(size)
        self.x = start.copy()
        self.entries, self.slopes = laws(self.x)
        self.balance = self._balances(self.entries)

    def _balances(self, entries: Array) -> Array:
        with np.errstate(all="ignore"):
            return self.plan.balances(entries)

    def _solver(self, cells: Array) -> tuple[Any, Array]:
        right = -self.balance
        if self.dense:
            return None, self.plan.solve_dense(cells, right)
        factored = self.plan.factor(cells)
        return factored, self.plan.solve(factored, right)

    def iterate(self) -> None:
        """Take one step for every active sample, and let go of those that are finished."""
        plan = self.plan
        cells = plan.cells(self.slopes)
        factored, step = self._solver(cells)
        error, correction = _judged(plan, self.x, self.entries, self.slopes, self.balance, step)
        lost = ~np.isfinite(step).all(axis=0) | ~np.isfinite(self.balance).all(axis=0)
        good = (error < BACKWARD_ERROR) & (correction < 1.0) & ~lost
        self._record(error, correction, good)
        going = ~(good | lost)
        if not going.all():
            self._keep(going)
            cells, step = cells[:, going], step[:, going]
            factored = _some(factored, going)
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
        self.balance = self.balance[:, going]
        self.laws = self.laws.take(going)

    def _length(self, step: Array) -> Array:
        with np.errstate(all="ignore"):
            return np.asarray(np.sqrt(np.mean((step / self.scale) ** 2, axis=0)))

    def _advance(self, cells: Array, factored: Any, step: Array) -> None:
        """Find each sample's step length by halving; a sample with none left takes the shortest and goes on."""
        length = self._length(step)
        hottest = np.abs(step[self.heat]).max(axis=0, initial=0.0)
        share = np.minimum(1.0, _LARGEST_HEATING / np.maximum(hottest, 1e-300))
        # Corrections this small are rounding; halving them would never end.
        small = length < 1e-7 * (1.0 + self._length(self.x[self.plan.free]))
        pending = np.arange(self.active.size)
        new: list[Array] = []
        while pending.size:
            # Of few samples, several halvings at once; the longest step that will do is taken, as one by one.
            many = max(1, min(_HALVINGS, _FEW // pending.size)) if new else 1
            tries = np.repeat(pending, many)
            shares = share[tries] * np.tile(0.5 ** np.arange(many), pending.size)
            trial, left = self._trial(tries if new else None, shares, cells, factored, step)
            ok = (left <= (1 - 0.25 * shares) * length[tries]) | small[tries] | (shares <= _SHORTEST)
            if new:
                best = np.argmax(ok.reshape(-1, many), axis=1) + many * np.arange(pending.size)
                ok = ok[best]
                for into, found in zip(new, trial, strict=True):
                    into[:, pending] = found[:, best]
            else:
                new = trial
            pending = pending[~ok]
            share[pending] *= 0.5**many
        self.x, self.entries, self.slopes, self.balance = new

    def _trial(
        self, chosen: NDArray[np.intp] | None, shares: Array, cells: Array, factored: Any, step: Array
    ) -> tuple[list[Array], Array]:
        """Take a share of the step for some samples (None: all); give x, entries, slopes, balances, and the next length."""
        laws, x = self.laws, self.x
        if chosen is not None:
            laws, x, step = laws.take(chosen), x[:, chosen], step[:, chosen]
            cells, factored = cells if factored else cells[:, chosen], _some(factored, chosen)
        x = x.copy()
        x[self.plan.free] += shares * step
        entries, slopes = laws(x)
        balance = self._balances(entries)
        after = self.plan.solve(factored, -balance) if factored else self.plan.solve_dense(cells, -balance)
        return [x, entries, slopes, balance], self._length(after)


def _some(factored: Any, chosen: Any) -> Any:
    """Give what `Plan.factor` gave, for some of the samples."""
    if not factored:
        return factored
    whole = factored[0].base
    if whole is None or whole.ndim != 2 or len(whole) != len(factored):
        return [f[chosen] for f in factored]
    return list(whole[:, chosen])  # one copy, not one a row
