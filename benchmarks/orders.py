"""Orders in which technicians take readings: the trade's fixed order, and half-splitting the path.

Both give places: tests that are made one after the other with the leads left where they are. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from circuitsim.library.circuit import Circuit
from circuitsim.measure import Conditions, Task
from circuitsim.measure.conditions import Fitted
from circuitsim.studies.candidates import points_along

__all__ = ["Split", "fixed_order", "half_splitting", "splits"]

Place = list[Task]
GROUNDS = ("U1-", "U1s", "S1-", "GND")
_GOOD = 2.0  # standard deviations from a good circuit's reading


def _rank(task: Task) -> int:
    """Give the place of a test in the trade's order."""
    if task.conditions.unplugged:
        return 9
    if task.conditions.ignition == "off":
        return 0
    if "/" in task.red or "/" in task.black:
        return 8
    if task.at:
        return 6
    if task.black not in ("GND", "BAT-"):
        return 7
    if task.red in GROUNDS:
        return 2
    marks = {"BAT+": 0, "U1+": 1, "CMD": 3, "CMD.p": 3, "T1": 3, "T2": 3, "T3": 3, "MOT+": 4, "MOT-": 5}
    return marks.get(task.red, 7)


def _where(task: Task) -> tuple[int, str, str, str, tuple[str, ...], str]:
    c = task.conditions
    return (_rank(task), task.red, task.black, task.at, c.unplugged, c.ignition)


def fixed_order(tests: Sequence[Task], steps: Sequence[str]) -> list[Place]:
    """Put tests into the trade's order: supply, grounds, command, feed, low side, motor current, then drops along the path and
    across the pins, then with plugs parted; place by place, the top step first.
    """
    down = list(reversed(steps))
    ordered = sorted(tests, key=lambda t: (_where(t), down.index(t.step)))
    return [list(place) for _, place in groupby(ordered, key=_where)]


@dataclass(frozen=True)
class Split:
    """A test that halves the path.

    point: which it proves good or not; sense: 1 where the reading must not lie below a good circuit's, -1 where it must not lie
    above, 0 where neither.
    """

    task: Task
    point: str
    sense: int = 0


def splits(circuit: Circuit) -> tuple[Split, list[Split], list[Split]]:
    """Give the tests that halve the path at full speed.

    The motor's current with a fused jumper from its low side to ground; the volts of each point on the way to the motor; and
    what its ground side needs, in the order in which one needs the other: grounds, the controller's supply and command, its
    output, the low side.
    """
    top, on = circuit.steps[-1], Conditions()
    bridged = Split(Task(top, Conditions(fitted=(Fitted("jumper", "MOT-", "GND"),)), "clamp", at=circuit.motor), circuit.motor)
    feed, back = points_along(circuit)

    def volts(red: str, black: str, sense: int = 0) -> Split:
        return Split(Task(top, on, "voltmeter", red, black), red, sense)

    grounds = [p for p in reversed(back[:-1]) if p in GROUNDS]
    outputs = [p for p in reversed(back[:-1]) if p not in GROUNDS]
    needs = [volts(p, "GND") for p in ("U1+", "U1s", "CMD") if p in circuit.probes]
    ways = [[volts(p, "BAT-", -1) for p in points] for points in (grounds, outputs)]
    return bridged, [volts(p, "GND", 1) for p in feed[1:]], [*ways[0], *needs, *ways[1]]


def half_splitting(circuit: Circuit, tests: Sequence[Task], off: Callable[[Task], float]) -> Iterator[Place]:
    """Halve the path: with the low side jumped to ground, does the motor take what it should? Then halve that side, point by
    point; then what lies in the stretch that is left; then all else in the fixed order.

    off: how far the reading of a test (already taken) lies above a good circuit's, in standard deviations.
    """
    bridged, upstream, downstream = splits(circuit)

    def good(split: Split) -> bool:
        by = off(split.task)
        return abs(by) < _GOOD if split.sense == 0 else split.sense * by > -_GOOD

    yield [bridged.task]
    side = downstream if good(bridged) else upstream
    taken, low, high = [bridged.task], 0, len(side)
    while low < high:  # the first reading that is not good lies in [low, high]
        middle = (low + high) // 2
        yield [side[middle].task]
        taken.append(side[middle].task)
        low, high = (middle + 1, high) if good(side[middle]) else (low, middle)
    near = _stretch(circuit, side, low)
    places = fixed_order([t for t in tests if t not in taken], circuit.steps)
    yield from sorted(places, key=lambda place: not near.has(place[0]))


@dataclass(frozen=True)
class Stretch:
    """What is left of the path: its ends, and the points and pins in it."""

    ends: tuple[str, str]
    names: frozenset[str]

    def has(self, task: Task) -> bool:
        """Whether a test is made there."""
        leads = {task.red.partition("/")[0], task.black.partition("/")[0]}
        return leads == set(self.ends) or bool(leads & self.names)


def _stretch(circuit: Circuit, side: Sequence[Split], k: int) -> Stretch:
    """Give what lies between the last point that is good and the first that is not; all good: the motor and its plug."""
    feed, back = points_along(circuit)
    if k == len(side):
        motor = circuit.net.elements[circuit.motor].nodes
        pins = [*_between(circuit, feed[-1], motor["plus"]), *_between(circuit, motor["minus"], back[0])]
        return Stretch((feed[-1], back[0]), frozenset(pins))
    at = side[k]
    if at.sense == 0:
        return Stretch((at.point, "GND"), frozenset({at.point}))
    way = feed if at.sense > 0 else list(reversed(back))
    before = way[way.index(at.point) - 1]
    names = {before, at.point, *_between(circuit, before, at.point)}
    return Stretch((before, at.point), frozenset(names - {"GND", "BAT-", "BAT+"}))


def _between(circuit: Circuit, *ends: str) -> list[str]:
    nodes = [circuit.probes[p].node if p in circuit.probes else p for p in ends]
    return circuit.net.path(nodes[0], nodes[1], without=[circuit.motor])
