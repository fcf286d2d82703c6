"""Which tests a circuit allows: its own chart, and drops between the points that can be reached along the current's path."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from circuitsim.library.circuit import Circuit
from circuitsim.measure import INSTRUMENTS, Conditions, Task
from circuitsim.studies.predict import reading_plan

__all__ = ["candidates", "points_along"]


def candidates(circuit: Circuit, conditions: Conditions) -> list[tuple[Task, str]]:
    """Give every test with a word of what it is.

    The circuit's chart, drops along the path, and drops across the pins of plugs that can be reached, at every step that is on.
    """
    plan = reading_plan(circuit, conditions)
    tests = {task: reading.label for task, reading in plan if task.instrument in INSTRUMENTS}
    for red, black in _drops(circuit):
        for step in circuit.steps[1:]:
            tests.setdefault(Task(step, conditions, "voltmeter", red, black), f"drop from {red} to {black}")
    for connector in circuit.connectors.values():
        for pin in connector.pins if connector.unpluggable and connector.name not in conditions.unplugged else ():
            for step in circuit.steps[1:]:
                tests.setdefault(Task(step, conditions, "voltmeter", f"{pin}/harness", f"{pin}/part"), f"drop across pin {pin}")
    return list(tests.items())


def points_along(circuit: Circuit) -> tuple[list[str], list[str]]:
    """Give the probe points that the current passes: from battery plus to the motor, and from its low side to battery minus."""
    net = circuit.net
    motor = net.elements[circuit.motor]
    by_node = {probe.node: name for name, probe in circuit.probes.items()}
    by_node.setdefault(net.ground, net.ground)
    ways = ((circuit.supply.plus, motor.nodes["plus"]), (motor.nodes["minus"], circuit.supply.minus))
    feed, back = ([by_node[node] for node in _nodes(circuit, *way) if node in by_node] for way in ways)
    return feed, back


def _drops(circuit: Circuit) -> Iterator[tuple[str, str]]:
    """Give neighbours among them."""
    for points in points_along(circuit):
        yield from pairwise(points)


def _nodes(circuit: Circuit, start: str, end: str) -> list[str]:
    """Give the nodes on the way from one node to another, but not through the motor or what feeds the circuit."""
    net, at = circuit.net, start
    nodes = [start]
    for name in net.path(start, end, without=circuit.load_and_sources):
        element = net.elements[name]
        at = next(
            b if a == at else a for a, b in ((element.nodes[x], element.nodes[y]) for x, y in element.conducts) if at in (a, b)
        )
        nodes.append(at)
    return nodes
