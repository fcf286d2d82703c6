"""Readings that no circuit at its supply could give are challenged where they are read, before anything is made of them."""

from __future__ import annotations

from itertools import pairwise

from circuitsim.errors import InputError, shown
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Task
from circuitsim.quantities import format_quantity
from circuitsim.studies.displays import Shown

__all__ = ["check_size", "most_amperes", "most_volts"]

_OVER, _MORE = 1.5, 5.0  # times the supply, as far as a charger may go, and volts on top of that (assumed)
_OPENS = 6.0  # times its rating, at which a fuse opens within 0.1 s (see `Fuse`): before a display has settled


def most_volts(circuit: Circuit, supply: float | None = None) -> float:
    """Give the most that a DC voltage may be between any two points, V, either way.

    From the highest of what feeds the circuit: nominal, battery, charger, and `supply`, the battery as measured.
    """
    return _OVER * _highest(circuit, supply) + _MORE


def _highest(circuit: Circuit, supply: float | None) -> float:
    sources = (circuit.net.elements.get(name or "") for name in (circuit.supply.battery, circuit.supply.alternator))
    own = [e.values[key] for e in sources if e is not None for key in ("emf", "regulated") if key in e.values]
    return max(circuit.nominal, supply or 0.0, *own)


def most_amperes(circuit: Circuit, task: Task) -> tuple[float, str]:
    """Give the most that a clamp may show of DC where a task has it, A, either way, and what sets that limit, in words.

    Behind a fuse that all current of the motor's feed goes through: what opens that fuse before a display has settled. Anywhere
    else, and with a jumper or lamp fitted: what the battery gives into a dead short, emf over its resistance, and the charger.
    """
    elements = circuit.net.elements
    battery, charger = (elements.get(name or "") for name in (circuit.supply.battery, circuit.supply.alternator))
    own = {} if battery is None else battery.values
    most = _highest(circuit, task.conditions.supply) / max(own.get("resistance", 0.0), 1e-6)
    found = [(most + (0.0 if charger is None else charger.values.get("current_limit", 0.0)), "a dead short of the battery")]
    if not task.conditions.fitted:
        found += [
            (_OPENS * elements[f].values["rating"], f"{_OPENS:g} times fuse {f}") for f in _fuses_before(circuit, task.at)
        ]
    return min(found)


def _fuses_before(circuit: Circuit, at: str) -> list[str]:
    """Name the fuses that all current of an element on the motor's feed, or of the motor, goes through."""
    import networkx as nx

    motor = circuit.net.elements[circuit.motor]
    graph = circuit.net.graph(circuit.load_and_sources)
    graph.remove_node(circuit.net.ground)
    ends = circuit.net.node(circuit.supply.plus), motor.nodes["plus"]
    if not all(end in graph for end in ends) or not nx.has_path(graph, *ends):
        return []
    edges = [(a, b, sorted(graph[a][b])[0]) for a, b in pairwise(nx.shortest_path(graph, *ends))]
    feed = [edge[2] for edge in edges if not nx.has_path(nx.restricted_view(graph, [], [edge]), *ends)]
    before = feed if at == circuit.motor else feed[: feed.index(at) + 1] if at in feed else []
    return [name for name in before if circuit.net.elements[name].kind == "fuse"]


def check_size(circuit: Circuit, task: Task, found: Shown, written: str) -> None:
    """Raise InputError for a DC voltage or current that no point of the circuit could have; written: as it stands in the row.

    What min and max held is left alone: it may be the kick of a winding, or a motor that starts.
    """
    if task.instrument not in ("voltmeter", "clamp") or found.kind not in ("number", "unstable"):
        return
    ends = (found.value,) if found.kind == "number" else (found.low, found.high)
    size = max(abs(v) for v in ends)
    if task.instrument == "voltmeter":
        most, why, what = most_volts(circuit, task.conditions.supply), "", "any point of this circuit can show"
    elif size <= _OPENS * min((e.values["rating"] for e in circuit.net.elements.values() if e.kind == "fuse"), default=0.0):
        return  # no need to look for the way there
    else:
        most, why = most_amperes(circuit, task)
        what = f"{task.at} can carry for as long as a display takes"
    if size > most:
        limit = f"up to {format_quantity(most, 'V' if task.red else 'A', 3)} of DC either way"
        raise InputError(f"{shown(written)} is more than {what}; accepted: {limit}{f' ({why})' * bool(why)}", key="reading")
