"""Parts: typical values of bought things, each with its tolerance and where it comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from circuitsim.quantities import Tolerance

__all__ = ["Part", "part_names", "parts"]


@dataclass(frozen=True)
class Part:
    """A part.

    kind: of element; values: parameter → text with unit and tolerance; tolerances: parameter → tolerance that holds for
    whatever value a circuit gives; sources: parameter → where value or tolerance comes from; file: where it stands.
    numbers and spreads are the same in SI.
    """

    name: str
    kind: str
    title: str
    values: Mapping[str, str]
    tolerances: Mapping[str, str]
    sources: Mapping[str, str]
    file: str
    numbers: Mapping[str, float] = field(default_factory=dict, repr=False)
    spreads: Mapping[str, Tolerance] = field(default_factory=dict, repr=False)


@lru_cache(maxsize=1)
def parts() -> Mapping[str, Part]:
    """Give all parts of the library by name.

    Raises CircuitFileError, QuantityError or UnknownNameError, with file and line, for a mistake in a part file.
    """
    from circuitsim.library.stored import stored_parts

    return stored_parts(_read_all)


def _read_all() -> dict[str, Part]:
    from circuitsim.library.part_reader import read_all  # what parses and checks loads only when a file is read

    return read_all()


def part_names() -> tuple[str, ...]:
    """List the parts of the library in alphabetical order."""
    return tuple(sorted(parts()))
