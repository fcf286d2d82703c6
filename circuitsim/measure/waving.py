"""Readings of waveforms: what the functions of instruments show at the points of a batch, by place.

On a circuit that does not chop, everything is a level, and so it is on one that chops where its current limit acts: there the
waveform is not known, and no function shows anything. A command line that is pulled low for a share of each period has its
own waveform (`measure.pulled`); a place that sees both is taken to see the one with the larger swing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.periodic_points import PeriodicPoints
from circuitsim.engine.points import Points
from circuitsim.measure.instruments import TIMING, periodic_ripple
from circuitsim.measure.pulled import PulledLine, pulled_lines
from circuitsim.measure.sampled import Sampled

__all__ = ["LEVEL", "UNKNOWN", "Place", "Waves", "level_slopes"]

Array = NDArray[np.float64]

UNKNOWN = "no waveform: the stage's current limit acts"
LEVEL = "nothing to count: a level, or hardly a swing"
_FAST = 2e-3  # s; a period below this leaves a DC meter less than a digit of ripple
_SEEN = 0.1  # V or A; a command's swing above this counts where the stage's waveform is not known


@dataclass(frozen=True)
class Place:
    """Where an instrument is: nodes of its leads, or the element that a clamp sits on."""

    red: str = ""
    black: str = ""
    at: str = ""


class Waves:
    """The waveforms at the points of a batch."""

    def __init__(self, points: Points) -> None:
        self.points = points
        self._known: dict[Place, Sampled] = {}
        self._pulses: dict[Place, list[Sampled]] = {}

    @cached_property
    def lines(self) -> list[PulledLine]:
        """The command lines that are pulled low for a share of each period."""
        return pulled_lines(self.points.solved)

    def at(self, place: Place) -> Sampled:
        """Give what is seen at a place."""
        if place not in self._known:
            found = self._own(place)
            for pulses in self._on_lines(place):
                found = found.put(pulses.swing > np.nan_to_num(found.swing, nan=_SEEN), pulses)
            self._known[place] = found
        return self._known[place]

    def line(self, place: Place, sample: int) -> PulledLine | None:
        """Give the line whose pulses are what is seen at a place, at one point; None where it is not a line's."""
        seen = self.at(place)
        for line, pulses in zip(self.lines, self._on_lines(place), strict=True):
            if not pulses.steady[sample] and pulses.swing[sample] == seen.swing[sample]:
                return line
        return None

    def _own(self, place: Place) -> Sampled:
        """Give what is seen of the stage's chopping."""
        points = self.points
        average = points.current(place.at) if place.at else points.voltage(place.red, place.black)
        if not isinstance(points, PeriodicPoints):
            return Sampled.level(average)
        none = Sampled.level(np.where(points.level, average, np.nan))
        if not points.periodic.any():
            return none
        wave = points.currents(place.at) if place.at else points.voltages(place.red, place.black)
        return none.put(points.periodic, Sampled.of_wave(points, wave))

    def swing(self, place: Place, sample: int) -> float:
        """Give how far the stage's chopping swings at a place, at one point."""
        points = self.points
        if not isinstance(points, PeriodicPoints) or points.level[sample]:
            return 0.0
        wave = points.currents(place.at) if place.at else points.voltages(place.red, place.black)
        return float(wave.high[sample] - wave.low[sample])

    def ripple(self, place: Place, sample: int) -> float:
        """Give how far a DC meter's readings swing about the average, at one point."""
        points = self.points
        pulsing = [p for p in self._on_lines(place) if np.isfinite(p.mean[sample]) and not p.steady[sample]]
        swings = [periodic_ripple(pulses.trace(sample), TIMING) for pulses in pulsing]
        if isinstance(points, PeriodicPoints) and points.period[sample] > _FAST:  # NaN where there is no waveform
            swings.append(periodic_ripple(self._own(place).trace(sample), TIMING))
        return max(swings, default=0.0)

    def _on_lines(self, place: Place) -> list[Sampled]:
        """Give what is seen of each line's pulses."""
        if place not in self._pulses:
            at, red, black = place.at, place.red, place.black
            self._pulses[place] = [line.current(at) if at else line.voltage(red, black) for line in self.lines]
        return self._pulses[place]


def level_slopes(function: str, value: float, slopes: Array) -> Array:
    """Give the slopes of what a function shows of a level, from those of the level itself."""
    factors: dict[str, Any] = {"ac": 0.0, "ac-average": 0.0, "ac+dc": np.sign(value), "duty": np.nan, "frequency": np.nan}
    return np.asarray(factors.get(function, 1.0) * slopes)
