"""What is in a circuit: its current path, its parts and where their values come from, what a person can reach."""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import pairwise
from typing import Any

from circuitsim.elements import Element, Parameter
from circuitsim.elements.base import Domain
from circuitsim.library import Circuit, Part, parts
from circuitsim.library.circuit import StepTable
from circuitsim.quantities import Tolerance, format_quantity
from circuitsim.report.typeset import Line, Span, cells, clean, line, pad, plain, wrap

__all__ = ["circuit_lines", "circuit_record", "circuit_text"]

_GAP = "  "


def circuit_record(circuit: Circuit) -> dict[str, Any]:
    """Give everything as plain values for JSON: SI units, °C."""
    return {
        "circuit": circuit.name, "title": circuit.title, "description": circuit.description,
        "nominal": circuit.nominal, "steps": list(circuit.steps), "motor": circuit.motor,
        "supply": dict(circuit.supply.__dict__), "options": dict(circuit.options), "file": circuit.file,
        "path": _path(circuit), "single_points": _single_points(circuit),
        "elements": [_element_record(circuit, e) for e in circuit.net.elements.values()],
        "connectors": [dict(c.__dict__, pins=list(c.pins)) for c in circuit.connectors.values()],
        "probes": [dict(p.__dict__) for p in circuit.probes.values()],
        "cautions": list(circuit.cautions),
    }  # fmt: skip


def circuit_text(circuit: Circuit, width: int | None = None) -> str:
    """Give the description as plain text, broken at `width` characters (None: not at all)."""
    return plain(circuit_lines(circuit, width))


def circuit_lines(circuit: Circuit, width: int | None = None) -> list[Line]:
    """Give the description as lines with roles, for a terminal; broken at `width` characters (None: not at all)."""
    title, name = clean(circuit.title), clean(circuit.name)
    found = _wrapped(f"{title[:1].upper()}{title[1:]} ({name})" if title else name, width, "title")
    found += [text for fact in _facts(circuit) for text in _wrapped(_GAP + fact, width, "", _GAP * 2)]
    found += [(), *_wrapped(clean(circuit.description), width)] if circuit.description else []
    found += _heading("Current path", width)
    path = " → ".join(clean(n) for n in (circuit.supply.plus, *_path(circuit), circuit.supply.minus))
    found += _wrapped(_GAP + path, width, "", _GAP * 2)
    found += _heading("Single points of failure: one bad part here stops it or takes its control away", width)
    for what, names in _single_points(circuit).items():
        found += _wrapped(f"{_GAP}{clean(what)}: {', '.join(map(clean, names))}", width, "", _GAP * 2)
    found += _reach(circuit, width)
    found += _parts(circuit, width)
    if circuit.cautions:
        found += _heading("Take care", width)
        found += [text for c in circuit.cautions for text in _wrapped(f"- {clean(c)}", width, "caution", _GAP)]
    return found


def _wrapped(text: str, width: int | None, role: str = "", indent: str = "") -> list[Line]:
    lead = text[: len(text) - len(text.lstrip())]
    room = None if width is None else max(width - len(lead), 20)
    return [line(lead + piece, role) for piece in wrap(text.lstrip(), room, indent[len(lead) :])]


def _heading(text: str, width: int | None) -> list[Line]:
    return [(), *_wrapped(text, width, "heading")]


def _facts(circuit: Circuit) -> list[str]:
    options = ", ".join(f"{name} {value}" for name, value in circuit.options.items())
    able = [f"{c.name} ({c.part})" for c in circuit.connectors.values() if c.unpluggable]
    fuses = [e for e in circuit.net.elements.values() if e.kind == "fuse"]
    facts = [
        f"Nominal {format_quantity(circuit.nominal, 'V')}; steps {', '.join(circuit.steps)}; motor {circuit.motor}; "
        f"battery {circuit.supply.battery} measured at {circuit.supply.plus} and {circuit.supply.minus}"
        + (f"; alternator or charger {circuit.supply.alternator}" if circuit.supply.alternator else ""),
        f"Fuses {', '.join(f'{e.name} {_rating(e)}' for e in fuses)}" if fuses else "",
        f"Probe points {', '.join(circuit.probes)}" if circuit.probes else "",
        f"Can be unplugged {', '.join(able)}" if able else "",
        f"Options: {options}" if options else "",
        f"File: {circuit.file}" if circuit.file else "",
        f"Below: current path, single points of failure, what can be reached, {len(circuit.net.elements)} parts, cautions",
    ]
    return [clean(text) for text in facts if text]


def _rating(e: Element) -> str:
    return format_quantity(e.values["rating"], "A")


# The path ---------------------------------------------------------------------------------------------------


def _way(circuit: Circuit, start: str, end: str, without: Iterable[str]) -> tuple[list[str], list[str]]:
    """Give the elements from node to node in order, and those of them whose loss alone cuts the way; none if none is.

    The sources are left out, the elements in `without`, and what is switched open at the last step.
    """
    import networkx as nx

    gone = {circuit.supply.battery, circuit.supply.alternator, *without}
    open_at_last = {
        element for (element, name), table in circuit.step_tables.items()
        if circuit.net.elements[element].parameter(name).state and not table.values[-1]
    }  # fmt: skip
    graph = circuit.net.graph()
    graph.remove_edges_from([e for e in graph.edges(keys=True) if e[2] in gone | open_at_last])
    # Through a controller the motor's current takes one way; its inputs are no second way to ground.
    graph.remove_edges_from([e for e in graph.edges(keys=True) if not _carries(circuit.net.elements[e[2]], {*e[:2]})])
    if not nx.has_path(graph, start, end):
        return [], []
    nodes = nx.shortest_path(graph, start, end)
    edges = [(a, b, sorted(graph[a][b])[0]) for a, b in pairwise(nodes)]
    single = [e[2] for e in edges if not nx.has_path(nx.restricted_view(graph, [], [e]), start, end)]
    return [e[2] for e in edges], single


def _carries(e: Element, nodes: set[str]) -> bool:
    """Whether the main current of an element runs between these two nodes: the first pair that conducts."""
    return {e.nodes[t] for t in e.conducts[0]} == nodes


def _path(circuit: Circuit) -> list[str]:
    """Give the elements that the motor's current crosses at the last step, from battery plus to battery minus."""
    feed, back = (way for way, _ in _motor_ways(circuit))
    return [*feed, circuit.motor, *back]


def _motor_ways(circuit: Circuit) -> tuple[tuple[list[str], list[str]], tuple[list[str], list[str]]]:
    motor = circuit.net.elements[circuit.motor].nodes
    plus, minus = circuit.net.node(circuit.supply.plus), circuit.net.node(circuit.supply.minus)
    feed = _way(circuit, plus, motor["plus"], [circuit.motor])
    return feed, _way(circuit, motor["minus"], minus, [circuit.motor])


def _single_points(circuit: Circuit) -> dict[str, list[str]]:
    """Give, for each way that must be whole, the elements whose loss alone cuts it."""
    (_, feed), (_, back) = _motor_ways(circuit)
    found = {"feed": feed, "motor": [circuit.motor], "ground side": back}
    for name in _path(circuit):
        e = circuit.net.elements[name]
        # What the motor's current crosses is the first pair that conducts; the rest is supply, command, signal ground.
        for t in e.terminals:
            if t.domain is Domain.ELECTRICAL and t.name not in e.conducts[0] and name != circuit.motor:
                found[f"{t.name.replace('_', ' ')} of {name}"] = _control_way(circuit, e, t.name)
    return {what: names for what, names in found.items() if names}


def _control_way(circuit: Circuit, e: Element, terminal: str) -> list[str]:
    """Give the single points of a controller's supply, or of another of its wires back to battery minus."""
    ends = [circuit.net.node(circuit.supply.plus), e.nodes[terminal]]
    if terminal != "supply":
        ends = [e.nodes[terminal], circuit.net.node(circuit.supply.minus)]
    return _way(circuit, ends[0], ends[1], [circuit.motor, e.name])[1]


# Parts ------------------------------------------------------------------------------------------------------

_SOURCED = "[n] the value is from there; [±n] only its tolerance is, and the value is this circuit's own."
_SOLID = "\u00a0"  # holds a number and its unit together until the line is broken


def _parts(circuit: Circuit, width: int | None) -> list[Line]:
    """Give the parts by the run that they stand in, and the numbered list of where their numbers come from."""
    groups: dict[str, list[Element]] = {}
    for e in circuit.net.elements.values():
        groups.setdefault(e.details.get("run", ""), []).append(e)
    sources: dict[str, int] = {}
    found: list[Line] = []
    for run, members in sorted(groups.items(), key=lambda item: not item[0]):
        found += _heading(f"Parts: {clean(run)}" if run else "Parts that stand alone", width)
        for e in members:
            found += _part(circuit, e, sources, width)
    if sources:
        found += [*_heading("Where the numbers come from", width), *_wrapped(_GAP + _SOURCED, width, "faint", _GAP)]
    for source, number in sources.items():
        found += _wrapped(f"{_GAP}{pad(f'[{number}]', 4)} {clean(source)}", width, "faint", " " * 7)
    return found


def _part(circuit: Circuit, e: Element, sources: dict[str, int], width: int | None) -> list[Line]:
    taken = 14
    title = "; ".join(e.details[k] for k in ("title", "note") if e.details.get(k)) or e.kind.replace("-", " ")
    colour = f" [{e.details['colour']}]" if e.details.get("colour") else ""
    room = None if width is None else max(width - taken, 20)
    heads = wrap(clean(f"{title}{colour} · {_where(e)}"), room)
    values = wrap(", ".join(_values(circuit, e, sources)), room, _GAP)
    found: list[Line] = [(Span(pad(f"{_GAP}{e.name}", taken - 2) + _GAP, "label"), Span(heads[0]))]
    found += [line(" " * taken + text) for text in heads[1:]]
    return found + [line(" " * taken + text.replace(_SOLID, " ")) for text in values]


def _where(e: Element) -> str:
    """Say which nodes an element lies between."""
    terminals = [t.name for t in e.terminals if t.domain is not Domain.THERMAL]
    if e.ends is not None and len(terminals) == 2:
        return " to ".join(e.nodes[t] for t in e.ends)
    return ", ".join(f"{t.replace('_', ' ')} {e.nodes[t]}" for t in terminals)


def _values(circuit: Circuit, e: Element, sources: dict[str, int]) -> list[str]:
    """Write the parameters worth telling, each with the number of its source."""
    part = _library_part(e)
    found = []
    for p in e.parameters:
        if not _told(circuit, e, p, part):
            continue
        text = f"{p.name.replace('_', ' ')} {_value(circuit, e, p)}"
        if part is not None and p.name in part.sources:
            number = sources.setdefault(part.sources[p.name], len(sources) + 1)
            text += f"{_SOLID}[{number}]" if _as_in_part(e, p, part) else f"{_SOLID}[±{number}]"
        found.append(text)
    return found


def _library_part(e: Element) -> Part | None:
    return parts().get(e.details["part"]) if "part" in e.details else None


def _as_in_part(e: Element, p: Parameter, part: Part) -> bool:
    """Whether a value is the part's, and not the circuit's own."""
    return p.name in part.numbers and math.isclose(part.numbers[p.name], e.values[p.name], rel_tol=1e-12)


def _told(circuit: Circuit, e: Element, p: Parameter, part: Part | None) -> bool:
    """Whether a parameter is worth telling: it was given, has a tolerance or a source, or follows step or switch."""
    key = (e.name, p.name)
    if key in circuit.step_tables or key in circuit.switched or p.name in e.tolerances:
        return True
    default = p.default(e.values) if callable(p.default) else p.default
    return not p.state and (default is None or e.values[p.name] != default or (part is not None and p.name in part.sources))


def _value(circuit: Circuit, e: Element, p: Parameter) -> str:
    key = (e.name, p.name)
    if key in circuit.switched:
        return "with the ignition on" if circuit.switched[key] == "ignition" else "with the engine"
    if key in circuit.step_tables:
        table = circuit.step_tables[key]
        if p.state:
            at = [s for s, value in zip(circuit.steps, table.values, strict=True) if value]
            return f"at {'step' if len(at) == 1 else 'steps'} {', '.join(at)}" if at else "at no step"
        return ", ".join(f"at {s}: {text}" for s, text in zip(circuit.steps, _table(table, p.unit), strict=True))
    return _quantity(e.values[p.name], p.unit, e.tolerances.get(p.name))


def _table(table: StepTable, unit: str) -> list[str]:
    return [_quantity(v, unit, t) for v, t in zip(table.values, table.tolerances, strict=True)]


def _quantity(value: float, unit: str, tolerance: Tolerance | None) -> str:
    text = format_quantity(value, unit, 4, display="rpm" if unit == "rad/s" and math.isfinite(value) else None)
    return (f"{text} {tolerance.text(None, unit)}" if tolerance else text).replace(" ", _SOLID)


def _element_record(circuit: Circuit, e: Element) -> dict[str, Any]:
    part = _library_part(e)
    values: dict[str, Any] = {}
    for p in e.parameters:
        key = (e.name, p.name)
        tolerance = e.tolerances.get(p.name)
        value: dict[str, Any] = {"value": _number(e.values[p.name]), "unit": p.unit, "meaning": p.meaning}
        value["tolerance"] = tolerance.text(None, p.unit) if tolerance else None
        if part is not None and p.name in part.sources:
            value["source" if _as_in_part(e, p, part) else "tolerance_source"] = part.sources[p.name]
        if key in circuit.step_tables:
            table = circuit.step_tables[key]
            value["by_step"] = {
                s: {"value": _number(v), "tolerance": t.text(None, p.unit) if t else None}
                for s, v, t in zip(circuit.steps, table.values, table.tolerances, strict=True)
            }
        if key in circuit.switched:
            value["switched_by"] = circuit.switched[key]
        values[p.name] = value
    return {"name": e.name, "kind": e.kind, "nodes": dict(e.nodes), "details": dict(e.details), "values": values}


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


# What a person can reach ------------------------------------------------------------------------------------


def _reach(circuit: Circuit, width: int | None) -> list[Line]:
    probes = [(p.name, p.colour, f"{p.where} · {p.node}" if p.node != p.name else p.where) for p in circuit.probes.values()]
    plugs = [
        (c.name, "", f"{c.title}; pins {', '.join(c.pins)}" + (f"; plugs into {c.part}" if c.part else ""))
        for c in circuit.connectors.values() if c.unpluggable
    ]  # fmt: skip
    fixed = [c.name for c in circuit.connectors.values() if not c.unpluggable]
    found = _table_lines("Probe points", probes, width) + _table_lines("Connectors that can be unplugged", plugs, width)
    if fixed:
        found += _wrapped(f"{_GAP}Not to be unplugged: {', '.join(map(clean, fixed))}", width, "faint", _GAP * 2)
    return found


def _table_lines(heading: str, rows: Iterable[tuple[str, str, str]], width: int | None) -> list[Line]:
    """Give a heading and rows of name, colour and text under it; nothing when there is no row."""
    clear = [(clean(a), clean(b), clean(c)) for a, b, c in rows]
    if not clear:
        return []
    first, second = (max(cells(row[k]) for row in clear) for k in (0, 1))
    taken = first + second + (3 if second else 2) * len(_GAP)
    found: list[Line] = _heading(heading, width)
    for name, colour, text in clear:
        pieces = wrap(text, None if width is None else max(width - taken, 16)) or [""]
        middle = pad(colour, second) + _GAP if second else ""
        found.append((Span(_GAP + pad(name, first) + _GAP, "label"), Span(middle + pieces[0])))
        found += [line(" " * taken + piece) for piece in pieces[1:]]
    return found
