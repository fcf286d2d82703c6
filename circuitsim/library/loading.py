"""`load`: a circuit by its name or from a file."""

from __future__ import annotations

from os import PathLike
from pathlib import Path
from typing import Any

from circuitsim.library.circuit import Circuit
from circuitsim.library.shelf import circuit_file
from circuitsim.library.stored import stored_circuit

__all__ = ["load", "schema"]


def load(circuit: str | PathLike[str], /, **options: Any) -> Circuit:
    """Read a circuit.

    Parameters
    ----------
    circuit
        A name out of `circuit_names`, or a file: text with a path separator in it or ending in .toml, or a path object.
        By place only, so that an option may have any name.
    **options
        Of a generic circuit: text with a unit ("24 V") or SI numbers; `steps`, a whole number from 1 to 9. The current
        may not be above the fuse's rating.

    Raises
    ------
    UnknownNameError
        No circuit of that name, or no such option.
    QuantityError, InputError
        A value of an option; its key is the option's name.
    CircuitFileError, QuantityError, NetworkError, UnknownNameError
        The first mistake in the file, with file, line and key, and how many more there are.

    Examples
    --------
    >>> load("tractor-cab-fan").steps
    ('off', '1', '2', '3', '4')
    """
    path = circuit_file(circuit)
    return stored_circuit(path, options, lambda: _read(path, options))


def _read(path: Path, options: dict[str, Any]) -> Circuit:
    """Read, check and build: what a circuit out of the cache has behind it."""
    from circuitsim.library.building import build
    from circuitsim.library.mistakes import Mistakes
    from circuitsim.library.shapes import CircuitShape, read_shape  # pydantic loads only when a file is read
    from circuitsim.library.texts import read_document

    document = read_document(path)
    return build(read_shape(CircuitShape, document), Mistakes(document), options)


def schema() -> dict[str, Any]:
    """Give the JSON schema of circuit files, for editors (a new dictionary each time)."""
    from circuitsim.library.shapes import CircuitShape

    found = CircuitShape.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **found, "title": "circuit file"}
