"""The same physics by other means: networkx on resistor networks, scipy on hand-reduced motors, sympy in fractions."""

from __future__ import annotations

from math import tanh

import networkx as nx
import numpy as np
import pytest
import sympy as sp
from scipy.optimize import brentq, root

import circuitsim as cs


def test_what_the_weight_means() -> None:
    """networkx's documented example: with `invert_weight` (its default) the weight is the resistance in ohms."""
    graph = nx.Graph()
    graph.add_edge("a", "b", ohms=3.0)
    graph.add_edge("b", "c", ohms=5.0)
    assert nx.resistance_distance(graph, "a", "c", weight="ohms") == pytest.approx(8.0, rel=1e-12)  # rounding
    assert nx.resistance_distance(graph, "a", "c", weight="ohms", invert_weight=False) == pytest.approx(
        1 / 3 + 1 / 5, rel=1e-12
    )


def random_graph(n: int, seed: int) -> nx.Graph:
    """A connected graph of n nodes with resistances over four decades, seeded."""
    rng = np.random.default_rng(seed)
    graph = nx.Graph()
    graph.add_nodes_from(range(n))
    edges = [(int(rng.integers(0, k)), k) for k in range(1, n)]
    edges += [(int(a), int(b)) for a, b in rng.integers(0, n, (2 * n, 2)) if a != b]
    graph.add_edges_from((a, b, {"ohms": float(10 ** rng.uniform(-2, 2))}) for a, b in edges)
    return graph


def netlist_of(graph: nx.Graph) -> cs.Netlist:
    """Resistors on the edges; node 0 is ground; one ampere into every node by a source of its own."""
    net = cs.Netlist("random")

    def node(k: int) -> str:
        return "GND" if k == 0 else f"n{k}"

    for a, b, ohms in graph.edges(data="ohms"):
        net.add(cs.Resistor(f"R{a}.{b}", node(a), node(b), resistance=ohms))
    for k in range(1, graph.number_of_nodes()):
        net.add(cs.CurrentSource(f"I{k}", node(k), "GND", current=0.0))
    return net


@pytest.mark.parametrize("n", [4, 5, 6, 8, 10, 13, 17, 22, 30])
def test_resistance_of_random_networks(n: int) -> None:
    """networkx resistance_distance from ground to every node: one sample of a batch for each."""
    graph = random_graph(n, seed=n)
    net = netlist_of(graph)
    net.check()
    ones = np.eye(n - 1)
    points = cs.solve_batch(net, {(f"I{k}", "current"): ones[k - 1] for k in range(1, n)})
    assert points.accepted.all()
    found = [points.voltage(f"n{k}")[k - 1] for k in range(1, n)]
    expected = [nx.resistance_distance(graph, 0, k, weight="ohms") for k in range(1, n)]
    # networkx inverts a singular matrix by least squares, good to about 1e-15 times its span of 10⁵ to 10⁶.
    assert found == pytest.approx(expected, rel=1e-9)


def exact_bridge() -> dict[str, sp.Rational]:
    """Node voltages of the network below as fractions, by Kirchhoff's laws in sympy."""
    n1, n2, n3, n4 = sp.symbols("n1:5")
    branches = {
        (n1, n2): sp.Rational(3), (n1, n3): sp.Rational(7, 2), (n2, n3): sp.Rational(11, 10),
        (n2, n4): sp.Rational(1, 7), (n3, n4): sp.Rational(5, 3), (n4, 0): sp.Rational(2), (n3, 0): sp.Rational(13),
    }  # fmt: skip
    into = dict.fromkeys((n1, n2, n3, n4), sp.Integer(0))
    for (a, b), ohms in branches.items():
        current = (a - b) / ohms
        into[a] = into[a] + current
        if b != 0:
            into[b] = into[b] - current
    into[n1] += (n1 - 12) / sp.Rational(1, 20)  # 12 V behind 0.05 Ω
    into[n3] -= sp.Rational(3, 4)  # 0.75 A pushed in
    solved = sp.solve(list(into.values()), list(into), dict=True)[0]
    return {str(symbol): sp.Rational(value) for symbol, value in solved.items()}


def test_exact_fractions() -> None:
    """A network of five nodes solved exactly by sympy."""
    net = cs.Netlist("fractions")
    net.add(cs.VoltageSource("V", "n1", "GND", emf=12.0, resistance=0.05))
    net.add(cs.CurrentSource("I", "n3", "GND", current=0.75))
    ohms = {"n1 n2": 3, "n1 n3": 3.5, "n2 n3": 1.1, "n2 n4": 1 / 7, "n3 n4": 5 / 3, "n4 GND": 2, "n3 GND": 13}
    for pair, value in ohms.items():
        a, b = pair.split()
        net.add(cs.Resistor(f"R.{a}.{b}", a, b, resistance=value))
    point = cs.solve(net)
    for node, exact in exact_bridge().items():
        # Linear: one Newton step, so only rounding times a condition number below 1000 is left.
        assert point.voltage(node) == pytest.approx(float(exact), rel=1e-12)


SUPPLY, SOURCE, WIRE, ARMATURE, K = 12.6, 0.012, 0.035, 0.28, 0.031
BRUSH, ONSET, DRY, VISCOUS, TORQUE, SPEED = 0.7, 0.1, 0.03, 2e-5, 0.35, 290.0


def motor_and_fan() -> cs.Netlist:
    net = cs.Netlist("motor and fan")
    net.chain("GND", cs.VoltageSource("V", emf=SUPPLY, resistance=SOURCE), "plus", cs.Resistor("R", resistance=WIRE), "m")
    net.add(
        cs.Motor(
            "M1", "m", "GND", "shaft", resistance=ARMATURE, constant=K, brush_drop=BRUSH, brush_onset=ONSET,
            friction=DRY, viscous=VISCOUS, winding_resistance_heat=0.7, case_resistance_heat=0.4,
        )
    )  # fmt: skip
    net.add(cs.ForwardCurvedFan("FAN", "shaft", torque=TORQUE, speed=SPEED))
    return net


def shaft_load(speed: float, air: float = 20.0) -> float:
    """Torque that friction and fan take, N·m (by hand: dry, viscous, square law; air thins as 1/T)."""
    return DRY * tanh(speed / 0.02) + VISCOUS * speed + TORQUE * (speed / SPEED) ** 2 * 293.15 / (273.15 + air)


@pytest.mark.parametrize("supply", [3.0, 6.0, 12.6, 14.4])
def test_motor_and_fan_by_one_unknown(supply: float) -> None:
    """scipy brentq: current follows from speed by torque, so the loop's voltage is a function of speed alone."""

    def loop(speed: float) -> float:
        amperes = shaft_load(speed) / K
        ohms = SOURCE + WIRE + ARMATURE
        return supply - ohms * amperes - BRUSH * tanh(amperes / ONSET) - K * speed

    speed = float(brentq(loop, 1e-9, supply / K, xtol=1e-12, rtol=1e-14))
    points = cs.solve_batch(motor_and_fan(), {("V", "emf"): supply}, frozen=True)
    assert points.verdicts == ("running",)
    # The solver's acceptance rule leaves 1e-9; brentq 1e-12.
    assert points.speed("shaft")[0] == pytest.approx(speed, rel=3e-9)
    assert points.current("M1")[0] == pytest.approx(shaft_load(speed) / K, rel=3e-9)


@pytest.mark.parametrize("ambient", [-30.0, 20.0, 60.0])
def test_warm_motor_and_fan(ambient: float) -> None:
    """scipy root on four unknowns: current, speed, winding and case, with heat balances written by hand."""

    def balances(u: np.ndarray) -> list[float]:
        amperes, speed, winding, case = u
        ohms = ARMATURE * (1 + 0.00393 * (winding - 20))
        k = K * (1 - 0.002 * (case - 20))
        brush = BRUSH * tanh(amperes / ONSET)
        drag = DRY * tanh(speed / 0.02) + VISCOUS * speed
        to_case, to_air = (winding - case) / 0.7, (case - ambient) / 0.4
        return [
            SUPPLY - (SOURCE + WIRE + ohms) * amperes - brush - k * speed,
            k * amperes - shaft_load(speed, ambient),
            ohms * amperes**2 + brush * amperes - to_case,
            drag * speed + to_case - to_air,
        ]

    answer = root(balances, [10.0, 250.0, ambient + 30, ambient + 15], tol=1e-13)
    assert answer.success
    point = cs.solve(motor_and_fan(), ambient=ambient)
    found = [
        point.current("M1"), point.speed("shaft"), point.temperature("M1.winding"), point.temperature("M1.case"),
    ]  # fmt: skip
    # scipy's method ends when its steps are 1e-13 of the values, a slope matrix by differences notwithstanding; the
    # solver's acceptance rule leaves 1e-9 of each.
    assert found == pytest.approx(answer.x.tolist(), rel=1e-8)
