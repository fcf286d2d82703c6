"""New kinds of element, written here in a few lines, at work in everything: file, chart, bands, description.

The engine and the studies know nothing of them; each states one law.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import brentq

import circuitsim as cs
from circuitsim.elements import base
from circuitsim.engine.points import Points
from circuitsim.library.circuit import Connector, ProbePoint, StandardReading, StepTable, Supply
from circuitsim.measure import Task, measure, meter
from circuitsim.measure.conditions import Conditions

Variant = Callable[..., cs.Circuit]
Solve = Callable[..., Points]


def make_kinds() -> SimpleNamespace:
    """Write the new kinds; they are found by existing."""

    class Diode(cs.Element):
        """i = saturation·(exp(v/scale) - 1); its heat goes to the air."""

        kind = "trial-diode"
        terminals = (cs.electrical("anode"), cs.electrical("cathode"), cs.thermal("air", "ambient"))
        parameters = (
            cs.Parameter("saturation", "A", "reverse current", 1e-9),
            cs.Parameter("scale", "V", "rise of the voltage for e times the current", 0.04),
        )
        conducts = (("anode", "cathode"),)
        ends = ("anode", "cathode")

        @staticmethod
        def law(s: cs.Symbols) -> cs.Law:
            from sympy import exp

            v = s.anode - s.cathode
            i = s.saturation * (exp(v / s.scale) - 1)
            return cs.Law(flows={"anode": i, "cathode": -i, "air": -v * i}, outputs={"current": (i, "A")})

    class Heater(cs.Element):
        """A resistor whose resistance rises with its own temperature."""

        kind = "trial-heater"
        terminals = (cs.electrical("a"), cs.electrical("b"), cs.thermal("body"), cs.thermal("air", "ambient"))
        parameters = (
            cs.Parameter("resistance", "Ω", "at 20 °C", low=1e-3),
            cs.Parameter("coefficient", "1/K", "rise with temperature", 0.01),
            cs.Parameter("rise", "K/W", "body to air", 2.0, low=1e-6),
        )
        conducts = (("a", "b"),)
        ends = ("a", "b")

        @staticmethod
        def law(s: cs.Symbols) -> cs.Law:
            from circuitsim.elements.smooth import keep_positive

            v, loss = s.a - s.b, (s.body - s.air) / s.rise
            i = v / (s.resistance * keep_positive(1 + s.coefficient * (s.body - 20)))
            flows = {"a": i, "b": -i, "body": loss - v * i, "air": -loss}
            return cs.Law(flows=flows, stores={"body": 50 * s.body}, outputs={"current": (i, "A")})

    class Choke(cs.Element):
        """A winding with a current of its own, and a state: bridged, it is next to no resistance."""

        kind = "trial-choke"
        terminals = (cs.electrical("a"), cs.electrical("b"))
        parameters = (
            cs.Parameter("resistance", "Ω", "of the winding", 0.5, low=1e-6),
            cs.Parameter("inductance", "H", "of the winding", 1e-3),
            cs.Parameter("bridged", "1", "1 while bridged by 1 mΩ", 0.0, high=1.0, state=True),
        )
        unknowns = (cs.Unknown("current", "A", "into a"),)
        conducts = (("a", "b"),)
        ends = ("a", "b")

        @staticmethod
        def law(s: cs.Symbols) -> cs.Law:
            i, ohms = s.current, s.resistance * (1 - s.bridged) + 0.001 * s.bridged
            balance = s.a - s.b - ohms * i
            stores, outputs = {"current": -s.inductance * i}, {"current": (i, "A")}
            return cs.Law({"a": i, "b": -i}, {"current": balance}, stores, outputs, heat=ohms * i**2)

    return SimpleNamespace(Diode=Diode, Heater=Heater, Choke=Choke)


@pytest.fixture
def kinds(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """Give the new kinds, for one test only: the list of kinds is a copy."""
    monkeypatch.setattr(base, "_KINDS", dict(base._KINDS))
    return make_kinds()


FILE = """
name = "trial"
title = "a fan behind a diode and a choke, beside a heater"
nominal = "12 V"
steps = ["off", "1", "2"]
motor = "M1"
supply = { battery = "BAT" }

[[run]]
name = "feed"
from = "BAT+"
to = "MOT+"
along = [
  { fuse = "F1", rating = "20 A" },
  { switch = "K1", closed = "ignition" },
  { trial-diode = "D1", saturation = "1 nA ×/÷ 2", scale = "40 mV ±5 %" },
  { pin = "X1.1", resistance = "4 mΩ ×/÷ 2" },
]

[[run]]
name = "low side"
from = "MOT-"
to = "GND"
along = [
  { trial-choke = "L1", resistance = "0.5 Ω ±10 %", bridged = ["2"] },
  { switch = "S1", closed = ["1", "2"] },
]

[[run]]
name = "heater"
from = "BAT+"
to = "GND"
along = [{ trial-heater = "H1", resistance = "4 Ω ±5 %", coefficient = "0.01 1/K ±20 %", note = "seat of the driver" }]

[element.BAT]
kind = "battery"
plus = "BAT+"
minus = "GND"
emf = "12.6 V ±0.1 V"

[element.M1]
kind = "motor"
plus = "MOT+"
minus = "MOT-"
shaft = "FAN"
resistance = "0.3 Ω ±8 %"
constant = "30 mV·s/rad ±5 %"
friction = "10 mN·m"

[element.FAN1]
kind = "forward-curved-fan"
shaft = "FAN"
torque = "0.1 N·m ±6 %"
speed = "250 rad/s"

[connector.X1]
title = "motor plug"
plugs = "M1"

[probe."BAT+"]
where = "battery post"
[probe."BAT-"]
node = "GND"
where = "battery post"
[probe."MOT+"]
where = "motor"
[probe."MOT-"]
where = "motor"
[probe.GND]
where = "battery post"

[[reading]]
label = "diode"
instrument = "voltmeter"
red = "D1/anode"
black = "D1/cathode"

[[reading]]
label = "motor low side"
instrument = "voltmeter"
red = "MOT-"
black = "GND"

[[reading]]
label = "choke current"
instrument = "clamp"
at = "L1"

[[reading]]
label = "heater current"
instrument = "clamp"
at = "H1"
"""


def from_file(folder: Path) -> cs.Circuit:
    path = folder / "trial.toml"
    # The battery's minus post is ground itself here.
    path.write_text(FILE.replace('supply = { battery = "BAT" }', 'supply = { battery = "BAT", minus = "GND" }'), "utf-8")
    return cs.load(path)


def in_python(kinds: SimpleNamespace) -> cs.Circuit:
    """The same circuit without a file."""
    net = cs.Netlist("trial")
    net.chain(
        "BAT+", cs.Fuse("F1", rating="20 A"), cs.Switch("K1", closed=1.0),
        kinds.Diode("D1", saturation="1 nA ×/÷ 2", scale="40 mV ±5 %"), cs.Pin("X1.1", resistance="4 mΩ ×/÷ 2"), "MOT+",
    )  # fmt: skip
    net.chain("MOT-", kinds.Choke("L1", resistance="0.5 Ω ±10 %"), cs.Switch("S1", closed=0.0), "GND")
    net.chain("BAT+", kinds.Heater("H1", resistance="4 Ω ±5 %", coefficient="0.01 1/K ±20 %"), "GND")
    net.add(cs.Battery("BAT", "BAT+", "GND", emf="12.6 V ±0.1 V"))
    motor = {"resistance": "0.3 Ω ±8 %", "constant": "30 mV·s/rad ±5 %", "friction": "10 mN·m"}
    net.add(cs.Motor("M1", "MOT+", "MOT-", "FAN", **motor))
    net.add(cs.ForwardCurvedFan("FAN1", "FAN", torque="0.1 N·m ±6 %", speed="250 rad/s"))
    places = ("BAT+", "MOT+", "MOT-", "GND")
    none = (None, None, None)
    return cs.Circuit(
        "trial", "trial", 12.0, net, ("off", "1", "2"), "M1", Supply("BAT", None, "BAT+", "GND"),
        step_tables={
            ("S1", "closed"): StepTable((0.0, 1.0, 1.0), none), ("L1", "bridged"): StepTable((0.0, 0.0, 1.0), none),
        },
        switched={("K1", "closed"): "ignition"},
        connectors={"X1": Connector("X1", "motor plug", ("X1.1",), "M1")},
        probes={name: ProbePoint(name, name, "on the bench") for name in places},
        readings=(
            StandardReading("diode", "voltmeter", "D1/anode", "D1/cathode"),
            StandardReading("motor low side", "voltmeter", "MOT-", "GND"),
            StandardReading("choke current", "clamp", at="L1"), StandardReading("heater current", "clamp", at="H1"),
        ),
    )  # fmt: skip


@pytest.mark.parametrize("name", ["Diode", "Heater", "Choke"])
def test_a_new_kind_takes_under_thirty_lines(name: str, kinds: SimpleNamespace) -> None:
    assert len(inspect.getsource(getattr(kinds, name)).splitlines()) < 30


def test_a_new_kind_is_known_by_existing_and_gone_afterwards(kinds: SimpleNamespace) -> None:
    from circuitsim.elements import element_kinds

    assert element_kinds()["trial-diode"] is kinds.Diode


def test_other_tests_see_no_trial_kinds() -> None:
    from circuitsim.elements import element_kinds

    assert not any(word.startswith("trial-") for word in element_kinds())


@pytest.mark.parametrize("since", ["cold", "warm"])
def test_file_and_python_give_the_same_chart(since: str, kinds: SimpleNamespace, tmp_path: Path) -> None:
    first, second = (cs.predict(c, since=since) for c in (from_file(tmp_path), in_python(kinds)))
    assert len(first.readings) == 12
    for a, b in zip(first.readings, second.readings, strict=True):
        # The same numbers in another order of elements: the acceptance rule, which leaves 1 nV and 1 nA.
        assert (a.expected, a.low, a.high) == pytest.approx((b.expected, b.low, b.high), rel=1e-7, abs=1e-8)
        assert (a.display, a.verdict, a.step, a.leads) == (b.display, b.verdict, b.step, b.leads)


def test_the_chart_is_what_the_laws_say_by_hand(kinds: SimpleNamespace, solve: Solve) -> None:
    circuit = in_python(kinds)
    chart = cs.predict(circuit)
    amps = [p.motor_current for p in chart.operating_points]
    assert amps[0] == pytest.approx(0.0, abs=1e-6)
    for k, step in ((1, "1"), (2, "2")):
        # Shockley's law, and Ohm's; a clamp and a 10 MΩ meter change nothing down to the rule.
        drop = chart.at(step=step, red="D1/anode", black="D1/cathode").expected
        assert drop == pytest.approx(0.04 * np.log1p(amps[k] / 1e-9), rel=1e-6)
        assert chart.at(step=step, at="L1").expected == pytest.approx(amps[k], rel=1e-8)
        ohms = {"1": 0.5, "2": 0.001}[step] + circuit.net.elements["S1"].values["on_resistance"]
        assert chart.at(step=step, red="MOT-").expected == pytest.approx(ohms * amps[k], rel=1e-6)
    # The choke bridged, the fan runs faster: the state is an input of the law that a step table sets.
    assert chart.operating_points[2].motor_speed > 1.1 * chart.operating_points[1].motor_speed


@pytest.mark.parametrize(("since", "hot"), [("cold", False), ("warm", True)])
def test_heater_finds_its_temperature(since: str, hot: bool, kinds: SimpleNamespace, solve: Solve) -> None:
    """V²/R(T) = (T - 20)/rise, solved by brentq."""
    points = solve(in_python(kinds), "off", since=since)
    volts = points.voltage("BAT+")[0]

    def excess(t: float) -> float:
        return volts**2 / (4.0 * (1 + 0.01 * (t - 20))) - (t - 20) / 2.0

    body = brentq(excess, 20.0, 500.0, xtol=1e-12) if hot else 20.0
    assert points.temperature("H1.body")[0] == pytest.approx(body, abs=1e-5)  # the rule leaves 1 µK and 1e-9
    assert points.current("H1")[0] == pytest.approx(volts / (4.0 * (1 + 0.01 * (body - 20))), rel=1e-7)


def test_bands_hold_the_new_tolerances(kinds: SimpleNamespace, variant: Variant) -> None:
    """Each new parameter's share of the band is its exact slope times its tolerance: against central differences."""
    circuit = in_python(kinds)
    task = Task("1", Conditions(since="warm"), "voltmeter", "MOT-", "GND")
    (found,) = measure(circuit, [task], meter("standard"))
    slopes = {c.what: c for c in found.contributions}
    assert {"D1.saturation", "D1.scale", "L1.resistance", "H1.resistance", "H1.coefficient"} <= set(slopes)
    assert "L1.bridged" not in slopes, "a state has no tolerance"
    for what in ("D1.scale", "L1.resistance", "H1.resistance", "H1.coefficient"):
        element, _, parameter = what.rpartition(".")
        nominal = circuit.net.elements[element].values[parameter]
        ends = [
            measure(variant(circuit, {(element, parameter): nominal * f}), [task], meter("standard"))[0].expected
            for f in (1.001, 0.999)
        ]
        # Central differences over ± 0.1 %: curvature leaves 1e-6, the solver's rule 1e-9/1e-3 of the reading.
        slack = 1e-5 * abs(found.expected / nominal)
        assert slopes[what].slope == pytest.approx((ends[0] - ends[1]) / (0.002 * nominal), rel=1e-4, abs=slack)
    assert found.band.low < found.expected < found.band.high


def test_a_state_follows_a_condition(kinds: SimpleNamespace, tmp_path: Path, solve: Solve) -> None:
    """`bridged = "engine"`: the choke is bridged while the engine runs."""
    path = tmp_path / "trial.toml"
    text = FILE.replace('{ battery = "BAT" }', '{ battery = "BAT", minus = "GND" }').replace('["2"]', '"engine"', 1)
    path.write_text(text, "utf-8")
    circuit = cs.load(path)
    assert circuit.switched["L1", "bridged"] == "engine"
    off, running = (solve(circuit, "1", engine=engine) for engine in ("off", "running"))
    assert running.speed("FAN")[0] > 1.1 * off.speed("FAN")[0]
    assert running.voltage("L1/a", "L1/b")[0] == pytest.approx(0.001 * running.current("L1")[0], rel=1e-6)


def test_show_tells_of_the_new_kinds(kinds: SimpleNamespace, tmp_path: Path) -> None:
    from circuitsim.report.show import circuit_record, circuit_text

    circuit = from_file(tmp_path)
    text = circuit_text(circuit)
    assert "F1 → K1 → D1 → X1.1 → M1 → L1 → S1" in text
    for words in ("trial diode", "trial choke", "seat of the driver"):
        assert words in text
    for quantity in ("40 mV ±5 %", "0.5 Ω ±10 %", "4 Ω ±5 %"):
        assert quantity in text or quantity.replace("0.5 Ω", "500 mΩ") in text
    record = json.loads(json.dumps(circuit_record(circuit)))
    assert {"D1", "L1", "H1"} <= {e["name"] for e in record["elements"]}


def test_a_mistake_in_a_new_kind_is_told_like_any_other(kinds: SimpleNamespace, tmp_path: Path) -> None:
    path = tmp_path / "trial.toml"
    path.write_text(FILE.replace("scale = ", "scael = "), "utf-8")
    with pytest.raises(cs.InputError) as caught:
        cs.load(path)
    assert "scale" in str(caught.value)
    assert "trial.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_one_with_no_answer_names_itself(kinds: SimpleNamespace) -> None:
    """A law that nothing satisfies is an error with the place in it, not a number."""

    class Thirsty(cs.Element):
        terminals = (cs.electrical("a"), cs.electrical("b"))
        conducts = (("a", "b"),)
        ends = ("a", "b")

        @staticmethod
        def law(s: cs.Symbols) -> cs.Law:
            return cs.Law(flows={"a": 100 + (s.a - s.b) ** 2, "b": -100 - (s.a - s.b) ** 2})

    circuit = in_python(kinds)
    circuit.net.chain("MOT-", cs.Resistor("R9", resistance=1.0), "here", Thirsty("T1"), "GND")
    with pytest.raises(cs.SolveError) as caught:
        cs.predict(circuit, step="1")
    assert "trial" in str(caught.value)
    assert "here" in str(caught.value)
