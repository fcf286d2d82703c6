"""Circuits and parts: read from TOML files, checked, and found by name.

A circuit file reads like the harness: each ``[[run]]`` walks a current path from node to node, item by item
(``{ wire = "W1", part = "vehicle-cable", area = "2.5 mm²", length = "1.8 m" }``), and ``[element.NAME]`` stands
between runs by its terminals. A kind word is any of `circuitsim.elements.element_kinds`; a key is a parameter or
terminal of it, or one of part, note, colour, title; a value is text with a unit and perhaps a tolerance, or a table by
step (``{ off = "1 MΩ", 1 = "2 kΩ" }``). A state (a switch's ``closed``) is "ignition", "engine", "on", "top", a list
of steps, or 0 or 1. A pin is walked from harness to part unless it says ``walked = "part to harness"``.

A value given in a circuit replaces its part's and keeps its part's tolerance where that is a share or a factor (as it
stays true of any value); ``"50 mΩ ±5 %"`` brings its own, ``"50 mΩ ±0 %"`` has none. An element's ``details`` say
which: ``tolerance`` is "from part: resistance" then. A tolerance may not reach zero where the value must be above it.

A part file holds ``[part.NAME]`` tables: kind, title, and for each parameter a value or a tolerance with its origin.
All tables and keys are declared in `circuitsim.library.shapes`; `schema` gives them to editors.
"""

from __future__ import annotations

from circuitsim.library.circuit import Circuit
from circuitsim.library.loading import load, schema
from circuitsim.library.parts import Part, part_names, parts
from circuitsim.library.shelf import circuit_names

__all__ = ["Circuit", "Part", "circuit_names", "load", "part_names", "parts", "schema"]
