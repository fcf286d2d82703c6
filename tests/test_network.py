"""The netlist builder: chains that read like the harness, names of nodes, the graph's checks, and every complaint."""

from __future__ import annotations

from collections.abc import Callable

import networkx as nx
import pytest

import circuitsim as cs
from circuitsim.elements.base import Domain
from circuitsim.errors import NetworkError, UnknownNameError


def resistor(name: str, ohms: float = 1.0) -> cs.Resistor:
    return cs.Resistor(name, resistance=ohms)


def source(name: str = "V", volts: float = 12.0) -> cs.VoltageSource:
    return cs.VoltageSource(name, emf=volts)


def motor(name: str, *nodes: str) -> cs.Motor:
    return cs.Motor(name, *nodes, resistance=0.3, constant=0.03)


@pytest.fixture
def harness() -> cs.Netlist:
    """Battery, fuse, wire, mated pin, motor, a second pin, a switch; a lamp beside it."""
    net = cs.Netlist("harness")
    net.add(cs.Battery("BAT", "B+", "GND", emf=12.6))
    wire = cs.Wire("W1", area="2.5 mm²", length="1 m")
    net.chain("B+", cs.Fuse("F1", rating="20 A"), wire, cs.Pin("X1.1", resistance=0.004), "MOT+")
    net.add(motor("M1", "MOT+", "MOT-", "shaft"))
    net.chain("MOT-", cs.Pin("X1.2", resistance=0.004), cs.Switch("S1"), "GND", backwards=["X1.2"])
    net.add(cs.Lamp("E1", "B+", "GND", power=21.0))
    return net


# Chains -------------------------------------------------------------------------------------------------------


def test_chain_names_the_nodes_between() -> None:
    net = cs.Netlist("chain")
    net.chain("GND", source(), "top", resistor("R1"), resistor("R2"), resistor("R3"), "GND")
    assert [net.elements[name].nodes for name in ("R1", "R2", "R3")] == [
        {"a": "top", "b": "R1/out"}, {"a": "R1/out", "b": "R2/out"}, {"a": "R2/out", "b": "GND"},
    ]  # fmt: skip
    assert net.elements["V"].nodes == {"minus": "GND", "plus": "top"}


def test_mated_pin_is_two_nodes_harness_first(harness: cs.Netlist) -> None:
    assert harness.elements["X1.1"].nodes["a"] == "X1.1/harness"
    assert harness.node("X1.1/harness") == harness.node("W1/out")
    assert harness.node("X1.1/part") == "MOT+"


def test_pin_walked_backwards_has_its_part_first(harness: cs.Netlist) -> None:
    pin = harness.elements["X1.2"]
    assert pin.nodes["b"] == "MOT-"
    assert harness.node("X1.2/part") == "MOT-"
    assert harness.node("X1.2/harness") == pin.nodes["a"] == harness.node("S1/in")


def test_two_pins_in_a_row_meet_at_the_second() -> None:
    net = cs.Netlist("two pins")
    net.chain("GND", cs.Pin("X1.1", resistance=1.0), cs.Pin("X2.1", resistance=1.0), "GND")
    assert net.elements["X1.1"].nodes["b"] == net.elements["X2.1"].nodes["a"] == "X2.1/harness"
    assert net.node("X1.1/part") == "X2.1/harness"


def test_backwards_swaps_the_ends() -> None:
    net = cs.Netlist("backwards")
    net.chain("top", source(), "GND", backwards=["V"])
    assert net.elements["V"].nodes == {"plus": "top", "minus": "GND"}
    assert (net.node("V/in"), net.node("V/out")) == ("top", "GND")


def test_chain_may_end_where_the_next_begins() -> None:
    net = cs.Netlist("repeated")
    net.chain("GND", source(), "a", "a", resistor("R"), "GND")
    assert list(net.elements) == ["V", "R"]


def test_add_gives_the_element_back() -> None:
    net = cs.Netlist("add")
    element = resistor("R1")
    element.nodes.update(a="x", b="GND")
    assert net.add(element) is element


# Names --------------------------------------------------------------------------------------------------------


def test_node_by_terminal_alias_and_name(harness: cs.Netlist) -> None:
    harness.name_node("TP1", "MOT-")
    assert harness.node("TP1") == harness.node("M1/minus") == harness.node("MOT-") == "MOT-"
    assert harness.aliases()["TP1"] == "MOT-"
    assert harness.node("ambient") == "ambient"


def test_aliases_are_a_copy(harness: cs.Netlist) -> None:
    harness.aliases()["TP9"] = "MOT-"
    with pytest.raises(UnknownNameError):
        harness.node("TP9")


def test_nodes_know_their_domain(harness: cs.Netlist) -> None:
    nodes = harness.nodes()
    assert nodes["MOT+"] is Domain.ELECTRICAL
    assert nodes["shaft"] is Domain.ROTATIONAL
    assert nodes["M1.winding"] is Domain.THERMAL
    assert harness.references() == {
        "GND": Domain.ELECTRICAL, "frame": Domain.ROTATIONAL, "ambient": Domain.THERMAL,
    }  # fmt: skip


def test_another_ground() -> None:
    net = cs.Netlist("other ground", ground="G31")
    net.chain("G31", source(), "a", resistor("R"), "G31")
    net.check()
    assert cs.solve(net).voltage("a") == 12.0


# Copies -------------------------------------------------------------------------------------------------------


def test_copy_is_independent(harness: cs.Netlist) -> None:
    copy = harness.copy(without=["E1"])
    copy.elements["F1"].values["resistance"] = 1.0
    copy.elements["W1"].nodes["a"] = "elsewhere"
    copy.name_node("TP1", "MOT-")
    assert "E1" in harness.elements
    assert harness.elements["F1"].values["resistance"] != 1.0
    assert harness.elements["W1"].nodes["a"] == "F1/out"
    assert "TP1" not in harness.aliases()
    assert (copy.name, copy.ground) == (harness.name, harness.ground)


# The graph ----------------------------------------------------------------------------------------------------


def test_path_is_the_elements_in_order(harness: cs.Netlist) -> None:
    assert harness.path("B+", "GND") in (["BAT"], ["E1"])
    assert harness.path("F1/out", "GND")[0] == "F1"
    assert harness.copy(without=["BAT", "E1"]).path("B+", "GND") == ["F1", "W1", "X1.1", "M1", "X1.2", "S1"]
    assert harness.path("MOT+", "B+") == ["X1.1", "W1", "F1"]
    assert harness.path("MOT+", "MOT+") == []


def test_path_through_aliases(harness: cs.Netlist) -> None:
    harness.name_node("TP1", "MOT-")
    assert harness.path("TP1", "S1/out") == ["X1.2", "S1"]


def test_single_points_of_failure() -> None:
    net = cs.Netlist("bridges")
    net.chain("GND", source(), "a", resistor("R1"), "b", resistor("R2"), "c", resistor("R4"), "GND")
    net.chain("b", resistor("R3"), "c")
    assert net.single_points("a", "c") == []  # around through the source
    cut = net.copy(without=["V"])
    assert cut.single_points("a", "GND") == ["R1", "R4"]
    assert cut.single_points("b", "c") == []


def test_single_points_are_the_bridges_of_the_graph(harness: cs.Netlist) -> None:
    """An independent word for the same: networkx's bridges, parallel elements put together."""
    net = harness.copy(without=["BAT", "E1"])
    simple = nx.Graph(net.graph())
    bridges = {frozenset(edge) for edge in nx.bridges(simple)}
    expected = [name for name in net.path("B+", "GND") if frozenset(_ends(net, name)) in bridges]
    assert net.single_points("B+", "GND") == expected == ["F1", "W1", "X1.1", "M1", "X1.2", "S1"]


def _ends(net: cs.Netlist, name: str) -> tuple[str, str]:
    element = net.elements[name]
    (first, second), *_ = element.conducts
    return element.nodes[first], element.nodes[second]


def test_graph_leaves_out(harness: cs.Netlist) -> None:
    assert {key for *_, key in harness.graph(without=["E1"]).edges(keys=True)} == set(harness.elements) - {"E1"}


def test_floating_groups() -> None:
    net = cs.Netlist("islands")
    net.chain("GND", source(), "a", resistor("R1"), "GND")
    net.add(cs.Resistor("R2", "p", "q", resistance=1.0))
    net.add(cs.Resistor("R3", "q", "r", resistance=1.0))
    net.add(cs.Resistor("R4", "y", "x", resistance=1.0))
    assert net.floating() == [["p", "q", "r"], ["x", "y"]]


def test_merged_nodes() -> None:
    net = cs.Netlist("merged")
    net.chain("GND", source(), "a", resistor("S1", 0.0), "b", resistor("S2", 9e-7), "c", resistor("R", 1e-6), "GND")
    net.chain("d", resistor("S3", 0.0), "GND")
    merged = net.merged()
    assert merged["b"] == merged["c"] == "a"
    assert merged["d"] == "GND"
    assert "GND" not in merged
    assert net.copy(without=["S1", "S2", "S3"]).merged() == {}


def test_ring_of_shorts_is_one_node() -> None:
    net = cs.Netlist("ring")
    net.chain("a", resistor("S1", 0.0), "b", resistor("S2", 0.0), "c", resistor("S3", 0.0), "a")
    assert set(net.merged().values()) == {"a"}


# Complaints ---------------------------------------------------------------------------------------------------

Build = Callable[[cs.Netlist], object]
COMPLAINTS: dict[str, tuple[Build, str]] = {
    "duplicate name": (
        lambda n: n.chain("MOT+", resistor("F1"), "GND"),
        "duplicate name 'F1': every element needs its own",
    ),
    "terminal with no node": (
        lambda n: n.add(motor("M2", "MOT+", "MOT-")),
        "motor M2 has no node at its terminal 'shaft' (part 'M2')",
    ),
    "no element": (lambda n: n.add("R1"), "harness: 'R1' is no element"),
    "shaft on a wire": (
        lambda n: n.add(motor("M2", "MOT+", "GND", "MOT-")),
        "M2: terminal 'shaft' is rotational, but node 'MOT-' is electrical (part 'M2')",
    ),
    "wire on a shaft": (
        lambda n: n.chain("shaft", resistor("R1"), "GND"),
        "R1: terminal 'a' is electrical, but node 'shaft' is rotational (part 'R1')",
    ),
    "shaft on ground": (
        lambda n: n.add(motor("M2", "MOT+", "MOT-", "GND")),
        "M2: terminal 'shaft' is rotational, but node 'GND' is electrical (part 'M2')",
    ),
    "wire on the ambient": (
        lambda n: n.chain("MOT+", resistor("R1"), "ambient"),
        "R1: terminal 'b' is electrical, but node 'ambient' is thermal (part 'R1')",
    ),
    "one element on one node in two domains": (
        lambda n: n.add(motor("M2", "MOT+", "new", "new")),
        "M2: terminal 'shaft' is rotational, but node 'new' is electrical (part 'M2')",
    ),
    "chain of nothing": (
        lambda n: n.chain("MOT+"),
        "harness: a chain begins and ends with a node and has an element between",
    ),
    "chain of nodes": (lambda n: n.chain("MOT+", "B+", "GND"), "harness: no element between nodes 'MOT+' and 'B+'"),
    "chain without an end": (
        lambda n: n.chain("MOT+", resistor("R1"), resistor("R2")),
        "harness: a chain begins and ends with a node and has an element between",
    ),
    "chain with a number": (lambda n: n.chain("MOT+", 5, "GND"), "harness: 5 is neither a node nor an element"),
    "chain with nothing in it": (
        lambda n: n.chain("MOT+", resistor("R1"), None, "GND"),
        "harness: None is neither a node nor an element",
    ),
    "chain through a controller": (
        lambda n: n.chain("MOT-", cs.LinearController("U1"), "GND"),
        "linear-controller U1 can't stand in a chain; add it by its terminals (part 'U1')",
    ),
    "alias of a node that is there": (lambda n: n.name_node("MOT+", "MOT-"), "'MOT+' is already a node"),
    "alias of a node that is not there": (
        lambda n: n.name_node("TP1", "MOTOR") or n.node("TP1"),
        "unknown node of harness 'MOTOR'",
    ),
    "node named as an alias": (
        lambda n: n.name_node("TP1", "MOT-") or n.chain("MOT+", resistor("R1"), "TP1") or n.check(),
        "'TP1'",
    ),
    "unknown node": (lambda n: n.node("MOT"), "unknown node of harness 'MOT'; did you mean 'MOT+'?"),
    "unknown element": (
        lambda n: n.element("W2"),
        "unknown element of harness 'W2'; accepted: BAT, F1, W1, X1.1, M1, X1.2, S1, E1",
    ),
    "copy without a stranger": (lambda n: n.copy(without=["W7"]), "unknown element of harness 'W7'"),
    "path from an unknown node": (lambda n: n.path("MOT", "GND"), "unknown node of harness 'MOT'"),
    "path of a shaft": (lambda n: n.path("shaft", "GND"), "'shaft'"),
    "no path": (
        lambda n: n.copy(without=["S1", "BAT", "E1"]).path("B+", "GND"),
        "harness: no path conducts from 'B+' to 'GND'",
    ),
    "single points where no path is": (
        lambda n: n.copy(without=["S1", "BAT", "E1"]).single_points("MOT-", "GND"),
        "harness: no path conducts from 'MOT-' to 'GND'",
    ),
}


@pytest.mark.parametrize(("build", "message"), COMPLAINTS.values(), ids=COMPLAINTS.keys())
def test_complaint(build: Build, message: str, harness: cs.Netlist) -> None:
    with pytest.raises(cs.InputError) as caught:
        build(harness)
    text = str(caught.value)
    assert message in text
    assert "\n" not in text


def test_complaints_carry_their_part_and_node(harness: cs.Netlist) -> None:
    with pytest.raises(NetworkError) as caught:
        harness.chain("shaft", resistor("R1"), "GND")
    assert (caught.value.part, caught.value.node) == ("R1", "shaft")


def test_a_refused_element_is_not_added(harness: cs.Netlist) -> None:
    with pytest.raises(NetworkError):
        harness.add(motor("M2", "MOT+", "GND", "MOT-"))
    assert "M2" not in harness.elements


def looped(*extra: cs.Element) -> cs.Netlist:
    net = cs.Netlist("loop")
    net.chain("GND", source(), "a", resistor("R1"), "GND")
    for element in extra:
        net.add(element)
    return net


def loose_chain() -> cs.Netlist:
    net = looped()
    net.chain("a", resistor("R2"), "end")
    return net


def two_parallel() -> cs.Netlist:
    net = cs.Netlist("lost")
    net.add(cs.Resistor("R1", "a", "b", resistance=1.0))
    net.add(cs.Resistor("R2", "b", "a", resistance=1.0))
    return net


CHECKS: dict[str, tuple[Callable[[], cs.Netlist], str]] = {
    "empty": (lambda: cs.Netlist("nothing"), "nothing has no elements"),
    "no ground": (
        two_parallel,
        "lost: nothing returns to ground; no element has a terminal at 'GND'",
    ),
    "island": (
        lambda: looped(cs.Resistor("R2", "p", "q", resistance=1.0), cs.Resistor("R3", "q", "p", resistance=1.0)),
        "loop: node 'p' floats: no path to ground from R2, R3 (part 'R2')",
    ),
    "between current sources": (
        lambda: looped(cs.CurrentSource("I1", "p", "GND", current=1.0), cs.CurrentSource("I2", "GND", "p", current=1.0)),
        "loop: node 'p' floats: no path to ground from I1, I2 (part 'I1')",
    ),
    "loose end": (
        lambda: looped(cs.Resistor("R2", "a", "end", resistance=1.0)),
        "loop: node 'end' is a loose end; only R2 reaches it (part 'R2')",
    ),
    "loose end of a chain": (loose_chain, "loop: node 'end' is a loose end; only R2 reaches it (part 'R2')"),
    "shorted source": (
        lambda: looped(cs.Resistor("S", "a", "GND", resistance=0.0)),
        "loop: V, an ideal source, is shorted at node 'GND' (part 'V')",
    ),
    "shorted by two": (
        lambda: looped(cs.Resistor("S1", "a", "m", resistance=0.0), cs.Resistor("S2", "m", "GND", resistance=1e-9)),
        "loop: V, an ideal source, is shorted at node 'GND' (part 'V')",
    ),
    "cutout that nothing warms": (
        lambda: looped(cs.ThermalCutout("T", "a", "GND", "hot")),
        "loop: nothing warms or cools node 'hot' of T",
    ),
}


@pytest.mark.parametrize(("build", "message"), CHECKS.values(), ids=CHECKS.keys())
def test_check_complains(build: Callable[[], cs.Netlist], message: str) -> None:
    net = build()
    with pytest.raises(NetworkError) as caught:
        net.check()
    assert message in str(caught.value)
    with pytest.raises(NetworkError):
        cs.solve(net)


def test_check_passes_what_is_right(harness: cs.Netlist) -> None:
    harness.check()
    looped().check()


def test_named_loose_end_is_a_probe_point() -> None:
    """A wire end that somebody named is meant to be measured, not forgotten."""
    net = looped(cs.Resistor("R2", "a", "end", resistance=1.0))
    net.name_node("TP1", "end")
    net.check()
    assert cs.solve(net).voltage("TP1") == pytest.approx(12.0, rel=1e-12)  # no current, no drop


def test_source_with_resistance_may_be_shorted() -> None:
    net = cs.Netlist("short")
    net.chain("GND", cs.VoltageSource("V", emf=12.0, resistance=0.01), "a", resistor("S", 0.0), "GND")
    net.check()
    assert cs.solve(net).current("S") == pytest.approx(1200.0, rel=1e-12)  # a division
