"""Option values that are one of a few words, and pairs of a name and a value."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import click

from circuitsim.errors import InputError, UnknownNameError, shown

__all__ = ["Width", "Words", "read_pairs"]


class Words(click.Choice[str]):
    """One of a few words, in any case; another word is refused with the nearest one."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Give the word; UnknownNameError when it is none of them."""
        words = [str(word) for word in self.choices]
        found = str(value).lower()
        if found not in words:
            option = param.opts[-1] if param else "value"
            raise UnknownNameError(f"{option} value", str(value), words)
        return found


class Width(click.IntRange):
    """Characters in a line, as a whole number from 30 to 1000."""

    def __init__(self) -> None:
        super().__init__(30, 1000)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Give the number; InputError when it is none, or none that a line can have."""
        try:
            return int(super().convert(value, param, ctx))
        except click.BadParameter:
            text = f"{shown(str(value))} found; accepted: a whole number from {self.min} to {self.max}"
            raise InputError(text, key=param.opts[0] if param else None) from None


def read_pairs(texts: Iterable[str], option: str) -> dict[str, str]:
    """Read ``NAME=VALUE`` texts; InputError, naming `option`, for another form or a name given twice."""
    found: dict[str, str] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals or not name.strip() or not value.strip():
            raise InputError(f"{shown(text)} is not OPTION=VALUE, such as nominal=24V", key=option)
        if name.strip() in found:
            raise InputError(f"{shown(name.strip())} is given twice", key=option)
        found[name.strip()] = value.strip()
    return found
