"""Slopes of readings of a waveform: the adjoint of the averaged circuit does not know how waveforms move with a part.

Where the stage switches within the period, each parameter with a tolerance is moved by a twentieth of its standard
uncertainty and the periodic steady state found again, all of them in one batch about the point that is there already. Where it
does not, but a command line is pulled low in pulses, the averaged point is found again in the same way. Readings that differ
only by the place of a voltmeter of 10 MΩ, or of a clamp, share these points.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.matching import matched
from circuitsim.engine.newton import newton
from circuitsim.engine.operating import Solved
from circuitsim.engine.periodic import Chopped, nudge
from circuitsim.engine.periodic_points import PeriodicPoints
from circuitsim.engine.points import Points
from circuitsim.engine.system import Column
from circuitsim.quantities import Tolerance

__all__ = ["chopped_slopes", "switching_samples"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

STEP = 0.05
"""Share of a standard uncertainty by which a parameter is moved: of a band's half width 0.1 % is then due to curvature."""
_NOISE = 1e-7  # of a value plus 1 mV or 1 mA; less than that is what the search leaves


def switching_samples(points: PeriodicPoints) -> Index:
    """Give the samples whose stage switches within the period."""
    duty = np.nan_to_num(points.duty, nan=0.0)
    return np.flatnonzero(points.periodic & (duty > 1e-9) & (duty < 1 - 1e-9))


def chopped_slopes(
    points: Points, samples: Index, alike: Sequence[Hashable], columns: Sequence[Column],
    tolerances: Sequence[Sequence[Tolerance | None]], value: Callable[[Points, int, slice], Array],
) -> Array:  # fmt: skip
    """Give the slope of each sample's reading against each column, (columns, samples); NaN where one was not found.

    samples: all with a periodic steady state, or all without. alike: a key for each sample; those with the same key share
    their points. tolerances: for each sample, of each column. value: the reading of sample k at some of any points that share
    its key.
    """
    first: dict[Hashable, int] = {}
    for k, key in enumerate(alike):
        first.setdefault(key, k)
    chosen = list(first.values())
    steps = np.array([_steps(points, int(samples[k]), columns, tolerances[k]) for k in chosen])
    moved = _moved(points, samples[chosen], columns, steps)
    place = {key: n for n, key in enumerate(first)}
    slopes = np.empty((len(columns), len(samples)))
    for k, key in enumerate(alike):
        n = place[key]
        here = slice(n * len(columns), (n + 1) * len(columns))
        own = int(samples[first[key]])
        nominal = float(value(points, k, slice(own, own + 1))[0])
        change = value(moved, k, here) - nominal
        change = np.where(np.abs(change) < _NOISE * (abs(nominal) + 1e-3), 0.0, change)
        slopes[:, k] = np.where(moved.accepted[here], change / steps[n], np.nan)
    return slopes


def _moved(points: Points, samples: Index, columns: Sequence[Column], steps: Array) -> Points:
    """Give the points that samples become, sample by sample, column by column."""
    if isinstance(points, PeriodicPoints) and points.periodic[samples].all():
        return PeriodicPoints(nudge(points.solved, samples, columns, steps))
    solved = points.solved.given if isinstance(points.solved, Chopped) else points.solved
    at = np.repeat(samples, len(columns))
    laws = solved.laws.take(at)
    moved = {c: array.copy() for c, array in laws.columns.items()}
    for k, (g, p, e) in enumerate(columns):
        array = moved.setdefault((g, p, e), np.full(at.size, float(laws.base[g][p, e, 0])))
        array[k :: len(columns)] += steps[:, k]
    start = solved.x[:, at]
    changed = matched(laws.with_columns(moved), start)
    found = newton(solved.compiled.plan(solved.frozen), changed, start, limit=40)
    return Points(Solved(solved.compiled, changed, solved.frozen, found, solved.method[at]))


def _steps(points: Points, sample: int, columns: Sequence[Column], tolerances: Sequence[Tolerance | None]) -> Array:
    """Give the step of each parameter, inside its accepted range."""
    laws, out = points.solved.laws, np.empty(len(columns))
    for c, ((g, p, e), tolerance) in enumerate(zip(columns, tolerances, strict=True)):
        array = laws.columns.get((g, p, e))
        nominal = float(laws.base[g][p, e, 0] if array is None else array[sample])
        standard = 0.0 if tolerance is None else tolerance.standard(nominal)
        step = STEP * standard or 1e-6 * (abs(nominal) + 1e-9)
        high = points.system.groups[g].statement.element.parameters[p].high
        out[c] = -step if nominal + step > high else step
    return out
