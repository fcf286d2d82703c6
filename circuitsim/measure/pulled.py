"""The waveform on a command line that an open collector pulls low for a share of each period.

The circuit has the average of such a line (`OpenCollector`), since that is what a controller goes by. Its two levels follow
from the same laws: the line pulled low is a duty of 1, the line let go a duty of 0; their average is that of the circuit
(`engine.matching`). Only the wires and joints of the line follow it there; all else (the supply, the controller's two ends of
its input, speed, heat) stays where the average has put it, so a controller whose output follows the average does not move with
the pulses. Between its levels the line switches at once; what a chopping stage's ripple on the supply adds is left out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements import OpenCollector
from circuitsim.engine.matching import line_plan
from circuitsim.engine.newton import newton
from circuitsim.engine.operating import Solved
from circuitsim.engine.points import Points
from circuitsim.measure.sampled import Sampled

__all__ = ["PulledLine", "pulled_lines"]

Array = NDArray[np.float64]


class PulledLine:
    """A line at the points of a batch.

    let_go, pulled: the points with it let go and pulled low; duty, frequency: share of a period for which it is pulled low,
    and periods a second, (batch,).
    """

    def __init__(self, solved: Solved, element: str) -> None:
        self.let_go, self.pulled = (_held(solved, element, duty) for duty in (0.0, 1.0))
        self.duty, self.frequency = (solved.laws.number(solved.system.column(element, p)) for p in ("duty", "frequency"))

    def voltage(self, red: str, black: str) -> Sampled:
        """Give what is seen between two nodes."""
        return self._between(*(points.voltage(red, black) for points in (self.pulled, self.let_go)))

    def current(self, element: str) -> Sampled:
        """Give the current through an element."""
        return self._between(*(points.current(element) for points in (self.pulled, self.let_go)))

    def _between(self, pulled: Array, let_go: Array) -> Sampled:
        return Sampled.rectangle(pulled, let_go, self.duty, 1 / self.frequency)


def pulled_lines(solved: Solved) -> list[PulledLine]:
    """Find the lines of a circuit that are pulled low for a share of each period, and their levels at the points of a batch."""
    system = solved.system
    names = [e.name for e in system.net.elements.values() if isinstance(e, OpenCollector) and e.name in system.place]
    return [PulledLine(solved, name) for name in names]


def _held(solved: Solved, element: str, duty: float) -> Points:
    """Give the points with the line held at one of its levels."""
    laws = solved.laws.with_columns({solved.system.column(element, "duty"): np.full(solved.size, duty)})
    found = newton(line_plan(solved.system, element), laws, solved.x, limit=30)
    found.accepted &= solved.solution.accepted
    return Points(Solved(solved.compiled, laws, solved.frozen, found, solved.method))
