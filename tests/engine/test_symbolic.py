"""Exact solutions against numbers, and the formulas that a trainer shows."""

from __future__ import annotations

import pytest
import sympy as sp

import circuitsim as cs
from circuitsim.elements import element_kinds
from circuitsim.engine.symbolic import law_latex, law_text, solve_exactly
from circuitsim.errors import InputError


def ladder() -> cs.Netlist:
    net = cs.Netlist("ladder")
    net.chain("GND", cs.VoltageSource("V1", emf=12.0, resistance=0.5), "a", cs.Resistor("R1", resistance=2.0), "b")
    net.chain("b", cs.Resistor("R2", resistance=3.0), "c", cs.Resistor("R3", resistance=7.0), "GND")
    net.chain("b", cs.Resistor("R4", resistance=4.0), "GND")
    net.chain("a", cs.Resistor("R5", resistance=11.0), "c")
    return net


def test_exact_fractions_equal_the_numeric_solution():
    exact = solve_exactly(ladder())
    point = cs.solve(ladder())
    assert all(value.is_Rational for value in exact.values())
    for node in ("a", "b", "c"):
        # One part in 1e12: the acceptance rule bounds the solver, fractions have no error.
        assert point.voltage(node) == pytest.approx(float(exact[node]), rel=1e-12)


def test_a_symbol_gives_the_divider_formula():
    net = cs.Netlist("divider")
    net.chain("GND", cs.VoltageSource("V", emf=1.0), "top", cs.Resistor("A", resistance=1.0), "mid",
              cs.Resistor("B", resistance=1.0), "GND")  # fmt: skip
    a, b, v = sp.symbols("a b v", positive=True)
    exact = solve_exactly(net, {("A", "resistance"): a, ("B", "resistance"): b, ("V", "emf"): v})
    assert sp.simplify(exact["mid"] - v * b / (a + b)) == 0


def test_what_is_not_linear_says_so():
    net = ladder()
    net.add(cs.Lamp("L", "a", "GND", power=5.0))
    with pytest.raises(InputError, match="not linear"):
        solve_exactly(net)


def test_other_domains_are_refused():
    net = ladder()
    net.add(cs.Motor("M", "a", "GND", "s", resistance=1.0, constant=0.1))
    with pytest.raises(InputError, match="electrical elements alone"):
        solve_exactly(net)


@pytest.mark.parametrize("kind", sorted(element_kinds()))
def test_every_law_can_be_written_out(kind):
    element = element_kinds()[kind]
    lines, latex = law_text(element), law_latex(element)
    assert len(lines) >= len(element.unknowns)
    assert len(latex) >= len(element.unknowns)
    assert all("=" in line for line in [*lines, *latex])
