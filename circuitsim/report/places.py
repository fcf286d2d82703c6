"""Where the leads of a chart go: probe points, the halves of connectors, other nodes, and where a clamp sits."""

from __future__ import annotations

from circuitsim.elements import Element
from circuitsim.library.circuit import Circuit, Connector
from circuitsim.report.typeset import clean
from circuitsim.studies import Chart

__all__ = ["places"]

_HALVES = "/harness is the half of a connector on the wires, /part the half on the part that it plugs into"
_MOST = 4  # elements named at a node

Place = tuple[str, str, str]


def places(chart: Chart, circuit: Circuit | None) -> tuple[Place, ...]:
    """Give name, wire colour and place of every point and clamp that the chart reads at; nothing without a circuit."""
    if circuit is None:
        return ()
    used = dict.fromkeys(name for r in chart.readings for name in (r.red, r.black) if name)
    rows = [(p.name, p.colour, p.where) for p in circuit.probes.values() if p.name in used]
    rows += [_point(circuit, name) for name in used if name not in circuit.probes]
    rows += [_clamp(circuit, at) for at in dict.fromkeys(r.at for r in chart.readings if r.at)]
    if any(name.endswith(("/harness", "/part")) for name in used):
        rows.append(("", "", _HALVES))
    return tuple((clean(name), clean(colour), clean(where)) for name, colour, where in rows)


def _point(circuit: Circuit, name: str) -> Place:
    node = circuit.node(name)
    pin, _, half = name.rpartition("/")
    connector = _connector(circuit, pin)
    if connector is not None and half in ("harness", "part"):
        side = "on the wires" if half == "harness" else f"on {connector.part or 'the part'}"
        return name, _colour(circuit, node), f"{_pin(connector, pin)}, the half {side}"
    probe = next((p for p in circuit.probes.values() if p.node == node), None)
    if probe is not None:
        return name, probe.colour, probe.where
    there = [e.name for e in circuit.net.elements.values() if node in e.nodes.values()]
    more = ", …" if len(there) > _MOST else ""
    return name, _colour(circuit, node), f"where {', '.join(there[:_MOST])}{more} meet" if len(there) > 1 else ""


def _clamp(circuit: Circuit, at: str) -> Place:
    e = circuit.net.elements.get(at)
    if e is None:
        return f"clamp on {at}", "", f"round a lead of {at}, which is fitted"
    connector = _connector(circuit, at)
    if connector is not None:
        return f"clamp on {at}", _pin_colour(circuit, e), f"round the wire at {_pin(connector, at)}"
    if e.kind == "wire":
        return f"clamp on {at}", e.details.get("colour", ""), f"round this wire ({e.details.get('run', 'alone')})"
    plug = next((c for c in circuit.connectors.values() if c.part == at), None)
    if plug is not None and len(plug.pins) == 2:
        return f"clamp on {at}", "", f"round one wire of {at}, never both, at the {_title(plug)}"
    return f"clamp on {at}", *_main_wire(circuit, e)


def _main_wire(circuit: Circuit, e: Element) -> tuple[str, str]:
    """Find the pin that the main current of an element comes in at or goes out by; else name its run."""
    for node in (e.nodes[t] for pair in e.conducts[:1] for t in pair):
        for connector in circuit.connectors.values():
            for pin in connector.pins:
                if node in circuit.net.elements[pin].nodes.values():
                    colour = _pin_colour(circuit, circuit.net.elements[pin])
                    return colour, f"round the wire at {_pin(connector, pin)}"
    run = e.details.get("run", "")
    return "", f"round the wire that {e.name} is in" + (f" ({run})" if run else "")


def _connector(circuit: Circuit, pin: str) -> Connector | None:
    return next((c for c in circuit.connectors.values() if pin in c.pins), None)


def _title(connector: Connector) -> str:
    return f"{connector.title or 'connector'} {connector.name}"


def _pin(connector: Connector, pin: str) -> str:
    return f"{_title(connector)}, pin {pin.removeprefix(connector.name + '.')}"


def _pin_colour(circuit: Circuit, pin: Element) -> str:
    ends = (pin.nodes[t] for t in pin.ends or ())  # not its body and surroundings, which wires share
    return next((colour for node in ends if (colour := _colour(circuit, node))), "")


def _colour(circuit: Circuit, node: str) -> str:
    """Give the colour of the wire that ends at a node: '' for none, or for wires of more than one colour."""
    wires = [e for e in circuit.net.elements.values() if e.kind == "wire" and node in e.nodes.values()]
    colours = {e.details.get("colour", "") for e in wires} - {""}
    return colours.pop() if len(colours) == 1 else ""
