"""Collects the mistakes in a file, so that the first one in file order is told, and how many more there are."""

from __future__ import annotations

from circuitsim.errors import InputError, with_place
from circuitsim.library.lines import KeyPath
from circuitsim.library.texts import Document

__all__ = ["Mistakes"]

_LAST = 10**9


class Mistakes:
    """The mistakes found in one document so far."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self._found: list[InputError] = []

    def add(self, error: InputError, path: KeyPath, key: str | None = None) -> None:
        """Note a mistake at a key path; `key` is how a reader calls that place (the dotted path unless given)."""
        place = key if key is not None else ".".join(str(part) for part in path)
        self._found.append(
            with_place(error, file=self.document.file, line=self.document.line(path), key=place or None)
        )

    def raise_first(self) -> None:
        """Raise the mistake that stands first in the file, if there is any."""
        if not self._found:
            return
        first = min(self._found, key=lambda e: _LAST if e.line is None else e.line)
        more = len(self._found) - 1
        if more:
            first.args = (f"{first.message} (and {more} more mistake{'s' if more > 1 else ''} in this file)",)
        raise first
