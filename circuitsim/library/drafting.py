"""A circuit written as a circuit file: everything resolved, every value with its tolerance, harness in runs.

What is written reads back as the same circuit: options of a generic circuit and values of parts have become plain values.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from circuitsim.elements import Pin
from circuitsim.elements.base import Element, Parameter
from circuitsim.library.circuit import Circuit, StandardReading
from circuitsim.library.functions import CAPTURE
from circuitsim.network import Netlist
from circuitsim.quantities import Tolerance, format_quantity

__all__ = ["circuit_text"]

_DIGITS = 9
_KEPT = ("note", "colour")
Notes = Mapping[tuple[str, str], str]


def circuit_text(
    circuit: Circuit, *, name: str = "", title: str = "", head: Sequence[str] = (), notes: Notes | None = None,
    digits: int = _DIGITS,
) -> str:  # fmt: skip
    """Write a circuit as the text of a circuit file.

    name, title: in place of the circuit's own; head: lines of comment on top; notes: (element, parameter) → comment beside it,
    such as where its value is from; digits: significant ones of every number.
    """
    writer = _Writer(circuit, notes or {}, digits)
    lines = [f"# {text}".rstrip() for text in head]
    lines += [
        f"name = {_quoted(name or circuit.name)}", f"title = {_quoted(title or circuit.title)}",
        *([f"description = {_quoted(circuit.description)}"] if circuit.description else []),
        f"nominal = {_quoted(format_quantity(circuit.nominal, 'V', _DIGITS))}", f"steps = {_list(circuit.steps)}",
        f"motor = {_quoted(circuit.motor)}", "cautions = [", *(f"  {_quoted(c)}," for c in circuit.cautions), "]", "",
        "[supply]", f"battery = {_quoted(circuit.supply.battery)}",
        *([f"alternator = {_quoted(circuit.supply.alternator)}"] if circuit.supply.alternator else []),
        f"plus = {_quoted(circuit.supply.plus)}", f"minus = {_quoted(circuit.supply.minus)}", "",
        "# ---- the harness, run by run", "", *writer.runs(), "# ---- what stands between", "", *writer.singles(),
        "# ---- what a person can unplug and reach", "", *_connectors(circuit), *_probes(circuit),
        "# ---- the chart", "", *(text for r in circuit.readings for text in _reading(circuit, r)),
    ]  # fmt: skip
    return "\n".join(lines).rstrip() + "\n"


def _quoted(text: str) -> str:
    """Give a TOML string: JSON's quoting is one."""
    return json.dumps(" ".join(text.split()), ensure_ascii=False)


def _list(texts: Sequence[str]) -> str:
    return f"[{', '.join(_quoted(t) for t in texts)}]"


def _key(text: str) -> str:
    return text if text.replace("-", "").replace("_", "").isalnum() and text.isascii() else _quoted(text)


@dataclass
class _Chain:
    """Elements in a row, from node to node."""

    title: str
    nodes: list[str]
    items: list[Element]


class _Writer:
    """Writes elements, in runs where they stand in a row."""

    def __init__(self, circuit: Circuit, notes: Notes, digits: int) -> None:
        self.circuit, self.notes, self.digits = circuit, notes, digits
        self.chains = list(_chains(circuit.net))

    def runs(self) -> list[str]:
        """Give the runs."""
        lines: list[str] = []
        for chain in self.chains:
            lines += ["[[run]]", f"name = {_quoted(chain.title)}", f"from = {_quoted(chain.nodes[0])}"]
            lines += [f"to = {_quoted(chain.nodes[-1])}", "along = ["]
            reverse = {e.name for k, e in enumerate(chain.items) if _backwards(self.circuit.net, e, chain.nodes[k])}
            for k, element in enumerate(chain.items):
                if k and Netlist._between(chain.items[k - 1], element, reverse) != chain.nodes[k]:
                    lines.append(f"  {{ node = {_quoted(chain.nodes[k])} }},")
                walked = {"walked": _quoted("part to harness")} if element.name in reverse else {}
                body = {element.kind: _quoted(element.name), **walked, **self._values(element, element.ends or ())}
                comment = self._comment(element)
                lines.append(f"  {{ {', '.join(f'{k} = {v}' for k, v in body.items())} }},{comment}")
            lines += ["]", ""]
        return lines

    def singles(self) -> list[str]:
        """Give the elements that stand in no run."""
        inside = {e.name for chain in self.chains for e in chain.items}
        lines: list[str] = []
        for element in self.circuit.net.elements.values():
            if element.name not in inside:
                lines += [f"[element.{_key(element.name)}]", f"kind = {_quoted(element.kind)}"]
                for key, value in self._values(element, ()).items():
                    note = self.notes.get((element.name, key), "")
                    lines.append(f"{key} = {value}{f'  # {note}' if note else ''}")
                lines.append("")
        return lines

    def _comment(self, element: Element) -> str:
        told = [f"{key}: {text}" for (name, key), text in self.notes.items() if name == element.name]
        return f"  # {'; '.join(told)}" if told else ""

    def _values(self, element: Element, joined: Sequence[str]) -> dict[str, str]:
        """Give nodes, parameters and texts of an element as TOML; not the nodes of `joined` terminals."""
        found: dict[str, str] = {}
        for t in element.terminals:
            default = f"{element.name}.{t.name}" if t.default == "own" else t.default
            if t.name not in joined and element.nodes[t.name] != default:
                found[t.name] = _quoted(element.nodes[t.name])
        for p in element.parameters:
            text = self._value(element, p)
            if text is not None:
                found[p.name] = text
        return found | {key: _quoted(element.details[key]) for key in _KEPT if element.details.get(key)}

    def _value(self, element: Element, p: Parameter) -> str | None:
        key, circuit = (element.name, p.name), self.circuit
        table = circuit.step_tables.get(key)
        if p.state:
            if key in circuit.switched:
                return _quoted(circuit.switched[key])
            if table is not None:
                return _list([s for s, v in zip(circuit.steps, table.values, strict=True) if v])
            return None if element.values[p.name] == p.default else str(int(element.values[p.name]))
        if table is not None:
            cells = zip(circuit.steps, table.values, table.tolerances, strict=True)
            return "{ " + ", ".join(f"{_key(s)} = {_number(v, t, p, self.digits)}" for s, v, t in cells) + " }"
        tolerance = element.tolerances.get(p.name)
        if tolerance is None and not callable(p.default) and element.values[p.name] == p.default:
            return None
        return _number(element.values[p.name], tolerance, p, self.digits)


def _number(value: float, tolerance: Tolerance | None, p: Parameter, digits: int) -> str:
    spread = min(digits, 4) if digits < _DIGITS else digits
    if p.unit == "1":
        text = f"{value:.{digits}g}"
        return _quoted(f"{text} {tolerance.text(None, p.unit, spread)}") if tolerance else _quoted(text)
    if tolerance is None:
        return _quoted(format_quantity(value, p.unit, digits))
    return _quoted(f"{format_quantity(value, p.unit, digits)} {tolerance.text(None, p.unit, spread)}")


def _backwards(net: Netlist, element: Element, start: str) -> bool:
    """Whether an element is walked from its second end to its first; a pin by which half comes first."""
    first, second = element.ends or ("", "")
    if isinstance(element, Pin):
        aliases = net.aliases()
        part = aliases.get(f"{element.name}/part")
        if part is not None and aliases.get(f"{element.name}/harness") != part:
            return part == start
    return element.nodes[first] != start and element.nodes[second] == start


def _chains(net: Netlist) -> Iterator[_Chain]:
    """Give the elements that a file put into runs, in rows."""
    row: list[Element] = []
    for element in net.elements.values():
        title = element.details.get("run", "")
        if row and (title != row[-1].details.get("run") or not _ends(element) & _ends(row[-1])):
            yield _chain(row)
            row = []
        if title and element.ends:
            row.append(element)
    if row:
        yield _chain(row)


def _ends(element: Element) -> set[str]:
    return {element.nodes[t] for t in element.ends or ()}


def _chain(row: list[Element]) -> _Chain:
    first, second = (row[0].nodes[t] for t in row[0].ends or ("", ""))
    at = first
    if len(row) > 1 and first in _ends(row[1]) and second not in _ends(row[1]):
        at = second
    nodes = [at]
    for element in row:
        a, b = (element.nodes[t] for t in element.ends or ("", ""))
        at = b if at == a else a
        nodes.append(at)
    return _Chain(row[0].details["run"], nodes, list(row))


def _connectors(circuit: Circuit) -> list[str]:
    lines: list[str] = []
    for c in circuit.connectors.values():
        lines += [f"[connector.{_key(c.name)}]", f"title = {_quoted(c.title)}"]
        lines += [f"plugs = {_quoted(c.part)}"] if c.part else []
        lines += [] if c.unpluggable else ["unpluggable = false"]
        lines.append("")
    return lines


def _probes(circuit: Circuit) -> list[str]:
    lines: list[str] = []
    for p in circuit.probes.values():
        lines += [f"[probe.{_key(p.name)}]", *([f"node = {_quoted(p.node)}"] if p.node != p.name else [])]
        lines += [f"where = {_quoted(p.where)}", *([f"colour = {_quoted(p.colour)}"] if p.colour else []), ""]
    return lines


def _reading(circuit: Circuit, r: StandardReading) -> list[str]:
    lines = ["[[reading]]", f"label = {_quoted(r.label)}", f"instrument = {_quoted(r.instrument)}"]
    lines += [f"{key} = {_quoted(value)}" for key, value in (("red", r.red), ("black", r.black), ("at", r.at)) if value]
    if r.steps and r.steps != circuit.steps:
        lines.append(f"steps = {_list(r.steps)}")
    lines += [f"unplugged = {_list(r.unplugged)}"] if r.unplugged else []
    lines += [f"fitted = {_list(r.fitted)}"] if r.fitted else []
    lines += ['ignition = "off"'] if r.ignition == "off" else []
    lines += [f"capture = {_quoted(format_quantity(r.capture, 's', _DIGITS))}"] if r.capture not in (0.0, CAPTURE) else []
    return [*lines, *([f"rule = {_quoted(r.rule)}"] if r.rule else []), ""]
