"""Batteries with internal resistance, the rest voltage, and meters that load what they measure.

UP2, CP2e, LEC1: as in the module on networks; TM: US Army technical manual (public domain). Every comparison is to
half a unit of the printed number's last digit.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

import circuitsim as cs
from circuitsim.elements import rest_voltage

Matches = Callable[[float, str], None]
# The battery's EMF is stated for 25 °C.
AMBIENT = 25.0


def loaded(emf: float, internal: float, load: float) -> cs.Point:
    net = cs.Netlist("battery under load")
    net.chain("GND", cs.Battery("B", emf=emf, resistance=internal), "plus", cs.Resistor("R", resistance=load), "GND")
    return cs.solve(net, ambient=AMBIENT)


def pushed(emf: float, internal: float, amperes: float) -> cs.Point:
    """A battery with a current pushed into its plus (negative: drawn from it)."""
    net = cs.Netlist("battery on charge")
    net.chain("GND", cs.Battery("B", emf=emf, resistance=internal), "plus")
    net.chain("GND", cs.CurrentSource("I", current=amperes), "plus")
    return cs.solve(net, ambient=AMBIENT)


# UP2 m58453, example and what follows it. For the first the book prints 11.90 V, having rounded; exact is 11.88 V.
@pytest.mark.parametrize(
    ("internal", "load", "amperes", "volts", "watts"),
    [
        (0.100, 10.00, "1.188", "11.88", None),
        (0.100, 0.500, "20.00", "10.00", "200"),
        (0.500, 0.500, "12.00", "6.00", "72.00"),
    ],
    ids=["light load", "heavy load", "aged battery"],
)
def test_internal_resistance(
    internal: float, load: float, amperes: str, volts: str, watts: str | None, matches: Matches
) -> None:
    point = loaded(12.0, internal, load)
    matches(point.current("R"), amperes)
    matches(point.voltage("plus"), volts)
    if watts is not None:
        matches(point.current("R") * point.voltage("plus"), watts)


def test_internal_resistance_from_a_fall(matches: Matches) -> None:
    """UP2 m58453: a terminal that falls 2.00 V for 5.00 A more has r = 0.400 Ω behind it."""
    before, after = (pushed(12.0, 0.400, -amperes).voltage("plus") for amperes in (1.0, 6.0))
    matches(before - after, "2.00")


def test_battery_on_charge(matches: Matches) -> None:
    """UP2 m58453: 12.0 V charged at 10.0 A shows 16.0 V when r = 0.400 Ω, of which 40.0 W is heat."""
    point = pushed(12.0, 0.400, 10.0)
    matches(point.voltage("plus"), "16.0")
    matches(-point.flow("B", "air"), "40.0")


def test_charging_and_delivering(matches: Matches) -> None:
    """UP2 m58453 / CP2e m42357: 12 V, r = 0.050 Ω at 60 A either way (answers by hand, not printed)."""
    charging = pushed(12.0, 0.050, 60.0)
    matches(charging.voltage("plus"), "15.0")
    matches(-charging.flow("B", "air"), "180")
    matches(-charging.output("B", "source power"), "720")
    matches(pushed(12.0, 0.050, -60.0).voltage("plus"), "9.0")


# TM 5-3805-262-20, p. 5-142: open-circuit voltage of a rested 12 V lead-acid battery.
REST = {1.00: "12.6", 0.75: "12.4", 0.50: "12.2", 0.25: "12.0", 0.0: "11.7"}


@pytest.mark.parametrize(("charge", "volts"), REST.items())
def test_rest_voltage(charge: float, volts: str, matches: Matches) -> None:
    matches(rest_voltage(charge), volts)
    net = cs.Netlist("rested")
    net.chain("GND", cs.Battery("B", charge=charge), "plus", cs.Voltmeter("M"), "GND")
    matches(cs.solve(net, ambient=AMBIENT).voltage("plus"), volts)


def test_rest_voltage_of_a_24_volt_battery(matches: Matches) -> None:
    """TM 5-2420-230-24-1: 25.2 V at rest, which is twice the full row above."""
    net = cs.Netlist("rested 24 V")
    net.chain("GND", cs.Battery("B", charge=1.0, cells=12), "plus", cs.Voltmeter("M"), "GND")
    matches(cs.solve(net, ambient=AMBIENT).voltage("plus"), "25.2")


def test_rest_voltage_rises_with_charge_and_stays_between_the_rows() -> None:
    shares = [k / 40 for k in range(41)]
    volts = [rest_voltage(share) for share in shares]
    assert volts == sorted(volts)


def test_regulator_window() -> None:
    """TM 9-2330-356-14: the regulator of a 12 V system holds 13.6 to 14.2 V; ours at 25 °C and a light load."""
    net = cs.Netlist("charging")
    net.chain("GND", cs.Battery("B", charge=1.0, resistance=0.01, charge_resistance=0.2), "plus")
    net.chain("GND", cs.Alternator("G", running=1.0), "plus", cs.Resistor("R", resistance=1.0), "GND")
    assert 13.6 <= cs.solve(net, ambient=AMBIENT).voltage("plus") <= 14.2


def test_meter_on_a_high_resistance_divider(matches: Matches) -> None:
    """LEC1 dcmeter.sml: 24 V over 250 MΩ + 250 MΩ, a 10 MΩ meter on one of them."""
    net = cs.Netlist("divider")
    net.chain("GND", cs.VoltageSource("V", emf=24.0), "top", cs.Resistor("R1", resistance="250 MΩ"), "middle")
    net.chain("middle", cs.Resistor("R2", resistance="250 MΩ"), "GND")
    net.add(cs.Voltmeter("M", "middle", "GND", conductance=1e-7))
    point = cs.solve(net)
    matches(point.voltage("middle"), "0.8889")
    matches(point.voltage("top", "middle"), "23.1111")
    matches(point.output("M", "voltage"), "0.8889")


def test_meter_on_a_cell(matches: Matches) -> None:
    """CP2e m42360: 1.585 V, 0.100 Ω, a 1.00 kΩ meter."""
    net = cs.Netlist("cell")
    net.chain("GND", cs.Battery("B", emf=1.585, resistance=0.100), "plus")
    net.add(cs.Voltmeter("M", "plus", "GND", conductance=1e-3))
    point = cs.solve(net, ambient=AMBIENT)
    matches(1e3 * point.flow("M", "red"), "1.58")
    matches(point.voltage("plus"), "1.5848")
    matches(point.voltage("plus") / 1.585, "0.99990")


def test_ammeter_in_the_circuit(matches: Matches) -> None:
    """CP2e m42360: a 0.0200 Ω ammeter with 10.00 Ω makes 10.02 Ω and lowers the current by 0.20 %."""
    net = cs.Netlist("ammeter")
    net.chain("GND", cs.VoltageSource("V", emf=1.0), "a", cs.Resistor("A", resistance=0.02), "b")
    net.chain("b", cs.Resistor("R", resistance=10.0), "GND")
    bare, loaded_current = cs.solve_batch(net, {("A", "resistance"): [1e-9, 0.0200]}).current("R")
    matches(1 / loaded_current, "10.02")
    matches(100 * (loaded_current / bare - 1), "-0.20")


def test_common_meter_input() -> None:
    """UP2 m58456: a common digital voltmeter has about 10 MΩ."""
    assert 1 / cs.Voltmeter("M", "a", "b").values["conductance"] == pytest.approx(10e6, rel=1e-12)  # a division
