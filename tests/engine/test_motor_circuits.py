"""Motor, fan, heat and controller together: what theory says of such circuits, whatever their numbers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import circuitsim as cs
from circuitsim.elements.base import Domain
from circuitsim.engine.operating import Compiled, compile_netlist
from circuitsim.engine.points import Points

Bench = Callable[..., cs.Netlist]
REPEATABLE = settings(derandomize=True, deadline=None, max_examples=25)
# The acceptance rule leaves 1e-9 of each value; a power is a product of a few.
POWER = 1e-8

# Steps of the bench: the command of the linear and of the chopping controller falls as speed rises.
STEPS = [0.0, 0.5, 3.0, 6.0, 9.0, 12.6]


def points_of(net: cs.Netlist, command: float | None, *, frozen: bool = False, ambient: float = 20.0) -> Points:
    values = {} if command is None else {("VC", "emf"): command}
    return cs.solve_batch(net, values, frozen=frozen, ambient=ambient)


def cases() -> list[tuple[str, float | None]]:
    return [("linear", c) for c in STEPS] + [("pwm", c) for c in STEPS] + [("pack", None), ("wire", None)]


@pytest.mark.parametrize(("control", "command"), cases())
@pytest.mark.parametrize("frozen", [True, False])
def test_energy_balances_over_the_whole_circuit(control: str, command: float | None, frozen: bool, bench: Bench) -> None:
    """What the sources bring in is heat: in the surroundings (the fan's air too), or named by a law, and nothing else.

    With the bodies' temperatures held, what they take up counts as well.
    """
    net = bench(control)
    points = points_of(net, command, frozen=frozen, ambient=35.0)
    assert points.valid.all()
    delivered = heat = 0.0
    for name, element in net.elements.items():
        outputs = points.outputs(name)
        delivered += outputs["source power"][0]
        heat += outputs["heat"][0]
        for t in element.terminals:
            if t.domain is Domain.THERMAL and (frozen or element.nodes[t.name] == "ambient"):
                heat -= points.flow(name, t.name)[0]
    assert delivered > 0
    assert heat == pytest.approx(delivered, rel=POWER)


@pytest.mark.parametrize(("control", "command"), cases())
def test_torque_and_heat_balance_at_every_node(control: str, command: float | None, bench: Bench) -> None:
    net = bench(control)
    points = points_of(net, command)
    for node, domain in net.nodes().items():
        if node in net.references():
            continue
        flows = [
            points.flow(name, t)[0] for name, element in net.elements.items() for t, n in element.nodes.items() if n == node
        ]
        # The rule counts slope × value too: 1000 S × 12 V at a node of contacts, 1e-12 of which is 12 nA; and 1 µK is
        # its floor for temperatures, which some W/K turn into microwatts.
        slack = {Domain.ELECTRICAL: 2e-8, Domain.ROTATIONAL: 1e-12, Domain.THERMAL: 5e-6}[domain]
        assert abs(sum(flows)) <= 1e-9 * max(map(abs, flows)) + slack


def test_fan_air_carries_the_shaft_power(bench: Bench) -> None:
    points = points_of(bench(), 0.0)
    power = points.output("M1", "torque") * points.speed("shaft")
    assert power[0] > 10
    assert -points.flow("FAN", "air") == pytest.approx(power, rel=POWER)


@pytest.mark.parametrize("frozen", [True, False])
def test_motor_current_falls_as_series_resistance_rises(frozen: bool, bench: Bench) -> None:
    """A fan and friction take more torque the faster they turn, so more ohms mean less current and less speed."""
    net = bench("wire")
    points = cs.solve_batch(net, {("X1", "resistance"): np.logspace(-4, 6, 201)}, frozen=frozen)
    assert points.accepted.all()
    current, speed = points.current("M1"), points.speed("shaft")
    assert (np.diff(current) < 0).all()
    assert (np.diff(speed) <= 0).all()
    assert speed[0] > 200
    assert speed[-1] == 0
    moving = {"running", "runs away at X1", "stalled", "at rest"}
    assert set(points.verdicts) <= moving
    assert points.verdicts[0] == "running"


@REPEATABLE
@given(
    ohms=st.floats(0.05, 2.0), constant=st.floats(0.01, 0.1), friction=st.floats(0.0, 0.05), brush=st.floats(0.0, 1.5),
    torque=st.floats(0.01, 1.0), supply=st.floats(2.0, 30.0),
)  # fmt: skip
def test_any_motor_on_any_fan(
    ohms: float, constant: float, friction: float, brush: float, torque: float, supply: float
) -> None:
    """Current between none and locked, back-EMF below the supply, current monotone in series resistance."""
    net = cs.Netlist("any motor")
    motor = {"resistance": ohms, "constant": constant, "friction": friction, "brush_drop": brush}
    net.chain("GND", cs.VoltageSource("V", emf=supply), "a", cs.Resistor("R", resistance=1.0), "b")
    net.add(cs.Motor("M1", "b", "GND", "shaft", **motor))
    net.add(cs.ForwardCurvedFan("FAN", "shaft", torque=torque, speed=250.0))
    points = cs.solve_batch(net, {("R", "resistance"): np.logspace(-4, 3, 29)}, frozen=True)
    assert points.accepted.all()
    current, speed = points.current("M1"), points.speed("shaft")
    assert (np.diff(current) <= 1e-9 * current[:-1]).all()  # the acceptance rule
    assert (current > 0).all()
    assert (current <= supply / (ohms + np.logspace(-4, 3, 29))).all()
    assert (speed >= 0).all()
    assert (points.output("M1", "back emf") < supply).all()


@pytest.mark.parametrize(("control", "command"), cases())
def test_order_and_names_do_not_matter(control: str, command: float | None, bench: Bench) -> None:
    """The same circuit, its elements added in reverse and its nodes renamed, gives the same point."""
    net = bench(control)
    other = cs.Netlist("reversed")
    for element in reversed(net.elements.values()):
        copy = element.copy()
        copy.nodes = {t: node if node in net.references() else f"z.{node}" for t, node in element.nodes.items()}
        other.add(copy)
    first, second = points_of(net, command), points_of(other, command)
    for node, domain in net.nodes().items():
        new = node if node in net.references() else f"z.{node}"
        read = {Domain.ELECTRICAL: "voltage", Domain.ROTATIONAL: "speed", Domain.THERMAL: "temperature"}[domain]
        # The same iteration in another order of sums: only rounding, 1e-12, where the largest and the smallest
        # conductance at a node lie no further apart than 1 mΩ and 10 MΩ: 1e10 roundings of 1e-16 leave a microvolt.
        expected = getattr(first, read)(node)
        assert getattr(second, read)(new) == pytest.approx(expected, rel=1e-9, abs=1e-6)


def random_starts(compiled: Compiled, count: int, seed: int) -> np.ndarray:
    """Starts anywhere: ±20 V, ±50 A, ±500 rad/s, −80 to 120 °C."""
    rng = np.random.default_rng(seed)
    reach = {"V": 20.0, "A": 50.0, "rad/s": 500.0, "°C": 100.0}
    system = compiled.system
    start = np.zeros((len(system.index_rows), count))
    for row, unit in enumerate(system.units):
        start[row] = rng.uniform(-1, 1, count) * reach.get(unit, 3.0) + (20.0 if unit == "°C" else 0.0)
    start[system.index["ambient"]] = 20.0
    return start


@pytest.mark.parametrize(("control", "command"), cases())
def test_random_starts_find_the_same_root(control: str, command: float | None, bench: Bench) -> None:
    """The operating point is the state reached from rest; 64 other starts find no other that could pass for it."""
    compiled = compile_netlist(bench(control))
    values = {} if command is None else {("VC", "emf"): command}
    reference = Points(compiled.solve(values))
    found = Points(compiled.solve(values, start=random_starts(compiled, 64, seed=len(control)), size=64))
    assert found.accepted.all()
    assert set(found.verdicts) == set(reference.verdicts)
    # The acceptance rule leaves 1e-9 of each value and 1 µK.
    assert np.abs(found.solved.x - reference.solved.x) == pytest.approx(0.0, abs=2e-6)


def displayed(points: Points, nodes: list[str]) -> np.ndarray:
    return np.array([points.voltage(node)[0] for node in nodes])


@pytest.mark.parametrize("motor", [True, False], ids=["motor", "open plug"])
@pytest.mark.parametrize("command", [-1.0, 0.0, 0.005, 0.1, 0.5, 3.0, 6.0, 9.0, 12.0, 12.5, 12.6, 14.0])
@pytest.mark.parametrize("control", ["linear", "pwm"])
def test_halved_widths_move_no_displayed_digit(control: str, command: float, motor: bool, bench: Bench) -> None:
    """A meter shows no digit below 1 mV on these ranges; currents, speeds and temperatures show four or five digits."""
    net = bench(control, motor=motor)
    compiled = compile_netlist(net)
    values = {("VC", "emf"): command}
    whole, half = (Points(compiled.solve(values, smooth=smooth)) for smooth in (1.0, 0.5))
    assert whole.accepted.all()
    assert half.accepted.all()
    nodes = [node for node, domain in net.nodes().items() if domain is Domain.ELECTRICAL]
    assert displayed(half, nodes) == pytest.approx(displayed(whole, nodes), rel=1e-5, abs=1e-3)
    bodies = [node for node, domain in net.nodes().items() if domain is Domain.THERMAL]
    hot = [[p.temperature(body)[0] for body in bodies] for p in (whole, half)]
    assert hot[1] == pytest.approx(hot[0], rel=1e-5, abs=1e-2)
    assert half.speed("shaft") == pytest.approx(whole.speed("shaft"), rel=1e-5)
    if motor:
        assert half.current("M1") == pytest.approx(whole.current("M1"), rel=1e-5, abs=1e-3)


@pytest.mark.parametrize("control", ["linear", "pwm"])
def test_open_plug_reads_what_is_there(control: str, bench: Bench) -> None:
    """With the motor's plug off and the stage fully on, its low side is dead: zero volts on a meter."""
    points = points_of(bench(control, motor=False), 0.0)
    assert points.voltage("MOT-", "PGND") == pytest.approx(0.0, abs=1e-3)
    assert points.voltage("MOT+") == pytest.approx(points.voltage("B+"), abs=1e-3)


@pytest.mark.parametrize("control", ["linear", "pwm"])
def test_off_reads_supply_at_the_low_side(control: str, bench: Bench) -> None:
    """Off, nothing flows but the meter's microampere and leakage: feed and low side read the supply, to a digit."""
    points = points_of(bench(control), 14.0)
    assert points.verdicts == ("at rest",)
    assert points.voltage("MOT-") == pytest.approx(points.voltage("B+"), abs=1e-3)
    assert abs(points.current("M1")[0]) < 3e-6
