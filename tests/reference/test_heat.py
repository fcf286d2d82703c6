"""Wires and contacts that warm up, against closed forms and a legal current table.

q = I²·R₂₀·R_th gives dT = q·(1 + α(Ta - 20))/(1 - α·q), which has no solution from q = 1/α on: thermal runaway (own
derivation, by hand). 33 CFR 183.425 table 5: greatest currents of insulated boat wires.
"""

from __future__ import annotations

import pytest

import circuitsim as cs
from circuitsim.engine.transient import follow

COPPER = 0.00393
# What the solver's acceptance rule leaves open of a temperature (1e-9), ten times over.
TOLERANCE = 1e-8


def rise(q: float, ambient: float, coefficient: float) -> float:
    return q * (1 + coefficient * (ambient - 20)) / (1 - coefficient * q)


def fed(element: cs.Element, amperes: float) -> cs.Netlist:
    net = cs.Netlist("fed by a current")
    net.chain("GND", cs.CurrentSource("I1", current=amperes), "top", element, "GND")
    return net


@pytest.mark.parametrize("ambient", [-40.0, 20.0, 30.0, 85.0])
@pytest.mark.parametrize("amperes", [1.0, 10.0, 25.0])
def test_warm_wire(amperes: float, ambient: float) -> None:
    wire = cs.Wire("W1", area="2.5 mm²", length="3 m", rise=5.5)
    per_metre = 1 / 58e6 / 2.5e-6
    point = cs.solve(fed(wire, amperes), ambient=ambient)
    expected = ambient + rise(amperes**2 * per_metre * 5.5, ambient, COPPER)
    assert point.verdict == "steady"
    assert point.temperature("W1.body") == pytest.approx(expected, rel=TOLERANCE)
    # All its heat goes into the surroundings.
    assert -point.flow("W1", "surroundings") == pytest.approx(amperes * point.voltage("top"), rel=TOLERANCE)


@pytest.mark.parametrize("milliohms", [0.5, 5.0, 40.0])
def test_warm_contact(milliohms: float) -> None:
    contact = cs.Contact("X1", resistance=milliohms * 1e-3, coefficient=0.0039, thermal_resistance=12.0)
    point = cs.solve(fed(contact, 15.0), ambient=35.0)
    q = 15.0**2 * milliohms * 1e-3 * 12.0
    assert point.temperature("X1.body") == pytest.approx(35.0 + rise(q, 35.0, 0.0039), rel=TOLERANCE)
    assert point.voltage("top") == pytest.approx(
        15.0 * milliohms * 1e-3 * (1 + 0.0039 * (15.0 + rise(q, 35.0, 0.0039))), rel=TOLERANCE
    )


def test_hotter_than_the_joint_can_be() -> None:
    """Below runaway but past the melting of tin: a solution that is no reading."""
    contact = cs.Contact("X1", resistance=0.05, thermal_resistance=12.0)
    points = cs.solve_batch(fed(contact, 15.0))
    assert points.accepted[0]
    assert points.temperature("X1.body")[0] > 230
    assert points.verdicts == ("runs away at X1",)
    assert not points.valid[0]


# Section of the table: gauge, amperes allowed for 105 °C insulation at 30 °C, and the thermal resistance in K·m/W that
# those imply (by hand, three digits). 1 °C: a unit of its last digit moves the 75 K rise by up to 0.3 K.
BOAT_WIRES = [(18, 20, 6.71), (16, 25, 6.83), (14, 35, 5.54), (12, 45, 5.33), (10, 60, 4.77), (8, 80, 4.26)]


@pytest.mark.parametrize(("gauge", "amperes", "implied"), BOAT_WIRES)
def test_boat_wires_reach_their_insulation_limit(gauge: int, amperes: float, implied: float) -> None:
    wire = cs.Wire("W1", area=f"{gauge} AWG", length="1 m", rise=implied)
    assert cs.solve(fed(wire, amperes), ambient=30.0).temperature("W1.body") == pytest.approx(105.0, abs=1.0)


def test_default_wire_lies_in_the_band_of_the_table() -> None:
    """The default thermal resistance, 6 K·m/W, lies among those that the table implies for single wires."""
    implied = [row[2] for row in BOAT_WIRES]
    assert min(implied) < cs.Wire("W1", area="1 mm²", length="1 m").values["rise"] < max(implied)


@pytest.mark.parametrize("share", [1.02, 1.5, 20.0])
def test_runaway_is_a_verdict(share: float) -> None:
    """From q = 1/α on, a fed wire has no steady temperature: the answer says so and is no reading."""
    per_metre = 1 / 58e6 / 2.5e-6
    amperes = (share / COPPER / (per_metre * 5.5)) ** 0.5
    points = cs.solve_batch(fed(cs.Wire("W1", area="2.5 mm²", length="3 m", rise=5.5), amperes), ambient=30.0)
    assert points.verdicts == ("runs away at W1",)
    assert not points.valid[0]


def test_just_short_of_runaway() -> None:
    """At 60 % of the critical q the closed form still has a solution, 402 K up, past the wire's range."""
    per_metre = 1 / 58e6 / 2.5e-6
    amperes = (0.6 / COPPER / (per_metre * 5.5)) ** 0.5
    points = cs.solve_batch(fed(cs.Wire("W1", area="2.5 mm²", length="3 m", rise=5.5), amperes), ambient=30.0)
    assert points.temperature("W1.body")[0] == pytest.approx(30 + rise(0.6 / COPPER, 30.0, COPPER), rel=TOLERANCE)
    assert points.verdicts == ("runs away at W1",)


def test_fuse_hot_against_cold() -> None:
    """One maker's 40 A fuse: 56 mV cold and 75 mV at rated current, a factor of 1.34.

    The cold value is a typical one and the hot one a printed typical: 3 %.
    """
    fuse = cs.Fuse("F1", rating="40 A", resistance="1.4 mΩ", thermal_resistance=80.0 / (40 * 0.075))
    cold = cs.solve(fed(fuse, 40.0), frozen=True).voltage("top")
    hot = cs.solve(fed(fuse, 40.0)).voltage("top")
    assert cold == pytest.approx(0.056, abs=0.0005)
    assert hot == pytest.approx(0.075, rel=0.03)
    default = cs.Fuse("F1", rating="40 A")
    ratio = cs.solve(fed(default, 40.0)).voltage("top") / cs.solve(fed(default, 40.0), frozen=True).voltage("top")
    assert ratio == pytest.approx(1.34, rel=0.03)


@pytest.mark.parametrize("rating", [3, 5, 7.5, 10, 15, 20, 25, 30])
def test_default_fuse_lies_in_the_published_band(rating: float) -> None:
    """One maker's medium blade fuses drop 55 to 95 mV cold at rated current."""
    drop = cs.solve(fed(cs.Fuse("F1", rating=rating), rating), frozen=True).voltage("top")
    assert 0.055 <= drop <= 0.095


TABLE = {1.35: (0.75, 600.0), 1.6: (0.25, 50.0), 2.0: (0.15, 5.0), 3.5: (0.04, 0.5), 6.0: (0.02, 0.1)}
"""Times within which medium and miniature blade fuses open by the load, s: ISO 8820-3, second-hand; two from memory."""


@pytest.mark.parametrize("rating", [3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40])
def test_blade_fuses_open_within_the_published_times(rating: float) -> None:
    """At 1.1 times its rating a fuse must hold for 100 hours (ISO 8820-3, second-hand)."""
    for load, (least, most) in TABLE.items():
        opened = follow(fed(cs.Fuse("F1", rating=rating), load * rating), 1000.0)
        assert opened.stopped == "outside validity at F1: the fuse melts"
        assert least < opened.end < most, load
    held = follow(fed(cs.Fuse("F1", rating=rating), 1.1 * rating), 360_000.0)
    assert (held.stopped, held.end) == ("", 360_000.0)


def test_a_fuse_melts_by_the_same_energy_in_a_dead_short() -> None:
    """Too short for any heat to leave the element, I²·t is a constant: what melts it times capacity over resistance."""
    fuse = cs.Fuse("F1", rating=20.0)
    ends = [load**2 * follow(fed(fuse, load * 20.0), 1.0).end for load in (50.0, 100.0)]
    adiabatic = 390 * fuse.values["element_capacity"] / fuse.values["resistance"] / 20.0**2
    assert ends == pytest.approx([adiabatic, adiabatic], rel=0.005)


def test_what_settles_is_not_changed_by_heat_capacities() -> None:
    """A fuse is as warm as its losses and its thermal resistance make it; its element some more."""
    fuse = cs.Fuse("F1", rating=20.0)
    point = cs.solve(fed(fuse, 20.0))
    watts = 20.0 * point.voltage("top")
    assert point.temperature("F1.body") == pytest.approx(100.0, abs=0.5)  # a third more resistance at 0.0042 1/K
    assert point.temperature("F1.body") == pytest.approx(20.0 + watts * fuse.values["thermal_resistance"], rel=TOLERANCE)
    above = watts * fuse.values["element_resistance"]
    assert point.temperature("F1.element") == pytest.approx(point.temperature("F1.body") + above, rel=TOLERANCE)
