"""A circuit file with some of its numbers changed: put in where they are used, all else left as it was, comments too.

A file with options, or with runs that are repeated for each step, has no place for one number of its own: there an option
multiplies what is written. Such a circuit, and one that is of no file any more, is written anew with everything resolved.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from circuitsim.elements import element_kinds
from circuitsim.elements.base import Element, Parameter
from circuitsim.errors import InputError
from circuitsim.library.building import build
from circuitsim.library.circuit import Circuit
from circuitsim.library.drafting import circuit_text
from circuitsim.library.lines import _BLANK, KeyPath, _Scanner
from circuitsim.library.mistakes import Mistakes
from circuitsim.library.texts import parse_text
from circuitsim.quantities import Tolerance, format_quantity

__all__ = ["Rewritten", "rewritten"]

_DIGITS = 7
_ALIKE = 1e-6  # share by which a number that was read back may differ
_ALIKE_SPREAD = 1e-3  # the same of a tolerance
_KEPT = "Changed numbers stand where they are used, each with its own tolerance; all else is as it was in"
_RESOLVED = "Everything is resolved here: options and values of parts have become plain values."


@dataclass(frozen=True)
class Rewritten:
    """The text of a circuit file; resolved: whether it was written anew, its own comments lost; file: what it was made of."""

    text: str
    resolved: bool
    file: str = ""

    def circuit(self) -> Circuit:
        """Read it back; raises as `load` does where the text is no circuit."""
        return _built(self.text, self.file)


def rewritten(before: Circuit, after: Circuit, *, name: str = "", title: str = "", head: Sequence[str] = ()) -> Rewritten:
    """Write the file of a circuit with the numbers of another that differs in values and tolerances alone.

    Parameters
    ----------
    before
        As it was loaded; its `file` is read again.
    after
        The same with other values and tolerances; what it reads back as is checked, to six digits.
    name, title
        In place of the circuit's own.
    head
        Lines of comment on top.
    """
    text = None if before.options or before.faults or before.file != after.file else _edited(before, after, name, title)
    if text is not None:
        whole = _commented([*head, f"{_KEPT} {Path(before.file).name}."]) + text
        return Rewritten(whole, resolved=False, file=before.file)
    whole = circuit_text(after, name=name, title=title, head=[*head, _RESOLVED])
    return Rewritten(whole, resolved=True, file=after.file)


def _built(text: str, file: str) -> Circuit:
    """Build the circuit of a text; file: to name in complaints."""
    from circuitsim.library.shapes import CircuitShape, read_shape  # pydantic loads only when a file is read

    document = parse_text(text, file)
    return build(read_shape(CircuitShape, document), Mistakes(document), {})


def _commented(lines: Sequence[str]) -> str:
    return "".join(f"# {line}".rstrip() + "\n" for line in lines)


def _edited(before: Circuit, after: Circuit, name: str, title: str) -> str | None:
    """Give the text with every change in its place; None where one has none, or where it would not read back."""
    try:
        text = Path(before.file).read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
        marks = _Marks(text, before.file)
        document = parse_text(text, before.file)
        edits = [marks.put(("name",), name), marks.put(("title",), title)]
        places = dict(_places(document.data))
        for change in _changes(before, after):
            if change.element not in places:
                return None
            edits.append(marks.put((*places[change.element], *change.keys), change.text))
        done = _apply(text, [e for e in edits if e is not None])
        return done if _reads_back(done, before.file, after) else None
    except (OSError, UnicodeDecodeError, _NoPlaceError, InputError):
        return None


def _reads_back(text: str, file: str, wanted: Circuit) -> bool:
    """Whether a text is a circuit with the elements, values and tolerances that are wanted."""
    found = _built(text, file)
    if list(found.net.elements) != list(wanted.net.elements) or found.step_tables.keys() != wanted.step_tables.keys():
        return False
    pairs = zip(found.net.elements.values(), wanted.net.elements.values(), strict=True)
    tables = ((t, wanted.step_tables[key]) for key, t in found.step_tables.items())
    return all(
        a.nodes == b.nodes and a.values.keys() == b.values.keys() and a.tolerances.keys() == b.tolerances.keys()
        and all(_alike(a.values[p], b.values[p]) for p in a.values if (b.name, p) not in wanted.step_tables)
        and all(_alike_spread(t, b.tolerances[p]) for p, t in a.tolerances.items() if (b.name, p) not in wanted.step_tables)
        for a, b in pairs
    ) and all(
        all(map(_alike, a.values, b.values)) and all(map(_alike_spread, a.tolerances, b.tolerances)) for a, b in tables
    )  # fmt: skip


def _alike(a: float, b: float) -> bool:
    return math.isclose(a, b, rel_tol=_ALIKE, abs_tol=1e-30)


def _alike_spread(a: Tolerance | None, b: Tolerance | None) -> bool:
    if a is None or b is None:
        return a is b
    sizes = (a.log_sigma, b.log_sigma) if a.kind == "lognormal" else (a.size, b.size)
    return (a.kind, a.relative) == (b.kind, b.relative) and math.isclose(*sizes, rel_tol=_ALIKE_SPREAD, abs_tol=1e-12)


# What has changed ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Change:
    """A number that has changed: its element, the keys that lead to it in the element's table, its text."""

    element: str
    keys: tuple[str, ...]
    text: str


def _changes(before: Circuit, after: Circuit) -> Iterator[_Change]:
    for e in after.net.elements.values():
        old = before.net.elements.get(e.name)
        if old is None or type(old) is not type(e):
            raise _NoPlaceError(e.name)
        yield from _changes_of(old, e, before, after)


def _changes_of(old: Element, new: Element, before: Circuit, after: Circuit) -> Iterator[_Change]:
    for p in new.parameters:
        key = (new.name, p.name)
        if key in after.step_tables:
            was, now = before.step_tables[key], after.step_tables[key]
            cells = zip(after.steps, was.values, now.values, was.tolerances, now.tolerances, strict=True)
            for step, old_value, value, old_spread, spread in cells:
                if (old_value, old_spread) != (value, spread):
                    yield _Change(new.name, (p.name, step), _number(value, spread, p))
        elif not p.state and (_moved(old, new, p.name) or _follows(old, new, p)):
            yield _Change(new.name, (p.name,), _number(new.values[p.name], new.tolerances.get(p.name), p))


def _moved(old: Element, new: Element, name: str) -> bool:
    return (old.values[name], old.tolerances.get(name)) != (new.values[name], new.tolerances.get(name))


def _follows(old: Element, new: Element, p: Parameter) -> bool:
    """Whether a number that follows from others where the file does not give it would follow those that have changed."""
    if not callable(p.default) or not any(_moved(old, new, q.name) for q in new.parameters):
        return False
    return _alike(p.default(old.values), old.values[p.name]) and not _alike(p.default(new.values), new.values[p.name])


def _number(value: float, tolerance: Tolerance | None, p: Parameter) -> str:
    """Write a value with its tolerance, which goes before that of a part."""
    text = f"{value:.{_DIGITS}g}" if p.unit == "1" else format_quantity(value, p.unit, _DIGITS)
    if tolerance is None:
        return text
    digits = 4 if tolerance.kind != "lognormal" else 6 if tolerance.size > 1.05 else 9  # what counts is beside the 1
    return f"{text} {tolerance.text(None, p.unit, digits)}"


# Where it stands ----------------------------------------------------------------------------------------------------


class _NoPlaceError(Exception):
    """A number has no place of its own in the file."""


@dataclass(frozen=True)
class _Edit:
    """Text in place of what stands between two places of a file."""

    start: int
    end: int
    text: str


def _apply(text: str, edits: Sequence[_Edit]) -> str:
    """Make edits; those at one place in their order."""
    parts, at = [], 0
    for e in sorted(edits, key=lambda e: e.start):
        parts += [text[at : e.start], e.text]
        at = e.end
    return "".join([*parts, text[at:]])


def _places(data: dict[str, object]) -> Iterator[tuple[str, KeyPath]]:
    """List the elements of a file with the path of each; a repeated run makes several of one, and is none."""
    singles, runs = data.get("element", {}), data.get("run", [])
    if isinstance(singles, dict):
        yield from ((str(name), ("element", name)) for name in singles)
    for k, run in enumerate(runs if isinstance(runs, list) else []):
        for j, item in enumerate(run["along"] if "each" not in run else []):
            yield from ((str(item[word]), ("run", k, "along", j)) for word in item if word in element_kinds())


class _Marks(_Scanner):
    """Where each value of a TOML text begins and ends, and where a key can be added to each table."""

    def __init__(self, text: str, file: str) -> None:
        super().__init__(text, file)
        self.spans: dict[KeyPath, tuple[int, int]] = {}
        self.inline: dict[KeyPath, int] = {}
        self.last: dict[KeyPath, int] = {}
        self.document()

    def value(self, path: KeyPath) -> None:
        """Note where a value stands."""
        self.skip(_BLANK)
        start = self.at
        super().value(path)
        self.spans[path] = (start, start + len(self.text[start : self.at].rstrip()))

    def table(self, path: KeyPath) -> None:
        """Note where a key can be added to an inline table: before its closing bracket."""
        super().table(path)
        self.inline[path] = len(self.text[: self.at - 1].rstrip())

    def header(self) -> KeyPath:
        """Note where a key can be added to a table: after its header, until one is met in it."""
        path = super().header()
        self.last[path] = self.at
        return path

    def pair(self, base: KeyPath) -> None:
        """Note where a key can be added to a table: after the last one in it."""
        super().pair(base)
        if base in self.last:
            self.last[base] = self.at

    def put(self, path: KeyPath, text: str) -> _Edit | None:
        """Put a value in the place of the one that is there, or add it to the table that it belongs to; nothing for no text.

        Raises _NoPlaceError where a table stands in its place, or where its table is not there.
        """
        if not text:
            return None
        quoted, (*_, key), table = json.dumps(text, ensure_ascii=False), path, path[:-1]
        if path in self.inline or path in self.last:
            raise _NoPlaceError(str(key))
        if path in self.spans:
            return _Edit(*self.spans[path], quoted)
        if table in self.inline:
            return _Edit(self.inline[table], self.inline[table], f", {key} = {quoted}")  # an element's is never empty
        if table in self.last and len(path) > 1:
            at = self.text.find("\n", self.last[table])
            at = len(self.text) if at < 0 else at
            return _Edit(at, at, f"\n{key} = {quoted}")
        raise _NoPlaceError(str(key))
