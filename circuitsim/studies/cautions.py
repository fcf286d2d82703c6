"""Cautions that follow from what is done to a circuit: a meter that moves its motor, a jumper from supply to the low side."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from circuitsim.elements.base import Domain
from circuitsim.engine.points import Points
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Conditions, Meter, Task
from circuitsim.quantities import format_quantity

__all__ = ["Driven", "driven", "jumper_cautions", "loading_cautions", "meter_caution"]

_MOVED = 0.01  # share of the motor's current or speed; an instrument that changes it by more is told
_FLOOR = 0.1  # of the largest at any step: what a share is taken of at least, where the motor stands
_LEAST = (1.0, 10.0)  # A, rad/s; the same where it stands at all steps that are looked at (assumed)
_RPM = 60 / math.tau
_SOLID = ("diode", "capacitor", "leak")
"""Kinds of elements that pass no current from the feed to a low side."""


@dataclass(frozen=True)
class Driven:
    """What a motor does: current, A, and speed, rad/s."""

    current: float
    speed: float

    def __str__(self) -> str:
        """Say it in words."""
        amperes = "0 A" if abs(self.current) < 1e-3 else format_quantity(self.current, "A", 3)
        turns = abs(self.speed) * _RPM
        return f"{'standing' if turns < 1 else f'{turns:.0f} rpm'} with {amperes}"


def driven(circuit: Circuit, points: Points) -> list[Driven | None]:
    """Give what the motor does at each point; None where there is no reading."""
    current, speed = points.current(circuit.motor), points.speed(circuit.net.elements[circuit.motor].nodes["shaft"])
    found = zip(current.tolist(), speed.tolist(), points.valid.tolist(), strict=True)
    return [Driven(amperes, turns) if valid else None for amperes, turns, valid in found]


def meter_caution(tool: Meter, bare: Mapping[Any, Driven], read: Sequence[tuple[Task, Any, Driven]]) -> tuple[str, ...]:
    """Say where an instrument between two leads changes the motor's current or speed most, if by more than 1 %.

    tool: the meter; bare: what the motor does with nothing connected, by the state of the circuit; read: readings, each with
    its state and what the motor does meanwhile. States without their like in `bare` are passed over.
    """
    least = [max([_FLOOR * abs(v) for v in values] + [low]) for values, low in zip(_each(bare.values()), _LEAST, strict=True)]
    worst, told = _MOVED, ""
    for task, state, now in read:
        before = bare.get(state)
        if before is None or not task.red:
            continue
        pairs = zip(_each([before]), _each([now]), least, strict=True)
        share = max(abs(b - a) / max(abs(a), size) for (a,), (b,), size in pairs)
        if share > worst:
            what = {"lamp": "a lamp", "ohmmeter": "an ohmmeter"}.get(
                task.instrument, f"this meter ({format_quantity(tool.input_resistance, 'Ω')})"
            )
            told = f"{what} between {task.red} and {task.black} changes what the motor does: at step {task.step} {now}, "
            worst, told = share, f"{told[:1].upper()}{told[1:]}and {before} without it."
    return (told,) if told else ()


def loading_cautions(circuit: Circuit, tool: Meter, tasks: Sequence[Task], points: Points) -> tuple[str, ...]:
    """Say where an instrument moves the motor; tasks: with the points at which they are taken, some with nothing connected."""
    found = [(t, (t.step, t.conditions), now) for t, now in zip(tasks, driven(circuit, points), strict=True) if now]
    alone = {state: now for t, state, now in found if not (t.red or t.at)}
    return meter_caution(tool, alone, [one for one in found if one[0].red])


def _each(found: Iterable[Driven]) -> tuple[list[float], list[float]]:
    every = list(found)
    return [one.current for one in every], [one.speed for one in every]


def jumper_cautions(circuit: Circuit, conditions: Conditions) -> tuple[str, ...]:
    """Say of each jumper that joins the motor's low side, or ground, to supply that it must never be fitted."""
    jumpers = [f for f in conditions.fitted if f.kind == "jumper"]
    if not jumpers:
        return ()
    feed, low, ground = _sides(circuit)
    found = []
    for f in jumpers:
        ends = circuit.node(f.red), circuit.node(f.black)
        if any(a in feed and b in low for a, b in (ends, ends[::-1])):
            found.append(
                f"The jumper from {f.red} to {f.black} joins the motor's low side to supply: never do that, what controls it "
                "takes a dead short. A fused jumper goes from the low side to ground only."
            )  # fmt: skip
        elif any(a in feed and b in ground for a, b in (ends, ends[::-1])):
            found.append(
                f"The jumper from {f.red} to {f.black} joins supply to ground: a dead short of the battery, never do that."
            )
    return tuple(found)


def _sides(circuit: Circuit) -> tuple[set[str], set[str], set[str]]:
    """Give the nodes on the motor's feed, on its low side, up to what has more than two ends, and from ground to battery."""
    net, motor = circuit.net, circuit.net.elements[circuit.motor]
    gone = [
        e.name for e in net.elements.values()
        if e.kind in _SOLID or sum(t.domain is Domain.ELECTRICAL for t in e.terminals) > 2
    ]  # fmt: skip
    graph = net.graph([*gone, *circuit.load_and_sources])
    ground = _ground(circuit, graph)
    graph.remove_nodes_from(ground)
    feed, low = (_reached(graph, end) for end in (net.node(circuit.supply.plus), motor.nodes["minus"]))
    return feed | _reached(graph, motor.nodes["plus"]), low - feed, ground


def _reached(graph: Any, start: str) -> set[str]:
    import networkx as nx

    return set(nx.node_connected_component(graph, start)) if start in graph else set()


def _ground(circuit: Circuit, graph: Any) -> set[str]:
    """Give the nodes from battery minus to ground."""
    import networkx as nx

    ends = circuit.net.node(circuit.supply.minus), circuit.net.ground
    path = nx.shortest_path(graph, *ends) if nx.has_path(graph, *ends) else ends
    return {*ends, *(n for pair in pairwise(path) for n in pair)}
