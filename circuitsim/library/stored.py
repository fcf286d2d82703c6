"""Circuits and parts that were read and found right before, out of the cache: no parsing, no checks.

The key is the content of every file that has a say: the circuit's and all parts', the modules that read and check them,
and the options. What was refused is never kept, so a mistake is told each time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from circuitsim.cache import fetch, fingerprint, store
from circuitsim.elements import element_kinds
from circuitsim.library.shelf import part_files

if TYPE_CHECKING:
    from circuitsim.library.circuit import Circuit
    from circuitsim.library.parts import Part

__all__ = ["stored_circuit", "stored_parts"]

_MAKERS = ("library", "elements", "quantities", "network.py", "errors.py")
_LARGEST = 500_000  # bytes; a larger file is refused by the reader, with a reason


def stored_circuit(path: Path, options: Mapping[str, Any], build: Callable[[], Circuit]) -> Circuit:
    """Give the circuit of a file with options: out of the cache where it is there, else built and kept.

    Raises what `build` raises.
    """
    key = _key([path], options)
    if key is None:
        return build()
    from circuitsim.library.plain import circuit_of_text, text_of_circuit

    built: list[Circuit] = []

    def write() -> str:
        built.append(build())
        if _key([path], options) != key:  # saved anew between the two readings
            raise _Changed
        return text_of_circuit(built[0])

    try:
        text = fetch("circuit", key, write)
    except _Changed:
        return built[0]
    return built[0] if built else circuit_of_text(text)


def stored_parts(build: Callable[[], dict[str, Part]]) -> dict[str, Part]:
    """Give all parts of the library: out of the cache where they are there, else read and kept."""
    key = _key([], {})
    if key is None:
        return build()
    from circuitsim.library.plain import parts_of_text, text_of_parts

    built: list[dict[str, Part]] = []

    def write() -> str:
        built.append(build())
        if _key([], {}) != key:
            raise _Changed
        return text_of_parts(built[0])

    try:
        text = fetch("parts", key, write)
    except _Changed:
        return built[0]
    return built[0] if built else parts_of_text(text)


class _Changed(Exception):  # noqa: N818 - no error: what was read is right, but not what the key says
    """A file was saved while it was read: nothing is kept."""


def _key(files: list[Path], options: Mapping[str, Any]) -> list[str | bytes] | None:
    """Give all that it is made from; None where that can't be told, or there is no cache."""
    if store() is None or not all(isinstance(v, str | int | float) for v in options.values()):
        return None
    # A kind that somebody else's code has added or replaced may mean anything.
    if not all(kind.__module__.startswith("circuitsim.elements.") for kind in element_kinds().values()):
        return None
    key: list[str | bytes] = [fingerprint(*_MAKERS), *(f"{name}={value!r}" for name, value in options.items())]
    try:
        for path in (*files, *part_files()):
            if not path.is_file() or path.stat().st_size > _LARGEST:
                return None
            key += [str(path), path.read_bytes()]
    except (OSError, ValueError):
        return None  # the reader will say why
    return key
