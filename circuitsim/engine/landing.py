"""The state at a moment, to the last digits: a step of the way taken once more, from its start to that moment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.newton import BACKWARD_ERROR, Solution, newton
from circuitsim.engine.radau import NODES, Attempt, Matrices, Tolerance, attempt
from circuitsim.engine.stepping import EulerLaws, StepPlan
from circuitsim.engine.system import Evaluator

__all__ = ["JUMP", "Landing", "fallen", "land"]

Array = NDArray[np.float64]

JUMP = 1e-9
"""Length of the step in which a sudden change is taken, s."""
_TIGHT = 1e-8  # of each value, of which stages are found to a hundredth
_WIDTHS = (256.0, 64.0, 16.0, 4.0, 1.0)


@dataclass(frozen=True)
class Landing:
    """Where samples are, and the step that led there: from `start`, (rows, batch), in `length` seconds, (batch,).

    moved: what its stages moved, (3, n, batch).
    """

    solution: Solution
    start: Array
    length: Array
    moved: Array


def fallen(plan: StepPlan, laws: Evaluator, x: Array, length: Array | float = JUMP) -> Solution:
    """Let what stores nothing fall into place about what is stored at x: a short step of implicit Euler."""
    step = EulerLaws.of_step(laws, plan, x, length)
    found = newton(plan, step, x, limit=40)
    for dense in (False, True):
        lost = np.flatnonzero(~found.accepted)
        if lost.size:
            some, guess = step.take(lost), x[:, lost]
            for width in _WIDTHS:
                again = newton(plan, some.smoothed(width * some.smooth), guess, limit=60, dense=dense)
                guess = again.x
            found.put(lost, again)
    return found


def land(plan: StepPlan, laws: Evaluator, start: Array, length: Array, tolerance: Tolerance) -> Landing:
    """Take one step from `start`, (rows, batch), of `length` seconds, (batch,), with stages found as well as can be.

    Where a step has no length, or Radau's stages are not found (at a corner, passed by a step of implicit Euler), it is one of
    implicit Euler. A sample is accepted when its balances that store nothing close to 1e-12 of their terms.
    """
    tight = Tolerance(_TIGHT, _TIGHT / tolerance.relative * tolerance.absolute)
    length = np.maximum(length, JUMP)
    at, three = Matrices(*plan.matrices(laws, start)), laws.take(np.tile(np.arange(laws.size), 3))
    tried = attempt(plan, laws, three, start, length, at, tight, np.zeros((3, plan.n, laws.size)), np.ones(laws.size, bool))
    found = _judged(plan, laws, start, tried)
    for ways in (_full, _euler):
        lost = np.flatnonzero(~found.accepted)
        if lost.size:
            guess = np.where(tried.found[lost], tried.moved[:, :, lost], 0.0)
            some, moved = ways(plan, laws.take(lost), start[:, lost], length[lost], at.take(lost), tight, guess)
            found.put(lost, some)
            tried.moved[:, :, lost] = moved
    return Landing(found, start, length, tried.moved)


def _full(
    plan: StepPlan, laws: Evaluator, start: Array, length: Array, at: Matrices, tight: Tolerance, guess: Array
) -> tuple[Solution, Array]:
    """Correct with matrices of the stages themselves."""
    three, first = laws.take(np.tile(np.arange(laws.size), 3)), np.ones(laws.size, bool)
    tried = attempt(plan, laws, three, start, length, at, tight, guess, first, stubborn=True)
    return _judged(plan, laws, start, tried), tried.moved


def _euler(plan: StepPlan, laws: Evaluator, start: Array, length: Array, *_: object) -> tuple[Solution, Array]:
    found = fallen(plan, laws, start, length)
    return found, NODES[:, None, None] * (found.x - start)[plan.free]


def _judged(plan: StepPlan, laws: Evaluator, start: Array, tried: Attempt) -> Solution:
    """Judge the end of steps by the balances that store nothing."""
    x = start.copy()
    x[plan.free] += tried.moved[2]
    entries, slopes = laws(x)
    sizes = np.abs(x) + plan.floor
    count = slopes.shape[0]
    storing = np.zeros((plan.n, laws.size), bool)
    with np.errstate(all="ignore"):
        np.logical_or.at(storing, plan.stores.rows, plan.stores.slopes(laws, x) != 0)
        flow = np.abs(plan.flow_sums(entries))
        terms = plan.flow_sums(np.abs(entries)) + plan.plain_rows(
            np.abs(slopes) * np.take(sizes, laws.system.slope_column[:count], axis=0)
        )
        error = np.max(np.where(storing, 0.0, flow / (terms + 1e-300)), axis=0, initial=0.0)
    good = tried.found & (error < BACKWARD_ERROR)
    return Solution(x, error, np.where(tried.found, 0.0, np.inf), tried.effort.astype(np.int64), good)
