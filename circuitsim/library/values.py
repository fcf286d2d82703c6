"""One element of a circuit file: its parameters as numbers, step tables and switched states, over those of its part."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from circuitsim.elements import Element, Parameter, element_kinds
from circuitsim.errors import CircuitFileError, InputError, QuantityError, UnknownNameError, shown
from circuitsim.library.bounds import check_range, check_spread, check_unit
from circuitsim.library.circuit import StepTable
from circuitsim.library.colours import check_colour
from circuitsim.library.lines import KeyPath
from circuitsim.library.mistakes import Mistakes
from circuitsim.library.options import Chosen, respaced
from circuitsim.library.parts import Part
from circuitsim.quantities import Quantity, Tolerance, parse_with_tolerance

__all__ = ["CONDITIONS", "Item", "Ways", "kinds_in_runs", "read_item"]

CONDITIONS = ("ignition", "engine")
"""The conditions that can set a state."""
_TEXTS = ("part", "note", "colour", "title")


@dataclass(frozen=True)
class Item:
    """An element read from the file, with what depends on the step or on a condition."""

    element: Element
    path: KeyPath
    tables: Mapping[str, StepTable]
    switched: Mapping[str, str]
    given: frozenset[str] = frozenset()
    """Parameters that the circuit or the part gives; the others have their defaults."""


@dataclass(frozen=True)
class Ways:
    """What all elements of a file are read with: parts, options, the file's own steps, mistakes so far."""

    parts: Mapping[str, Part]
    chosen: Chosen
    steps: tuple[str, ...]
    mistakes: Mistakes
    at_step: str | None = None
    """The step of a repeated run, and `next_step` the one after it."""
    next_step: str | None = None

    def told(self, error: InputError, path: KeyPath, key: str) -> None:
        """Note a mistake."""
        self.mistakes.add(error, path, key)


@dataclass
class _Read:
    numbers: dict[str, float] = field(default_factory=dict)
    spreads: dict[str, Tolerance] = field(default_factory=dict)
    tables: dict[str, StepTable] = field(default_factory=dict)
    switched: dict[str, str] = field(default_factory=dict)
    kept: list[str] = field(default_factory=list)
    """Parameters whose value the circuit gives, and whose tolerance is the part's."""


@dataclass(frozen=True)
class _Place:
    """What one parameter is read with: its kind of element, the part's value and tolerance, where options scale it."""

    kind: type[Element]
    parameter: Parameter
    typical: float | None
    spread: Tolerance | None
    target: tuple[str, str]

    def quantity(self, value: Any, parameter: Parameter | None = None) -> tuple[float, Tolerance | None]:
        """Read one value: text with its unit, or a bare number where the unit is 1."""
        parameter = parameter or self.parameter
        check_unit(parameter, value, self.kind, self.typical)
        if not isinstance(value, str | int | float):
            found = "a list" if isinstance(value, tuple | list) else shown(value)
            raise QuantityError(f"{found} is no quantity; write e.g. '12 {parameter.unit}'")
        text: Quantity = value
        number, own = parse_with_tolerance(text, parameter.unit)
        check_range(parameter, number, value)
        check_spread(parameter, number, own, value)
        return number, own if own is not None else self.spread


def read_item(
    kind: type[Element], name: str, given: Mapping[str, Any], path: KeyPath, ways: Ways, template: str | None = None
) -> Item | None:
    """Read an element; every mistake in it is noted, and None given back when it can't be made.

    template: the name as it stands in the file, where a repeated run makes several of it.
    """
    before = len(ways.mistakes)
    own = {key: value for key, value in given.items() if key not in _TEXTS}
    nodes = {t.name: own.pop(t.name) for t in kind.terminals if t.name in own}
    for terminal, node in nodes.items():
        if not isinstance(node, str):
            error = CircuitFileError(f"{shown(node)} found; accepted: the name of a node in quotes")
            ways.told(error, (*path, terminal), f"{name}.{terminal}")
    texts = _texts(given, path, name, ways)
    part = _part(kind, name, texts.get("part"), path, ways)
    own = _prepared(kind, name, own, path, ways)
    read = _Read()
    for key, value in own.items():
        try:
            parameter = _parameter(kind, name, key)
            if key not in given and isinstance(value, int | float):  # made out of other keys, in SI already
                read.numbers[key] = value * ways.chosen.factors.get((template or name, key), 1.0)
                continue
            typical = part.numbers.get(key) if part else None
            place = _Place(kind, parameter, typical, _part_spread(part, key), (template or name, key))
            _read_value(read, value, place, ways)
        except InputError as error:
            ways.told(error, (*path, key), f"{name}.{key}")
    _take_part(read, part, own, template or name, ways)
    if len(ways.mistakes) > before:
        return None
    return _made(kind, name, nodes, read, part, texts, path, ways)


def _texts(given: Mapping[str, Any], path: KeyPath, name: str, ways: Ways) -> dict[str, str]:
    found = {}
    for key in _TEXTS:
        value = given.get(key)
        if value is None:
            continue
        if not isinstance(value, str):
            ways.told(CircuitFileError(f"{shown(value)} found; accepted: text in quotes"), (*path, key), f"{name}.{key}")
            continue
        if key == "colour":
            try:
                check_colour(value)
            except InputError as error:
                ways.told(error, (*path, key), f"{name}.{key}")
        found[key] = value
    return found


def _part(kind: type[Element], name: str, part: str | None, path: KeyPath, ways: Ways) -> Part | None:
    if part is None:
        return None
    fitting = [p for p, found in ways.parts.items() if found.kind == kind.kind]
    found = ways.parts.get(part)
    if found is None:
        ways.told(UnknownNameError(f"part for a {kind.kind}", part, fitting), (*path, "part"), f"{name}.part")
    elif found.kind != kind.kind:
        others = ", ".join(fitting) or "none"
        what = f"part {shown(part)} is a {found.kind}, and {name} is a {kind.kind}; accepted: {others}"
        ways.told(CircuitFileError(what), (*path, "part"), f"{name}.part")
        return None
    return found


def _prepared(kind: type[Element], name: str, own: dict[str, Any], path: KeyPath, ways: Ways) -> dict[str, Any]:
    """Let the element turn other ways of giving its values into its parameters."""
    try:
        return kind.prepare(dict(own))
    except InputError as error:
        ways.told(error, path, name)
        return own


def _parameter(kind: type[Element], name: str, key: str) -> Parameter:
    for parameter in kind.parameters:
        if parameter.name == key:
            return parameter
    accepted = [*(p.name for p in kind.parameters), *(t.name for t in kind.terminals), *_TEXTS]
    raise UnknownNameError(f"key of {kind.kind} {name}", key, accepted)


def _part_spread(part: Part | None, key: str) -> Tolerance | None:
    """Give the part's tolerance where it still holds for another value: a share, no absolute one."""
    spread = part.spreads.get(key) if part else None
    return spread if spread and spread.relative else None


def _read_value(read: _Read, value: Any, place: _Place, ways: Ways) -> None:
    key, factor = place.parameter.name, ways.chosen.factors.get(place.target, 1.0)
    if place.parameter.state:
        _read_state(read, place.parameter, value, ways)
        return
    if isinstance(value, Mapping):
        table = _step_table(value, place, ways)
        if isinstance(table, StepTable):
            table = _scaled_table(table, factor)
            read.tables[key] = table
            read.numbers[key], own = table.values[0], table.tolerances[0]
        else:
            read.numbers[key], own = table * factor, place.spread
    else:
        read.numbers[key], own = _scaled(*place.quantity(value), factor)
    if own is not None:
        read.spreads[key] = own
    spreads = read.tables[key].tolerances if key in read.tables else (own,)
    if any(spread is not None and spread is place.spread for spread in spreads):
        read.kept.append(key)


def _scaled(value: float, spread: Tolerance | None, factor: float) -> tuple[float, Tolerance | None]:
    if factor == 1.0:
        return value, spread
    if spread is not None and not spread.relative:
        spread = Tolerance(spread.kind, spread.size * abs(factor))
    return value * factor, spread


def _scaled_table(table: StepTable, factor: float) -> StepTable:
    pairs = [_scaled(v, t, factor) for v, t in zip(table.values, table.tolerances, strict=True)]
    return StepTable(tuple(v for v, _ in pairs), tuple(t for _, t in pairs))


def _step_table(value: Mapping[str, Any], place: _Place, ways: Ways) -> StepTable | float:
    """Read a table by step; `between` in a repeated run gives the difference from the run's step to the next."""
    inner = value.get("between") if set(value) == {"between"} else None
    if inner is not None and ways.next_step is not None and isinstance(inner, Mapping):
        unit = place.parameter.unit
        table = _table({ways.steps[0]: 0 if unit == "1" else f"0 {unit}", **inner}, place, ways)
        steps = dict(zip(ways.chosen.steps, table.values, strict=True))
        return abs(steps[str(ways.at_step)] - steps[ways.next_step])
    return _table(value, place, ways)


def _table(value: Mapping[str, Any], place: _Place, ways: Ways) -> StepTable:
    for step in value:
        if step not in ways.steps:
            raise UnknownNameError("step", step, ways.steps)
    lacking = [step for step in ways.steps if step not in value]
    if lacking:
        raise CircuitFileError(f"the table has no value for step {shown(lacking[0])}; steps: {', '.join(ways.steps)}")
    between, parameter = ways.next_step is not None, place.parameter
    if between:
        parameter = replace(parameter, low=min(parameter.low, 0.0))
    pairs = [place.quantity(value[step], parameter) for step in ways.steps]
    table = StepTable(tuple(v for v, _ in pairs), tuple(t for _, t in pairs))
    ratio = parameter.unit == "Ω" and place.target not in ways.chosen.by_difference
    return respaced(table, len(ways.chosen.steps) - 1, ratio and not between)


def _read_state(read: _Read, parameter: Parameter, value: Any, ways: Ways) -> None:
    """Read a state: a condition, a list of the steps at which it is 1, or 0 or 1."""
    steps = ways.chosen.steps
    if value in CONDITIONS:
        read.switched[parameter.name] = value
        read.numbers[parameter.name] = 1.0 if value == "ignition" else 0.0
    elif value in ("on", "top"):
        closed = steps[1:] if value == "on" else steps[-1:]
        _state_table(read, parameter.name, closed, steps)
    elif isinstance(value, list | tuple):
        for step in value:
            if not isinstance(step, str):
                raise CircuitFileError(f"{shown(step)} found in the list; accepted: names of steps in quotes")
            if step not in steps:
                raise UnknownNameError("step", step, steps)
        _state_table(read, parameter.name, tuple(value), steps)
    elif isinstance(value, int) and value in (0, 1):
        read.numbers[parameter.name] = float(value)
    elif isinstance(value, str):
        raise UnknownNameError("state", value, (*CONDITIONS, "on", "top", "a list of steps", "0 or 1 without quotes"))
    else:
        raise CircuitFileError(f"{shown(value)} found; accepted: ignition, engine, on, top, a list of steps, 0 or 1")


def _state_table(read: _Read, key: str, closed: tuple[str, ...], steps: tuple[str, ...]) -> None:
    values = tuple(float(step in closed) for step in steps)
    read.tables[key] = StepTable(values, (None,) * len(values))
    read.numbers[key] = values[0]


def _take_part(read: _Read, part: Part | None, own: Mapping[str, Any], template: str, ways: Ways) -> None:
    """Fill in what the circuit does not give from the part."""
    if part is None:
        return
    for key, number in part.numbers.items():
        if key not in own:
            factor = ways.chosen.factors.get((template, key), 1.0)
            read.numbers[key], spread = _scaled(number, part.spreads.get(key), factor)
            if spread is not None:
                read.spreads[key] = spread
    for key, spread in part.spreads.items():
        if key not in own and key not in part.numbers:
            read.spreads[key] = spread


def _made(
    kind: type[Element], name: str, nodes: dict[str, Any], read: _Read, part: Part | None, texts: dict[str, str],
    path: KeyPath, ways: Ways,
) -> Item | None:  # fmt: skip
    try:
        element = kind(name, **nodes, **read.numbers)
    except InputError as error:
        where = (*path, error.key) if error.key else path
        ways.told(CircuitFileError(error.message), where, f"{name}.{error.key}" if error.key else name)
        return None
    element.tolerances.update(read.spreads)
    element.details.update(texts)
    if read.kept:
        element.details["tolerance"] = f"from part: {', '.join(read.kept)}"
    if part is not None:
        element.details.setdefault("title", part.title)
    return Item(element, path, read.tables, read.switched, frozenset(read.numbers))


def kinds_in_runs() -> dict[str, type[Element]]:
    """List the kinds that can stand in a run: those with two ends."""
    return {word: kind for word, kind in element_kinds().items() if kind.ends is not None}
