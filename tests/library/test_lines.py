"""The line of each key: against texts whose lines are counted by hand, and against texts written at random."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuitsim.errors import CircuitFileError
from circuitsim.library.lines import KeyPath, locate
from circuitsim.library.shelf import models_folder

TEXT = """\
# comment = 1
a = 1
b.c = "x = 2" # [no.table]
[t] # comment
d = '''
[not.a.table]
e = 5'''
"f.g" = [
  1, # one
  { h = 2, i.j = [ 3 ] },
]
[[m]]
k = \"\"\"a \\\"\"\" quote\"\"\"
[m.n]
o = 1979-05-27 07:32:00
[[m]]
k = {}
[[m.p]]
q = 1e5
[[m.p]]
q = [[1,
2], []]
'r s'.t = true
"""

LINES: dict[KeyPath, int] = {
    ("a",): 2, ("b",): 3, ("b", "c"): 3, ("t",): 4, ("t", "d"): 5, ("t", "f.g"): 8, ("t", "f.g", 0): 9,
    ("t", "f.g", 1): 10, ("t", "f.g", 1, "h"): 10, ("t", "f.g", 1, "i", "j", 0): 10, ("m",): 12, ("m", 0): 12,
    ("m", 0, "k"): 13, ("m", 0, "n"): 14, ("m", 0, "n", "o"): 15, ("m", 1): 16, ("m", 1, "k"): 17, ("m", 1, "p", 0): 18,
    ("m", 1, "p", 0, "q"): 19, ("m", 1, "p", 1, "q"): 21, ("m", 1, "p", 1, "q", 0, 0): 21,
    ("m", 1, "p", 1, "q", 0, 1): 22, ("m", 1, "p", 1, "q", 1): 22, ("m", 1, "p", 1, "r s", "t"): 23,
}  # fmt: skip


@pytest.mark.parametrize(("path", "line"), LINES.items(), ids=str)
def test_lines_counted_by_hand(path: KeyPath, line: int) -> None:
    assert locate(TEXT).line(path) == line


def test_that_text_is_toml_and_is_followed_to_its_end() -> None:
    tomllib.loads(TEXT)
    assert locate(TEXT).stopped is None


def test_an_unknown_key_has_the_line_of_its_table() -> None:
    places = locate(TEXT)
    assert places.line(("m", 0, "missing")) == 12
    assert places.line(("missing",)) is None


@pytest.mark.parametrize("file", sorted(models_folder().rglob("*.toml")), ids=lambda path: path.stem)
def test_every_key_of_the_models_stands_on_its_line(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    places, lines = locate(text), text.split("\n")
    for path in _paths(tomllib.loads(text)):
        last = path[-1]
        line = places.line(path)
        assert line is not None
        if isinstance(last, str):
            assert last in lines[line - 1], path


def _paths(data: Any, path: KeyPath = ()) -> list[KeyPath]:
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [p for key, value in items for p in [(*path, key), *_paths(value, (*path, key))]]


# Written at random -------------------------------------------------------------------------------------------

KEYS = st.one_of(st.text("abz-_09", min_size=1, max_size=4), st.text(st.characters(codec="utf-8"), max_size=4))
SCALARS = st.one_of(st.integers(-5, 5), st.booleans(), st.floats(allow_nan=False), st.text(max_size=8))
INLINE = st.recursive(
    SCALARS,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(KEYS, inner, max_size=3)),
    max_leaves=6,
)
TABLES = st.dictionaries(KEYS, st.one_of(INLINE, st.lists(st.dictionaries(KEYS, INLINE), min_size=1, max_size=3)), max_size=5)


class Writer:
    """Writes data as TOML, and notes the line of every key as it goes."""

    def __init__(self, layout: Any) -> None:
        self.text, self.lines, self.layout = "", {}, layout

    def put(self, text: str) -> None:
        self.text += text

    def mark(self, path: KeyPath) -> None:
        self.lines.setdefault(path, self.text.count("\n") + 1)

    def string(self, text: str) -> str:
        escaped = "".join(c if c.isprintable() and c not in '"\\' else f"\\U{ord(c):08x}" for c in text)
        return f'"{escaped}"'

    def key(self, key: str) -> str:
        return key if key and all(c.isascii() and (c.isalnum() or c in "-_") for c in key) else self.string(key)

    def value(self, value: Any, path: KeyPath, one_line: bool = False) -> None:
        if isinstance(value, list):
            self.put("[")
            for k, inner in enumerate(value):
                self.put("," if k else "")
                self.put("" if one_line else self.layout.draw(st.sampled_from(["", " ", "\n", " # ] x = 1\n\n"])))
                self.mark((*path, k))
                self.value(inner, (*path, k), one_line)
            self.put("]")
        elif isinstance(value, dict):
            self.put("{")
            for k, (key, inner) in enumerate(value.items()):
                self.put(", " if k else " ")
                self.mark((*path, key))
                self.put(f"{self.key(key)} = ")
                self.value(inner, (*path, key), one_line=True)
            self.put("}")
        else:
            self.put(self.string(value) if isinstance(value, str) else str(value).lower())

    def document(self, data: dict[str, Any]) -> None:
        arrays = {k: v for k, v in data.items() if isinstance(v, list) and v and all(isinstance(t, dict) for t in v)}
        for key, value in data.items():
            if key not in arrays:
                self.pair(key, value, (key,))
        for key, tables in arrays.items():
            for k, table in enumerate(tables):
                self.mark((key,))
                self.mark((key, k))
                self.put(f"[[{self.key(key)}]]\n")
                for inner, value in table.items():
                    self.pair(inner, value, (key, k, inner))

    def pair(self, key: str, value: Any, path: KeyPath) -> None:
        self.put(self.layout.draw(st.sampled_from(["", "\n", "# a = 1\n"])))
        self.mark(path)
        self.put(f"{self.key(key)} = ")
        self.value(value, path)
        self.put("\n")


@given(data=TABLES, layout=st.data())
@settings(max_examples=60, deadline=None)
def test_lines_of_texts_written_at_random(data: dict[str, Any], layout: Any) -> None:
    writer = Writer(layout)
    writer.document(data)
    assert tomllib.loads(writer.text) == data
    places = locate(writer.text)
    assert places.stopped is None
    assert {path: places.line(path) for path in writer.lines} == writer.lines


@given(st.text("ab01.=[]{}\"'\\,# \n\t", max_size=60))
@settings(max_examples=200, deadline=None)
def test_what_is_toml_is_followed_to_its_end_and_noise_does_no_harm(text: str) -> None:
    try:
        places = locate(text)
        tomllib.loads(text)
    except (tomllib.TOMLDecodeError, CircuitFileError):
        return
    assert places.stopped is None


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 13 + "]" * 13,
        "a = " + "{b=" * 13 + "1" + "}" * 13,
        ".".join("a" * 14) + " = 1",
        f"[{'.'.join('a' * 14)}]",
    ],
    ids=["arrays", "inline tables", "dotted key", "table name"],
)
def test_deep_nesting_is_refused_with_its_line(text: str) -> None:
    with pytest.raises(CircuitFileError, match=r"^f\.toml:3: tables nested more than 12 deep"):
        locate("\n\n" + text, "f.toml")


def test_nesting_that_people_write_is_not_refused() -> None:
    assert locate("a.b.c = { d = [[1, { e = 1 }]] }").line(("a", "b", "c", "d", 0, 1, "e")) == 1
