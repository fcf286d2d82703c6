"""Motors at rest and running, corroded connections, and fans against the affinity laws.

UP2, CP2e: open textbooks (module given); DOE: DOE-HDBK-1012/3-92. Windings and magnets are held at 20 °C, where
resistance and constant are stated; brushes drop nothing, as in the books. The load's torque is chosen so that the
stated current flows: torque = constant × current. A printed number is matched to half a unit of its last digit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import pi

import pytest

import circuitsim as cs

Matches = Callable[[float, str], None]
CONSTANT = 0.05  # V·s/rad; any will do, since the books give voltages and not speeds


def motor(ohms: float) -> cs.Motor:
    return cs.Motor("M1", shaft="shaft", resistance=ohms, constant=CONSTANT, brush_drop=0.0)


def bench(volts: float, ohms: float, field: float, load: cs.Element) -> cs.Point:
    net = cs.Netlist("motor bench")
    net.chain("GND", cs.VoltageSource("V", emf=volts), "a", cs.Resistor("F", resistance=field), "b", motor(ohms), "GND")
    net.add(load)
    return cs.solve(net, frozen=True)


def started(volts: float, ohms: float, field: float = 0.0) -> cs.Point:
    return bench(volts, ohms, field, cs.LockedShaft("L", "shaft"))


def running(volts: float, ohms: float, amperes: float, field: float = 0.0) -> cs.Point:
    return bench(volts, ohms, field, cs.ConstantTorque("L", "shaft", torque=CONSTANT * amperes))


@dataclass(frozen=True)
class Row:
    """A textbook's motor: what is given, and the printed answers."""

    source: str
    volts: float
    ohms: float
    amperes: float
    back_emf: str
    mechanical: str | None = None
    heat: str | None = None
    start: str | None = None
    field: float = 0.0


ROWS = [
    Row("UP2 m58481 example, 48.0 V", 48.0, 0.400, 20.0, "40.0", heat="160", start="120"),
    Row("UP2 m58481 example, 10 A", 120.0, 2.0, 10.0, "100", mechanical="1.0e3", heat="200"),
    Row("UP2 m58481 example, 20 A", 120.0, 2.0, 20.0, "80", mechanical="1.6e3", heat="800"),
    Row("UP2 m58481 problem, field and armature", 120.0, 10.0, 0.50, "75", "37.5", "22.5", "1.33", field=80.0),
    Row("CP2e m42411, 12.00 Ω", 120.0, 12.00, 20 / 12, "100", start="10.0"),
    Row("CP2e m42411, 20.0 A at start", 120.0, 6.0, 8.00, "72.0", start="20.0"),
    Row("UP2 m58481 problem, 12 V, answer by hand", 12.0, 0.50, 4.0, "10", start="24"),
    Row("UP2 m58734 example, winch", 115.0, 5 / 3, 20.0, "81.7", mechanical="1633", heat="667"),
]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.source)
def test_back_emf(row: Row, matches: Matches) -> None:
    point = running(row.volts, row.ohms, row.amperes, row.field)
    assert point.verdict == "running"
    assert point.current("M1") == pytest.approx(row.amperes, rel=1e-9)  # the solver's acceptance rule
    matches(point.output("M1", "back emf"), row.back_emf)
    electrical = row.volts * point.current("M1")
    mechanical = point.output("M1", "torque") * point.speed("shaft")
    if row.mechanical is not None:
        matches(mechanical, row.mechanical)
    if row.heat is not None:
        matches(electrical - mechanical, row.heat)
        # The same heat where it arises: in the winding, whose temperature is held, and in the field.
        matches(-point.flow("M1", "winding") + row.field * point.current("M1") ** 2, row.heat)


@pytest.mark.parametrize("row", [row for row in ROWS if row.start], ids=lambda row: row.source)
def test_current_at_start(row: Row, matches: Matches) -> None:
    point = started(row.volts, row.ohms, row.field)
    assert (point.verdict, point.speed("shaft")) == ("locked", 0.0)
    assert row.start is not None
    matches(point.current("M1"), row.start)


def test_power_at_start(matches: Matches) -> None:
    """UP2 m58481 example: 48.0 V on 0.400 Ω takes 5.76 kW at start."""
    matches(48.0e-3 * started(48.0, 0.400).current("M1"), "5.76")


def test_one_constant_serves_as_volts_and_as_torque() -> None:
    """1 V per 1000 rpm is 9.5493e-3 V·s/rad and as many N·m/A (SI: 1 V·s/rad = 1 N·m/A)."""
    net = cs.Netlist("constant")
    net.add(cs.Motor("M1", "a", "GND", "shaft", resistance=1.0, constant="1 V/krpm", brush_drop=0.0))
    net.chain("GND", cs.VoltageSource("V", emf=12.0), "a")
    net.add(cs.ConstantTorque("L", "shaft", torque=9.549297e-3))
    point = cs.solve(net, frozen=True)
    # Seven digits of the constant are given above.
    assert point.current("M1") == pytest.approx(1.0, rel=1e-7)
    assert point.speed("shaft") * 60 / (2 * pi) == pytest.approx(11_000, rel=1e-7)


# CP2e m42357 and UP2 m58453: 12.0 V with 0.0100 Ω on a 0.0500 Ω motor at start, with and without a 0.0900 Ω corroded
# connection; drop and heat in the joint follow by hand.
@pytest.mark.parametrize(
    ("joint", "amperes", "volts", "kilowatts"), [(1e-6, "200", "10.0", "2.00"), (0.0900, "80.0", "4.0", "0.320")]
)
def test_corroded_connection(joint: float, amperes: str, volts: str, kilowatts: str, matches: Matches) -> None:
    net = cs.Netlist("corroded connection")
    net.chain("GND", cs.VoltageSource("B", emf=12.0, resistance=0.0100), "plus")
    net.chain("plus", cs.Contact("X1", resistance=joint), "MOT+", motor(0.0500), "GND")
    net.add(cs.LockedShaft("L", "shaft"))
    point = cs.solve(net, frozen=True)
    matches(point.current("M1"), amperes)
    matches(point.voltage("MOT+"), volts)
    matches(1e-3 * point.voltage("MOT+") * point.current("M1"), kilowatts)
    if joint > 1e-3:
        matches(point.voltage("plus", "MOT+"), "7.20")
        matches(point.voltage("plus", "MOT+") * point.current("X1"), "576")


def turned(fan: cs.Element, speed: float) -> dict[str, float]:
    """Turn a fan at a speed, by a motor whose winding loses nothing (1 µΩ: 1 part in 10⁷ at 100 A), and read it."""
    net = cs.Netlist("fan bench")
    net.add(cs.Motor("M1", "a", "GND", "shaft", resistance=1e-6, constant=10.0, brush_drop=0.0))
    net.chain("GND", cs.VoltageSource("V", emf=10.0 * speed), "a")
    net.add(fan)
    point = cs.solve(net, frozen=True)
    return {name: point.output("FAN", name) for name in ("airflow", "power", "torque")}


RPM = 2 * pi / 60
CFM = 0.3048**3 / 60
HORSEPOWER = 745.69987


def test_doubled_speed(matches: Matches) -> None:
    """DOE-HDBK-1012/3-92 HT-03 p. 50: 1800 to 3600 rpm turns 400 into 800 gpm; 48 ft and 45 kW become 192 and 360."""
    gpm = 3.785411784e-3 / 60
    rotor = cs.ForwardCurvedFan("FAN", "shaft", torque=45e3 / (1800 * RPM), speed=1800 * RPM, airflow=400 * gpm, density=1.2)
    slow, fast = turned(rotor, 1800 * RPM), turned(rotor, 3600 * RPM)
    matches(slow["airflow"] / gpm, "400")
    matches(fast["airflow"] / gpm, "800")
    matches(1e-3 * fast["power"], "360")
    # Pressure is power over flow at a given efficiency.
    matches(48 * (fast["power"] / fast["airflow"]) / (slow["power"] / slow["airflow"]), "192")


@pytest.mark.parametrize("kind", [cs.ForwardCurvedFan, cs.AxialFan])
def test_fan_laws(kind: type[cs.ForwardCurvedFan], matches: Matches) -> None:
    """Published fan-law calculator: 1200 to 1500 rpm, 10,000 to 12,500 cfm, 2.0 to 3.13 in of water, 5 to 9.77 hp."""
    speed = 1200 * RPM
    fan = kind("FAN", "shaft", torque=5 * HORSEPOWER / speed, speed=speed, airflow=10_000 * CFM)
    slow, fast = turned(fan, 1200 * RPM), turned(fan, 1500 * RPM)
    matches(fast["airflow"] / CFM, "12500")
    matches(fast["power"] / HORSEPOWER, "9.77")
    # Printed 3.13; exact 3.125.
    matches(2.0 * (fast["power"] / fast["airflow"]) / (slow["power"] / slow["airflow"]), "3.125")
    matches(fast["torque"] / slow["torque"], "1.5625")  # torque as the square of speed: 1.25²


@pytest.mark.parametrize("kind", [cs.ForwardCurvedFan, cs.AxialFan])
def test_ten_percent_slower(kind: type[cs.ForwardCurvedFan], matches: Matches) -> None:
    """The same calculator: 10 % slower takes 27 % less power."""
    fan = kind("FAN", "shaft", torque=0.5, speed=300.0)
    matches(100 * (turned(fan, 270.0)["power"] / turned(fan, 300.0)["power"] - 1), "-27")


@pytest.mark.parametrize("kind", [cs.ForwardCurvedFan, cs.AxialFan])
def test_size_and_density(kind: type[cs.ForwardCurvedFan]) -> None:
    """Fan laws for a wheel of another size in a system scaled alike, and for other air (common practice).

    Flow as d³, torque as ρ·d⁵; the system scaled alike has d⁻⁴ of the restriction, since pressure goes as ρ·d².
    """
    plain = turned(kind("FAN", "shaft", torque=0.5, speed=300.0), 300.0)
    larger = turned(kind("FAN", "shaft", torque=0.5, speed=300.0, impeller=1.2, restriction=1.2**-4), 300.0)
    thinner = turned(kind("FAN", "shaft", torque=0.5, speed=300.0, density=0.9), 300.0)
    # 1e-6: the motor that turns it loses a part in 10⁷.
    assert larger["airflow"] / plain["airflow"] == pytest.approx(1.2**3, rel=1e-6)
    assert larger["torque"] / plain["torque"] == pytest.approx(1.2**5, rel=1e-6)
    assert thinner["torque"] / plain["torque"] == pytest.approx(0.75, rel=1e-6)
    assert thinner["airflow"] / plain["airflow"] == pytest.approx(1.0, rel=1e-6)


def test_blocked_fans() -> None:
    """Blocked, a forward-curved wheel takes less torque, an axial one more (common practice, no source)."""
    for kind, less in ((cs.ForwardCurvedFan, True), (cs.AxialFan, False)):
        clear = turned(kind("FAN", "shaft", torque=0.5, speed=300.0), 300.0)
        blocked = turned(kind("FAN", "shaft", torque=0.5, speed=300.0, restriction=1e4), 300.0)
        assert (blocked["torque"] < clear["torque"]) is less
        assert blocked["airflow"] < 0.05 * clear["airflow"]
