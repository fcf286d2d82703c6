"""Circuits and parts: read from TOML files, checked, and found by name."""

from __future__ import annotations

from circuitsim.library.circuit import Circuit
from circuitsim.library.loading import load, schema
from circuitsim.library.parts import Part, part_names, parts
from circuitsim.library.shelf import circuit_names

__all__ = ["Circuit", "Part", "circuit_names", "load", "part_names", "parts", "schema"]
