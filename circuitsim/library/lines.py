"""Where each key of a TOML text stands, and a guard against texts that no person wrote.

The parser of the standard library tells no lines. This scanner walks the same grammar and only notes, for each key path
such as ``("run", 0, "along", 2, "fuse")``, the line on which it stands. It stops quietly where the text is no TOML
(the parser then says so), and refuses nesting that would take the parser seconds or its whole stack.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Iterable

from circuitsim.errors import CircuitFileError

__all__ = ["KeyPath", "Places", "locate"]

KeyPath = tuple[str | int, ...]

_DEEPEST = 12
_BLANK = re.compile(r"(?:[ \t]|#[^\n]*)*")
_BLANK_LINES = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}\n#]+")
_STRINGS = (
    re.compile(r'"""(?:[^"\\]|\\[\s\S]|"(?!""))*"{3,5}'),
    re.compile(r"'''(?:[^']|'(?!''))*'{3,5}"),
    re.compile(r'"(?:[^"\\\n]|\\.)*"'),
    re.compile(r"'[^'\n]*'"),
)


class Places:
    """The lines of a TOML text by key path; `stopped` is the line at which the text is no TOML, None when it all is."""

    def __init__(self, lines: dict[KeyPath, int], stopped: int | None = None) -> None:
        self._lines, self.stopped = lines, stopped

    def line(self, path: Iterable[str | int]) -> int | None:
        """Give the line of a key, or of the nearest table around it; None when not even that is known."""
        key = tuple(path)
        while key and key not in self._lines:
            key = key[:-1]
        return self._lines.get(key)


class _NoTomlError(Exception):
    """The text is no TOML from here on."""


def locate(text: str, file: str | None = None) -> Places:
    """Find the line of every key.

    Raises CircuitFileError, with the line, for tables or arrays nested more than twelve deep.
    """
    scanner = _Scanner(text, file)
    try:
        scanner.document()
    except _NoTomlError:
        return Places(scanner.lines, scanner.line())
    return Places(scanner.lines)


class _Scanner:
    def __init__(self, text: str, file: str | None) -> None:
        self.text, self.file, self.at = text, file, 0
        self.lines: dict[KeyPath, int] = {}
        self.breaks = [m.start() for m in re.finditer("\n", text)]
        self.counts: dict[KeyPath, int] = {}  # tables so far in each array of tables

    def document(self) -> None:
        base: KeyPath = ()
        while True:
            self.skip(_BLANK_LINES)
            if self.at >= len(self.text):
                return
            if self.text[self.at] == "[":
                base = self.header()
            else:
                self.pair(base)

    def header(self) -> KeyPath:
        line, many = self.line(), self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        path: KeyPath = ()
        *parents, last = self.key()
        for part in parents:
            path = self.inside((*path, part))
        path = (*path, last)
        self.take("]]" if many else "]")
        if many:
            self.counts[path] = self.counts.get(path, -1) + 1
            self.lines.setdefault(path, line)
            path = (*path, self.counts[path])
        self.note(path, line)
        return path

    def inside(self, path: KeyPath) -> KeyPath:
        """Give the table that a header's part leads into: the newest one of an array of tables."""
        return (*path, self.counts[path]) if path in self.counts else path

    def pair(self, base: KeyPath) -> None:
        line = self.line()
        path = (*base, *self.key())
        self.note(path, line)
        self.take("=")
        self.value(path)

    def note(self, path: KeyPath, line: int) -> None:
        if len(path) > _DEEPEST:
            raise self.too_deep(line)
        for k in range(1, len(path) + 1):
            self.lines.setdefault(path[:k], line)

    def key(self) -> list[str]:
        parts = [self.name()]
        while self.skip(_BLANK) == ".":
            self.at += 1
            parts.append(self.name())
            if len(parts) > _DEEPEST:
                raise self.too_deep(self.line())
        return parts

    def name(self) -> str:
        self.skip(_BLANK)
        bare = _BARE.match(self.text, self.at)
        found = bare or next((m for s in _STRINGS[2:] if (m := s.match(self.text, self.at))), None)
        if found is None:
            raise _NoTomlError
        self.at = found.end()
        if bare:
            return found.group()
        try:
            return str(tomllib.loads(f"k = {found.group()}")["k"])
        except tomllib.TOMLDecodeError:
            raise _NoTomlError from None

    def value(self, path: KeyPath) -> None:
        sign = self.skip(_BLANK)
        if sign == "[":
            self.array(path)
        elif sign == "{":
            self.table(path)
        else:
            found = next((m for s in (*_STRINGS, _SCALAR) if (m := s.match(self.text, self.at))), None)
            if found is None:
                raise _NoTomlError
            self.at = found.end()

    def array(self, path: KeyPath) -> None:
        self.at += 1
        number = 0
        while self.skip(_BLANK_LINES) != "]":
            self.note((*path, number), self.line())
            self.value((*path, number))
            number += 1
            if self.skip(_BLANK_LINES) != ",":
                break
            self.at += 1
        self.take("]")

    def table(self, path: KeyPath) -> None:
        self.at += 1
        while self.skip(_BLANK_LINES) != "}":
            self.pair(path)
            if self.skip(_BLANK_LINES) != ",":
                break
            self.at += 1
        self.take("}")

    def skip(self, blank: re.Pattern[str]) -> str:
        """Pass over blanks and comments; give the character that follows."""
        found = blank.match(self.text, self.at)
        if found:
            self.at = found.end()
        return self.text[self.at : self.at + 1]

    def too_deep(self, line: int) -> CircuitFileError:
        return CircuitFileError(f"tables nested more than {_DEEPEST} deep", file=self.file, line=line)

    def take(self, sign: str) -> None:
        self.skip(_BLANK)
        if not self.text.startswith(sign, self.at):
            raise _NoTomlError
        self.at += len(sign)

    def line(self) -> int:
        return bisect_right(self.breaks, self.at - 1) + 1
