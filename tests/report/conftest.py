"""What the report's tests share: charts and circuits made by hand, with names that try to break a layout."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from circuitsim.elements import Battery, Fuse, Motor, Pin, Resistor, Switch, Wire
from circuitsim.library.circuit import Circuit, Connector, ProbePoint, StandardReading, StepTable, Supply
from circuitsim.network import Netlist
from circuitsim.quantities import Tolerance
from circuitsim.studies.chart import Chart, OperatingPoint, Reading

MakeReading = Callable[..., Reading]
MakeChart = Callable[..., Chart]


@pytest.fixture
def make_reading() -> MakeReading:
    """Make a reading; what is not given is that of a voltmeter on MOT- at step 1."""

    def make(**given: Any) -> Reading:
        plain: dict[str, Any] = {
            "step": "1", "unplugged": (), "instrument": "voltmeter", "red": "MOT-", "black": "GND", "at": "",
            "quantity": "voltage", "unit": "V", "expected": 8.5, "low": 8.25, "high": 8.75, "standard": 0.1,
            "display": "8.50 V", "label": "motor low side", "rule": "", "ignition": "on", "engine": "off", "fitted": (),
            "verdict": "running", "floating": False, "residual": 1e-15,
        }  # fmt: skip
        return Reading(**{**plain, **given})

    return make


@pytest.fixture
def make_chart() -> MakeChart:
    """Make a chart of readings, with an operating point at each of its steps."""

    def make(*readings: Reading, **given: Any) -> Chart:
        steps = dict.fromkeys(r.step for r in readings)
        points = tuple(OperatingPoint(s, 2.0, 100.0, 4.0, "running", "Newton from rest", 1e-15, 5) for s in steps)
        plain: dict[str, Any] = {
            "circuit": "bench-fan", "title": "fan on the bench", "conditions": {"ignition": "on"},
            "summary": "ignition on, engine off", "meter": "workshop multimeter", "readings": readings,
            "operating_points": points, "cautions": ("Keep fingers clear of the wheel.",),
        }  # fmt: skip
        return Chart(**{**plain, **given})

    return make


@pytest.fixture
def bench() -> Circuit:
    """A battery, a fuse, a motor that can be unplugged, two selector contacts side by side and a resistor in one."""
    net = Netlist("bench-fan")
    net.add(Battery("BAT", "BAT+", "GND", emf="12.6 V ±0.1 V", resistance="12 mΩ"))
    feed = (Fuse("F1", rating="20 A"), Wire("W1", area="2.5 mm²", length="1.8 m ±10 %"), Pin("X1.A", resistance="3 mΩ"))
    net.chain("BAT+", *feed, "M1+")
    net.add(Motor("M1", "M1+", "M1-", "FAN", resistance="0.2 Ω", constant="0.03 V·s/rad"))
    net.chain("M1-", Pin("X1.B", resistance="3 mΩ"), "LOW", backwards=["X1.B"])
    net.chain("LOW", Resistor("R1", resistance="0.8 Ω ±5 %"), Switch("S1"), "GND")
    net.chain("LOW", Switch("S2"), "GND")
    tables = {
        ("S1", "closed"): StepTable((0.0, 1.0, 0.0), (None, None, None)),
        ("S2", "closed"): StepTable((0.0, 0.0, 1.0), (None, None, None)),
        ("R1", "resistance"): StepTable((0.8, 0.8, 0.9), (Tolerance("uniform", 0.05, True), None, None)),
    }
    return Circuit(
        "bench-fan", "fan on the bench", 12.0, net, ("off", "1", "2"), "M1", Supply("BAT", None, "BAT+", "GND"),
        step_tables=tables,
        connectors={
            "X1": Connector("X1", "motor connector", ("X1.A", "X1.B"), "M1"),
            "X9": Connector("X9", "fuse box", ("X9.1",), "F1", unpluggable=False),
        },
        probes={
            "MOT-": ProbePoint("MOT-", "LOW", "back of the motor connector", "BU"),
            "GND": ProbePoint("GND", "GND", "frame"),
        },
        readings=(StandardReading("motor low side", "voltmeter", "LOW", "GND"),),
        cautions=("Keep fingers clear of the wheel.",),
    )  # fmt: skip
