"""Options of a generic circuit: parameters that scale with a value given, and another number of steps."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

from circuitsim.errors import InputError, QuantityError, UnknownNameError, shown, with_place
from circuitsim.library.circuit import StepTable
from circuitsim.library.mistakes import Mistakes
from circuitsim.quantities import format_quantity, parse

if TYPE_CHECKING:
    from circuitsim.library.lines import KeyPath
    from circuitsim.library.shapes import CircuitShape, OptionShape, OptionsShape

__all__ = ["Chosen", "choose", "respaced", "scale_targets"]

_MOST_STEPS = 9


@dataclass(frozen=True)
class Chosen:
    """What the options come to.

    texts: option → value as text; factors: (element, parameter) → factor on its value; steps: names in order, 'off'
    first; nominal: V.
    """

    texts: Mapping[str, str]
    steps: tuple[str, ...]
    nominal: float
    factors: Mapping[tuple[str, str], float] = field(default_factory=dict)
    by_difference: frozenset[tuple[str, str]] = frozenset()


def choose(shape: CircuitShape, given: Mapping[str, Any], mistakes: Mistakes) -> Chosen:
    """Read the options given for a circuit; mistakes in the file's own part of them are raised with their line.

    Raises UnknownNameError for an option that the circuit has not, QuantityError or InputError for its value.
    """
    options = dict(shape.options.__pydantic_extra__) if shape.options else {}
    steps = shape.options.steps if shape.options else None
    accepted = [*options, *(["steps"] if steps else [])]
    for name in given:
        if name not in accepted:
            raise UnknownNameError(f"option of {shape.name}", str(name), accepted)
    ranges = _ranges(shape, options, mistakes)
    values = {name: _value(name, option, ranges[name], given) for name, option in options.items()}
    texts = {name: _text(given.get(name, option.default), option) for name, option in options.items()}
    _check_order(options, values, texts, given)
    names = tuple(shape.steps)
    if steps:
        names = _step_names(names, given.get("steps", len(names) - 1), steps.least)
        texts["steps"] = str(len(names) - 1)
    factors = _factors(options, {name: value / ranges[name].default for name, value in values.items()})
    for text in steps.shared if steps else ():
        share = (len(shape.steps) - 2) / max(len(names) - 2, 1)
        factors[_target(text)] = factors.get(_target(text), 1.0) * share
    fixed = frozenset(_target(text) for text in (steps.by_difference if steps else ()))
    return Chosen(texts, names, values.get("nominal", parse(shape.nominal, "V")), factors, fixed)


class _Range(NamedTuple):
    default: float
    least: float
    most: float


def _ranges(shape: CircuitShape, options: Mapping[str, OptionShape], mistakes: Mistakes) -> dict[str, _Range]:
    """Read the numbers that the file gives for its options, and its nominal voltage."""

    def number(text: str, unit: str, *path: str) -> float:
        try:
            value = parse(text, unit)
            if value <= 0:
                raise QuantityError(f"{shown(text)} is not above zero")
        except QuantityError as error:
            mistakes.add(error, path)
            return 1.0
        return value

    number(shape.nominal, "V", "nominal")
    read = {
        name: _Range(*(number(getattr(o, key), o.unit, "options", name, key) for key in _Range._fields))
        for name, o in options.items()
    }
    for name, option in options.items():
        if option.at_most is not None:
            alike = [n for n, o in options.items() if n != name and o.unit == option.unit]
            if option.at_most not in alike:
                what = f"option in {option.unit} beside {name}"
                mistakes.add(UnknownNameError(what, option.at_most, alike), ("options", name, "at_most"))
    mistakes.raise_first()
    return read


def _check_order(
    options: Mapping[str, OptionShape], values: Mapping[str, float], texts: Mapping[str, str], given: Mapping[str, Any]
) -> None:
    """Refuse an option above the one that it may at most be, such as a current above the fuse."""
    for name, option in options.items():
        other = option.at_most
        if other is None or values[name] <= values[other]:
            continue
        what = f"{texts[name]} is above the {other}, {texts[other]}"
        untold = [n for n in (name, other) if n not in given]
        hint = f"; {texts[untold[0]]} is the default: give the {untold[0]} too" if untold else ""
        raise InputError(what + hint, key=name)


def _text(value: Any, option: OptionShape) -> str:
    return value if isinstance(value, str) else format_quantity(float(value), option.unit, 6)


def _value(name: str, option: OptionShape, accepted: _Range, given: Mapping[str, Any]) -> float:
    if name not in given:
        return accepted.default
    try:
        value = parse(given[name], option.unit)
    except QuantityError as error:
        raise with_place(error, key=name) from None
    if not accepted.least <= value <= accepted.most:
        span = f"{option.least} to {option.most}"
        raise InputError(f"{shown(given[name])} is out of range, accepted: {span}", key=name)
    return value


def _factors(options: Mapping[str, OptionShape], ratios: Mapping[str, float]) -> dict[tuple[str, str], float]:
    factors: dict[tuple[str, str], float] = {}
    for name, option in options.items():
        for text, power in option.scales.items():
            target = _target(text)
            factors[target] = factors.get(target, 1.0) * ratios[name] ** power
    return factors


def _target(text: str) -> tuple[str, str]:
    """Split ELEMENT.PARAMETER; the element's name may have points in it."""
    element, _, parameter = text.rpartition(".")
    return element, parameter


def _step_names(names: tuple[str, ...], count: Any, least: int) -> tuple[str, ...]:
    text = str(count).strip()
    if isinstance(count, bool) or not text.isascii() or not text.isdecimal() or not least <= int(text[:4]) <= _MOST_STEPS:
        raise InputError(f"{shown(count)} found, accepted: a whole number from {least} to {_MOST_STEPS}", key="steps")
    if int(text) == len(names) - 1:
        return names
    return ("off", *(str(k) for k in range(1, int(text) + 1)))


def respaced(table: StepTable, count: int, ratio: bool) -> StepTable:
    """Make a step table anew for `count` steps that are on; 'off' stays.

    Step k lies at the share (k - 1)/(count - 1) of the way from the first step to the last (a single one at the last);
    between two steps of the file it is filled in by ratio or by difference. A tolerance is the nearer step's.
    """
    on = table.values[1:]
    if count == len(on):
        return table
    values, tolerances = [table.values[0]], [table.tolerances[0]]
    for k in range(count):
        at = (len(on) - 1) * (k / (count - 1) if count > 1 else 1.0)
        below = min(int(at), max(len(on) - 2, 0))
        values.append(_between(on, below, at - below, ratio))
        tolerances.append(table.tolerances[1:][round(at)])
    return StepTable(tuple(values), tuple(tolerances))


def _between(on: Sequence[float], below: int, share: float, ratio: bool) -> float:
    low, high = on[below], on[min(below + 1, len(on) - 1)]
    if ratio and low > 0 and high > 0:
        return math.exp((1 - share) * math.log(low) + share * math.log(high))
    return (1 - share) * low + share * high


def scale_targets(options: OptionsShape) -> list[tuple[KeyPath, tuple[str, str]]]:
    """List the (element, parameter) pairs that the options scale, each with its key path."""
    scaled: list[tuple[KeyPath, str]] = [
        (("options", name, "scales", text), text)
        for name, option in options.__pydantic_extra__.items()
        for text in option.scales
    ]
    if options.steps:
        scaled += [
            (("options", "steps", key), text) for key in ("by_difference", "shared") for text in getattr(options.steps, key)
        ]
    return [(path, _target(text)) for path, text in scaled]
