"""Circuit files made from a template, and a circuit read from text in place of a file."""

from __future__ import annotations

from typing import Any

from circuitsim.library.circuit import Circuit
from circuitsim.library.shelf import models_folder

__all__ = ["circuit_from_text", "filled_template"]


def filled_template(name: str, values: dict[str, Any]) -> str:
    """Fill a template of ``models/drafts`` (jinja2); a name in it that has no value is an error, never an empty place."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined  # loads only where a file is drafted

    loader = FileSystemLoader(str(models_folder() / "drafts"), encoding="utf-8")
    environment = Environment(
        loader=loader, trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True, undefined=StrictUndefined,
        autoescape=False,
    )  # fmt: skip
    return environment.get_template(f"{name}.j2").render(values)


def circuit_from_text(text: str, file: str = "") -> Circuit:
    """Read a circuit from the text of a circuit file; errors are those of `circuitsim.library.load`, and name `file`."""
    from circuitsim.library.building import build
    from circuitsim.library.mistakes import Mistakes
    from circuitsim.library.shapes import CircuitShape, read_shape  # pydantic loads only when a circuit is read
    from circuitsim.library.texts import parse_text

    document = parse_text(text, file)
    return build(read_shape(CircuitShape, document), Mistakes(document), {})
