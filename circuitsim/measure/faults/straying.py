"""Parameters of many vehicles at once: each healthy, astray within its tolerances, or changed by a fault."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Parameter
from circuitsim.measure.taking import Batch
from circuitsim.quantities import Tolerance

__all__ = ["Number", "StrayingAlike", "Values", "constant", "factor_slopes"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Key = tuple[str, str]
_FURTHEST = 30.0  # of the logarithm of a factor


@dataclass(frozen=True)
class Number:
    """An uncertain number: its place among a batch's tolerances, its key, and the step that it belongs to, if to one."""

    place: int
    key: Key
    step: str | None

    @property
    def name(self) -> str:
        """ELEMENT.PARAMETER, with the step if it belongs to one."""
        return ".".join(self.key) + (f" at step {self.step}" if self.step else "")


class Values:
    """Parameters of some samples, each one vehicle at one task of a batch; they start as the healthy vehicle's.

    Parameters
    ----------
    batch
        Whose tasks.
    healthy
        Parameters of the healthy vehicle that differ from the netlist's, one entry a task of the batch.
    tasks
        Number of the task of each sample.
    """

    def __init__(self, batch: Batch, healthy: Mapping[Key, Array], tasks: Index) -> None:
        self.batch, self.elements = batch, batch.bench.net.elements
        self.steps = np.array([batch.tasks[int(t)].step for t in tasks])
        self.columns: dict[Key, Array] = {key: v[tasks] for key, v in healthy.items()}

    def put(self, key: Key, rows: Sequence[int], step: str | None, change: Callable[[Array], Array | float]) -> None:
        """Change a parameter in some samples, at one step alone if given; an element that is parted is passed over."""
        if key[0] not in self.elements:
            return
        chosen = [r for r in rows if step is None or self.steps[r] == step]
        if chosen:
            column = self._column(key)
            column[chosen] = change(column[chosen])

    def stray(self, number: Number, by: Array) -> None:
        """Move a number in every sample by standard deviations, (samples,); within what the element accepts."""
        if number.key[0] not in self.elements:
            return
        tolerances = self.batch.tolerances[number.place][2]
        moved = (by != 0) & ((self.steps == number.step) if number.step else True)
        known = self.batch.circuit.steps
        for step in np.unique(self.steps[moved]).tolist():
            tolerance = tolerances[known.index(step)]
            rows = np.flatnonzero(moved & (self.steps == step))
            if tolerance is not None:
                column = self._column(number.key)
                limits = self._limits(number.key)
                column[rows] = np.clip(_astray(tolerance, column[rows], by[rows]), limits.low, limits.high)

    def hold(self, key: Key) -> None:
        """Keep a number that strayed, and was then changed by a fault, within what the element accepts."""
        if key in self.columns and key[0] in self.elements:
            limits = self._limits(key)
            self.columns[key] = np.clip(self.columns[key], limits.low, limits.high)

    def _limits(self, key: Key) -> Parameter:
        return next(p for p in self.elements[key[0]].parameters if p.name == key[1])

    def _column(self, key: Key) -> Array:
        if key not in self.columns:
            self.columns[key] = np.full(len(self.steps), self.elements[key[0]].values[key[1]])
        return self.columns[key]


class StrayingAlike:
    """Uncertain numbers at one task of a batch, ready to be moved on very many samples at once; same numbers as `Values.stray`.

    Parameters
    ----------
    batch
        Whose task.
    numbers
        Which; those of other steps, and of elements that are parted, don't move.
    nominal
        Parameters of the healthy vehicle at the task that differ from the netlist's.
    step
        Of the task.
    """

    def __init__(self, batch: Batch, numbers: Sequence[Number], nominal: Mapping[Key, float], step: str) -> None:
        elements, at = batch.bench.net.elements, batch.circuit.steps.index(step)
        given = [(j, n, batch.tolerances[n.place][2][at]) for j, n in enumerate(numbers) if n.key[0] in elements]
        some = [(j, n, t) for j, n, t in given if t is not None and n.step in (None, step)]
        limits = [next(p for p in elements[n.key[0]].parameters if p.name == n.key[1]) for _, n, _ in some]
        self.keys = [n.key for _, n, _ in some]
        self._where = np.array([j for j, _, _ in some], dtype=np.intp)
        own = [nominal.get(key, elements[key[0]].values[key[1]]) for key in self.keys]
        self._own = np.array(own, dtype=float)[:, None]
        self._low, self._high = (np.array([[getattr(p, end)] for p in limits], dtype=float) for end in ("low", "high"))
        self._by_factor = np.array([t.kind == "lognormal" for _, _, t in some], dtype=bool)
        self._sigma = np.array([[t.log_sigma] for _, _, t in some])[self._by_factor]
        shares = [
            0.0 if t.kind == "lognormal" else t.standard(1.0) * (abs(v) if t.relative else 1.0)
            for (_, _, t), v in zip(some, own, strict=True)
        ]
        self._size = np.array(shares)[:, None]

    def moved(self, strays: Array) -> dict[Key, Array]:
        """Give the parameters, (samples,) each, for strays in standard deviations, (samples, numbers)."""
        by = np.ascontiguousarray(strays.T[self._where])
        values = self._own + by * self._size
        values[self._by_factor] *= np.exp(np.clip(self._sigma * by[self._by_factor], -_FURTHEST, _FURTHEST))
        return dict(zip(self.keys, np.clip(values, self._low, self._high, out=values), strict=True))


def _astray(tolerance: Tolerance, nominal: Array, by: Array) -> Array:
    if tolerance.kind == "lognormal":
        return np.asarray(nominal * np.exp(np.clip(tolerance.log_sigma * by, -_FURTHEST, _FURTHEST)))
    share = tolerance.standard(1.0)
    return nominal + by * (share * np.abs(nominal) if tolerance.relative else share)


def factor_slopes(log_sigma: Array, by: Array) -> Array:
    """Slope of each number against its stray, over its standard uncertainty: 1, but for what scatters by a factor.

    log_sigma: (numbers,), 0 for what does not; by: (vehicles, numbers).
    """
    s = np.where(log_sigma > 0, log_sigma, 1.0)
    size = np.sqrt(np.exp(s**2) * np.expm1(s**2))
    return np.where(log_sigma > 0, s * np.exp(np.clip(s * by, -_FURTHEST, _FURTHEST)) / size, 1.0)


def constant(value: Array | float, _kept: Array) -> Array | float:
    """Give a value, whatever was there."""
    return value
