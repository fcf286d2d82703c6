"""Many wiggles at once: contacts switch at random, the shaft follows, and each instrument looks on.

Pieces of time are the first axis, trials the second. Within a piece the contact does not switch, and what is probed goes
straight from its value at the beginning to that at the end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.measure.instruments import TIMING, Timing
from circuitsim.measure.traces import Trace, longest_run, moving_extremes, smoothed, smoothed_extremes
from circuitsim.studies.loose import States

__all__ = ["Record", "follow"]

Array = NDArray[np.float64]
_SHARE = 0.1  # of the time in which the speed follows: the longest piece
_MOST_PIECES = 20_000


@dataclass(frozen=True)
class Record:
    """What happens in many trials.

    length: of each piece, s; first, last: what is probed at its two ends; lamp_first, lamp_last: the same of the square of the
    volts at a test lamp there (empty for a clamp); (pieces, trials) each. edges: place of each reading's beginning, and of the
    last one's end, among the beginnings of the pieces, (readings + 1, trials); opens: how many opens each trial had, (trials,).
    """

    length: Array
    first: Array
    last: Array
    lamp_first: Array
    lamp_last: Array
    edges: NDArray[np.intp]
    opens: NDArray[np.intp]
    timing: Timing

    def readings(self) -> Array:
        """What a DC meter shows, update by update: (readings, trials)."""
        at = np.zeros((self.length.shape[0] + 1, self.length.shape[1]))
        np.cumsum(self.length * (self.first + self.last) / 2, axis=0, out=at[1:])
        if self.timing.smoothing > 0:  # behind the filter ∫y = ∫u - τ·(change of y)
            at -= self.timing.smoothing * smoothed(self.length, self.first, self.last, self.timing.smoothing, self.first[0])
        return np.diff(np.take_along_axis(at, self.edges, axis=0), axis=0) / self.timing.update

    def longest_outside(self, low: float, high: float) -> Array:
        """Longest time without a break below `low` or above `high`, s: (trials,)."""
        below = longest_run(self.length, self.first, self.last, low, above=False)
        return np.maximum(below, longest_run(self.length, self.first, self.last, high, above=True))

    def averages_leave(self, low: float, high: float, time: float) -> NDArray[np.bool_]:
        """Whether an average over `time` seconds falls below `low` or rises above `high`: (trials,)."""
        least, most = moving_extremes(self.length, self.first, self.last, time, periodic=False)
        return np.asarray((least < low) | (most > high))

    def lamp_range(self) -> tuple[Array, Array]:
        """Least and largest square of the volts by which the lamp glows, its filament's heat smoothing it: (trials,) each."""
        out = smoothed(self.length, self.lamp_first, self.lamp_last, self.timing.filament, self.lamp_first[0])
        return smoothed_extremes(self.length, self.lamp_first, self.lamp_last, self.timing.filament, out)

    def trace(self, trial: int, *, lamp: bool = False) -> Trace:
        """One trial as a waveform: what is probed, or the square of the volts at the lamp."""
        a, b = (self.lamp_first, self.lamp_last) if lamp else (self.first, self.last)
        times = np.concatenate([[0.0], np.cumsum(self.length[:, trial])])
        lasts = self.length[:, trial] > 0
        ends = np.stack([times[:-1], times[1:]], axis=1)[lasts]
        values = np.stack([a[:, trial], b[:, trial]], axis=1)[lasts]
        return Trace(ends.ravel(), values.ravel())


def follow(states: States, switchings: Array, duration: float, timing: Timing = TIMING, *, held: bool = False) -> Record:
    """Follow the circuit through switchings of its contact.

    Parameters
    ----------
    states : States
        From `states_by_step`.
    switchings : array
        From `draw_switchings`, (trials, switchings).
    duration : float
        Of each trial, s.
    held : bool
        Keep the speed that the motor has with the contact closed: two states and nothing between.
    """
    length, open_, edges = _pieces(switchings, duration, timing, _longest_piece(states, duration, timing))
    speeds = np.full((length.shape[0] + 1, length.shape[1]), states.running)
    if not held and states.speeds.size > 1:
        _spin(states, length, open_, speeds)
    lookup = [np.stack([np.interp(s, states.speeds, t[k]) for k in (0, 1)]) for s, t in
              ((speeds[:-1], states.reading), (speeds[1:], states.reading))]  # fmt: skip
    first, last = (np.where(open_, pair[1], pair[0]) for pair in lookup)
    lamps = [np.zeros((0, length.shape[1]))] * 2
    if states.lamp is not None:
        squares = states.lamp**2
        lamps = [np.where(open_, np.interp(s, states.speeds, squares[1]), np.interp(s, states.speeds, squares[0]))
                 for s in (speeds[:-1], speeds[1:])]  # fmt: skip
    opens = (switchings[:, ::2] < duration).sum(axis=1)
    return Record(length, first, last, lamps[0], lamps[1], edges, opens, timing)


def _longest_piece(states: States, duration: float, timing: Timing) -> float:
    """A piece in which the speed moves along a straight line: a part of the time in which it follows."""
    if states.speeds.size < 2:
        return timing.update
    rates = np.abs(np.diff(states.acceleration, axis=1) / np.diff(states.speeds))
    return max(min(timing.update, _SHARE / max(float(np.median(rates)), 1e-9)), duration / _MOST_PIECES)


def _pieces(
    switchings: Array, duration: float, timing: Timing, longest: float
) -> tuple[Array, NDArray[np.bool_], NDArray[np.intp]]:
    """Cut the time at every switching and at every update, and finer: lengths, whether open, and the edges of the readings."""
    parts = math.ceil(timing.update / longest)
    count = math.floor(duration / timing.update * (1 + 1e-12))
    step = timing.update / parts
    grid = step * np.arange(math.ceil(duration / step) + 1)
    grid = np.minimum(grid, duration)
    is_edge = (np.arange(grid.size) % parts == 0) & (np.arange(grid.size) <= count * parts)
    trials, events = switchings.shape
    times = np.concatenate([np.broadcast_to(grid, (trials, grid.size)), switchings], axis=1)
    order = np.argsort(times, axis=1, kind="stable")
    times = np.take_along_axis(times, order, axis=1)
    switched = np.cumsum(order >= grid.size, axis=1)  # switchings up to each mark
    marks = np.concatenate([is_edge, np.zeros(events, bool)])[order]
    edges = np.nonzero(marks)[1].reshape(trials, int(is_edge.sum()))
    return np.diff(times, axis=1).T, (switched[:, :-1] % 2 == 1).T, edges.T


def _spin(states: States, length: Array, open_: NDArray[np.bool_], speeds: Array) -> None:
    """Let the speed follow the torque: ω' = a(ω), taken as a straight line at the beginning of each piece."""
    slopes = np.gradient(states.acceleration, states.speeds, axis=1)
    low, high = float(states.speeds[0]), float(states.speeds[-1])
    for k in range(length.shape[0]):
        speed = speeds[k]
        a = np.where(open_[k], *(np.interp(speed, states.speeds, states.acceleration[j]) for j in (1, 0)))
        z = length[k] * np.where(open_[k], *(np.interp(speed, states.speeds, slopes[j]) for j in (1, 0)))
        small = np.abs(z) < 1e-6
        moved = a * length[k] * np.where(small, 1 + z / 2, np.expm1(z) / np.where(small, 1.0, z))
        speeds[k + 1] = np.clip(speed + moved, low, high)
