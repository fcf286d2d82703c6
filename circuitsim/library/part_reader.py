"""From part files to parts, every value checked."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from circuitsim.elements import Element, element_kinds
from circuitsim.errors import CircuitFileError, InputError, UnknownNameError, shown
from circuitsim.library.bounds import check_spread
from circuitsim.library.mistakes import Mistakes
from circuitsim.library.parts import Part
from circuitsim.library.shelf import part_files
from circuitsim.library.texts import read_document
from circuitsim.quantities import Tolerance, parse_tolerance, parse_with_tolerance

if TYPE_CHECKING:
    from circuitsim.library.lines import KeyPath
    from circuitsim.library.shapes import PartShape, ValueShape

__all__ = ["ORIGINS", "read_all", "read_parts"]

ORIGINS = ("published: ", "common practice, no source", "assumed", "from memory")
"""What the origin of a part's value must begin with."""


def read_all() -> dict[str, Part]:
    """Read all part files of the library; raises as `circuitsim.library.parts.parts` does."""
    from circuitsim.library.shapes import PartFileShape, read_shape  # pydantic loads only when a file is read

    found: dict[str, Part] = {}
    for path in part_files():
        document = read_document(path)
        mistakes = Mistakes(document)
        found.update(read_parts(read_shape(PartFileShape, document).part, mistakes, found))
        mistakes.raise_first()
    return found


def read_parts(shapes: Mapping[str, PartShape], mistakes: Mistakes, known: Mapping[str, Part]) -> dict[str, Part]:
    """Read the parts of one file; a mistake is noted, and its part left out."""
    found = {}
    for name, shape in shapes.items():
        path: KeyPath = ("part", name)
        if name in known:
            mistakes.add(CircuitFileError(f"duplicate part {shown(name)}: it stands in {known[name].file}"), path)
        elif shape.kind not in element_kinds():
            mistakes.add(UnknownNameError("kind of element", shape.kind, element_kinds()), (*path, "kind"))
        else:
            found[name] = _read_part(name, shape, mistakes)
    return found


def _read_part(name: str, shape: PartShape, mistakes: Mistakes) -> Part:
    kind = element_kinds()[shape.kind]
    given = shape.__pydantic_extra__
    numbers: dict[str, float] = {}
    spreads: dict[str, Tolerance] = {}
    for key, value in given.items():
        try:
            _read_value(kind, key, value, numbers, spreads)
        except InputError as error:
            mistakes.add(error, ("part", name, key), f"{name}.{key}")
    return Part(
        name,
        shape.kind,
        shape.title,
        values={k: v.value for k, v in given.items() if v.value is not None},
        tolerances={k: v.tolerance for k, v in given.items() if v.tolerance is not None},
        sources={k: v.origin for k, v in given.items()},
        file=mistakes.document.file,
        numbers=numbers,
        spreads=spreads,
    )


def _read_value(
    kind: type[Element], key: str, value: ValueShape, numbers: dict[str, float], spreads: dict[str, Tolerance]
) -> None:
    parameter = kind.parameter(key)
    if not value.origin.startswith(ORIGINS):
        raise CircuitFileError(f"'from' must begin with one of: {'; '.join(ORIGINS)}; found {shown(value.origin, 60)}")
    if (value.value is None) == (value.tolerance is None):
        raise CircuitFileError("needs either 'value' or 'tolerance', and not both")
    if value.value is not None:
        numbers[key], spread = parse_with_tolerance(value.value, parameter.unit)
        if not parameter.low <= numbers[key] <= parameter.high:
            raise CircuitFileError(f"{shown(value.value)} is out of range for {key} of a {kind.kind}")
    else:
        spread = parse_tolerance(str(value.tolerance), parameter.unit)
        if not spread.relative:
            raise CircuitFileError("a tolerance for whatever value is given must be a share of it, such as '±10 %'")
    check_spread(parameter, numbers.get(key), spread, value.value or value.tolerance)
    if spread is not None:
        spreads[key] = spread
