"""Small linear circuits whose readings have closed formulas, and circuits with other tolerances."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import circuitsim as cs
from circuitsim.library.circuit import Circuit, ProbePoint, StandardReading, StepTable, Supply
from circuitsim.quantities import Tolerance

BENCH_FAN = str(Path(__file__).with_name("bench-fan.toml"))
"""A circuit file of eight parts: about 40 faults, against the 170 of a vehicle's, and a diagnosis in a tenth of the time."""


def circuit_of(net: cs.Netlist, *readings: StandardReading, battery: str = "V0") -> Circuit:
    """A circuit with one step about a netlist that has `V0` from ground to `top`; every circuit has a motor, here idle."""
    net.add(cs.Motor("M1", "top", "GND", "s", resistance=1e6, constant=1.0, friction=0.1))
    return Circuit(net.name, "", 100.0, net, ("off",), "M1", Supply(battery, None, "top", "GND"), readings=readings)


def sources(widths: Sequence[float]) -> Circuit:
    """Sources in series, each with a rectangular emf of the given standard uncertainty: their sum is one reading."""
    net = cs.Netlist("four")
    at = "GND"
    for k, u in enumerate(widths):
        end = "top" if k == len(widths) - 1 else f"n{k}"
        net.chain(at, cs.VoltageSource(f"V{k}", emf=f"25 V ±{u * 3**0.5:.12f} V"), end)
        at = end
    net.chain("top", cs.Resistor("R", resistance=1e6), "GND")
    return circuit_of(net, StandardReading("sum", "voltmeter", "top", "GND"))


def divider(share: float, upper: float = 1000.0, lower: float = 3000.0, volts: float = 12.0) -> Circuit:
    """Two resistors of ± `share` (rectangular) across a source of ± `share`; the middle is read."""
    net = cs.Netlist("divider")
    spread = f"±{100 * share:.12g} %"
    net.chain("GND", cs.VoltageSource("V0", emf=f"{volts} V {spread}"), "top")
    net.chain("top", cs.Resistor("R1", resistance=f"{upper} Ω {spread}"), "mid")
    net.chain("mid", cs.Resistor("R2", resistance=f"{lower} Ω {spread}"), "GND")
    return circuit_of(net, StandardReading("middle", "voltmeter", "mid", "GND"))


def ladder(ohms: Sequence[tuple[float, float]], percent: float) -> Circuit:
    """Rungs of a series and a shunt resistor, all ± `percent` (rectangular): at each node one voltage is read."""
    net = cs.Netlist("ladder")
    net.chain("GND", cs.VoltageSource("V0", emf="12 V"), "top")
    at = "top"
    for k, (series, shunt) in enumerate(ohms):
        net.chain(at, cs.Resistor(f"A{k}", resistance=f"{series:.6g} Ω ±{percent} %"), f"n{k}")
        net.chain(f"n{k}", cs.Resistor(f"B{k}", resistance=f"{shunt:.6g} Ω ±{percent} %"), "GND")
        at = f"n{k}"
    return circuit_of(net, *(StandardReading(f"node {k}", "voltmeter", f"n{k}", "GND") for k in range(len(ohms))))


def narrowed(circuit: Circuit, factor: float) -> Circuit:
    """The circuit with every tolerance `factor` times as wide; the factor of a log-normal one to that power."""
    return with_tolerances(
        circuit,
        lambda t: replace(t, size=t.size**factor) if t.kind == "lognormal" else replace(t, size=t.size * factor),
    )


def with_tolerances(circuit: Circuit, change: Callable[[Tolerance], Tolerance]) -> Circuit:
    """The circuit with each tolerance changed."""
    net = circuit.net.copy()
    for name, e in net.elements.items():
        net.elements[name] = e = e.copy()
        for p, t in e.tolerances.items():
            e.tolerances[p] = change(t)
    tables = {
        key: StepTable(table.values, tuple(None if t is None else change(t) for t in table.tolerances))
        for key, table in circuit.step_tables.items()
    }
    return replace(circuit, net=net, step_tables=tables)


def blocked(winding: str) -> Circuit:
    """A battery, a joint that scatters by a factor, a blocked motor: three uncertain numbers.

    winding: the shape of the tolerance of the motor's resistance.
    """
    net = cs.Netlist("small")
    net.chain("GND", cs.Battery("BAT", emf=12.6, resistance=0.02, charge_resistance=0.2), "BAT+")
    net.chain("BAT+", cs.Pin("X1", resistance=0.05), "MOT+")
    net.add(cs.Motor("M1", "MOT+", "GND", "S", resistance=0.4, constant=0.03, friction=0.02))
    net.add(cs.ForwardCurvedFan("FAN1", "S", torque=0.4, speed=300.0))
    net.elements["BAT"].tolerances["emf"] = Tolerance("normal", 0.02, relative=True)
    net.elements["X1"].tolerances["resistance"] = Tolerance("lognormal", 2.0)
    net.elements["M1"].tolerances["resistance"] = Tolerance(winding, 0.10, relative=True)
    probes = {name: ProbePoint(name, name, "") for name in ("BAT+", "MOT+")}
    return Circuit("small", "", 12.0, net, ("off", "on"), "M1", Supply("BAT", None, "BAT+", "GND"), probes=probes)
