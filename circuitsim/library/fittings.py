"""What hangs on a circuit's netlist: its supply, connectors, probe points and standard readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from circuitsim.elements import Pin
from circuitsim.errors import CircuitFileError, InputError, UnknownNameError, shown
from circuitsim.library.circuit import Circuit, Connector, ProbePoint, StandardReading, Supply
from circuitsim.library.colours import check_colour
from circuitsim.library.functions import CAPTURE, INSTRUMENTS, WAVE_INSTRUMENTS, function_of, on_clamp, read_capture
from circuitsim.library.lines import KeyPath
from circuitsim.library.mistakes import Mistakes
from circuitsim.network import Netlist

if TYPE_CHECKING:
    from circuitsim.library.shapes import ConnectorShape, ProbeShape, ReadingShape, SupplyShape

__all__ = ["connectors", "probe_points", "standard_readings", "supply"]


def supply(shape: SupplyShape, net: Netlist, mistakes: Mistakes) -> Supply:
    """Read the supply; mistakes are noted."""
    sources = [e.name for e in net.elements.values() if e.kind in ("battery", "alternator", "voltage-source")]
    for key, name in (("battery", shape.battery), ("alternator", shape.alternator)):
        if name is not None and name not in sources:
            mistakes.add(UnknownNameError(key, name, sources), ("supply", key))
    for key, node in (("plus", shape.plus), ("minus", shape.minus)):
        _find_node(net, node, ("supply", key), mistakes)
    return Supply(shape.battery, shape.alternator, shape.plus, shape.minus)


def _find_node(net: Netlist, node: str, path: KeyPath, mistakes: Mistakes) -> str | None:
    try:
        return net.node(node)
    except InputError as error:
        mistakes.add(error, path)
        return None


def connectors(shapes: Mapping[str, ConnectorShape], net: Netlist, mistakes: Mistakes) -> dict[str, Connector]:
    """Read the connectors and find their pins; mistakes are noted."""
    found = {}
    for name, shape in shapes.items():
        path: KeyPath = ("connector", name)
        pins = tuple(e.name for e in net.elements.values() if isinstance(e, Pin) and e.name.rpartition(".")[0] == name)
        if not pins:
            mistakes.add(CircuitFileError(f"has no pins; they are the pin items called {name}.1 or alike"), path)
        if shape.plugs and shape.plugs not in net.elements:
            mistakes.add(UnknownNameError("element", shape.plugs, list(net.elements)), (*path, "plugs"))
        found[name] = Connector(name, shape.title, pins, shape.plugs, shape.unpluggable)
    return found


def probe_points(shapes: Mapping[str, ProbeShape], net: Netlist, mistakes: Mistakes) -> dict[str, ProbePoint]:
    """Read the probe points, whose names become second names of their nodes; mistakes are noted."""
    found = {}
    for name, shape in shapes.items():
        path: KeyPath = ("probe", name)
        if ":" in name or "," in name:
            mistakes.add(CircuitFileError(f"probe point {shown(name)} must have no : or , in its name"), path)
        node = _find_node(net, shape.node or name, (*path, "node"), mistakes)
        try:
            check_colour(shape.colour)
        except InputError as error:
            mistakes.add(error, (*path, "colour"))
        if node is None:
            continue
        if net.aliases().get(name, node) != node:
            mistakes.add(CircuitFileError(f"{shown(name)} is already a name of node {shown(net.node(name))}"), path)
            continue
        try:
            if name != node:
                net.name_node(name, node)
        except InputError as error:
            mistakes.add(error, path)
        found[name] = ProbePoint(name, node, shape.where, shape.colour)
    return found


def standard_readings(shapes: Sequence[ReadingShape], circuit: Circuit, mistakes: Mistakes) -> tuple[StandardReading, ...]:
    """Read the standard readings; mistakes are noted."""
    return tuple(_reading(shape, ("reading", k), circuit, mistakes) for k, shape in enumerate(shapes))


def _reading(shape: ReadingShape, path: KeyPath, circuit: Circuit, mistakes: Mistakes) -> StandardReading:
    known = (*INSTRUMENTS, *WAVE_INSTRUMENTS)
    if shape.instrument not in known:
        mistakes.add(UnknownNameError("word", shape.instrument, known), (*path, "instrument"))
    _check_leads(shape, path, circuit, mistakes)
    for name in shape.unplugged:
        try:
            circuit.connector(name)
        except InputError as error:
            mistakes.add(error, (*path, "unplugged"))
    for text in shape.fitted:
        _check_lamp(text, (*path, "fitted"), circuit, mistakes)
    return StandardReading(
        shape.label, shape.instrument, shape.red, shape.black, shape.at, _steps(shape, path, circuit, mistakes),
        shape.unplugged, shape.ignition, shape.rule, shape.fitted, _capture(shape, path, mistakes),
    )  # fmt: skip


def _check_leads(shape: ReadingShape, path: KeyPath, circuit: Circuit, mistakes: Mistakes) -> None:
    """Note what a clamp, or an instrument with two leads, lacks or has too much, and places that are not there."""
    clamp = on_clamp(shape.instrument)
    needed, barred = (("at",), ("red", "black")) if clamp else (("red", "black"), ("at",))
    for key in needed:
        if not getattr(shape, key):
            mistakes.add(CircuitFileError(f"a {shape.instrument} needs the key {shown(key)}"), path)
    for key in barred:
        if getattr(shape, key):
            mistakes.add(CircuitFileError(f"a {shape.instrument} has no {shown(key)}"), (*path, key))
    for key in ("red", "black") if not clamp else ():
        name = getattr(shape, key)
        try:
            circuit.node(name or circuit.net.ground)
        except InputError as error:
            mistakes.add(error, (*path, key))
    if clamp and shape.at and shape.at not in circuit.net.elements:
        mistakes.add(UnknownNameError("element", shape.at, list(circuit.net.elements)), (*path, "at"))


def _check_lamp(text: str, path: KeyPath, circuit: Circuit, mistakes: Mistakes) -> None:
    """Note what is wrong with a lamp that is fitted for one reading."""
    kind, *ends = text.split(":")
    if kind != "lamp" or len(ends) != 2:
        mistakes.add(CircuitFileError(f"{shown(text)} found; accepted: lamp:A:B, such as lamp:MOT+:MOT-"), path)
        return
    for name in ends:
        try:
            circuit.node(name)
        except InputError as error:
            mistakes.add(error, path)


def _capture(shape: ReadingShape, path: KeyPath, mistakes: Mistakes) -> float:
    """Read the time over which each min or max is averaged, s; 0 for an instrument that has none."""
    function = function_of(shape.instrument)
    averages = function is not None and function.capture
    if shape.capture is None:
        return CAPTURE if averages else 0.0
    if not averages:
        text = f"a {shape.instrument} has no capture time; only min and max have one"
        mistakes.add(CircuitFileError(text), (*path, "capture"))
        return 0.0
    try:
        return read_capture(shape.capture)
    except InputError as error:
        mistakes.add(error, (*path, "capture"))
        return CAPTURE


def _steps(shape: ReadingShape, path: KeyPath, circuit: Circuit, mistakes: Mistakes) -> tuple[str, ...]:
    words = {"all": circuit.steps, "on": circuit.steps[1:], "top": circuit.steps[-1:]}
    if isinstance(shape.steps, str):
        return words[shape.steps]
    for step in shape.steps:
        try:
            circuit.step_index(step)
        except InputError as error:
            mistakes.add(error, (*path, "steps"))
    return shape.steps
