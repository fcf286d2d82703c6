"""Direct-current networks with answers printed in open textbooks.

UP2: OpenStax University Physics volume 2; CP2e: OpenStax College Physics 2e (module number given); LEC1: Lessons in
Electric Circuits, volume 1, DC (chapter file given); DOE: DOE-HDBK-1011/1-92. Values marked 'exact' follow from the
stated inputs by hand. Every comparison is to half a unit of the printed number's last digit.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

import circuitsim as cs

Matches = Callable[[float, str], None]


def resistor(name: str, ohms: float) -> cs.Resistor:
    return cs.Resistor(name, resistance=ohms)


def source(name: str, volts: float, ohms: float = 0.0) -> cs.VoltageSource:
    return cs.VoltageSource(name, emf=volts, resistance=ohms)


def into(point: cs.Point, name: str) -> float:
    """Power into an element's two terminals, W."""
    element = point.points.system.net.elements[name]
    ends = [t.name for t in element.terminals if t.domain.reference == "GND"]
    return sum(point.voltage(element.nodes[t]) * point.flow(name, t) for t in ends)


def test_series(matches: Matches) -> None:
    """UP2 m58455: 12 V over 1 + 2 + 3 Ω."""
    net = cs.Netlist("series")
    net.chain("GND", source("V", 12), "a", resistor("R1", 1), resistor("R2", 2), resistor("R3", 3), "GND")
    point = cs.solve(net)
    matches(point.current("R1"), "2.00")
    matches(point.current("R3"), "2.00")


def test_three_branches(matches: Matches) -> None:
    """UP2 m58455, worked: 24 V + 3 Ω and 29 V + 3 + 4 Ω push into b, plain 3 Ω goes back; 130 W both ways."""
    net = cs.Netlist("three branches")
    net.chain("e", source("V1", 24), resistor("R1", 3), "b")
    net.chain("e", source("V2", 29), resistor("R3", 3), resistor("R4", 4), "b")
    net.chain("b", resistor("R2", 3), "GND")
    net.chain("e", resistor("LINK", 0), "GND")
    point = cs.solve(net)
    matches(point.current("R1"), "3.00")
    matches(point.current("R2"), "5.00")
    matches(-point.current("R4"), "-2.00")  # the book's arrow points the other way
    matches(sum(into(point, name) for name in ("R1", "R2", "R3", "R4")), "130")
    matches(-into(point, "V1") - into(point, "V2"), "130")


def test_two_sources_into_one_node(matches: Matches) -> None:
    """UP2 m58455, example: 0.5 V + 3 Ω and 2.3 V + 8 Ω into a node, back through 1 Ω with 0.6 V aiding.

    The figure's text says R1 = 3 Ω; the book's solution uses R1 + R4 = 1 + 2 Ω, and so does this.
    """
    net = cs.Netlist("two into one")
    net.chain("GND", source("V1", 0.5), resistor("R1", 1), resistor("R4", 2), "top")
    net.chain("GND", source("V2", 2.3), resistor("R2", 5), resistor("R3", 1), resistor("R6", 2), "top")
    net.chain("top", resistor("R5", 1), source("V3", 0.6), "GND")
    point = cs.solve(net)
    matches(point.current("R1"), "0.20")
    matches(point.current("R2"), "0.30")
    matches(point.current("R5"), "0.50")
    matches(sum(into(point, f"R{k}") for k in range(1, 7)), "1.09")


def test_opposed_sources_in_one_loop(matches: Matches) -> None:
    """UP2 m58455, example: 24 V against 12 V through 10 + 30 + 20 Ω.

    A printed denominator shows 10 in place of 20 Ω; the printed current and powers need 20 Ω.
    """
    net = cs.Netlist("one loop")
    net.chain("GND", source("V1", 24), resistor("R1", 10), resistor("R2", 30), resistor("R3", 20), "far")
    net.chain("GND", source("V2", 12), "far")
    point = cs.solve(net)
    matches(point.current("R1"), "0.20")
    for name, printed in {"R1": "0.40", "R2": "1.20", "R3": "0.80", "V2": "2.40", "V1": "-4.80"}.items():
        matches(into(point, name), printed)


@pytest.mark.parametrize(
    ("v2", "printed"),
    [(1.4, {"R2": "0.6", "R1": "0.4", "R3": "0.2"}), (-1.4, {"R2": "0.04", "R1": "1.52", "R3": "-1.48"})],
)
def test_parallel_sources_aiding_and_reversed(v2: float, printed: dict[str, str], matches: Matches) -> None:
    """UP2 m58455, problem: 1.6 V + 1 kΩ beside 2 kΩ beside 1.4 V + 1 kΩ; currents in mA."""
    net = cs.Netlist("parallel sources")
    net.chain("GND", source("V1", 1.6), resistor("R1", 1e3), "top")
    net.chain("GND", source("V2", v2), resistor("R3", 1e3), "top")
    net.chain("top", resistor("R2", 2e3), "GND")
    point = cs.solve(net)
    for name, milliamperes in printed.items():
        matches(1e3 * point.current(name), milliamperes)


def test_series_and_parallel(matches: Matches) -> None:
    """UP2 m58454, example: 12 V; a 1.00 Ω wire, then 6.00 Ω beside 13.0 Ω.

    The book prints 5.10 Ω, having rounded the pair to 4.10 first; exact is 5.105 Ω. Its current is right.
    """
    net = cs.Netlist("series and parallel")
    net.chain("GND", source("V", 12), "a", resistor("R1", 1), "b", resistor("R2", 6), "GND")
    net.chain("b", resistor("R3", 13), "GND")
    point = cs.solve(net)
    matches(point.current("R1"), "2.35")
    matches(12 / point.current("R1"), "5.105")


def test_two_sources_with_a_common_load(matches: Matches) -> None:
    """LEC1 dcnet.sml: 28 V/4 Ω and 7 V/1 Ω on a common 2 Ω."""
    net = cs.Netlist("two sources")
    net.chain("GND", source("B1", 28), resistor("R1", 4), "top")
    net.chain("GND", source("B2", 7), resistor("R3", 1), "top")
    net.chain("top", resistor("R2", 2), "GND")
    point = cs.solve(net)
    for name, ohms, amperes, volts in (("R1", 4, "5", "20"), ("R2", 2, "4", "8"), ("R3", 1, "-1", "-1")):
        matches(point.current(name), f"{amperes}.000")
        matches(point.current(name) * ohms, f"{volts}.000")


def test_thevenin_equivalent(matches: Matches) -> None:
    """LEC1 dcnet.sml: what the common 2 Ω sees is 11.2 V behind 0.8 Ω."""
    net = cs.Netlist("thevenin")
    net.chain("GND", source("B1", 28), resistor("R1", 4), "top")
    net.chain("GND", source("B2", 7), resistor("R3", 1), "top")
    net.chain("GND", cs.CurrentSource("I", current=0.0), "top")
    points = cs.solve_batch(net, {("I", "current"): [0.0, 1.0]})
    open_circuit, pushed = points.voltage("top")
    matches(open_circuit, "11.2")
    matches(pushed - open_circuit, "0.8")


def test_bridge(matches: Matches) -> None:
    """LEC1 dcnet.sml: bridge on 24 V, 150 and 50 Ω at the top, 100 Ω across, 300 and 250 Ω below."""
    net = cs.Netlist("bridge")
    net.chain("GND", source("B", 24), "top", resistor("R1", 150), "left", resistor("R4", 300), "GND")
    net.chain("top", resistor("R2", 50), "right", resistor("R5", 250), "GND")
    net.chain("left", resistor("R3", 100), "right")
    point = cs.solve(net)
    matches(point.voltage("left"), "17.655")
    matches(point.voltage("right"), "19.310")
    matches(-point.current("B"), "0.13609")
    matches(24 / -point.current("B"), "176.351")


def test_balanced_bridge(matches: Matches) -> None:
    """CP2e m42362: R3 = 2500 Ω and R2/R1 = 0.625 balance Rx = 1.56 kΩ (exact 1562.5)."""
    net = cs.Netlist("null")
    net.chain("GND", source("B", 10), "top", resistor("R1", 1000), "left", resistor("R2", 625), "GND")
    net.chain("top", resistor("R3", 2500), "right", resistor("Rx", 1562.5), "GND")
    net.chain("left", resistor("G", 50), "right")
    low, null, high = cs.solve_batch(net, {("Rx", "resistance"): [1560.0, 1562.5, 1565.0]}).current("G")
    assert low > 0 > high
    # At balance nothing flows but rounding: 10 V through 1 kΩ times the solver's 1e-9.
    assert abs(null) < 1e-11
    matches(1562.5e-3, "1.56")


def test_current_law_example(matches: Matches) -> None:
    """DOE-HDBK-1011/1-92, ES-02 p. 47: 6·I1 + 2·It = 6 and 3·I2 + 2·It = 6 (numbers solved from the equations)."""
    net = cs.Netlist("current law")
    net.chain("GND", source("V", 6), "a", resistor("Rt", 2), "b", resistor("R1", 6), "GND")
    net.chain("b", resistor("R2", 3), "GND")
    point = cs.solve(net)
    matches(point.current("Rt"), "1.5")
    matches(point.current("R1"), "0.5")
    matches(point.current("R2"), "1.0")
