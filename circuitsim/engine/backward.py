"""First derivatives of what is read at a time against every parameter, by going back along the way that led there.

Between two steps of the way the equations are taken as two stages of an L-stable method of order 2 (own choice: it is linear
algebra with two real matrices a step, where Radau's own stages would ask for complex ones at three states each); its exact
adjoint, from the reading back to rest, gives all parameters at once. The way's own steps are short enough for 1e-5 of each
value, so that slopes are right to a few thousandths, where a band asks for a few hundredths.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.following import Taken
from circuitsim.engine.radau import interpolate
from circuitsim.engine.reaching import Reached
from circuitsim.engine.sensitivity import Answer, with_lines
from circuitsim.engine.stepping import StepPlan
from circuitsim.engine.system import Evaluator, Group

__all__ = ["slopes_at"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_GAMMA = 1 - np.sqrt(0.5)
"""Of the two-stage, stiffly accurate, L-stable method of order 2 (R. Alexander, SIAM J. Numer. Anal. 14, 1977)."""
_CHANGE = 1e-3  # of a parameter, for the slopes of what is stored


def slopes_at(reached: Reached, answer: Answer) -> list[Array]:
    """Give dy/dp for every parameter: one array a group, (parameters, elements, batch); NaN for a sample that stopped.

    Parameters
    ----------
    reached
        Samples whose steps were kept.
    answer
        What is read off them at the end.
    """
    way = _Way(reached)
    totals = [np.zeros((len(g.statement.parameters), len(g.names), reached.size)) for g in reached.system.groups]
    for g, explicit in answer.by_parameter.items():
        totals[g] += explicit
    gradient = way.last(answer.by_x[way.plan.free], totals)
    for taken in reversed(reached.run.taken):
        way.back(taken, gradient, totals)
    with_lines(reached.laws, reached.x, totals)
    gone = list(reached.stopped)
    for total in totals:
        total[..., gone] = np.nan
    return totals


class _Way:
    """The way of some samples, to be gone backwards; many may have come the same way."""

    def __init__(self, reached: Reached) -> None:
        self.reached, self.places = reached, reached.places
        self._landed = np.ones(reached.size, bool)  # whose last step is still in the way
        self.plan: StepPlan = reached.run.plan
        self.laws = reached.run.laws
        self.by_column = type(self.plan.matrix)(self.plan.cell_columns, self.plan.n)
        self.stored = [_stored_by(self.laws, k, g) for k, g in enumerate(self.laws.system.groups)]

    def last(self, gradient: Array, totals: list[Array]) -> Array:
        """Go back over the last step, in which instruments are put on; give the gradient before it."""
        reached, members = self.reached, self.reached.members
        landing, every = reached.landing, np.arange(reached.size)
        step = landing.start[:, members], landing.moved[:, :, members], landing.length[members]
        return self._over(reached.laws, *step, gradient, every, every, totals)

    def back(self, taken: Taken, gradient: Array, totals: list[Array]) -> None:
        """Go back over a step: change the gradient from its end to its start, and add what parameters do within it."""
        there = np.isin(self.places, taken.samples)
        home = np.flatnonzero(there & ~self._landed)
        self._landed &= ~there  # of those, the last step is done already
        if home.size:
            at = np.searchsorted(taken.samples, self.places[home])  # the step of each
            step = taken.x, taken.moved, taken.length
            gradient[:, home] = self._over(self.laws.take(taken.samples), *step, gradient[:, home], at, home, totals)

    def _over(
        self, one: Evaluator, start: Array, moved: Array, h: Array, gradient: Array, at: Index, home: Index,
        totals: list[Array],
    ) -> Array:  # fmt: skip
        """Go back over steps from `start`; `at` says over which each column of the gradient goes. Gives it at the start."""
        plan, size = self.plan, h.size
        laws = one.take(np.tile(np.arange(size), 3))
        states = np.repeat(start[:, None], 3, axis=1)
        states[plan.free, 1] += interpolate(moved, _GAMMA)
        states[plan.free, 2] += moved[2]
        flat = states.reshape(states.shape[0], -1)
        _, jacobian, mass = (m.reshape(m.shape[0], 3, -1) for m in plan.matrices(laws, flat))
        with np.errstate(all="ignore"):
            matrix = jacobian + mass / (_GAMMA * h)
            second = plan.factors(matrix[:, 2]).solve_transposed(gradient, at) / _GAMMA
            pulled = -(1 - _GAMMA) * self._transposed(jacobian[:, 1, at], second)
            first = plan.factors(matrix[:, 1]).solve_transposed(pulled, at) / _GAMMA
            before = self._transposed(mass[:, 0, at], first + second) / h[at]
        flows = np.stack([np.zeros_like(first), -(1 - _GAMMA) * second - _GAMMA * first, -_GAMMA * second], axis=1)
        stores = np.stack([first + second, -first, -second], axis=1) / h[at]
        columns = (at + size * np.arange(3)[:, None]).ravel()
        self._add(laws, flat, flows.reshape(plan.n, -1), stores.reshape(plan.n, -1), columns, home, totals)
        return before

    def _transposed(self, cells: Array, by: Array) -> Array:
        """Multiply by the transposed matrix."""
        return self.by_column(cells * by[self.plan.cell_rows])

    def _add(
        self, laws: Evaluator, x: Array, flows: Array, stores: Array, at: Index, home: Index, totals: list[Array]
    ) -> None:  # fmt: skip
        """Add the share of every parameter.

        flows, stores: weights of the balances' flows and stored quantities, (n, columns); at: which of the states in x each
        column is for; home: sample of each, as many columns a sample as there are states.
        """
        none = np.zeros((1, at.size))
        flows, stores = np.concatenate([flows, none]), np.concatenate([stores, none])  # the last is for given nodes
        for k, group in enumerate(laws.system.groups):
            inputs = laws.inputs(k, x)
            pairs, kernel = group.statement.by_parameter
            if pairs:
                slopes = np.empty((len(pairs), len(group.names), x.shape[1]))
                with np.errstate(all="ignore"):
                    kernel(inputs, slopes)
                for (row, parameter), slope in zip(pairs, slopes, strict=True):
                    totals[k][parameter][:, home] += _summed(flows[group.writes[row]] * slope[:, at], home.size)
            for parameter in self.stored[k]:
                slope = _store_slopes(group, inputs, parameter)
                for row in {r for r, _ in group.statement.stores[0]}:
                    totals[k][parameter][:, home] += _summed(stores[group.writes[row]] * slope[row][:, at], home.size)


def _summed(values: Array, size: int) -> Array:
    return np.asarray(values.reshape(values.shape[0], -1, size).sum(axis=1))


def _stored_by(laws: Evaluator, k: int, group: Group) -> list[int]:
    """Find the parameters on which what a class stores depends, by changing each."""
    if not group.statement.stores[0]:
        return []
    rng = np.random.default_rng(0)
    inputs = laws.inputs(k, 20.0 + rng.random((len(laws.system.index_rows), laws.size)))
    return [p for p in range(len(group.statement.parameters)) if np.any(_store_slopes(group, inputs, p))]


def _store_slopes(group: Group, inputs: list[Array], parameter: int) -> Array:
    """Give d(store)/d(parameter), (rows, elements, batch), by central differences (stores are products of parameters)."""
    at = len(group.statement.variables) + parameter
    size = _CHANGE * np.maximum(np.abs(inputs[at]), 1e-12)
    found = []
    for change in (size, -size):
        changed = [*inputs[:at], inputs[at] + change, *inputs[at + 1 :]]
        out = np.zeros((len(group.statement.rows), len(group.names), inputs[0].shape[-1]))
        group.statement.stores[2](changed, out)
        found.append(out)
    return np.asarray((found[0] - found[1]) / (2 * size))
