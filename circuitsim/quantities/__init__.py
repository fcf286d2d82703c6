"""Quantities as people write them, ``"4 mΩ"``, and as the package computes with them, ``0.004``.

This is the only place where units are strings. Inside the package every number is a float in coherent SI
units, and a temperature is in °C. `units` knows the symbols and how they combine, `reading` turns text into
numbers, `writing` numbers into text, and `tolerances` does both for what follows a ±.
"""

from circuitsim.quantities.reading import Quantity, parse
from circuitsim.quantities.tolerances import Tolerance, parse_tolerance, parse_with_tolerance
from circuitsim.quantities.units import UNITS, describe
from circuitsim.quantities.writing import column_unit, convert, format_number, format_quantity

__all__ = [
    "UNITS",
    "Quantity",
    "Tolerance",
    "column_unit",
    "convert",
    "describe",
    "format_number",
    "format_quantity",
    "parse",
    "parse_tolerance",
    "parse_with_tolerance",
]
