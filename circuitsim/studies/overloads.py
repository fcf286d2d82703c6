"""A current above the rating of a fuse that it goes through, measured or predicted: a caution, whatever it comes from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from circuitsim.engine.points import Points
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Task
from circuitsim.quantities import format_quantity
from circuitsim.studies.evidence import TakenReading

if TYPE_CHECKING:
    from circuitsim.studies.diagnose import Diagnosing
    from circuitsim.studies.diagnosis import Suspect

__all__ = ["fuses_along", "measured_overloads", "overloads", "suspected_overloads"]

_NO_DIRECT = ("capacitor", "leak")
"""Kinds of elements that take no direct current worth a fuse's notice."""
_LIKELY = 0.5  # chance from which on a suspect's currents are told


def overloads(circuit: Circuit, steps: Sequence[str], points: Points) -> tuple[str, ...]:
    """Say which fuses carry more than their ratings at some points, one a step, and where most.

    What is no reading (a fuse that has opened, say) is passed over.
    """
    found = []
    for name in (e.name for e in points.system.net.elements.values() if e.kind == "fuse"):
        amperes = np.where(points.valid, np.abs(points.current(name)), 0.0)
        most = int(np.argmax(amperes))
        found += _above(circuit, name, float(amperes[most]), f"at step {steps[most]}")
    return tuple(found)


def measured_overloads(circuit: Circuit, readings: Iterable[TakenReading]) -> tuple[str, ...]:
    """Say where a clamp showed more than the rating of a fuse in the same line: the highest reading of each.

    With a jumper or lamp fitted the way is another, and nothing is said.
    """
    return tuple(t for texts in _measured(circuit, readings).values() for t in texts)


def _measured(circuit: Circuit, readings: Iterable[TakenReading]) -> dict[str, list[str]]:
    """Give what is said of each fuse whose rating a clamp exceeds."""
    most: dict[str, tuple[float, str]] = {}
    for r in readings:
        if r.task.instrument != "clamp" or r.shown.kind not in ("number", "unstable") or r.task.conditions.fitted:
            continue
        amperes = abs(r.shown.value) if r.shown.kind == "number" else max(abs(r.shown.low), abs(r.shown.high))
        for fuse in fuses_along(circuit, r.task.at):
            most[fuse] = max(most.get(fuse, (0.0, "")), (amperes, r.task.step))
    found = {fuse: _above(circuit, fuse, amperes, f"at step {step}") for fuse, (amperes, step) in most.items()}
    return {fuse: texts for fuse, texts in found.items() if texts}


def suspected_overloads(work: Diagnosing, suspects: Sequence[Suspect]) -> tuple[str, ...]:
    """Say so of the first suspect's own currents, where it is a fault and likely; of a fuse that a clamp told of, nothing."""
    first = suspects[0] if suspects else None
    courses = {f.name: k for k, family in enumerate(work.members) for f in family}
    if first is None or first.leader.fault not in courses or first.probability < _LIKELY or first.unseen:
        return ()
    course = courses[first.leader.fault]
    told = _measured(work.circuit, work.readings)
    tests = [t for t, _ in work.tests if t.at and t.instrument == "clamp" and not t.conditions.unplugged]
    fuses = {t: [f for f in fuses_along(work.circuit, t.at) if f not in told] for t in tests}
    tests = [t for t in tests if fuses[t] and t in work.table.place]
    if not tests:
        return ()
    share = float(work.densities[course].quantiles([0.5])[0])
    shown = work.weighed.bench.show([work.courses[course].make(share)], [work.table.place[t] for t in tests])
    amperes = np.nan_to_num(np.abs(shown.value[0]))
    return _of_tests(work.circuit, tests, fuses, amperes.tolist(), f"if it is {first.leader.fault}")


def _of_tests(
    circuit: Circuit, tests: Sequence[Task], fuses: Mapping[Task, Sequence[str]], amperes: Sequence[float], why: str
) -> tuple[str, ...]:
    most: dict[str, tuple[float, str]] = {}
    for test, value in zip(tests, amperes, strict=True):
        for fuse in fuses[test]:
            most[fuse] = max(most.get(fuse, (0.0, "")), (value, test.step))
    return tuple(t for f, (value, step) in most.items() for t in _above(circuit, f, value, f"at step {step}, {why}"))


def fuses_along(circuit: Circuit, at: str) -> tuple[str, ...]:
    """Name the fuses that carry the very current of an element: nothing branches off in between, a freewheeling diode least."""
    net = circuit.net
    users: dict[str, list[str]] = {}
    for e in net.elements.values():
        if e.kind not in _NO_DIRECT:
            for terminal in e.terminals:
                users.setdefault(e.nodes[terminal.name], []).append(e.name)
    graph = net.graph(e.name for e in net.elements.values() if e.kind in _NO_DIRECT)
    line, ahead = {at}, [at]
    while ahead:
        for node in _ends(graph, ahead.pop()):
            both = users.get(node, ())
            more = [name for name in both if name not in line] if len(both) == 2 and node != net.ground else []
            more = [name for name in more if len(_ends(graph, name)) == 2]
            line.update(more)
            ahead += more
    return tuple(name for name in net.elements if name in line and net.elements[name].kind == "fuse")


def _ends(graph: Any, name: str) -> tuple[str, ...]:
    """Give the ends of an element that conducts from one point to another; nothing for any other."""
    edges = [(a, b) for a, b, key in graph.edges(keys=True) if key == name]
    return edges[0] if len(edges) == 1 else ()


def _above(circuit: Circuit, fuse: str, amperes: float, when: str) -> list[str]:
    rating = circuit.net.elements[fuse].values["rating"]
    if amperes <= rating:
        return []
    size = f"{format_quantity(amperes, 'A', 3)} on {fuse} ({format_quantity(rating, 'A')}) {when}"
    return [f"{size}: more than its rating. Find out why; never fit a bigger fuse."]
