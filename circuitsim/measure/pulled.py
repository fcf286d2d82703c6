"""The waveform on a command line that an open collector pulls low for a share of each period.

The circuit has the average of such a line (`OpenCollector`), since that is what a controller goes by. Its two levels follow
from the same laws: the line pulled low is a duty of 1, the line let go a duty of 0. Only the wires and joints of the line
follow it there; all else (the supply, the controller's two ends of its input, speed, heat) stays where the average has put it,
so a controller whose output follows the average does not move with the pulses. Between its levels the line switches at once;
what a chopping stage's ripple on the supply adds is left out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements import Contact, Fuse, Jumper, OpenCollector, Switch, Wire
from circuitsim.elements.base import Domain
from circuitsim.engine.elimination import Plan
from circuitsim.engine.newton import newton
from circuitsim.engine.operating import Compiled, Solved
from circuitsim.engine.periodic import Shifted
from circuitsim.engine.points import Points
from circuitsim.engine.system import Evaluator, System
from circuitsim.measure.sampled import Sampled

__all__ = ["PulledLine", "pulled_lines"]

Array = NDArray[np.float64]
_JOINING = (Contact, Wire, Switch, Fuse, Jumper)
"""What a command line is made of; at anything else it ends."""


class PulledLine:
    """A line at the points of a batch.

    let_go, pulled: the points with it let go and pulled low; duty, frequency: share of a period for which it is pulled low,
    and periods a second, (batch,).
    """

    def __init__(self, solved: Solved, element: str) -> None:
        self.let_go, self.pulled = (_held(solved, element, duty) for duty in (0.0, 1.0))
        self.duty, self.frequency = (_number(solved.laws, element, name) for name in ("duty", "frequency"))

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
    laws = _with(solved.laws, solved.system.column(element, "duty"), duty)
    found = newton(_plan(solved.compiled, element), laws, solved.x, limit=30)
    found.accepted &= solved.solution.accepted
    return Points(Solved(solved.compiled, laws, solved.frozen, found, solved.method))


def _with(laws: Evaluator, column: tuple[int, int, int], value: float) -> Evaluator:
    """Give laws with one parameter set."""
    columns = {**laws.columns, column: np.full(laws.size, value)}
    changed = Evaluator(laws.system, laws.base, columns, laws.size, laws.smooth)
    return Shifted.by(changed, laws.shift) if isinstance(laws, Shifted) else changed


def _number(laws: Evaluator, element: str, name: str) -> Array:
    g, p, k = laws.system.column(element, name)
    return np.broadcast_to(laws.parameters[g][p, k], (laws.size,)).astype(float)


def _plan(compiled: Compiled, element: str) -> Plan:
    """Give the elimination of the line's own nodes, made once."""
    kept = compiled.__dict__.setdefault("_pulled_plans", {})
    if element not in kept:
        kept[element] = Plan(compiled.system, _own_nodes(compiled.system, element))
    plan: Plan = kept[element]
    return plan


def _own_nodes(system: System, element: str) -> NDArray[np.bool_]:
    """Find the rows of x that are nodes of the line: from both ends of the element along wires and joints, up to ground."""
    near: dict[str, set[str]] = {}
    for e in system.net.elements.values():
        if isinstance(e, _JOINING) and e.ends:
            a, b = (e.nodes[t] for t in e.ends)
            near.setdefault(a, set()).add(b)
            near.setdefault(b, set()).add(a)
    ends = system.net.elements[element]
    left = [ends.nodes[t] for t in ends.ends or ()]
    given, found = {system.net.ground, Domain.ELECTRICAL.reference}, set()
    while left:
        node = left.pop()
        if node not in found and node not in given:
            found.add(node)
            left += near.get(node, ())
    mask = np.zeros(len(system.index_rows), bool)
    mask[[k for n in found if (k := system.index[n]) < len(system.variables)]] = True
    return mask
