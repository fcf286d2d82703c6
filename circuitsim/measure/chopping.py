"""Slopes of readings on a chopped circuit: the adjoint of the averaged circuit does not know how waveforms move with a part.

Where the stage switches within the period, each parameter with a tolerance is moved by a twentieth of its standard
uncertainty and the periodic steady state found again, all of them in one batch about the point that is there already. Readings
that differ only by the place of a voltmeter of 10 MΩ, or of a clamp, share these points.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.periodic import nudge
from circuitsim.engine.periodic_points import PeriodicPoints
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
    points: PeriodicPoints, samples: Index, alike: Sequence[Hashable], columns: Sequence[Column],
    tolerances: Sequence[Sequence[Tolerance | None]], value: Callable[[PeriodicPoints, int], Array],
) -> Array:  # fmt: skip
    """Give the slope of each sample's reading against each column, (columns, samples); NaN where one was not found.

    alike: a key for each sample; those with the same key share their points. tolerances: for each sample, of each column.
    value: the reading of sample k at any of the points that share its key.
    """
    first: dict[Hashable, int] = {}
    for k, key in enumerate(alike):
        first.setdefault(key, k)
    chosen = list(first.values())
    steps = np.array([_steps(points, int(samples[k]), columns, tolerances[k]) for k in chosen])
    solved = nudge(points.solved, samples[chosen], columns, steps)
    moved = PeriodicPoints(solved)
    place = {key: n for n, key in enumerate(first)}
    slopes = np.empty((len(columns), len(samples)))
    for k, key in enumerate(alike):
        n = place[key]
        here = slice(n * len(columns), (n + 1) * len(columns))
        nominal = float(value(points, k)[samples[first[key]]])
        change = value(moved, k)[here] - nominal
        change = np.where(np.abs(change) < _NOISE * (abs(nominal) + 1e-3), 0.0, change)
        slopes[:, k] = np.where(moved.accepted[here], change / steps[n], np.nan)
    return slopes


def _steps(points: PeriodicPoints, sample: int, columns: Sequence[Column], tolerances: Sequence[Tolerance | None]) -> Array:
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
