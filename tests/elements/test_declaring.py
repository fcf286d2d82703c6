"""How elements are made, what they declare, and what each wrong way of making one is told."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.elements import base, element_kinds
from circuitsim.elements.base import Domain, Element, Law, Parameter, Symbols, electrical
from circuitsim.engine.statement import statement_of
from circuitsim.errors import InputError, NetworkError, QuantityError, UnknownNameError
from circuitsim.quantities import parse

KINDS = {name: kind for name, kind in element_kinds().items() if kind.__module__.startswith("circuitsim.")}


@pytest.mark.parametrize("name", ["electrical", "rotational", "thermal", "Element", "Law", "Parameter", "Unknown"])
def test_what_a_new_element_needs_is_at_hand(name: str) -> None:
    """The package's own names give the makers of terminals, and not modules of the same name."""
    assert getattr(cs, name) is getattr(base, name)


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_says_what_it_is(name: str) -> None:
    kind = KINDS[name]
    assert kind.kind == name
    assert kind.__doc__
    names = {t.name for t in kind.terminals}
    assert kind.ends is None or set(kind.ends) <= names
    assert {end for pair in kind.conducts for end in pair} <= names
    assert {pivot for u in kind.unknowns for pivot in u.pivot} <= names
    assert kind.shorts_below is None or kind.parameter(kind.shorts_below).unit == "Ω"
    for p in kind.parameters:
        assert p.meaning
        assert parse(1.0, p.unit) == 1.0  # a unit that the package knows
        assert p.low <= p.high
    for t in kind.terminals:
        assert t.default in (None, "own", t.domain.reference)


@pytest.mark.parametrize("name", KINDS)
def test_defaults_lie_in_their_own_ranges(name: str) -> None:
    for p in KINDS[name].parameters:
        if isinstance(p.default, float):
            assert p.low <= p.default <= p.high, p.name


@pytest.mark.parametrize("name", KINDS)
def test_what_conducts_is_what_depends_on_voltage(name: str) -> None:
    """Two terminals join in the graph only where the law lets a current between them depend on a voltage."""
    kind = KINDS[name]
    statement = statement_of(kind)
    electric = {t.name for t in kind.terminals if t.domain is Domain.ELECTRICAL}
    for pair in kind.conducts:
        assert set(pair) <= electric
        for end in pair:
            assert any(statement.rows[r] == end for r, _ in statement.jacobian), end


def test_fuse_takes_its_resistance_from_its_rating() -> None:
    assert cs.Fuse("F", rating="20 A").values["resistance"] == pytest.approx(0.115 * 20**-1.19, rel=1e-12)
    assert cs.Fuse("F", rating="20 A", resistance="5 mΩ").values["resistance"] == 0.005


def test_text_with_tolerance() -> None:
    element = cs.Resistor("R1", resistance="10 Ω ±5 %")
    assert element.values["resistance"] == 10.0
    assert element.tolerances["resistance"].relative
    assert element.replaced(resistance=12.0).tolerances["resistance"].size == 0.05


def test_replaced_and_copy_leave_the_original_alone() -> None:
    element = cs.Resistor("R1", "a", "b", resistance=10.0)
    other = element.replaced(resistance="2 kΩ")
    other.nodes["a"] = "x"
    other.details["colour"] = "RD"
    assert (element.values["resistance"], element.nodes["a"], element.details) == (10.0, "a", {})
    assert other.values["resistance"] == 2000.0
    assert type(other) is cs.Resistor


def test_terminals_go_where_their_defaults_say() -> None:
    element = cs.Motor("M1", "p", "m", "s", resistance=0.3, constant=0.03)
    assert element.nodes == {
        "plus": "p", "minus": "m", "shaft": "s", "winding": "M1.winding", "case": "M1.case", "surroundings": "ambient",
    }  # fmt: skip
    assert cs.Contact("X1", "a", "b", resistance=1.0, body="shell").nodes["body"] == "shell"


WRONG: dict[str, tuple[Callable[[], object], type[Exception], str]] = {
    "no name": (lambda: cs.Resistor("", resistance=1.0), NetworkError, "element name '' must be text without spaces"),
    "name with a space": (lambda: cs.Resistor("R 1", resistance=1.0), NetworkError, "element name 'R 1' must be text"),
    "name with a slash": (lambda: cs.Resistor("R/1", resistance=1.0), NetworkError, "element name 'R/1' must be text"),
    "name is a number": (lambda: cs.Resistor(1, resistance=1.0), NetworkError, "element name 1 must be text"),
    "too many nodes": (
        lambda: cs.Resistor("R1", "a", "b", "c", resistance=1.0),
        NetworkError,
        "R1: 3 nodes for the 2 terminals of a resistor",
    ),
    "node with a colon": (
        lambda: cs.Resistor("R1", "a:b", "c", resistance=1.0),
        NetworkError,
        "R1: node 'a:b' at a must be text",
    ),
    "node is a number": (
        lambda: cs.Resistor("R1", "a", b=7, resistance=1.0),
        NetworkError,
        "R1: node 7 at b must be text",
    ),
    "misspelt key": (
        lambda: cs.Resistor("R1", resistence=1.0),
        UnknownNameError,
        "unknown key of resistor R1 'resistence'; did you mean 'resistance'? accepted: resistance, a, b",
    ),
    "missing value": (
        lambda: cs.Resistor("R1"),
        InputError,
        "resistor R1 needs resistance (resistance between the ends; unit Ω)",
    ),
    "wrong unit": (
        lambda: cs.Resistor("R1", resistance="5 V"),
        QuantityError,
        "'5 V' is a voltage (V); expected a resistance (Ω)",
    ),
    "negative": (
        lambda: cs.Resistor("R1", resistance=-5),
        InputError,
        "resistor R1: resistance is -5 Ω, accepted: at least 0 Ω",
    ),
    "outside a range": (
        lambda: cs.Wire("W1", area="0 mm²", length="1 m"),
        InputError,
        "wire W1: area is 0 m², accepted: from 0.001 mm² to 1000 mm²",
    ),
    "not a number": (lambda: cs.Resistor("R1", resistance=float("nan")), QuantityError, "nan is not a finite number"),
    "infinite": (lambda: cs.Resistor("R1", resistance=float("inf")), QuantityError, "inf is not a finite number"),
    "a truth value": (lambda: cs.Resistor("R1", resistance=True), QuantityError, "True is not a quantity"),
    "nothing": (lambda: cs.Resistor("R1", resistance=None), QuantityError, "None is not a quantity"),
    "replaced by a misspelt key": (
        lambda: cs.Resistor("R1", resistance=1.0).replaced(ohms=1.0),
        UnknownNameError,
        "unknown parameter of resistor 'ohms'; accepted: resistance",
    ),
    "replaced by a negative": (
        lambda: cs.Resistor("R1", resistance=1.0).replaced(resistance="-1 Ω"),
        InputError,
        "resistor R1: resistance is -1 Ω, accepted: at least 0 Ω",
    ),
    "charge above full": (lambda: cs.Battery("B", charge=5.0), InputError, "charge"),
    "charge below empty": (lambda: cs.Battery("B", charge="-10 %"), InputError, "charge"),
    "no cells": (lambda: cs.Battery("B", charge=1.0, cells=0), InputError, "cells"),
    "half a cell": (lambda: cs.Battery("B", charge=1.0, cells=6.5), InputError, "cells"),
}


@pytest.mark.parametrize(("make", "error", "message"), WRONG.values(), ids=WRONG.keys())
def test_wrong_ways_are_told(make: Callable[[], object], error: type[Exception], message: str) -> None:
    with pytest.raises(error) as caught:
        make()
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_law_that_speaks_of_the_unknown_is_told() -> None:
    class Misspelt(Element):
        terminals = (electrical("a"),)

        @staticmethod
        def law(s: Symbols) -> Law:
            return Law(flows={"a": s.volts})

    with pytest.raises(AttributeError, match="'volts', which is no terminal, unknown or parameter"):
        statement_of(Misspelt)


def test_a_kind_is_found_by_existing_and_one_without_a_word_is_not() -> None:
    before = set(element_kinds())

    class Nameless(Element):
        terminals = (electrical("a"),)
        parameters = (Parameter("ohms", "Ω", "any", 1.0),)

    assert set(element_kinds()) == before
    assert KINDS["pin"].ends == KINDS["contact"].ends  # a subclass has what its base declares


LAMP = cs.Lamp("E1", power=21.0, voltage=12.0)


def test_lamp_takes_its_rated_power() -> None:
    """A 21 W lamp on 12 V: 1.75 A by its rating; cold it takes a dozen times that (lamp practice, from memory)."""
    net = cs.Netlist("lamp")
    net.chain("GND", cs.VoltageSource("V", emf=12.0), "a", LAMP.copy(), "GND")
    volts = np.array([0.01, 6.0, 12.0])
    current = cs.solve_batch(net, {("V", "emf"): volts}).current("E1")
    assert current[2] == pytest.approx(1.75, rel=1e-9)  # the rating, by the law's own making
    assert volts[0] / current[0] == pytest.approx(12 / 1.75 / 12, rel=0.05)  # cold, to the knee's beginning
    assert current[1] / current[2] == pytest.approx(0.5**0.55, rel=0.02)  # the exponent holds once lit
