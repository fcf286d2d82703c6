"""From a file to its TOML data and the line of each key; whatever is no such file gets one clear line."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from circuitsim.errors import CircuitFileError, shown
from circuitsim.library.lines import KeyPath, Places, locate

__all__ = ["Document", "parse_text", "read_document"]

_LARGEST = 500_000  # bytes; the largest circuit a person writes is a tenth of that
_LONGEST_LINE = 4000
_WHERE = re.compile(r" ?\(at (?:line (\d+), column (\d+)|end of document)\)$")

_TABLE = re.compile(r"\('[^)]*\)")
_REMEDY = 'circuit files are TOML: lines such as length = "2 m" under tables such as [element.M1]'
_REMEDIES = {
    "doesn't end": "close the quotes on the line on which they open",
    "expected '='": "a line is key = value, a [table] or a # comment",
    "after a statement": 'one key a line; text and quantities stand in quotes, such as "2 m"',
    "invalid value": 'text and quantities stand in quotes, such as "2 m"',
    "unclosed": "a bracket opened before this is not closed, or a comma is missing",
    "unterminated": "a quote opened before this is not closed",
    "given before": "give each key once in its table",
    "twice": "give each table once; [[run]] and [[reading]] in double brackets may repeat",
}
"""Word of the parser's message → what to do about it."""


@dataclass(frozen=True)
class Document:
    """The data of a TOML file, its name, and where each key stands."""

    file: str
    data: dict[str, Any]
    places: Places

    def line(self, path: KeyPath) -> int | None:
        """Give the line of a key, or of the nearest table around it."""
        return self.places.line(path)


def read_document(path: Path) -> Document:
    """Read a file.

    Raises CircuitFileError, with the line where there is one: no such file, no plain file, not readable, larger than
    500 kB, empty, not UTF-8, no TOML, nested absurdly deep.
    """
    file = str(path)
    return parse_text(_decoded(_bytes(path, file), file), file)


def _bytes(path: Path, file: str) -> bytes:
    if "\0" in file:
        raise CircuitFileError("a file name with a null character in it", file=file)
    try:
        if path.is_dir():
            raise CircuitFileError("is a directory; a circuit is one TOML file in it", file=file)
        if path.exists() and not path.is_file():
            raise CircuitFileError("is no plain file", file=file)
        with path.open("rb") as stream:
            raw = stream.read(_LARGEST + 1)
    except OSError as error:
        raise CircuitFileError(f"can't be read: {(error.strerror or str(error)).lower()}", file=file) from None
    if len(raw) > _LARGEST:
        raise CircuitFileError(f"is larger than {_LARGEST // 1000} kB; no circuit or part file is", file=file)
    return raw


def _decoded(raw: bytes, file: str) -> str:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{raw[error.start]:02x}"
        raise CircuitFileError(f"is not UTF-8 text: {found} found; save it as UTF-8", file=file, line=line) from None
    return text.replace("\r\n", "\n")


def parse_text(text: str, file: str) -> Document:
    """Parse TOML text; raises as `read_document` does."""
    if not text.strip():
        raise CircuitFileError("is empty", file=file)
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > _LONGEST_LINE:
            raise CircuitFileError(
                f"a line of {len(line)} characters; at most {_LONGEST_LINE} are accepted", file=file, line=number
            )
    places = locate(text, file)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _no_toml(str(error), text, file) from None
    except (ValueError, RecursionError) as error:
        raise CircuitFileError(f"is no TOML file: {type(error).__name__}, {error}", file=file) from None
    if places.stopped is not None:  # what is not followed may nest without end
        raise CircuitFileError("is TOML that can't be followed from here on", file=file, line=places.stopped)
    return Document(file, data, places)


def _no_toml(message: str, text: str, file: str) -> CircuitFileError:
    """Move the line out of the parser's message, and show what stands there."""
    found = _WHERE.search(message)
    lines = text.split("\n")
    at, column = (int(found[1]), int(found[2])) if found and found[1] else (len(lines), len(lines[-1]) + 1)
    what = _WHERE.sub("", message)
    what = _TABLE.sub(lambda m: m[0].strip("(),").replace("', '", ".").replace("'", ""), what[:1].lower() + what[1:])
    what = what.replace("cannot overwrite a value", "this key was given before")
    what = what.replace("illegal character '\\n'", "text in quotes doesn't end on its line")
    near = lines[at - 1][max(column - 1, 0) :].strip() if at <= len(lines) else ""
    place = f"column {column}" + (f", before {shown(near, 30)}" if near else ", at the end of the line")
    hint = next((told for word, told in _REMEDIES.items() if word in what), _REMEDY)
    return CircuitFileError(f"is no TOML: {what} ({place}); {hint}", file=file, line=at)
