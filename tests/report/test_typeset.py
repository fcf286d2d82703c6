"""Text on a grid: widths, breaking, cleaning."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from circuitsim.report.typeset import Span, cells, clean, line, pad, plain, wrap

# Widths of characters: Unicode Standard Annex 11 (East Asian Width), classes W and F are two cells wide, A one outside
# East Asia; nonspacing marks take none.
WIDTHS = [("", 0), ("MOT-", 4), ("12.59 V", 7), ("Ω…±→", 4), ("電圧", 4), ("é", 1), ("e\u0301", 1), ("ＡＢ", 4)]


@pytest.mark.parametrize(("text", "width"), WIDTHS)
def test_cells_follow_the_east_asian_width(text: str, width: int) -> None:
    assert cells(text) == width


@pytest.mark.parametrize(
    ("text", "width", "align", "padded"),
    [("ab", 4, "<", "ab  "), ("ab", 4, ">", "  ab"), ("電", 4, ">", "  電"), ("abc", 2, "<", "abc")],
)  # fmt: skip
def test_pad(text: str, width: int, align: str, padded: str) -> None:
    assert pad(text, width, align) == padded


@pytest.mark.parametrize(
    ("text", "width", "indent", "lines"),
    [
        ("", 10, "", []),
        ("", None, "", []),
        ("one two three", None, "", ["one two three"]),
        ("one two three", 7, "", ["one two", "three"]),
        ("one two three", 7, "  ", ["one two", "  three"]),
        ("one two", 7, "", ["one two"]),
        ("X4.A/harness", 5, "", ["X4.A/", "harne", "ss"]),
        ("to X4.A/harness", 6, "  ", ["to", "  X4.A", "  /har", "  ness"]),
        ("3\u00a0mΩ or more", 6, "", ["3\u00a0mΩ", "or", "more"]),
        ("電圧電圧", 5, "", ["電圧", "電圧"]),
    ],
)
def test_wrap(text: str, width: int | None, indent: str, lines: list[str]) -> None:
    assert wrap(text, width, indent) == lines


WORDS = st.text(st.sampled_from("ab. 電Ω/"), max_size=60).map(lambda text: " ".join(text.split()))


@given(WORDS, st.integers(4, 30), st.sampled_from(["", "  "]))
def test_wrapping_keeps_the_width_and_every_character(text: str, width: int, indent: str) -> None:
    lines = wrap(text, width, indent)
    assert all(cells(piece) <= width for piece in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(piece.strip() for piece in lines)


def test_clean_text_can_neither_break_a_line_nor_steer_a_terminal() -> None:
    assert clean("a\n b\t c") == "a b c"
    assert clean("\x1b[31mred") == "\\x1b[31mred"
    assert clean("\u202eback\udcff").isprintable()


def test_plain_lines_have_no_spaces_at_their_ends() -> None:
    assert plain([(Span("a"), Span("  ")), (), line("b", "label")]) == "a\n\nb\n"
