"""Bench circuits that several engine tests share: a fed motor with a fan, its ground side controlled in three ways."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import pytest
from checkout import load_benchmark

import circuitsim as cs

Bench = Callable[..., cs.Netlist]
MOTOR = {
    "resistance": 0.3, "constant": 0.03, "friction": 0.02, "viscous": 1e-5, "winding_resistance_heat": 0.7,
    "case_resistance_heat": 0.4,
}  # fmt: skip


def feed(net: cs.Netlist) -> None:
    """Battery, fuse, wire and a mated pin, up to MOT+."""
    net.add(cs.Battery("BAT", "B+", "GND", emf=12.6, resistance=0.012))
    wire = cs.Wire("W1", area="2.5 mm²", length="2 m")
    net.chain("B+", cs.Fuse("F1", rating="30 A"), wire, cs.Pin("X1", resistance="4 mΩ"), "MOT+")


def ground_side(net: cs.Netlist, control: str) -> None:
    """What lies between MOT- and ground: a linear or chopping controller with its command, a resistor pack, a wire."""
    places = {
        "supply": "B+", "low": "MOT-", "power_ground": "PGND", "signal_ground": "PGND", "command": "CMD",
        "cooling_shaft": "shaft",
    }  # fmt: skip
    if control == "pack":
        first = cs.PackSection("P1", resistance=1.0, cooling_shaft="shaft")
        net.chain("MOT-", first, "TAP", cs.PackSection("P2", resistance=0.5, cooling_shaft="shaft"), "PGND")
    elif control == "wire":
        net.chain("MOT-", cs.Wire("W2", area="2.5 mm²", length="1 m"), "PGND")
    else:
        net.add({"linear": cs.LinearController, "pwm": cs.PwmController}[control]("U1", **places))
        net.add(cs.VoltageSource("VC", "CMD", "GND", emf=0.0, resistance=100.0))
    net.chain("PGND", cs.Contact("X9", resistance="3 mΩ"), "GND")
    net.add(cs.Voltmeter("VM", "MOT-", "GND"))


@pytest.fixture
def bench() -> Bench:
    """Give a bench circuit; keywords change the motor, `load` replaces the fan, `motor=False` leaves a plug open."""

    def build(control: str = "linear", *, load: cs.Element | None = None, motor: bool = True, **values: float) -> cs.Netlist:
        net = cs.Netlist("bench")
        feed(net)
        if motor:
            net.add(cs.Motor("M1", "MOT+", "MOT-", "shaft", **MOTOR | values))
        else:
            net.add(cs.Voltmeter("VF", "MOT+", "GND"))
            net.add(cs.ConstantTorque("BEARING", "shaft", torque=0.02))
        net.add(load or cs.ForwardCurvedFan("FAN", "shaft", torque=0.25, speed=250.0))
        ground_side(net, control)
        return net

    return build


@pytest.fixture(scope="session")
def chopping() -> ModuleType:
    """The benchmark of chopped circuits: random ones, their equations by hand, and integrators run to the steady state."""
    return load_benchmark("chopping")
