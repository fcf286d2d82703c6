"""Circuits and parts in plain form: lists, dictionaries, text and numbers, to be kept on disk and read back as they were."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from circuitsim.elements import Element, element_kinds
from circuitsim.library.circuit import Circuit, Connector, ProbePoint, StandardReading, StepTable, Supply
from circuitsim.library.parts import Part
from circuitsim.network import Netlist
from circuitsim.quantities import Tolerance

__all__ = ["circuit_of_text", "parts_of_text", "text_of_circuit", "text_of_parts"]

Plain = dict[str, Any]


def text_of_circuit(circuit: Circuit) -> str:
    """Write a circuit as JSON that `circuit_of_text` reads back: numbers to the last bit, order kept."""
    plain = {f.name: getattr(circuit, f.name) for f in fields(Circuit)}
    plain |= {
        "net": circuit.net.plain(_plain_element),
        "supply": _fields(circuit.supply),
        "step_tables": [[*key, t.values, [_spread(s) for s in t.tolerances]] for key, t in circuit.step_tables.items()],
        "switched": [[*key, word] for key, word in circuit.switched.items()],
        "connectors": [_fields(c) for c in circuit.connectors.values()],
        "probes": [_fields(p) for p in circuit.probes.values()],
        "readings": [_fields(r) for r in circuit.readings],
    }
    return json.dumps(plain, ensure_ascii=False)


def circuit_of_text(text: str) -> Circuit:
    """Read a circuit out of what `text_of_circuit` wrote."""
    plain = json.loads(text)
    plain |= {
        "net": Netlist.of_plain(plain["net"], _element),
        "steps": tuple(plain["steps"]),
        "supply": Supply(**plain["supply"]),
        "step_tables": {
            (e, p): StepTable(tuple(values), tuple(_tolerance(s) for s in spreads))
            for e, p, values, spreads in plain["step_tables"]
        },
        "switched": {(e, p): word for e, p, word in plain["switched"]},
        "connectors": {c["name"]: Connector(**_tupled(c)) for c in plain["connectors"]},
        "probes": {p["name"]: ProbePoint(**p) for p in plain["probes"]},
        "readings": tuple(StandardReading(**_tupled(r)) for r in plain["readings"]),
        "cautions": tuple(plain["cautions"]),
        "faults": tuple(plain["faults"]),
    }
    return Circuit(**plain)


def text_of_parts(parts: Mapping[str, Part]) -> str:
    """Write parts as JSON that `parts_of_text` reads back."""
    plain = [_fields(p) | {"spreads": {k: _spread(s) for k, s in p.spreads.items()}} for p in parts.values()]
    return json.dumps(plain, ensure_ascii=False)


def parts_of_text(text: str) -> dict[str, Part]:
    """Read parts out of what `text_of_parts` wrote."""
    found = {}
    for plain in json.loads(text):
        plain["spreads"] = {k: _tolerance(s) for k, s in plain["spreads"].items()}
        found[plain["name"]] = Part(**plain)
    return found


def _fields(record: Any) -> Plain:
    return {f.name: getattr(record, f.name) for f in fields(record)}


def _tupled(plain: Plain) -> Plain:
    return {k: tuple(v) if isinstance(v, list) else v for k, v in plain.items()}


def _spread(tolerance: Tolerance | None) -> list[Any] | None:
    return None if tolerance is None else [tolerance.kind, tolerance.size, tolerance.relative]


def _tolerance(plain: list[Any] | None) -> Tolerance | None:
    return None if plain is None else Tolerance(*plain)


def _plain_element(e: Element) -> list[Any]:
    return [e.kind, e.name, e.nodes, e.values, {k: _spread(t) for k, t in e.tolerances.items()}, e.details]


def _element(plain: list[Any]) -> Element:
    """Make an element as it was, its values checked then."""
    kind, name, nodes, values, spreads, details = plain
    e = object.__new__(element_kinds()[kind])
    e.name, e.nodes, e.values, e.details = name, nodes, values, details
    e.tolerances = {k: Tolerance(*s) for k, s in spreads.items()}
    return e
