"""The error tree: every message is one readable line, and the values travel with the error."""

from __future__ import annotations

import copy
import inspect
import pickle
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from circuitsim import errors
from circuitsim.errors import (
    CircuitFileError,
    CircuitsimError,
    InputError,
    NetworkError,
    QuantityError,
    SolveError,
    UnknownNameError,
    nearest,
    one_line,
    shown,
    with_place,
)

CIRCUITS = ("tractor-cab-fan", "coach-defroster-fan", "minibus-condenser-fan")
NOISE = "\x00\x1b[31m\u202e\n" * 2_000_000  # ten million characters

EXAMPLES: list[CircuitsimError] = [
    CircuitsimError("x"),
    InputError("x", file="a.toml", line=3, key="k"),
    QuantityError("no unit", key="length"),
    UnknownNameError("circuit", "tracter", CIRCUITS, file="a.toml"),
    CircuitFileError("not UTF-8", file=Path("b.toml")),
    NetworkError("no way back to ground", part="M1", node="MOT-"),
    SolveError("no operating point", circuit="c", condition="step 2", worst="MOT-", residual=3.2e-5),
]


def tree(root: type[Exception]) -> dict[str, set[str]]:
    """Name of each class in a tree, with the names of the classes right above it."""
    found = {root.__name__: {base.__name__ for base in root.__bases__}}
    for below in root.__subclasses__():
        found |= tree(below)
    return found


def test_the_tree_is_the_one_drawn() -> None:
    drawn: dict[str, set[str]] = {}
    above: list[tuple[int, str]] = []
    lines = re.findall(r"^([ │├└─]*)(\w+Error)(?:\((\w+)\))?", inspect.getdoc(errors) or "", re.MULTILINE)
    for indent, name, builtin in lines:
        above = [(depth, parent) for depth, parent in above if depth < len(indent)]
        drawn[name] = ({builtin} - {""}) | {parent for _, parent in above[-1:]}
        above.append((len(indent), name))
    assert drawn == tree(CircuitsimError)
    assert len(drawn) == 7


@pytest.mark.parametrize("error", EXAMPLES, ids=lambda error: type(error).__name__)
def test_every_class_survives_pickling_and_copying(error: CircuitsimError) -> None:
    for twin in (pickle.loads(pickle.dumps(error)), copy.copy(error), copy.deepcopy(error)):
        assert type(twin) is type(error)
        assert str(twin) == str(error)
        assert vars(twin) == vars(error)


@pytest.mark.parametrize(
    ("place", "text"),
    [
        ({}, "no unit"),
        ({"file": "fan.toml"}, "fan.toml: no unit"),
        ({"line": 4}, "line 4: no unit"),
        ({"key": "supply"}, "supply: no unit"),
        ({"file": "fan.toml", "line": 4}, "fan.toml:4: no unit"),
        ({"file": "fan.toml", "line": 4, "key": "supply"}, "fan.toml:4: supply: no unit"),
        ({"file": Path("a") / "b.toml"}, f"{Path('a') / 'b.toml'}: no unit"),
    ],
)
def test_the_place_stands_first(place: dict[str, object], text: str) -> None:
    error = InputError("no unit", **place)  # type: ignore[arg-type]
    assert str(error) == text
    assert error.message == "no unit"


def test_with_place_fills_in_what_is_missing_and_keeps_the_class() -> None:
    inner = UnknownNameError("step", "9", ("off", "1"), key="steps")
    outer = with_place(inner, file="fan.toml", line=7, key="circuit")
    assert type(outer) is UnknownNameError
    assert (outer.file, outer.line, outer.key) == ("fan.toml", 7, "steps")  # the inner key is the more exact
    assert (outer.what, outer.found, outer.accepted) == ("step", "9", ("off", "1"))
    assert (inner.file, inner.line) == (None, None)
    assert str(with_place(outer, file="other.toml")) == str(outer)


def test_with_place_keeps_cause_and_traceback() -> None:
    def fail() -> None:
        try:
            int("x")
        except ValueError as error:
            raise QuantityError("bad") from error

    with pytest.raises(QuantityError) as caught:
        fail()
    placed = with_place(caught.value, line=1)
    assert isinstance(placed.__cause__, ValueError)
    assert placed.__traceback__ is caught.value.__traceback__


def test_unknown_name_lists_and_suggests() -> None:
    error = UnknownNameError("circuit", "tracter", CIRCUITS)
    assert str(error) == (
        "unknown circuit 'tracter'; did you mean 'tractor-cab-fan'? "
        "accepted: tractor-cab-fan, coach-defroster-fan, minibus-condenser-fan"
    )
    assert error.suggestion == "tractor-cab-fan"
    assert isinstance(error, LookupError)


def test_unknown_name_without_a_likely_one_or_any() -> None:
    assert str(UnknownNameError("step", "zz", ["off", "1"])) == "unknown step 'zz'; accepted: off, 1"
    assert str(UnknownNameError("part", "W1", ())) == "unknown part 'W1'; none is defined"
    given_one = UnknownNameError("step", "fast", ["off", "4"], suggestion="4")
    assert str(given_one) == "unknown step 'fast'; did you mean '4'? accepted: off, 4"


def test_a_long_list_is_cut() -> None:
    text = str(UnknownNameError("node", "zz", [f"N{n}" for n in range(42)]))
    assert text.endswith("N10, N11, … and 30 more")


def test_network_error_names_part_and_node_once() -> None:
    assert str(NetworkError("floats", part="M1", node="MOT-")) == "floats (part 'M1', node 'MOT-')"
    assert str(NetworkError("node 'MOT-' floats", node="MOT-")) == "node 'MOT-' floats"
    error = NetworkError("floats", part="M1", node="MOT-", file="a.toml", line=2)
    assert (error.part, error.node) == ("M1", "MOT-")
    assert str(error).startswith("a.toml:2: floats")


def test_solve_error_tells_what_where_why_and_what_to_do() -> None:
    error = SolveError(
        "no operating point",
        circuit="tractor-cab-fan",
        condition="step 2",
        worst="MOT-",
        residual=3.21e-5,
        cause="a locked shaft",
        remedy="state the time since it locked",
    )
    assert str(error) == (
        "no operating point, in circuit 'tractor-cab-fan', at 'step 2', worst balance at 'MOT-', "
        "backward error 3.2e-05; likely cause: a locked shaft; state the time since it locked"
    )
    assert (error.circuit, error.condition, error.worst, error.residual) == (
        "tractor-cab-fan",
        "step 2",
        "MOT-",
        3.21e-5,
    )
    assert isinstance(error, ArithmeticError)
    assert "backward error not finite" in str(SolveError("diverged", residual=float("nan")))
    assert "likely cause" in str(SolveError("diverged"))


@pytest.mark.parametrize(
    ("name", "accepted", "expected"),
    [
        ("tracter", CIRCUITS, "tractor-cab-fan"),
        ("TRACTOR-CAB-FAN", CIRCUITS, "tractor-cab-fan"),
        ("tractor_cab_fan", CIRCUITS, "tractor-cab-fan"),
        ("coach-defrostor-fan", CIRCUITS, "coach-defroster-fan"),
        ("mv", ("MV", "mV"), "mV"),
        ("Mv", ("mV", "MV"), "MV"),
        ("X4B", ("X4.A", "X4.B"), "X4.B"),
        ("zebra", CIRCUITS, None),
        ("", CIRCUITS, None),
        ("t", CIRCUITS, None),
        ("anything", (), None),
        ("fan", ("fan" * 100, "fans"), "fans"),  # a name of 300 letters is not compared
    ],
)
def test_nearest(name: str, accepted: tuple[str, ...], expected: str | None) -> None:
    assert nearest(name, accepted) == expected


@given(st.text(min_size=1, max_size=30), st.lists(st.text(max_size=30), max_size=10))
def test_nearest_is_one_of_those_accepted_and_finds_the_name_itself(name: str, others: list[str]) -> None:
    assert nearest(name, others) in {*others, None}
    assert nearest(name, [*others, name]) == name


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ("12 Vv", "'12 Vv'"),
        ("a\nb\x1b", "'a\\nb\\x1b'"),
        ("x" * 50, "'" + "x" * 40 + "…'"),
        ("\ud800", "'\\ud800'"),
        (3, "3"),
        (True, "True"),
        (None, "None"),
        (0.1, "0.1"),
        (float("nan"), "nan"),
        ([1], "a list"),
        ((1,), "a list"),
        ({}, "a table"),
        ({1}, "a set"),
    ],
)
def test_shown(value: object, expected: str) -> None:
    assert shown(value) == expected


def test_a_number_that_python_will_not_print_is_still_shown() -> None:
    assert shown(10**5000) == "an integer of 16610 bits"


@given(st.text(max_size=200))
def test_any_text_becomes_one_printable_line(text: str) -> None:
    line = one_line(text, 100)
    assert line.isprintable()
    assert len(line) <= 101  # the limit and an ellipsis
    assert one_line(line, 101) == line


@pytest.mark.parametrize(
    "error",
    [
        CircuitsimError(NOISE),
        InputError(NOISE, file=NOISE, line=1, key=NOISE),
        UnknownNameError("circuit", NOISE, [NOISE, "a"] * 20, key=NOISE),
        NetworkError(NOISE, part=NOISE, node=NOISE),
        SolveError(NOISE, circuit=NOISE, condition=NOISE, worst=NOISE),
    ],
    ids=lambda error: type(error).__name__,
)
def test_noise_is_not_echoed(error: CircuitsimError) -> None:
    assert str(error).isprintable()
    assert len(str(error)) < 1500  # the longest message, and the longest place before it
