"""Colour letters of wires after IEC 60757."""

from __future__ import annotations

from circuitsim.errors import UnknownNameError

__all__ = ["COLOURS", "check_colour", "colour_name"]

COLOURS = {
    "BK": "black", "BN": "brown", "RD": "red", "OG": "orange", "YE": "yellow", "GN": "green", "BU": "blue",
    "VT": "violet", "GY": "grey", "WH": "white", "PK": "pink", "GD": "gold", "TQ": "turquoise", "SR": "silver",
    "GNYE": "green-and-yellow",
}  # fmt: skip
"""The letters and what they mean (IEC 60757)."""


def check_colour(text: str) -> None:
    """Raise UnknownNameError unless `text` is the letters of one colour, or of two joined (RDBU); '' is no colour."""
    if text and text not in COLOURS and (len(text) != 4 or not {text[:2], text[2:]} <= COLOURS.keys()):
        raise UnknownNameError("colour (IEC 60757, two of them joined for two colours)", text, COLOURS)


def colour_name(text: str) -> str:
    """Say a colour in words: 'red with blue' for RDBU; '' for none. Raises as `check_colour` does."""
    check_colour(text)
    if not text or text in COLOURS:
        return COLOURS.get(text, "")
    return f"{COLOURS[text[:2]]} with {COLOURS[text[2:]]}"
