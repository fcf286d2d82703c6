"""Colour letters of wires: IEC 60757."""

from __future__ import annotations

import pytest

from circuitsim.errors import UnknownNameError
from circuitsim.library.colours import COLOURS, check_colour, colour_name


def test_the_letters_are_the_standards() -> None:
    # IEC 60757 as printed in GOST 28763-90 (identical to IEC 757-83).
    printed = "BK black, BN brown, RD red, OG orange, YE yellow, GN green, BU blue, VT violet, GY grey, WH white, "
    printed += "PK pink, GD gold, TQ turquoise, SR silver, GNYE green-and-yellow"
    assert dict(pair.split(" ") for pair in printed.split(", ")) == COLOURS


@pytest.mark.parametrize(("text", "words"), [("RD", "red"), ("RDBU", "red with blue"), ("GNYE", "green-and-yellow"), ("", "")])
def test_a_colour_in_words(text: str, words: str) -> None:
    assert colour_name(text) == words


@pytest.mark.parametrize("text", ["rd", "R", "RDB", "RDXX", "RD BU", "RDBUGN", "red", " RD"])
def test_what_is_no_colour(text: str) -> None:
    with pytest.raises(UnknownNameError, match="IEC 60757"):
        check_colour(text)
