"""A command line that an open collector pulls low: its two levels, by the voltage divider, and what it is in the circuit."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.elements import Battery, Contact, Leak, OpenCollector, Resistor, VoltageSource, Voltmeter, Wire
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.points import Points, solve_batch
from circuitsim.measure import Conditions, Task
from circuitsim.measure import meter as find_meter
from circuitsim.measure.pulled import PulledLine, pulled_lines
from circuitsim.measure.taking import Batch
from circuitsim.network import Netlist

SUPPLY, PULL_UP, ON, LEAK = 12.0, 2200.0, 15.0, 5e-8
MINIBUS = "minibus-condenser-fan"


def line_of(duty: Any, *, contact: float = 1e-6, ohms: float = 1e9, **values: Any) -> PulledLine:
    """A source, a pull-up, one joint, an open collector to ground, and a meter on the line."""
    net = Netlist("line")
    net.add(VoltageSource("V", "P", "GND", emf=SUPPLY))
    net.add(Resistor("R", "P", "LINE", resistance=PULL_UP))
    net.add(Contact("X", "LINE", "FAR", resistance=contact))
    net.add(OpenCollector("U", "FAR", "GND", duty=0.5, pull_up=PULL_UP, on_resistance=ON, leakage=LEAK, **values))
    net.add(Voltmeter("VM", "LINE", "GND", conductance=1 / ohms))
    points = solve_batch(net, {("U", "duty"): np.atleast_1d(duty)}, frozen=True)
    (line,) = pulled_lines(points.solved)
    return line


def test_levels_are_those_of_the_divider() -> None:
    """Pulled low: supply·R_on/(R_on + R_up); let go: supply over the leakage and the meter. Kirchhoff's laws."""
    line = line_of([0.2, 0.7], contact=40.0, ohms=1e7)
    wave = line.voltage("LINE", "GND")
    down, leaks = ON + 40.0, LEAK + 1e-7

    def divided(siemens: float) -> float:
        return SUPPLY / (1 + PULL_UP * siemens)

    # The joint in front of the leakage is nothing against its 20 MΩ; the joint warms by a milliwatt.
    assert wave.low == pytest.approx([divided(1 / down + leaks)] * 2, rel=1e-4)
    assert wave.high == pytest.approx([divided(leaks)] * 2, rel=1e-6)
    assert wave.value("duty") == pytest.approx([0.8, 0.3], abs=1e-12)
    assert wave.period == pytest.approx([0.01, 0.01])
    current = line.current("X")
    assert current.high == pytest.approx([SUPPLY / (PULL_UP + down)] * 2, rel=1e-4)


@pytest.mark.parametrize("ohms", [1e15, 3000.0])
def test_the_average_is_the_one_that_the_circuit_has(ohms: float) -> None:
    """Thévenin: the supply divided by pull-up and meter, behind both in parallel, against the transistor and its leakage."""
    duty = np.linspace(0.0, 1.0, 11)
    line = line_of(duty, ohms=ohms)
    mean = line.voltage("LINE", "GND").mean
    siemens = 1 / PULL_UP + 1 / ohms + LEAK
    source, behind = SUPPLY / PULL_UP / siemens, 1 / siemens
    # The joint of 1 µΩ between the two is nothing.
    assert mean == pytest.approx(source * (1 - duty * behind / (behind + ON)), abs=1e-6)


def test_frequency_is_a_number_of_the_element() -> None:
    assert line_of(0.5, frequency=250.0).voltage("LINE", "GND").value("frequency") == pytest.approx([250.0])


def test_nothing_beyond_the_line_follows_the_pulses() -> None:
    """A wire that carries the supply's current keeps its place: the controller goes by the average, and so does all else."""
    circuit = cs.load(MINIBUS)
    state = Conditions.read(circuit)
    tasks = [Task(step, state, "voltmeter", "CMD", "GND") for step in ("1", "3")]
    batch = Batch(circuit, tasks, find_meter("standard"), {}, {})
    (line,) = pulled_lines(batch.points.solved)
    supply = batch.points.voltage(circuit.node("U1+"), "GND")
    for points in (line.let_go, line.pulled):
        assert points.voltage(circuit.node("U1+"), "GND") == pytest.approx(supply, rel=1e-12)
        assert points.current("M1") == pytest.approx(batch.points.solved.x[batch.points.system.index["M1:current"]], rel=1e-12)
    pulses = line.voltage(circuit.node("CMD"), "GND")
    # 2.2 kΩ to the controller's own supply, 15 Ω and a tenth of wires and joints to ground; 10 MΩ of meter and input.
    assert pulses.high == pytest.approx(supply, rel=1e-3)
    assert pulses.low == pytest.approx(supply * 15.1 / 2215.1, rel=2e-3)
    assert pulses.mean == pytest.approx(batch.points.voltage(circuit.node("CMD"), "GND"), rel=1e-3)


@pytest.mark.parametrize("meter", ["standard", "low-impedance"])
@pytest.mark.parametrize(
    "fault",
    [{}, {("X5.5", "resistance"): 1000.0}, {("X6.2", "resistance"): 1000.0}, {("short", "conductance"): 20.0}],
    ids=["free", "corroded joint", "corroded ground", "shorted line"],
)
def test_the_levels_average_to_the_averaged_line(fault: dict[tuple[str, str], float], meter: str) -> None:
    """Whatever hangs on it: the levels weighted by their shares of a period are the circuit's own voltage."""
    circuit = cs.load(MINIBUS)
    cmd, ground = circuit.node("CMD"), circuit.net.ground
    net = circuit.net.copy()
    net.add(Voltmeter("VM", cmd, ground, conductance=1 / find_meter(meter).input_resistance))
    net.add(Leak("short", cmd, ground, conductance=0.0))
    values = {("U2", "duty"): np.array([0.0, 0.5, 1.0]), **fault}
    for solve in (solve_batch, lambda n, v, **o: Points(compile_netlist(n).solve(v, **o))):  # chopped, and averaged
        points = solve(net, values, frozen=True)
        assert points.accepted.all()
        (line,) = pulled_lines(points.solved)
        for node in (cmd, "X6.1/part", "X6.2/part"):
            assert line.voltage(node, ground).mean == pytest.approx(points.voltage(node, ground), abs=1e-6)


@pytest.mark.parametrize(("unplugged", "level"), [("X5", 0.0), ("X6", 12.6)])
def test_a_line_that_is_parted_has_no_pulses(unplugged: str, level: float) -> None:
    """Without the controller nothing pulls it up, without the control unit nothing pulls it down."""
    circuit = cs.load(MINIBUS)
    batch = Batch(circuit, [Task("2", Conditions.read(circuit, unplug=unplugged), "voltmeter", "CMD", "GND")], *_nothing())
    (line,) = pulled_lines(batch.points.solved)
    wave = line.voltage(circuit.node("CMD"), "GND")
    assert wave.swing[0] < 1e-6
    assert float(wave.mean[0]) == pytest.approx(level, abs=0.2)


def _nothing() -> tuple[Any, dict[Any, Any], dict[Any, Any]]:
    return find_meter("standard"), {}, {}


def test_a_circuit_without_such_a_line_has_none() -> None:
    net = Netlist("plain")
    net.add(Battery("B", "P", "GND", emf=12.6, resistance=0.01))
    net.add(Wire("W", "P", "Q", area=1e-6, length=1.0))
    net.add(Resistor("R", "Q", "GND", resistance=10.0))
    assert pulled_lines(solve_batch(net, {}, size=1).solved) == []
