"""The shape of circuit and part files as pydantic models: which tables and keys there are, and of what type.

Only this module imports pydantic; it is loaded when a file is read. What a value means (units, kinds, nodes) is for the
builder to check.
"""

from __future__ import annotations

import re
from types import UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from circuitsim.errors import CircuitFileError, InputError, UnknownNameError, nearest, shown
from circuitsim.library.mistakes import Mistakes, called
from circuitsim.library.texts import Document

__all__ = [
    "CircuitShape", "ConnectorShape", "OptionShape", "OptionsShape", "PartFileShape", "PartShape", "ProbeShape",
    "ReadingShape", "RunShape", "StepsShape", "SupplyShape", "ValueShape", "read_shape",
]  # fmt: skip

Text = Annotated[str, Field(min_length=1, max_length=4000)]
Values = dict[str, Any]
StepChoice = Literal["all", "on", "top"] | tuple[Text, ...]
_S = TypeVar("_S", bound="_Shape")


class _Shape(BaseModel):
    """A table with no keys but those declared."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, populate_by_name=True)


class SupplyShape(_Shape):
    """Names of the battery and alternator elements, and the nodes at which the battery is measured."""

    battery: Text
    alternator: Text | None = None
    plus: Text = "BAT+"
    minus: Text = "BAT-"


class RunShape(_Shape):
    """A current path, walked in order from one node to another.

    `each` repeats it: "step" once a step that is on, "gap" once between two of them; `{step}` and `{next}` stand for
    the step's name and the following one's. `{top}`, in any run, stands for the top step's.
    """

    name: Text
    start: Text = Field(alias="from")
    end: Text = Field(alias="to")
    each: Literal["step", "gap"] | None = None
    along: Annotated[tuple[Values, ...], Field(min_length=1)]


class ConnectorShape(_Shape):
    """A connector; its pins are the `pin` items whose names begin with its own."""

    title: Text
    plugs: str = ""
    unpluggable: bool = True


class ProbeShape(_Shape):
    """A point that a person can reach; its node is the one of its own name unless given."""

    node: Text | None = None
    where: Text
    colour: str = ""


class ReadingShape(_Shape):
    """A line of the circuit's chart.

    fitted: lamps put on for it alone, ``lamp:A:B``; capture: time over which each minimum or maximum is averaged.
    """

    label: Text
    instrument: Text
    red: str = ""
    black: str = ""
    at: str = ""
    steps: StepChoice = "all"
    unplugged: tuple[Text, ...] = ()
    fitted: tuple[Text, ...] = ()
    ignition: Literal["on", "off"] = "on"
    capture: Text | None = None
    rule: str = ""


class OptionShape(_Shape):
    """An option that multiplies parameters by (value given / default) to a power.

    `at_most` names another option, of the same unit, above whose value this one's may not be.
    """

    title: Text
    default: Text
    unit: Text
    least: Text
    most: Text
    at_most: Text | None = None
    scales: dict[str, float | int] = Field(default_factory=dict)


class StepsShape(_Shape):
    """The number of steps that are on, as an option; step tables are then made anew between those of the file.

    A table is filled in by ratio where all its values are above zero and it is a resistance, else by difference;
    `by_difference` names tables (ELEMENT.PARAMETER) for which a resistance goes by difference too; `shared` names
    values of which the sections between steps have a share each, so that the sum stays.
    """

    title: Text = "number of steps that are on"
    least: Annotated[int, Field(ge=1, le=9)] = 1
    by_difference: tuple[Text, ...] = ()
    shared: tuple[Text, ...] = ()


class OptionsShape(_Shape):
    """The options of a generic circuit."""

    model_config = ConfigDict(extra="allow", frozen=True, strict=True)
    __pydantic_extra__: dict[str, OptionShape] = Field(init=False)
    steps: StepsShape | None = None


class ValueShape(_Shape):
    """A part's value with its origin; a tolerance alone applies to the value that a circuit or the element gives."""

    value: Text | None = None
    tolerance: Text | None = None
    origin: Text = Field(alias="from")


class PartShape(_Shape):
    """A part: kind of element, title, and a value with its origin for each parameter it fixes."""

    model_config = ConfigDict(extra="allow", frozen=True, strict=True)
    __pydantic_extra__: dict[str, ValueShape] = Field(init=False)
    kind: Text
    title: Text


class PartFileShape(_Shape):
    """A file of parts."""

    part: dict[str, PartShape]


class CircuitShape(_Shape):
    """A circuit file."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=60)]
    title: Text
    description: str = ""
    nominal: Text
    steps: Annotated[tuple[Text, ...], Field(min_length=2)]
    motor: Text
    cautions: tuple[Text, ...] = ()
    supply: SupplyShape
    run: Annotated[tuple[RunShape, ...], Field(min_length=1)]
    element: dict[str, Values] = Field(default_factory=dict)
    part: dict[str, PartShape] = Field(default_factory=dict)
    connector: dict[str, ConnectorShape] = Field(default_factory=dict)
    probe: dict[str, ProbeShape] = Field(default_factory=dict)
    reading: tuple[ReadingShape, ...] = ()
    options: OptionsShape | None = None


_LAST = 10**9
_LOOKED_AT = 50  # complaints in which misspelt names of missing keys are looked for; each takes its time
_WORDS = {
    "string": "text in quotes", "bool": "true or false", "tuple": "a list", "list": "a list", "dict": "a table",
    "float": "a number", "int": "a whole number", "model": "a table",
}  # fmt: skip
_BOUNDS = {"greater_than_equal": "at least", "less_than_equal": "at most"}
"""Words for the bounds of a number."""


def read_shape(shape: type[_S], document: Document) -> _S:
    """Check a document against a shape; raises the first mistake in file order, with its line."""
    mistakes = Mistakes(document)
    try:
        # Strict models take tuples for tuples, and no lists.
        return shape.model_validate(_tupled(document.data))
    except ValidationError as error:
        details = _told_once(error.errors(include_url=False))
        # Wording looks for the nearest name, which for thousands of mistakes would take minutes.
        path, first = min(
            ((_real_path(d["loc"], document.data), d) for d in details),
            key=lambda pair: document.line(pair[0]) or _LAST,
        )
        mistakes.add_untold(len(details) - 1)
        place = path[:-1] if first["type"] == "missing" else path
        mistakes.add(_worded(first, shape), path, called(place, document.data))
    mistakes.raise_first()
    raise CircuitFileError("is no file of this shape", file=document.file)


def _tupled(data: Any) -> Any:
    """Turn lists into tuples all the way down."""
    if isinstance(data, dict):
        return {key: _tupled(value) for key, value in data.items()}
    return tuple(map(_tupled, data)) if isinstance(data, list) else data


def _told_once(details: list[ErrorDetails]) -> list[ErrorDetails]:
    """Keep one complaint a key where a union complains once a member, and none that follows from another."""
    seen: dict[tuple[int | str, ...], ErrorDetails] = {}
    for detail in details:
        where = tuple(part for part in detail["loc"] if not _is_tag(part))
        if not _follows(detail):
            seen.setdefault(where, detail)
    lacking = {where for where, detail in seen.items() if detail["type"] == "missing"}
    for where, detail in list(seen.items())[:_LOOKED_AT]:
        if detail["type"] not in ("extra_forbidden", "model_type"):
            continue
        # A key that is missing stands there under a name much like it: one mistake, and it is the spelling.
        meant = {gap for gap in lacking if gap[:-1] == where[:-1] and nearest(str(where[-1]), [str(gap[-1])])}
        lacking -= meant
        if meant:
            seen[where] = {**detail, "type": "extra_forbidden"}
    return [detail for where, detail in seen.items() if detail["type"] != "missing" or where in lacking]


def _follows(detail: ErrorDetails) -> bool:
    """Whether a list is too short only because pydantic does not count the entries in which it found mistakes."""
    if detail["type"] != "too_short" or not hasattr(detail["input"], "__len__"):
        return False
    return len(detail["input"]) >= int(detail.get("ctx", {}).get("min_length", 1))


def _is_tag(part: int | str) -> bool:
    """Tell whether pydantic put this into a path to name a member of a union."""
    return isinstance(part, str) and re.fullmatch(r"literal\[.*\]|tuple\[.*\]|constrained-.*|function-.*", part) is not None


def _real_path(loc: tuple[int | str, ...], data: Any) -> tuple[int | str, ...]:
    """Leave out what stands for a member of a union and is no key of the file."""
    path: list[int | str] = []
    for part in loc:
        there = _has(data, part)
        if there or not _is_tag(part):
            path.append(part)
            data = data[part] if there else None
    return tuple(path)


def _has(data: Any, part: int | str) -> bool:
    if isinstance(data, dict):
        return part in data
    return isinstance(data, list) and isinstance(part, int) and part < len(data)


def _worded(detail: ErrorDetails, shape: type[_Shape]) -> InputError:
    """Say in trade words what pydantic complains of."""
    kind, found, last = detail["type"], detail["input"], detail["loc"][-1]
    if kind == "missing":
        return CircuitFileError(f"needs the key {shown(str(last))}")
    if kind == "extra_forbidden":
        return UnknownNameError("key", str(last), _keys(detail["loc"], shape))
    if kind == "literal_error":
        wanted = str(detail.get("ctx", {}).get("expected", ""))
        accepted = re.findall(r"'([^']*)'", wanted)
        return UnknownNameError("word", found, accepted) if isinstance(found, str) else CircuitFileError(
            f"{shown(found)} found; accepted: {wanted}"
        )  # fmt: skip
    if kind in ("string_too_short", "too_short", "string_too_long", *_BOUNDS):
        return CircuitFileError(_out_of_bounds(detail))
    if kind == "string_pattern_mismatch":
        return CircuitFileError(f"{shown(found)} found; accepted: small letters, digits and single hyphens between")
    wanted = next((text for word, text in _WORDS.items() if kind.startswith(word)), "another kind of value")
    if "along" in detail["loc"]:
        wanted += ', such as { wire = "W1", … }' if kind.startswith("dict") else " of tables"
    elif kind == "model_type" and detail["loc"][0] == "part":
        wanted += ', such as { value = "12 mΩ ±10 %", from = "assumed" }'
    return CircuitFileError(f"{shown(found)} found; accepted: {wanted}")


def _out_of_bounds(detail: ErrorDetails) -> str:
    """Say that text or a list is too short or too long, or that a number is too small or too large."""
    kind, found, given = detail["type"], detail["input"], detail.get("ctx", {})
    if kind in _BOUNDS:
        return f"{shown(found)} found; accepted: {_BOUNDS[kind]} {given.get('ge', given.get('le'))}"
    if kind == "string_too_long":
        return f"has {len(found):,} characters; accepted: up to {given.get('max_length'):,}"
    if not found:
        return "is empty"
    return f"has {len(found)} {'entry' if len(found) == 1 else 'entries'}; accepted: {given.get('min_length')} or more"


def _keys(loc: tuple[int | str, ...], shape: type[_Shape]) -> list[str]:
    """List the keys accepted in the table in which an unknown one was found."""
    found: list[Any] = [shape]
    for part in loc[:-1]:
        found = [inner for each in found for inner in _inner(each, part)]
    models = [m for m in found if isinstance(m, type) and issubclass(m, _Shape)]
    return [field.alias or name for model in models[:1] for name, field in model.model_fields.items()]


def _inner(kind: Any, part: int | str) -> list[Any]:
    """Give the types that may stand under a key of a type, or at a place of it, with unions and annotations taken apart."""
    if isinstance(kind, type) and issubclass(kind, _Shape):
        field = next((f for n, f in kind.model_fields.items() if part in (n, f.alias)), None)
        hints: dict[str, Any] = get_type_hints(kind)
        extra = get_args(hints["__pydantic_extra__"])[-1:] if "__pydantic_extra__" in hints else ()
        below = field.annotation if field else extra
    else:  # a list or a dictionary: of its members; any other has none
        below = get_args(kind)[-1:] if get_origin(kind) is dict else get_args(kind)[:1]
    return _apart(below[0] if isinstance(below, tuple) and below else below)


def _apart(kind: Any) -> list[Any]:
    """Take a type apart that is a union or has an annotation."""
    if get_origin(kind) in (Union, UnionType, Annotated):
        members = get_args(kind)[:1] if get_origin(kind) is Annotated else get_args(kind)
        return [each for member in members for each in _apart(member)]
    return [kind]
