"""A contact that opens and closes at random: the two-state process, drawn from a seed and in closed form.

While closed it opens at `rate` a second, while open it closes again after `open_time` seconds on average, whatever went before
(a Markov process: both times are exponential). It starts closed.

The chance that an open lasts at least `hold` seconds within a time T: with p(t) the probability of being closed with no such
open so far, opens begin at rate·p and end too early, after s < hold, with the density exp(-s/m)/m, so
p' = -rate·p + q, q' = (rate·p - q - rate·exp(-hold/m)·p(t - hold))/m, and the chance is
rate·exp(-hold/m)·∫₀^(T - hold) p. Own derivation (a renewal process with a delay). Over one `hold` at a time these are
linear equations with a known past: the past, as values at Chebyshev points, goes to the present by ONE matrix, whose powers
reach any T (spectral collocation; Trefethen, Spectral Methods in MATLAB, 2000, chapter 6, gives the matrix of derivatives).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from circuitsim.errors import InputError

__all__ = ["chance_of_open", "draw_switchings", "share_open"]

Array = NDArray[np.float64]
_LEAST_POINTS, _MOST_POINTS = 16, 200


def _check(rate: float, open_time: float, duration: float) -> None:
    for key, value in (("rate_open", rate), ("open_time", open_time), ("duration", duration)):
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"{value} is no finite number above zero", key=key)


def share_open(rate: float, open_time: float) -> float:
    """Share of the time that the contact is open, in the long run: m·rate/(1 + m·rate)."""
    return open_time * rate / (1 + open_time * rate)


def draw_switchings(
    rate: float, open_time: float, duration: float, trials: int, generator: np.random.Generator
) -> NDArray[np.float64]:
    """Draw when the contact switches: it opens at the first time, closes at the second, and so on.

    Returns
    -------
    array
        (trials, switchings), s, rising; what would come after `duration` is set to `duration`.

    Raises
    ------
    InputError
        For a rate, time or duration that is not above zero.
    """
    _check(rate, open_time, duration)
    expected = duration / (1 / rate + open_time)
    pairs = math.ceil(expected + 8 * math.sqrt(expected) + 12)
    mean = np.array([1 / rate, open_time])
    found: list[Array] = []
    reached = np.zeros(trials)
    while not found or float(reached.min()) < duration:
        spans = generator.exponential(size=(trials, pairs, 2)) * mean
        times = reached[:, None] + np.cumsum(spans.reshape(trials, -1), axis=1)
        found.append(times)
        reached = times[:, -1]
    every = np.minimum(np.concatenate(found, axis=1), duration)
    used = int((every < duration).any(axis=0).sum())
    return np.asarray(every[:, : used + 1])


def chance_of_open(rate: float, open_time: float, hold: float, duration: float) -> float:
    """Chance that at least one open reaches `hold` seconds within `duration` seconds (see the module's text).

    Raises InputError for a rate, time or duration that is not above zero, or a negative hold.
    """
    _check(rate, open_time, duration)
    if not hold >= 0:
        raise InputError(f"{hold} s is less than nothing", key="hold")
    if hold >= duration:
        return 0.0
    if hold == 0:
        return -math.expm1(-rate * duration)
    long_open = rate * math.exp(-hold / open_time)
    return float(min(max(long_open * _time_closed(rate, open_time, hold, duration - hold), 0.0), 1.0))


def _time_closed(rate: float, open_time: float, hold: float, duration: float) -> float:
    """Expected time closed with no long open so far, ∫₀^duration p."""
    # Layers of thickness 1/rate at the ends are resolved by points that crowd there as 1/points².
    points = int(np.clip(_LEAST_POINTS + 6 * math.sqrt(hold * (rate + 1 / open_time)), _LEAST_POINTS, _MOST_POINTS))
    nodes, slopes = _chebyshev(points)
    first, step = _over_one_hold(rate, open_time, hold, slopes)
    whole = int(duration // hold)
    state = first @ np.array([1.0, 0.0, 0.0])  # p, q and ∫p at the nodes of the first stretch; p = 1 at the start
    state = np.linalg.matrix_power(step, whole) @ state
    share = duration / hold - whole
    return float(_interpolate(nodes, state.reshape(3, -1)[2], 2 * share - 1))


def _over_one_hold(rate: float, open_time: float, hold: float, slopes: Array) -> tuple[Array, Array]:
    """Give the matrices from the values at the start, and from the stretch before, to a stretch at its nodes.

    Nodes run from the end of a stretch (first) to its start (last).
    """
    n = slopes.shape[0]
    scale = 2 / hold
    long_open = rate * math.exp(-hold / open_time) / open_time
    one, none = np.eye(n), np.zeros((n, n))
    left = np.block(
        [
            [scale * slopes + rate * one, -one, none],
            [-rate / open_time * one, scale * slopes + one / open_time, none],
            [-one, none, scale * slopes],
        ]
    )
    past = np.zeros((3 * n, 3 * n))
    past[n : 2 * n, :n] = -long_open * one
    starts = np.zeros((3 * n, 3))
    for k in range(3):
        row = (k + 1) * n - 1
        left[row], past[row] = 0.0, 0.0
        left[row, row] = 1.0
        starts[row, k] = 1.0
    to_start = np.zeros((3, 3 * n))
    to_start[range(3), [0, n, 2 * n]] = 1.0  # the end of the stretch before
    first = np.linalg.solve(left, starts)
    return first, np.linalg.solve(left, past + starts @ to_start)


def _chebyshev(n: int) -> tuple[Array, Array]:
    """Chebyshev points from 1 to -1, and the matrix of derivatives at them."""
    x = np.cos(np.pi * np.arange(n) / (n - 1))
    weight = np.where((np.arange(n) == 0) | (np.arange(n) == n - 1), 2.0, 1.0) * (-1.0) ** np.arange(n)
    gap = x[:, None] - x[None, :] + np.eye(n)
    slopes = np.outer(weight, 1 / weight) / gap
    return x, slopes - np.diag(slopes.sum(axis=1))


def _interpolate(nodes: Array, values: Array, at: float) -> float:
    """Barycentric interpolation between Chebyshev points (Berrut and Trefethen, SIAM Review 46, 2004)."""
    n = nodes.size
    weight = np.where((np.arange(n) == 0) | (np.arange(n) == n - 1), 0.5, 1.0) * (-1.0) ** np.arange(n)
    gap = at - nodes
    hit = np.flatnonzero(np.abs(gap) < 1e-15)
    if hit.size:
        return float(values[hit[0]])
    share = weight / gap
    return float((share @ values) / share.sum())
