"""From the shape of a circuit file to a `Circuit`: runs and elements into a netlist, then all that hangs on it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from circuitsim.elements import Pin, element_kinds
from circuitsim.errors import CircuitFileError, NetworkError, UnknownNameError, nearest, shown
from circuitsim.library.circuit import Circuit
from circuitsim.library.fittings import connectors, probe_points, standard_readings, supply
from circuitsim.library.lines import KeyPath
from circuitsim.library.mistakes import Mistakes
from circuitsim.library.options import Chosen, choose, scale_targets
from circuitsim.library.part_reader import read_parts
from circuitsim.library.parts import parts
from circuitsim.library.values import Item, Ways, kinds_in_runs, read_item
from circuitsim.network import Netlist

if TYPE_CHECKING:
    from circuitsim.library.shapes import CircuitShape, RunShape

__all__ = ["build"]

_WALKED = ("harness to part", "part to harness")
_USUAL = ("wire", "contact", "pin", "fuse", "switch", "resistor", "ladder")
"""Kinds that most runs are made of, to be named first."""
_MEANT = {
    "relay": "switch", "cable": "wire", "lead": "wire", "joint": "contact", "crimp": "contact", "splice": "contact",
    "ground": "contact", "terminal": "contact", "connector": "pin", "plug": "pin", "breaker": "fuse",
}  # fmt: skip
"""Trade words for what is another kind here."""


@dataclass
class _Run:
    """A run with its elements read: what `Netlist.chain` takes."""

    path: KeyPath
    start: str
    end: str
    items: list[str | Item] = field(default_factory=list)
    backwards: list[str] = field(default_factory=list)


def build(shape: CircuitShape, mistakes: Mistakes, options: Mapping[str, Any]) -> Circuit:
    """Make the circuit.

    Raises the first mistake in file order, of the stage that finds any: values, joining, fittings, graph.
    """
    known = parts()
    chosen = choose(shape, options, mistakes)
    ways = Ways({**known, **read_parts(shape.part, mistakes, known)}, chosen, shape.steps, mistakes)
    _check_steps(shape, mistakes)
    runs = [run for k, r in enumerate(shape.run) for run in _read_runs(r, k, ways)]
    singles = [item for name, given in shape.element.items() if (item := _single(name, given, ways))]
    items = [item for run in runs for item in run.items if isinstance(item, Item)] + singles
    _check_names(items, mistakes)
    _check_scales(shape, items, mistakes)
    mistakes.raise_first()
    net = _joined(shape.name, runs, singles, mistakes)
    mistakes.raise_first()
    circuit = _fitted(shape, net, items, chosen, mistakes)
    paths = {i.element.name: i.path for i in items}
    _check_pins(circuit, paths, mistakes)
    mistakes.raise_first()
    _check_graph(net, items, mistakes)
    _check_sides(circuit, paths, mistakes)
    mistakes.raise_first()
    return circuit


def _fitted(shape: CircuitShape, net: Netlist, items: list[Item], chosen: Chosen, mistakes: Mistakes) -> Circuit:
    """Hang on the netlist what belongs to it."""
    motors = [e.name for e in net.elements.values() if {"plus", "minus", "shaft"} <= e.nodes.keys()]
    if shape.motor not in motors:
        mistakes.add(UnknownNameError("motor", shape.motor, motors), ("motor",))
    circuit = Circuit(
        name=shape.name,
        title=shape.title,
        nominal=chosen.nominal,
        net=net,
        steps=chosen.steps,
        motor=shape.motor,
        supply=supply(shape.supply, net, mistakes),
        description=shape.description,
        step_tables={(i.element.name, key): table for i in items for key, table in i.tables.items()},
        switched={(i.element.name, key): word for i in items for key, word in i.switched.items()},
        connectors=connectors(shape.connector, net, mistakes),
        probes=probe_points(shape.probe, net, mistakes),
        cautions=shape.cautions,
        options=chosen.texts,
        file=mistakes.document.file,
    )
    return replace(circuit, readings=standard_readings(shape.reading, circuit, mistakes))


def _check_steps(shape: CircuitShape, mistakes: Mistakes) -> None:
    if shape.steps[0] != "off":
        mistakes.add(CircuitFileError(f"the first step is {shown(shape.steps[0])}; it must be 'off'"), ("steps",))
    for k, step in enumerate(shape.steps):
        if step in shape.steps[:k]:
            mistakes.add(CircuitFileError(f"duplicate step {shown(step)}"), ("steps", k), "steps")
        if not all(c.isalnum() or c in "-_." for c in step):
            mistakes.add(CircuitFileError(f"step {shown(step)} must be letters, digits, - _ ."), ("steps", k), "steps")


# Reading ----------------------------------------------------------------------------------------------------


def _read_runs(run: RunShape, number: int, ways: Ways) -> Iterator[_Run]:
    """Read a run, once or once a step."""
    steps = ways.chosen.steps
    if run.each is None:
        yield _read_run(run, number, ways)
        return
    last = len(steps) - (1 if run.each == "gap" else 0)
    for k in range(1, last):
        following = steps[k + 1] if k + 1 < len(steps) else None
        yield _read_run(run, number, replace(ways, at_step=steps[k], next_step=following))


def _filled(value: Any, ways: Ways) -> Any:
    """Put the names of steps where `{step}`, `{next}` and `{top}` stand."""
    if isinstance(value, str):
        names = {"{step}": ways.at_step, "{next}": ways.next_step, "{top}": ways.chosen.steps[-1]}
        for sign, name in names.items():
            value = value.replace(sign, name) if name is not None else value
        return value
    if isinstance(value, Mapping):
        return {key: _filled(inner, ways) for key, inner in value.items()}
    return tuple(_filled(inner, ways) for inner in value) if isinstance(value, list | tuple) else value


def _read_run(run: RunShape, number: int, ways: Ways) -> _Run:
    path: KeyPath = ("run", number)
    read = _Run(path, _filled(run.start, ways), _filled(run.end, ways))
    for k, given in enumerate(run.along):
        where = (*path, "along", k)
        if set(given) == {"node"} and isinstance(given["node"], str):
            read.items.append(_filled(given["node"], ways))
            continue
        item = _along(run, given, where, ways, read)
        if item is not None:
            item.element.details["run"] = run.name
            read.items.append(item)
    return read


def _along(run: RunShape, given: Mapping[str, Any], path: KeyPath, ways: Ways, read: _Run) -> Item | None:
    kinds = kinds_in_runs()
    words = [key for key in given if key in kinds]
    if len(words) != 1 or not isinstance(given[words[0]], str):
        _tell_kind(run, given, words, path, ways)
        return None
    kind, template = kinds[words[0]], given[words[0]]
    rest = {key: value for key, value in given.items() if key not in (words[0], "walked")}
    name = _filled(template, ways)
    if "{" in name:
        accepted = "{step}, {next} and {top}" if ways.at_step else "{top}; {step} and {next} where 'each' is given"
        ways.told(
            CircuitFileError(f"name {shown(name)} has a sign that stands for nothing here; accepted: {accepted}"),
            path,
            name,
        )
        return None
    joined = [end for end in kind.ends or () if end in rest]
    if joined:
        error = CircuitFileError(f"{name} is joined at {joined[0]} by the run it stands in; leave this key out")
        ways.told(error, (*path, joined[0]), f"{name}.{joined[0]}")
        return None
    walked = given.get("walked", _WALKED[0])
    if walked not in _WALKED:
        ways.told(UnknownNameError("direction", str(walked), _WALKED), (*path, "walked"), f"{name}.walked")
    elif walked == _WALKED[1]:
        read.backwards.append(name)
    return read_item(kind, name, _filled(rest, ways), path, ways, template)


def _tell_kind(run: RunShape, given: Mapping[str, Any], words: list[str], path: KeyPath, ways: Ways) -> None:
    label = f"run {shown(run.name)}"
    if len(words) > 1:
        ways.told(CircuitFileError(f"one item is both {words[0]} and {words[1]}; give each its own"), path, label)
    elif words:
        found = shown(given[words[0]])
        ways.told(CircuitFileError(f"{words[0]} = {found}; accepted: the element's name in quotes"), path, label)
    else:
        first = next(iter(given), "")
        others = sorted(set(kinds_in_runs()) - set(_USUAL))
        accepted = [*_USUAL, "node", *others]
        if first in element_kinds():
            ways.told(CircuitFileError(f"a {first} can't stand in a run; give it as [element.NAME]"), path, label)
        elif "kind" in given:
            what = 'in a run the kind is itself the key of the name: write e.g. { wire = "W1", … }'
            ways.told(CircuitFileError(what), (*path, "kind"), label)
        else:
            error = UnknownNameError("kind of element", first, accepted, suggestion=_MEANT.get(first))
            ways.told(error, (*path, first), label)


def _single(name: str, given: Mapping[str, Any], ways: Ways) -> Item | None:
    """Read an element that is given by its terminals."""
    path: KeyPath = ("element", name)
    word = given.get("kind")
    if not isinstance(word, str):
        ways.told(CircuitFileError("needs the key 'kind'" if word is None else "'kind' must be text in quotes"), path, name)
        return None
    if word not in element_kinds():
        ways.told(UnknownNameError("kind of element", word, element_kinds()), (*path, "kind"), f"{name}.kind")
        return None
    return read_item(element_kinds()[word], name, {k: v for k, v in given.items() if k != "kind"}, path, ways)


def _check_names(items: list[Item], mistakes: Mistakes) -> None:
    seen: dict[str, Item] = {}
    for item in items:
        name = item.element.name
        if name in seen:
            first = mistakes.document.line(seen[name].path)
            mistakes.add(NetworkError(f"duplicate name {shown(name)}: line {first} has it too", part=name), item.path, name)
        seen.setdefault(name, item)


def _check_scales(shape: CircuitShape, items: list[Item], mistakes: Mistakes) -> None:
    """Every parameter that an option scales must be there, and given a value."""
    if shape.options is None:
        return
    for path, (element, parameter) in scale_targets(shape.options):
        fitting = [i for i in items if _is_made_from(i.element.name, element)]
        if not fitting and "{step}" not in element:
            mistakes.add(UnknownNameError("element", element, [i.element.name for i in items]), path)
        elif any(parameter not in i.element.values for i in fitting):
            known = [p.name for p in fitting[0].element.parameters]
            mistakes.add(UnknownNameError(f"parameter of {element}", parameter, known), path)
        elif any(parameter not in i.given for i in fitting):
            what = f"{element} has its default {parameter}, which nothing scales; give it a value here or in its part"
            mistakes.add(CircuitFileError(what), path)


def _is_made_from(name: str, template: str) -> bool:
    before, sign, after = template.partition("{step}")
    return name == template or (bool(sign) and name.startswith(before) and name.endswith(after))


# Joining ----------------------------------------------------------------------------------------------------


def _joined(name: str, runs: list[_Run], singles: list[Item], mistakes: Mistakes) -> Netlist:
    net = Netlist(name)
    wanted: list[tuple[str, str, KeyPath]] = []  # node, who asks for it, where
    for run in runs:
        start, end = (net.aliases().get(n, n) for n in (run.start, run.end))
        label = f"run {shown(mistakes.document.data['run'][run.path[1]]['name'])}"
        wanted += [(run.start, label, (*run.path, "from")), (run.end, label, (*run.path, "to"))]
        wanted += [(n, i.element.name, (*i.path, t)) for i in run.items if isinstance(i, Item) for t, n in _named(i)]
        if start == end:
            mistakes.add(NetworkError(f"begins and ends at the same node, {shown(run.start)}"), (*run.path, "to"), label)
        try:
            elements = [i.element if isinstance(i, Item) else i for i in run.items]
            net.chain(start, *elements, end, backwards=run.backwards)
        except NetworkError as error:
            mistakes.add(error, run.path, label)
    for item in singles:
        wanted += [(n, item.element.name, (*item.path, t)) for t, n in _named(item)]
        item.element.nodes = {t: net.aliases().get(n, n) for t, n in item.element.nodes.items()}
        try:
            net.add(item.element)
        except NetworkError as error:
            mistakes.add(error, item.path, item.element.name)
    if not len(mistakes):  # an element that could not be added leaves its neighbours' nodes alone
        _check_met(net, wanted, mistakes)
    return net


def _named(item: Item) -> list[tuple[str, str]]:
    """List the nodes that the file names at an element's terminals."""
    given = item.element.terminals
    ends = item.element.ends or ()
    return [
        (t.name, item.element.nodes[t.name]) for t in given
        if t.name in item.element.nodes and item.element.nodes[t.name] != f"{item.element.name}.{t.name}"
        and not (t.name in ends and item.path[0] == "run")
    ]  # fmt: skip


def _check_met(net: Netlist, wanted: list[tuple[str, str, KeyPath]], mistakes: Mistakes) -> None:
    """A node that the file names must be met by something else too, or it is a slip of the pen."""
    aliases, references = net.aliases(), net.references()
    counts: dict[str, int] = {}
    for e in net.elements.values():
        for node in e.nodes.values():
            counts[node] = counts.get(node, 0) + 1
    lonely = {n for n, _, _ in wanted if n not in references and counts.get(aliases.get(n, n), 0) < 2}
    for node, who, path in wanted:
        if node in aliases and node in counts and aliases[node] != node:
            what = f"node {shown(node)} is used before the run that makes it; move that run up"
            mistakes.add(NetworkError(what, node=node), path, who)
        elif node in lonely and counts.get(node):
            like = nearest(node, [n for n in (*counts, *aliases, net.ground) if n != node])
            hint = f"; did you mean {shown(like)}?" if like else ""
            mistakes.add(NetworkError(f"node {shown(node)} floats: nothing else reaches it{hint}", node=node), path, who)


def _check_pins(circuit: Circuit, paths: Mapping[str, KeyPath], mistakes: Mistakes) -> None:
    """Every mated pin belongs to a connector."""
    for e in circuit.net.elements.values():
        connector = e.name.rpartition(".")[0]
        if isinstance(e, Pin) and connector not in circuit.connectors:
            what = f"pin {shown(e.name)} is of no connector; add [connector.{connector or 'NAME'}] or name it after one"
            mistakes.add(CircuitFileError(what), paths[e.name], e.name)


def _check_sides(circuit: Circuit, paths: Mapping[str, KeyPath], mistakes: Mistakes) -> None:
    """Find pins that were walked the wrong way: with the connector unplugged, their harness half hangs on the part."""
    import networkx as nx  # loads only when a circuit is built

    for connector in circuit.connectors.values():
        if not connector.unpluggable or not connector.part:
            continue
        graph = circuit.net.graph(without=connector.pins)
        own = {node for node in circuit.net.elements[connector.part].nodes.values() if node in graph}
        near = {node for group in nx.connected_components(graph) if own & group for node in group}
        for pin in connector.pins:
            half, other = (circuit.net.node(f"{pin}/{side}") for side in ("part", "harness"))
            if half not in near and other in near:
                what = f"its harness half is on the side of {connector.part}; say that it is walked the other way"
                mistakes.add(NetworkError(what, part=pin), paths[pin], pin)


def _check_graph(net: Netlist, items: list[Item], mistakes: Mistakes) -> None:
    try:
        net.check()
    except NetworkError as error:
        place = next((i.path for i in items if i.element.name == error.part), None)
        if place is None and error.node is not None:
            place = next((i.path for i in items if error.node in i.element.nodes.values()), None)
        mistakes.add(error, place or ("run",), error.part or error.node)
