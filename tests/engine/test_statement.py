"""From one law to all its forms: what is refused, and what a new kind of element gets for nothing."""

from __future__ import annotations

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.elements.base import Element, Law, Parameter, Symbols, Unknown, electrical
from circuitsim.engine.statement import kernel_source, statement_of


class Diode(Element):
    """Two-terminal of a test's own: i = saturation·(exp(v/scale) - 1)."""

    terminals = (electrical("anode"), electrical("cathode"))
    parameters = (Parameter("saturation", "A", "reverse current", 1e-9), Parameter("scale", "V", "n·k·T/q", 0.05))
    conducts = (("anode", "cathode"),)
    ends = ("anode", "cathode")

    @staticmethod
    def law(s: Symbols) -> Law:
        from sympy import exp

        v = s.anode - s.cathode
        i = s.saturation * (exp(v / s.scale) - 1)
        return Law(flows={"anode": i, "cathode": -i}, outputs={"current": (i, "A")}, heat=v * i)


class Winding(Element):
    """An inductor with resistance: an unknown of its own, and a state."""

    terminals = (electrical("a"), electrical("b"))
    parameters = (Parameter("resistance", "Ω", "of the wire", 1.0), Parameter("inductance", "H", "of the coil", 1e-3))
    unknowns = (Unknown("current", "A", "into a"),)
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        return Law(
            flows={"a": s.current, "b": -s.current},
            balances={"current": s.a - s.b - s.resistance * s.current},
            stores={"current": -s.inductance * s.current},
            heat=s.resistance * s.current**2,
        )


@pytest.mark.parametrize("volts", [-12.0, 0.0, 0.3, 5.0, 12.0, 200.0])
def test_new_element_is_solved_without_touching_the_engine(volts: float) -> None:
    """A diode behind 10 Ω, from reverse to 200 V, where the first Newton step overshoots exp() by far."""
    net = cs.Netlist("diode")
    net.chain("GND", cs.VoltageSource("V", emf=volts), "a", cs.Resistor("R", resistance=10.0), "b", Diode("D"), "GND")
    point = cs.solve(net)
    drop = point.voltage("b")
    # The loop by hand; the solver's rule leaves 1e-9 of a voltage, which at 20 A is 1e-9/0.05 V of the current.
    assert volts - 10.0 * 1e-9 * np.expm1(drop / 0.05) == pytest.approx(drop, abs=1e-6 * (1 + abs(volts)))


def test_element_with_an_unknown_and_a_state() -> None:
    net = cs.Netlist("winding")
    net.chain(
        "GND",
        cs.VoltageSource("V", emf=6.0),
        "a",
        Winding("L", resistance=2.0),
        "b",
        cs.Resistor("R", resistance=1.0),
        "GND",
    )
    point = cs.solve(net)
    assert point.flow("L", "a") == pytest.approx(2.0, rel=1e-12)  # Ohm's law in small numbers
    assert point.output("L", "heat") == pytest.approx(8.0, rel=1e-12)
    assert point.verdict == "steady"


def test_statement_lists_its_rows_and_inputs() -> None:
    statement = statement_of(Winding)
    assert statement.rows == ("a", "b", "current")
    assert statement.variables == ("a", "b", "current")
    assert statement.inputs == ("a", "b", "current", "resistance", "inductance", "smooth")
    assert statement_of(Winding) is statement


def test_kernels_broadcast() -> None:
    statement = statement_of(Winding)
    out = np.empty((3, 4, 5))
    statement.residual([np.ones((4, 5)), 0.0, np.full((4, 1), 2.0), 3.0, 0.0, 1.0], out)
    assert (out[2] == 1.0 - 2.0 * 3.0).all()


def test_kernel_computes_common_parts_once() -> None:
    statement = statement_of(Diode)
    source = kernel_source(statement.inputs, [*statement.expressions, *statement.slopes])
    assert source.count("exp(") == 1
    assert source.startswith("def kernel(inputs, out):\n")


def law_of(name: str, **members: object) -> type[Element]:
    """A kind of a test's own with one terminal, made on the fly and without a kind word."""
    base = {"terminals": (electrical("a"), electrical("b")), "parameters": (Parameter("ohms", "Ω", "any", 1.0),)}
    return type(name, (Element,), base | members)


def plain(s: Symbols) -> Law:
    return Law(flows={"a": (s.a - s.b) / s.ohms, "b": (s.b - s.a) / s.ohms})


WRONG = [
    (
        {"unknowns": (Unknown("current", "A", "x"),), "law": staticmethod(plain)},
        ValueError, "one balance for each unknown",
    ),
    ({"law": staticmethod(lambda s: Law(flows={"c": s.a}))}, ValueError, r"speaks of \['c'\]"),
    ({"law": staticmethod(lambda s: Law(flows={"a": s.a}, stores={"q": s.a}))}, ValueError, r"speaks of \['q'\]"),
    (
        {"parameters": (Parameter("a", "Ω", "named as the terminal", 1.0),), "law": staticmethod(plain)},
        ValueError, "must have different names",
    ),
    ({"law": staticmethod(lambda s: Law(flows={"a": s.voltage}))}, AttributeError, "'voltage', which is no terminal"),
]  # fmt: skip


@pytest.mark.parametrize(("members", "error", "message"), WRONG)
def test_wrong_laws_are_refused(members: dict[str, object], error: type[Exception], message: str) -> None:
    with pytest.raises(error, match=message):
        statement_of(law_of("Wrong", **members))


def test_an_element_without_a_law_is_refused() -> None:
    with pytest.raises(NotImplementedError):
        statement_of(law_of("Lawless"))
