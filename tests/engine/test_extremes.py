"""Opens, dead shorts, seized shafts, flat batteries, runaway, and circuits that have no answer."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.elements.base import Element, Law, Parameter, Symbols, Unknown, electrical

Bench = Callable[..., cs.Netlist]


def divider(ohms: float, load: float = 2.0) -> cs.Netlist:
    net = cs.Netlist("divider")
    net.chain("GND", cs.VoltageSource("V", emf=12.0), "a", cs.Resistor("X", resistance=ohms), "b")
    net.chain("b", cs.Resistor("L", resistance=load), "GND")
    return net


@pytest.mark.parametrize("ohms", [1e12, 1e9, 1e6, 1.0, 1e-3, 1e-4, 1e-5, 2e-6, 1e-6, 0.99e-6, 0.5e-6, 1e-9, 0.0])
def test_series_resistance_from_open_to_dead_short(ohms: float) -> None:
    """Ohm's law from 1e12 Ω to nothing; below 1 µΩ the two nodes are one and the balance gives the current."""
    point = cs.solve(divider(ohms))
    exact = 12.0 / (ohms + 2.0)
    # Merging leaves out at most 1 µΩ of 2 Ω; else rounding and the acceptance rule.
    slack = 5e-7 if ohms < 1e-6 else 1e-9
    assert point.current("X") == pytest.approx(exact, rel=slack)
    assert point.current("L") == pytest.approx(exact, rel=slack)
    assert point.current("V") == pytest.approx(-exact, rel=slack)
    assert point.voltage("b") == pytest.approx(2.0 * exact, rel=slack)


def test_merged_nodes_are_one() -> None:
    point = cs.solve(divider(0.5e-6))
    assert point.voltage("a", "b") == 0.0
    assert point.voltage("X/in") == point.voltage("X/out") == 12.0


def test_chain_of_dead_shorts_to_ground() -> None:
    """Three shorts in a row: all their nodes are one; only those at a live element have a current of their own."""
    net = cs.Netlist("shorts")
    net.chain("GND", cs.VoltageSource("V", emf=12.0, resistance=1.0), "a", cs.Resistor("L", resistance=2.0), "b")
    net.chain("b", *(cs.Resistor(f"S{k}", resistance=0.0) for k in range(3)), "GND")
    point = cs.solve(net)
    assert point.voltage("b") == point.voltage("S1/out") == 0.0
    # Two exact resistors: rounding.
    assert point.current("S0") == pytest.approx(4.0, rel=1e-12)
    with pytest.raises(cs.InputError, match="S1"):
        point.current("S1")


def test_dead_short_has_no_flow_or_parameter_of_its_own() -> None:
    points = cs.solve_batch(divider(0.0))
    with pytest.raises(cs.InputError, match="X is a dead short here; ask for its current"):
        points.flow("X", "a")
    with pytest.raises(cs.InputError, match="X is a dead short here; it has no parameter left to change"):
        cs.solve_batch(divider(0.0), {("X", "resistance"): [1.0, 2.0]})


def test_jumper_across_a_stage(bench: Bench) -> None:
    """A dead short from the low side to ground: full speed whatever the command, and no shorted source."""
    net = bench()
    net.add(cs.Jumper("J", "MOT-", "PGND", resistance=0.0))
    point = cs.solve_batch(net, {("VC", "emf"): [12.6, 0.0]})
    assert point.accepted.all()
    assert point.verdicts == ("running", "running")
    assert point.voltage("MOT-", "PGND") == pytest.approx([0.0, 0.0], abs=1e-12)
    assert point.speed("shaft")[0] == pytest.approx(point.speed("shaft")[1], rel=1e-9)  # the acceptance rule
    assert point.current("J") == pytest.approx(point.current("M1"), rel=1e-3)  # the stage's and meter's share


def test_open_feed(bench: Bench) -> None:
    """1e12 Ω in the feed: the motor stands, and both its leads are at the stage's own level, near zero."""
    points = cs.solve_batch(bench("wire"), {("X1", "resistance"): 1e12})
    assert points.verdicts == ("at rest",)
    assert points.speed("shaft")[0] == 0.0
    assert abs(points.current("M1")[0]) < 13e-12  # 12.6 V over 1e12 Ω
    assert points.voltage("MOT+")[0] == pytest.approx(0.0, abs=1e-9)


def test_megohm_meter_on_an_open_pin() -> None:
    """1 µΩ beside a 10 MΩ meter: the meter reads the supply although its own current is lost among the terms."""
    net = cs.Netlist("open pin")
    net.add(cs.VoltageSource("V", "B+", "GND", emf=12.0, resistance=0.01))
    net.chain("B+", cs.Contact("X1", resistance=1e-6), cs.Contact("X2", resistance=1e-6), "pin")
    net.add(cs.Voltmeter("M", "pin", "GND"))
    point = cs.solve(net)
    assert point.voltage("pin") == pytest.approx(12.0, abs=1e-6)  # 1.2 µA through 10 mΩ
    assert point.flow("M", "red") == pytest.approx(1.2e-6, rel=1e-6)


@pytest.mark.parametrize("short", [1e-6, 1e-5, 1e-3])
def test_floating_cluster_of_shorts_behind_megohms(short: float) -> None:
    """Two contacts of micro-ohms that only megohms hold: 12 V over 1 MΩ and 10 MΩ is 10.909 V at all three nodes.

    Here the sum of 1e6 S and 1e-7 S loses the smaller one. A meter must still read right to its last digit, 1 mV.
    """
    net = cs.Netlist("cluster")
    net.chain("GND", cs.VoltageSource("V", emf=12.0), "B+", cs.Resistor("R", resistance=1e6), "a")
    net.chain("a", cs.Contact("X1", resistance=short), "b", cs.Contact("X2", resistance=short), "c")
    net.add(cs.Voltmeter("M", "c", "GND"))
    point = cs.solve(net)
    for node in ("a", "b", "c"):
        assert point.voltage(node) == pytest.approx(12.0 * 10 / 11, abs=1e-3)


def test_locked_shaft(bench: Bench) -> None:
    """A seized motor is a resistance: current is supply over ohms, and the verdict says locked."""
    net = bench("wire", load=cs.LockedShaft("SEIZED", "shaft"))
    points = cs.solve_batch(net, frozen=True)
    assert points.verdicts == ("locked",)
    assert points.speed("shaft")[0] == 0.0
    assert points.output("M1", "back emf")[0] == 0.0
    amperes = points.current("M1")[0]
    brushes = 0.6 * np.tanh(amperes / 0.1)
    assert points.voltage("MOT+", "MOT-")[0] == pytest.approx(0.3 * amperes + brushes, rel=1e-9)  # the rule
    # The shaft holds all torque that the current makes, friction standing by.
    assert abs(points.output("SEIZED", "torque")[0]) == pytest.approx(0.03 * amperes, rel=0.05)


def test_warm_locked_motor_runs_away(bench: Bench) -> None:
    """Locked for good, a winding has no temperature that a reading could stand for."""
    points = cs.solve_batch(bench("wire", load=cs.LockedShaft("SEIZED", "shaft")))
    assert points.verdicts[0].startswith("runs away at ")
    assert not points.valid[0]


def test_stalled_motor(bench: Bench) -> None:
    """A load past what the motor can turn: speed exactly 0, current that of a resistance, verdict stalled."""
    net = bench("wire", load=cs.ConstantTorque("BRAKE", "shaft", torque=5.0))
    points = cs.solve_batch(net, frozen=True)
    assert points.verdicts == ("stalled",)
    assert points.speed("shaft")[0] == 0.0
    locked = cs.solve_batch(bench("wire", load=cs.LockedShaft("SEIZED", "shaft")), frozen=True)
    # Standing, the shaft creeps by no more than milliradians: 30 µV of back-EMF in 12 V.
    assert points.current("M1") == pytest.approx(locked.current("M1"), rel=1e-5)


def test_breakaway(bench: Bench) -> None:
    """It turns as soon as the motor's torque passes load and friction together, and not before."""
    torque = np.linspace(0.5, 1.5, 41)
    net = bench("wire", load=cs.ConstantTorque("BRAKE", "shaft", torque=1.0))
    points = cs.solve_batch(net, {("BRAKE", "torque"): torque}, frozen=True)
    assert points.accepted.all()
    locked = cs.solve_batch(bench("wire", load=cs.LockedShaft("SEIZED", "shaft")), frozen=True).current("M1")[0]
    turns = 0.03 * locked > torque + 0.02
    assert [v == "running" for v in points.verdicts] == turns.tolist()
    assert {v for v, turning in zip(points.verdicts, turns, strict=True) if not turning} == {"stalled"}
    assert (points.speed("shaft")[~turns] == 0).all()


@pytest.mark.parametrize(("emf", "ohms", "verdict"), [(0.0, 0.01, "at rest"), (0.5, 0.01, "stalled"), (12.0, 30.0, "stalled")])
def test_flat_battery(emf: float, ohms: float, verdict: str, bench: Bench) -> None:
    """No charge, or none that comes through: too little to pass the brushes and friction."""
    points = cs.solve_batch(bench("wire"), {("BAT", "emf"): emf, ("BAT", "resistance"): ohms}, ambient=25.0)
    assert points.verdicts == (verdict,)
    assert points.speed("shaft")[0] == 0.0
    assert points.voltage("B+")[0] <= emf + 1e-3  # a meter's digit


@pytest.mark.parametrize("control", ["linear", "pwm"])
@pytest.mark.parametrize("emf", [0.0, 1e-6, 1.0, 4.0, 6.0])
def test_controller_on_a_flat_battery(control: str, emf: float, bench: Bench) -> None:
    """Below its waking voltage the stage stays off; above it may run; either way there is a point."""
    points = cs.solve_batch(bench(control), {("BAT", "emf"): emf, ("BAT", "charge_resistance"): 0.012}, ambient=25.0)
    assert points.valid.all()
    assert -1e-3 <= points.voltage("MOT-")[0] <= emf + 1e-3  # a digit of a meter
    if emf < 5:
        assert points.speed("shaft")[0] == 0.0


@pytest.mark.parametrize("command", [-5.0, 0.0, 6.0, 12.6, 30.0])
@pytest.mark.parametrize("gain_offset", [(1.0, 0.0), (-1.0, 12.6), (5.0, -20.0)])
@pytest.mark.parametrize("motor", [True, False], ids=["motor", "open plug"])
def test_controller_far_outside_its_commands(
    command: float, gain_offset: tuple[float, float], motor: bool, bench: Bench
) -> None:
    """A command below ground or far past the supply drives the stage fully on or off, with the plug on or off."""
    gain, offset = gain_offset
    values = {("VC", "emf"): command, ("U1", "gain"): gain, ("U1", "offset"): offset}
    points = cs.solve_batch(bench(motor=motor), values)
    assert points.valid.all()
    target = gain * command + offset
    if motor:
        assert points.verdicts == ("running" if target < 11 else "at rest",)
    else:
        assert points.voltage("MOT-", "PGND")[0] == pytest.approx(0.0, abs=1e-3)  # a dead pin, to a meter's digit


def test_fed_contact_runs_away() -> None:
    """A current source has no end of voltage: the contact melts, and the answer says which."""
    net = cs.Netlist("fed contact")
    net.chain("GND", cs.CurrentSource("I1", current=30.0), "a", cs.Contact("X4", resistance=0.5), "GND")
    points = cs.solve_batch(net)
    assert points.verdicts == ("runs away at X4",)
    assert not points.valid[0]


def test_contact_in_series_with_a_motor_has_a_worst_resistance(bench: Bench) -> None:
    """More ohms at first mean more heat, then less: the hottest joint is no end of the range (plain physics)."""
    ohms = np.logspace(-3, 2, 101)
    points = cs.solve_batch(bench("wire"), {("X1", "resistance"): ohms}, frozen=True)
    heat = points.voltage("X1/in", "X1/out") * points.current("X1")
    worst = int(np.argmax(heat))
    assert 0 < worst < 100
    assert (np.diff(heat[: worst + 1]) > 0).all()
    assert (np.diff(heat[worst:]) < 0).all()


# Planted, without a kind word: a circuit with no answer, and one whose only answer is unstable.


class Impossible(Element):
    """Draws 1 A + v²/1 Ω·V: behind 1 Ω from 0 V there is no voltage at which that balances."""

    terminals = (electrical("a"), electrical("b"))
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        v = s.a - s.b
        return Law(flows={"a": 1 + v**2, "b": -1 - v**2})


class Tipping(Element):
    """A charge that runs from where it is: C·dv/dt = +G·v."""

    terminals = (electrical("a"), electrical("b"))
    parameters = (Parameter("conductance", "S", "negative on purpose", 1.0),)
    unknowns = (Unknown("current", "A", "into a"),)
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        i = s.current
        return Law(
            flows={"a": i, "b": -i},
            balances={"current": s.a - s.b + i / s.conductance},
            stores={"current": -1e-3 * i},
        )


def test_no_answer_is_an_error_that_names_the_place() -> None:
    net = cs.Netlist("impossible")
    net.chain("GND", cs.Resistor("R1", resistance=1.0), "here", Impossible("N1"), "GND")
    with pytest.raises(cs.SolveError) as caught:
        cs.solve(net)
    error = caught.value
    assert (error.circuit, error.worst) == ("impossible", "here")
    assert error.residual is not None
    assert error.residual > 1e-12
    text = str(error)
    assert "no operating point" in text
    assert "worst balance at 'here'" in text
    assert "\n" not in text


def test_no_answer_in_a_batch_is_marked() -> None:
    """Only the samples without an answer are; `require` then counts them."""
    net = cs.Netlist("impossible")
    net.chain("GND", cs.VoltageSource("V", emf=0.0), "a", cs.Resistor("R1", resistance=1.0), "here", Impossible("N1"), "GND")
    points = cs.solve_batch(net, {("V", "emf"): [0.0, 3.0, 0.5]})
    assert points.accepted.tolist() == [False, True, False]
    assert [v == "unconverged" for v in points.verdicts] == [True, False, True]
    assert points.valid.tolist() == [False, True, False]
    # v² + v + 1 = 3 has the root 1 (by hand); the solver's rule leaves 1e-9.
    assert points.voltage("here")[1] == pytest.approx(1.0, rel=1e-9)
    with pytest.raises(cs.SolveError, match="2 of 3 samples"):
        points.require("planted")


def test_an_unstable_point_is_no_reading() -> None:
    net = cs.Netlist("tipping")
    net.chain("GND", cs.VoltageSource("V", emf=1.0), "a", cs.Resistor("R", resistance=0.5), "b", Tipping("T"), "GND")
    points = cs.solve_batch(net)
    assert points.verdicts == ("unstable",)
    assert not points.valid[0]


@pytest.mark.parametrize("case", ["ideal sources in parallel", "two locks", "nothing conducts", "shorted dead source"])
def test_what_is_not_determined_is_an_error(case: str) -> None:
    """Singular circuits: a plain error, and no warning from numpy on the way."""
    net = cs.Netlist(case)
    net.chain("GND", cs.VoltageSource("V1", emf=0.0 if "dead" in case else 12.0), "a")
    if case == "ideal sources in parallel":
        net.chain("GND", cs.VoltageSource("V2", emf=12.0), "a", cs.Resistor("R", resistance=1.0), "GND")
    elif case == "two locks":
        net.add(cs.Motor("M1", "a", "GND", "shaft", resistance=0.3, constant=0.03))
        net.add(cs.LockedShaft("L1", "shaft"))
        net.add(cs.LockedShaft("L2", "shaft"))
    elif case == "nothing conducts":
        net.chain("a", cs.Leak("L1", conductance=0.0), "b", cs.Leak("L2", conductance=0.0), "GND")
    else:
        net.chain("a", cs.Resistor("R", resistance=0.0), "GND")
    with pytest.raises((cs.SolveError, cs.InputError)):
        cs.solve(net)


def test_a_battery_in_a_dead_short_has_no_unknown_left() -> None:
    """Everything is one node: solved at once, with the battery's short-circuit current."""
    net = cs.Netlist("short")
    net.add(cs.Battery("B", "a", "GND", emf=12.0, resistance=0.01))
    net.add(cs.Resistor("R", "a", "GND", resistance=0.0))
    points = cs.solve_batch(net, ambient=25.0)
    assert points.accepted.all()
    assert points.voltage("a")[0] == 0.0
    assert points.current("B")[0] == pytest.approx(-1200.0, rel=1e-9)  # 12 V over 10 mΩ, the acceptance rule


def test_what_runs_away_without_end_has_no_numbers() -> None:
    """No point was accepted, so none is given: NaN, and the verdict."""
    net = cs.Netlist("fed wire")
    net.chain("GND", cs.CurrentSource("I1", current=100.0), "a", cs.Wire("W1", area=1e-6, length=2.0), "GND")
    points = cs.solve_batch(net)
    assert points.verdicts == ("runs away at W1",)
    assert not points.accepted[0]
    assert np.isnan(points.voltage("a")[0])
    assert np.isnan(points.current("W1")[0])
    assert not points.valid[0]
