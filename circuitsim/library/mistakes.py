"""Collects the mistakes in a file, so that the first one in file order is told, and how many more there are."""

from __future__ import annotations

from typing import Any

from circuitsim.errors import InputError, shown, with_place
from circuitsim.library.lines import KeyPath
from circuitsim.library.texts import Document

__all__ = ["Mistakes", "called"]

_LAST = 10**9
_NAMED_BY = ("name", "label")


class Mistakes:
    """The mistakes found in one document so far."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self._found: list[InputError] = []
        self._untold = 0

    def __len__(self) -> int:
        """Number of mistakes so far."""
        return len(self._found) + self._untold

    def add(self, error: InputError, path: KeyPath, key: str | None = None) -> None:
        """Note a mistake at a key path; `key` is how a reader calls that place (made from the path unless given)."""
        place = key if key is not None else called(path, self.document.data)
        self._found.append(with_place(error, file=self.document.file, line=self.document.line(path), key=place or None))

    def add_untold(self, count: int) -> None:
        """Note that there are so many more mistakes, of which nothing will be told."""
        self._untold += count

    def raise_first(self) -> None:
        """Raise the mistake that stands first in the file, if there is any."""
        if not self._found:
            return
        first = min(self._found, key=lambda e: _LAST if e.line is None else e.line)
        more = len(self) - 1
        if more:
            first.args = (f"{first.message} (and {more} more mistake{'s' if more > 1 else ''} in this file)",)
        raise first


def called(path: KeyPath, data: Any) -> str:
    """Say a key path as a reader would: an entry of a list by its name or label, such as ``run 'low side'.to``."""
    parts: list[str] = []
    for part in path:
        data = _inside(data, part)
        if isinstance(part, str):
            parts.append(part)
            continue
        name = next((data[key] for key in _NAMED_BY if isinstance(data, dict) and isinstance(data.get(key), str)), None)
        last = parts.pop() if parts else ""
        parts.append(f"{last} {shown(name) if name is not None else part + 1}")
    return ".".join(parts)


def _inside(data: Any, part: int | str) -> Any:
    if isinstance(data, dict):
        return data.get(part)
    return data[part] if isinstance(data, list) and isinstance(part, int) and part < len(data) else None
