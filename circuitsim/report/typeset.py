"""Lines of text with roles, and how wide text is on a screen: what every layout here is made of.

A layout gives lines; `plain` turns them into text, and the command line's terminal colours them by role. Everything
that comes from a model passes through `clean`, so that no name or title can break a line or steer a terminal.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

from circuitsim.errors import one_line

__all__ = ["ROLES", "Line", "Span", "cells", "clean", "line", "pad", "plain", "wrap"]

ROLES = ("", "title", "heading", "step", "label", "shown", "band", "faint", "rule", "verdict", "caution")
"""What a piece of text is; `shown` is what an instrument shows, and plain text has the empty role."""


@dataclass(frozen=True)
class Span:
    """A piece of a line and its role."""

    text: str
    role: str = ""


Line = tuple[Span, ...]


def line(text: str = "", role: str = "") -> Line:
    """Give a line of one piece; an empty text gives an empty line."""
    return (Span(text, role),) if text else ()


def plain(lines: Iterable[Line]) -> str:
    """Give the text of lines, each ended, with no spaces at their ends."""
    return "".join("".join(span.text for span in spans).rstrip() + "\n" for spans in lines)


def clean(text: str) -> str:
    """Give text on one line with single spaces, and whatever would not print escaped."""
    return one_line(" ".join(text.split()), 2000)


def cells(text: str) -> int:
    """Give the width of text on a screen: 2 for a wide East Asian character, 0 for a combining mark, else 1."""
    if text.isascii():
        return len(text)
    return sum(_width(c) for c in text)


def _width(character: str) -> int:
    if unicodedata.combining(character) or unicodedata.category(character) in ("Mn", "Me"):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def pad(text: str, width: int, align: str = "<") -> str:
    """Fill text with spaces to a width on the screen; `align` is ``<`` or ``>``. Text that is wider stays as it is."""
    space = " " * max(0, width - cells(text))
    return space + text if align == ">" else text + space


def wrap(text: str, width: int | None, indent: str = "") -> list[str]:
    """Break text at spaces so that no line is wider than `width`; a word that is wider is cut where it must be.

    Parameters
    ----------
    text
        One paragraph, single spaces in it; gives no lines when empty. A no-break space is no place to break.
    width
        At least 1, indent included; None breaks nothing.
    indent
        Stands before every line after the first.
    """
    if width is None:
        return [text] if text else []
    lines: list[str] = []
    current = ""
    for word in text.split(" "):
        joined = f"{current} {word}" if current.strip() else current + word
        if cells(joined) <= width:
            current = joined
            continue
        if current.strip():
            lines.append(current)
            current = indent
        while cells(current + word) > width:
            head = _fitting(word, width - cells(current))
            lines.append(current + head)
            word, current = word[len(head) :], indent
        current += word
    return [*lines, current] if current.strip() else lines


def _fitting(word: str, width: int) -> str:
    """Give the longest beginning of a word within a width, but at least one character."""
    taken = 1
    while taken < len(word) and cells(word[: taken + 1]) <= width:
        taken += 1
    return word[:taken]
