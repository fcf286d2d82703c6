"""Every two-terminal electrical element: no power out of nothing, no negative resistance, no current without voltage.

The kinds are found by existing and judged by what they declare: two electrical terminals; passive unless the law names
a source power. Where the law has a current of its own (a winding), that current is walked and the voltage follows from
its balance. Shafts that carry torque stand still, since a turning one brings power in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from circuitsim.elements import element_kinds
from circuitsim.elements.base import Domain, Element, Law, Parameter, Symbols, Unknown, electrical, thermal
from circuitsim.engine.statement import statement_of

Array = NDArray[np.float64]
Sample = Callable[..., dict[str, Array]]
RowsOf = Callable[[type[Element], dict[str, Array]], dict[str, Array]]

STATES = 60
# −60 to 60 V and 0, from 1 µV up: eight decades, ten points each.
SIZES = np.logspace(-6, np.log10(60.0), 79)
WALK = np.concatenate([-SIZES[::-1], [0.0], SIZES])


def electrical_terminals(kind: type[Element]) -> list[str]:
    return [t.name for t in kind.terminals if t.domain is Domain.ELECTRICAL]


def keeps_charge(kind: type[Element]) -> bool:
    """Whether it holds a voltage of its own: what it gives back at one moment it took before."""
    units = {u.name: u.unit for u in kind.unknowns}
    return any(units.get(row) == "V" for row in statement_of(kind).law.stores)


KINDS = {
    name: kind
    for name, kind in element_kinds().items()
    if kind.__module__.startswith("circuitsim.") and len(electrical_terminals(kind)) == 2 and not keeps_charge(kind)
}


def is_passive(kind: type[Element]) -> bool:
    return bool(statement_of(kind).law.source_power == 0)


PASSIVE = {name: kind for name, kind in KINDS.items() if is_passive(kind)}


@dataclass(frozen=True)
class Curve:
    """Voltage over an element and current into its first terminal, (states, points), with the size of the terms."""

    voltage: Array
    current: Array
    rounding: Array


def curve_of(kind: type[Element], drawn: dict[str, Array], rows_of: RowsOf) -> Curve:
    """Walk an element through its voltages (or its own current), at every drawn state."""
    statement = statement_of(kind)
    first, second = electrical_terminals(kind)
    inputs = {name: values[:, None] for name, values in drawn.items()}
    for t in kind.terminals:
        if t.domain is Domain.ROTATIONAL and t.name in statement.law.flows:
            inputs[t.name] = np.zeros((STATES, 1))
    own = [u.name for u in kind.unknowns if str(statement.law.flows[first]) == u.name]
    if not own:
        inputs[first] = inputs[second] + WALK
        rows = rows_of(kind, inputs)
        # A difference of two voltages is good to a rounding of the larger; the slope turns that into a current.
        slope = np.abs(np.gradient(rows[first], WALK, axis=1)).max(axis=1, keepdims=True)
        rounding = 4e-16 * slope * (np.abs(inputs[second]) + 60)
        # A limit is a difference of terms up to ten thousand times its own size.
        rounding = rounding + 4e-12 * np.abs(rows[first]).max(axis=1, keepdims=True)
        return Curve(inputs[first] - inputs[second], rows[first], rounding)
    inputs[own[0]] = WALK
    inputs[first] = inputs[second] + 0 * WALK
    short = rows_of(kind, inputs)[own[0]]
    inputs[first] = inputs[first] - short  # a balance of the form v - f(i) = 0
    assert np.abs(rows_of(kind, inputs)[own[0]]).max() <= 1e-15 * np.abs(short).max() + 1e-13
    return Curve(inputs[first] - inputs[second], WALK + 0 * inputs[first], 1e-15 * (np.abs(short) + 60))


def check_passive(curve: Curve) -> None:
    power = curve.voltage * curve.current
    assert (power >= -curve.rounding * np.abs(curve.voltage)).all(), "power comes out of nothing"


def check_monotone(curve: Curve) -> None:
    """Current never falls as voltage rises; both are in the order of the walk."""
    for values in (curve.voltage, curve.current):
        assert (np.diff(values, axis=1) >= -2 * curve.rounding.max(axis=1, keepdims=True)).all(), "negative resistance"


def check_zero(kind: type[Element], drawn: dict[str, Array], rows_of: RowsOf) -> None:
    """With no voltage over it, exactly no current flows, whatever both ends' voltage is."""
    first, second = electrical_terminals(kind)
    rows = rows_of(kind, {**drawn, first: drawn[second]})
    assert (rows[first] == 0).all(), "current without voltage"
    assert (rows[second] == 0).all()


@pytest.mark.parametrize("name", PASSIVE)
def test_passive(name: str, sample: Sample, rows_of: RowsOf) -> None:
    check_passive(curve_of(KINDS[name], sample(KINDS[name], STATES), rows_of))


@pytest.mark.parametrize("name", KINDS)
def test_monotone(name: str, sample: Sample, rows_of: RowsOf) -> None:
    check_monotone(curve_of(KINDS[name], sample(KINDS[name], STATES), rows_of))


@pytest.mark.parametrize("name", [name for name, kind in PASSIVE.items() if not kind.unknowns])
def test_no_voltage_gives_exactly_no_current(name: str, sample: Sample, rows_of: RowsOf) -> None:
    check_zero(KINDS[name], sample(KINDS[name], STATES), rows_of)


def test_a_winding_without_voltage_carries_exactly_nothing(sample: Sample, rows_of: RowsOf) -> None:
    kind = KINDS["motor"]
    drawn = sample(kind, STATES, shaft=0.0, current=0.0)
    assert (rows_of(kind, {**drawn, "plus": drawn["minus"]})["current"] == 0).all()


@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize("temperature", [-60.0, 20.0, 250.0])
def test_monotone_at_one_temperature(name: str, temperature: float, sample: Sample, rows_of: RowsOf) -> None:
    bodies = {t.name: temperature for t in KINDS[name].terminals if t.domain is Domain.THERMAL}
    curve = curve_of(KINDS[name], sample(KINDS[name], STATES, seed=1, **bodies), rows_of)
    check_monotone(curve)
    if is_passive(KINDS[name]):
        check_passive(curve)


def test_the_kinds_are_found() -> None:
    """Sources are active by their own word, and nothing else is."""
    active = set(KINDS) - set(PASSIVE)
    assert active == {"voltage-source", "current-source", "battery", "alternator", "ohmmeter"}
    assert {"resistor", "wire", "contact", "fuse", "switch", "lamp", "motor", "voltmeter", "ladder"} <= set(PASSIVE)


# Planted: each breaks one rule, and has no kind word, so that nobody else finds it.


class Brushes(Element):
    """A brush drop as a function of the voltage: passive, but i falls where v rises."""

    terminals = (electrical("a"), electrical("b"))
    parameters = (Parameter("resistance", "Ω", "of the winding"),)

    @staticmethod
    def law(s: Symbols) -> Law:
        from sympy import exp

        v = s.a - s.b
        i = v / s.resistance * (1 - 0.9 * exp(-((abs(v) - 1) ** 2)))
        return Law(flows={"a": i, "b": -i})


class Generator(Element):
    """A small current whatever the voltage, with no word of a source."""

    terminals = (electrical("a"), electrical("b"), thermal("body"))
    parameters = (Parameter("resistance", "Ω", "of the winding"),)

    @staticmethod
    def law(s: Symbols) -> Law:
        i = (s.a - s.b) / s.resistance - 1e-5
        return Law(flows={"a": i, "b": -i, "body": -(s.a - s.b) * i})


class HungryWinding(Element):
    """A winding whose voltage falls as its current rises past 10 A."""

    terminals = (electrical("a"), electrical("b"))
    unknowns = (Unknown("current", "A", "current into a"),)

    @staticmethod
    def law(s: Symbols) -> Law:
        i = s.current
        return Law(flows={"a": i, "b": -i}, balances={"current": s.a - s.b - 0.1 * i / (1 + (i / 10) ** 2)})


@pytest.mark.parametrize(
    ("kind", "passive", "monotone", "zero"),
    [(Brushes, True, False, True), (Generator, False, True, False), (HungryWinding, True, False, True)],
)
def test_a_planted_bad_element_is_caught(
    kind: type[Element], passive: bool, monotone: bool, zero: bool, sample: Sample, rows_of: RowsOf
) -> None:
    drawn = sample(kind, STATES)
    curve = curve_of(kind, drawn, rows_of)
    checks = [(passive, lambda: check_passive(curve)), (monotone, lambda: check_monotone(curve))]
    if not kind.unknowns:
        checks.append((zero, lambda: check_zero(kind, drawn, rows_of)))
    for holds, check in checks:
        if holds:
            check()
        else:
            with pytest.raises(AssertionError):
                check()
