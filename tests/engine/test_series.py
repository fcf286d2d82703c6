"""The current form of two-terminal elements: what has one, and that it says the same as the law."""

from __future__ import annotations

import numpy as np
import pytest
import sympy as sp

import circuitsim as cs
from circuitsim.elements.base import element_kinds
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.series import series_of

JOINTS = {
    "contact": cs.Contact("E", resistance=0.02, thermal_resistance=40.0),
    "pin": cs.Pin("E", resistance=0.01),
    "wire": cs.Wire("E", area=1e-6, length=2.0),
    "fuse": cs.Fuse("E", rating=20.0),
}


def test_what_has_a_current_form():
    have = {kind for kind, cls in element_kinds().items() if kind and series_of(cls) is not None}
    # Straight lines through zero in the voltage across them; a lamp, a controller and a battery are none.
    assert {"resistor", "wire", "contact", "pin", "fuse", "switch", "pack-section", "ladder", "leak"} <= have
    assert not have & {"lamp", "battery", "motor", "linear-controller", "pwm-controller", "alternator"}


def test_a_body_is_closed_where_its_balance_is_a_straight_line():
    closed = {k for k, cls in element_kinds().items() if k and (s := series_of(cls)) is not None and s.closed is not None}
    assert {"wire", "contact", "pin", "fuse"} <= closed
    assert "switch" not in closed  # two conductances side by side


@pytest.mark.parametrize("kind", JOINTS)
def test_the_closed_form_is_the_settled_temperature(kind):
    """Independent of the formula: a current is sent through the element, and the general solver finds the heat."""
    element = JOINTS[kind]
    net = cs.Netlist("one joint")
    net.add(cs.CurrentSource("I", plus="IN", minus="GND", current=1.0))
    net.chain("IN", element, "GND")
    amps = np.array([0.0, 0.1, 3.0, 12.0])
    solved = compile_netlist(net).solve({("I", "current"): amps}, ambient=35.0)
    assert solved.solution.accepted.all()
    bodies = {name: solved.x[solved.system.index[f"E.{name}"]] for name in ("body", *["element"] * (kind == "fuse"))}
    drop = solved.x[solved.system.index["IN"]]
    closed = series_of(type(element)).closed
    values = {sp.Symbol(n, real=True): v for n, v in {**element.values, "surroundings": 35.0}.items()}

    def at(ratio, s):
        above, below = ([float(c.subs(values)) for c in part] for part in (ratio.above, ratio.below))
        return sum(c * s**k for k, c in enumerate(above)) / (1 + sum(c * s ** (k + 1) for k, c in enumerate(below)))

    # The solver's own rule: 1e-9 of each value, and 1 µK.
    assert {*closed.temperatures} == {*bodies}
    for name, body in bodies.items():
        np.testing.assert_allclose(at(closed.temperatures[name], amps**2), body, rtol=1e-9, atol=1e-6)
    np.testing.assert_allclose(amps * at(closed.impedance, amps**2), drop, rtol=2e-9, atol=1e-9)
