"""The physical way to the operating point: d/dt store + flow = 0 from the start, implicit Euler, growing time steps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.elimination import Plan
from circuitsim.engine.system import Evaluator

__all__ = ["Stores", "settle"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
_ESCAPED = 30_000.0  # °C; no law holds there, and nothing comes back. A fuse that should have melted gets past 5000 °C


class Stores:
    """Stored quantities of a system: their slopes, and the quantities themselves.

    rows, columns: which free balance each slope enters and against which free variable it is taken, (slopes,).
    """

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._storing = [k for k, g in enumerate(plan.system.groups) if g.statement.stores[0]]
        places = [self._places(k) for k in self._storing]
        rows, columns = (np.concatenate([np.zeros(0, np.intp), *(p[j] for p in places)]) for j in (0, 1))
        self._kept = (rows >= 0) & (columns >= 0)
        self.rows, self.columns = rows[self._kept], columns[self._kept]

    def _balance(self, written: Index) -> Index:
        """Give the free balance of each row that is written, or -1."""
        return np.where(written >= 0, self.plan.position[written], -1)

    def _places(self, group: int) -> tuple[Index, Index]:
        g = self.plan.system.groups[group]
        pairs = g.statement.stores[0]
        written = self._balance(np.concatenate([g.writes[row] for row, _ in pairs]))
        return written, self.plan.position[np.concatenate([g.reads[column] for _, column in pairs])]

    def slopes(self, laws: Evaluator, x: Array) -> Array:
        """Give d(store)/dx at (rows, columns), (slopes, batch)."""
        found = [np.zeros((0, x.shape[1]))]
        for k in self._storing:
            g = self.plan.system.groups[k]
            pairs, kernel, _ = g.statement.stores
            out = np.empty((len(pairs), len(g.names), x.shape[1]))
            kernel(laws.inputs(k, x), out)
            found.append(out.reshape(-1, x.shape[1]))
        return np.concatenate(found)[self._kept]

    def matrix(self, laws: Evaluator, x: Array) -> Array:
        """Give d(store)/dx for the free variables, (batch, n, n)."""
        full = np.zeros((x.shape[1], self.plan.n, self.plan.n))
        np.add.at(full.transpose(1, 2, 0), (self.rows, self.columns), self.slopes(laws, x))
        return full

    def quantity(self, laws: Evaluator, x: Array) -> Array:
        """Give the stored quantity in each free balance, (n, batch)."""
        out = np.zeros((self.plan.n, x.shape[1]))
        for k in self._storing:
            g = self.plan.system.groups[k]
            pairs, _, kernel = g.statement.stores
            stored = np.empty((len(g.statement.rows), len(g.names), x.shape[1]))
            kernel(laws.inputs(k, x), stored)
            for row in {r for r, _ in pairs}:
                at = self._balance(g.writes[row])
                np.add.at(out, at[at >= 0], stored[row, at >= 0])
        return out


def settle(plan: Plan, laws: Evaluator, start: Array, *, first: float = 1e-5, last: float = 1e7, limit: int = 600) -> Array:
    """Follow each sample from `start` until time steps of `last` seconds no longer move it; give where it ended.

    A step whose corrections do not settle within eight is tried again at a quarter of the time. A sample with a body
    past 30,000 °C has run away; where it stands then is returned.
    """
    ended = start.copy()
    for k in range(start.shape[1]):
        ended[:, k] = _settle_one(plan, laws.take(slice(k, k + 1)), start[:, k : k + 1], first, last, limit)[:, 0]
    return ended


def _settle_one(plan: Plan, laws: Evaluator, x: Array, first: float, last: float, limit: int) -> Array:
    stores = Stores(plan)
    scale = plan.typical
    hot = np.flatnonzero(plan.system.thermal)
    x, time_step = _switched_on(plan, laws, stores, x, first, scale), first
    for _ in range(limit):
        trial = _implicit_step(plan, laws, stores, x, time_step, scale)
        if trial is None:
            time_step *= 0.25
            if time_step < 1e-12:
                break
            continue
        if trial[hot].max(initial=0.0) > _ESCAPED:
            return trial
        moved = float(np.max(np.abs(trial - x)[plan.free] / scale, initial=0.0))
        x = trial
        if time_step >= last:
            break
        time_step *= 3.0 if moved < 1.0 else 1.3
    return x


def _switched_on(plan: Plan, laws: Evaluator, stores: Stores, x: Array, h: float, scale: Array) -> Array:
    """Take the first step, in which all that stores nothing falls into place at once, with corners narrowed in turn."""
    guess = x
    for width in (256.0, 64.0, 16.0, 4.0, 1.0):
        found = _implicit_step(plan, laws.smoothed(width * laws.smooth), stores, x, h, scale, guess)
        guess = guess if found is None else found
    return x if found is None else found


def _implicit_step(
    plan: Plan, laws: Evaluator, stores: Stores, x: Array, h: float, scale: Array, guess: Array | None = None
) -> Array | None:
    """Solve (store(new) - store(x))/h + flow(new) = 0 by damped Newton; None when it does not settle.

    A correction is halved until the next one, with the same matrix, is shorter.
    """
    before = stores.quantity(laws, x)

    def right(at: Array, entries: Array) -> Array:
        wanted: Array = -plan.balances(entries) - (stores.quantity(laws, at) - before) / h
        return wanted[:, 0]

    new = x.copy() if guess is None else guess.copy()
    entries, slopes = laws(new)
    for _ in range(30):
        inverse = plan.inverse(plan.cells(slopes), stores.rows, stores.columns, stores.slopes(laws, new)[:, 0] / h)
        if inverse is None:
            return None
        with np.errstate(all="ignore"):
            step = inverse(right(new, entries))
        length = float(np.max(np.abs(step) / (scale[:, 0] + np.abs(new[plan.free, 0])), initial=0.0))
        if not np.isfinite(length):
            return None
        for share in (1.0, 0.5, 0.25, 0.125, 0.0625, 0.03125):
            trial = new.copy()
            trial[plan.free, 0] += share * step
            entries, slopes = laws(trial)
            with np.errstate(all="ignore"):
                after = np.abs(inverse(right(trial, entries))) / (scale[:, 0] + np.abs(trial[plan.free, 0]))
            if length < 1e-6 or float(np.max(after, initial=0.0)) <= (1 - 0.25 * share) * length:
                break
        new = trial
        if length < 1e-9:
            return new
    return None
