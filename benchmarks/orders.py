"""Orders in which technicians take readings: the trade's fixed order, and half-splitting the path.

Both give places: tests that are made one after the other with the leads left where they are. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import groupby

from circuitsim.library.circuit import Circuit
from circuitsim.measure import Conditions, Task
from circuitsim.measure.conditions import Fitted
from circuitsim.studies.candidates import points_along

__all__ = ["fixed_order", "half_splitting", "splits"]

Place = list[Task]


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
    if task.red in ("U1-", "U1s", "S1-", "GND"):
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


def splits(circuit: Circuit) -> tuple[Task, list[Task], list[Task]]:
    """Give the tests that halve the path at full speed.

    The motor's current with a fused jumper from its low side to ground; the drops from battery plus to each point on the way
    to the motor; and what belongs to its ground side, in the order in which it acts: command, the controller's supply and
    ground, the drops from its low side to each point on the way to battery minus.
    """
    top, on = circuit.steps[-1], Conditions()
    bridged = Task(top, Conditions(fitted=(Fitted("jumper", "MOT-", "GND"),)), "clamp", at=circuit.motor)
    feed, back = points_along(circuit)

    def volts(red: str, black: str) -> Task:
        return Task(top, on, "voltmeter", red, black)

    upstream = [volts(feed[0], point) for point in feed[1:]]
    signal = [volts(name, "GND") for name in ("CMD", "U1+", "U1s") if name in circuit.probes]
    return bridged, upstream, [*signal, *(volts(back[0], point) for point in back[1:])]


def half_splitting(circuit: Circuit, tests: Sequence[Task], shown_good: Callable[[Task], bool]) -> Iterator[Place]:
    """Halve the path: with the low side jumped to ground, does the motor take what it should? Then halve that side, point by
    point, by whether the reading is a good circuit's; then what lies in the stretch that is left; then all else in the fixed
    order.

    shown_good: whether the reading of a test (already taken) lies where a good circuit's would.
    """
    bridged, upstream, downstream = splits(circuit)
    yield [bridged]
    side = downstream if shown_good(bridged) else upstream
    taken, low, high = [bridged], 0, len(side)
    while low < high:  # the first reading that is not good lies in [low, high]
        middle = (low + high) // 2
        yield [side[middle]]
        taken.append(side[middle])
        low, high = (middle + 1, high) if shown_good(side[middle]) else (low, middle)
    near = _stretch(circuit, side, low)
    places = fixed_order([t for t in tests if t not in taken], circuit.steps)
    yield from sorted(places, key=lambda place: not near & {place[0].red.partition("/")[0], place[0].black.partition("/")[0]})


def _stretch(circuit: Circuit, side: Sequence[Task], k: int) -> set[str]:
    """Name the points and pins of the stretch that ends at a test; after the last test, nothing is known."""
    if k >= len(side):
        return set()
    before, at = side[k - 1] if k else side[k], side[k]
    ends = [p for p in (before.black, at.black, at.red) if p in circuit.probes and p not in ("GND", "BAT-", "BAT+", "MOT-")]
    nodes = [circuit.probes[p].node if p in circuit.probes else p for p in (before.black, at.black)]
    if before.red != at.red or before.black == at.black:
        return set(ends)
    return {*ends, *circuit.net.path(*nodes, without=[circuit.motor])}
