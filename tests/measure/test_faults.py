"""Faults as such: every kind is somewhere and does something, a healthy circuit stays healthy, text and fault are one."""

from __future__ import annotations

import copy
import json
import math
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

import circuitsim as cs
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.points import Points
from circuitsim.errors import InputError, UnknownNameError
from circuitsim.library.circuit import Connector, Supply
from circuitsim.measure.conditions import Conditions, make_bench
from circuitsim.measure.faults import (
    Fault,
    FaultKind,
    PossibleFault,
    declared,
    families,
    find_faults,
    read_fault,
    severity_text,
    with_faults,
)
from circuitsim.measure.readings import step_values

EVERY = (
    "tractor-cab-fan", "harvester-cooler-fan", "minibus-condenser-fan", "coach-defroster-fan", "generic-linear",
    "generic-pwm", "generic-pack",
)  # fmt: skip
UNSEEN = {"reversed", "blocked-cooling-duct"}
"""Kinds that move no reading of a cold circuit, by design: see the two tests after the next."""


@cache
def _circuit(name: str) -> cs.Circuit:
    return cs.load(name)


@cache
def _known(name: str) -> dict[str, PossibleFault]:
    return find_faults(_circuit(name))


def _solved(circuit: cs.Circuit, *, warm: bool = False, ignition: str = "on", steps: tuple[str, ...] = ()) -> Points:
    """Solve every step, or some, with no meter on; every step cold with the engine running too."""
    engines = ("off", "running") if ignition == "on" and not (steps or warm) else ("off",)
    states = [(s, Conditions(engine=e, ignition=ignition)) for e in engines for s in steps or circuit.steps]
    compiled = compile_netlist(make_bench(circuit).net)
    return Points(compiled.solve(step_values(circuit, states), frozen=not warm, size=len(states)))


@cache
def _healthy(name: str) -> Points:
    return _solved(_circuit(name))


def _numbers(points: Points, circuit: cs.Circuit) -> dict[str, NDArray[np.float64]]:
    """Give all voltages, the motor's current and its speed, that the healthy circuit has too."""
    net = circuit.net
    probes = {p: points.voltage(circuit.node(p)) for p in circuit.probes}
    speed = np.abs(points.speed(net.elements[circuit.motor].nodes["shaft"]))  # no instrument tells its sign
    return {**probes, "motor current": points.current(circuit.motor), "motor speed": speed}


def _moved(name: str, fault: PossibleFault) -> float:
    """Say by which share a fault moves the number that it moves most; infinite where it leaves no reading."""
    circuit = _circuit(name)
    good, points = _numbers(_healthy(name), circuit), _solved(with_faults(circuit, [fault.fault()]))
    bad, floors = _numbers(points, circuit), {"motor current": 0.1, "motor speed": 1.0}
    if not points.valid.all():
        return math.inf
    return max(float(np.max(np.abs(bad[k] - v) / (np.abs(v) + floors.get(k, 1.0)))) for k, v in good.items())


def _named(kind: FaultKind) -> str:
    return f"{kind.name} of {kind.on[0]}"


# Declarations -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", declared(), ids=_named)
def test_every_kind_is_in_some_circuit_and_does_something(kind: FaultKind) -> None:
    """At its usual severity it moves some voltage, current or speed by more than a thousandth, or leaves no reading.

    A thousandth is a fifth of what a meter of ±0.5 % promises. At some sites a kind may do nothing (water between two fed
    pins), not at all of them.
    """
    sites = [(name, f) for name in EVERY for f in _known(name).values() if f.kind is kind]
    assert sites
    seen = any(_moved(name, fault) > 1e-3 for name, fault in sites[:8])
    assert seen != (kind.name in UNSEEN), [f.name for _, f in sites[:8]]


def test_a_blocked_cooling_duct_shows_in_heat() -> None:
    """Cold it changes nothing; warm, the stage gains tens of kelvins."""
    circuit = _circuit("tractor-cab-fan")
    blocked = with_faults(circuit, ["U1:blocked-cooling-duct=0.7"])
    cold, warm = (_solved(blocked, warm=w, steps=("3",)) for w in (False, True))
    healthy = _solved(circuit, warm=True, steps=("3",))
    assert cold.voltage("MOT-") == pytest.approx(_healthy("tractor-cab-fan").voltage("MOT-")[3], rel=1e-9)
    assert warm.temperature("U1.body")[0] > healthy.temperature("U1.body")[0] + 10


def test_a_motor_that_turns_backwards_is_seen_by_its_wheel_alone() -> None:
    circuit = _circuit("tractor-cab-fan")
    good, back = _healthy("tractor-cab-fan"), _solved(with_faults(circuit, ["M1:reversed"]))
    for probe in ("MOT+", "MOT-", "CMD"):  # same friction, same fan law: what is left is the solver's rule
        node = circuit.node(probe)
        assert back.voltage(node) == pytest.approx(good.voltage(node), rel=1e-6, abs=1e-6)
    assert back.speed("FAN")[1:5] == pytest.approx(-good.speed("FAN")[1:5], rel=1e-6)


def test_a_welded_relay_is_seen_with_the_ignition_off() -> None:
    circuit = _circuit("tractor-cab-fan")
    good, welded = (_solved(c, ignition="off") for c in (circuit, with_faults(circuit, ["K1:stuck-closed"])))
    assert abs(good.voltage("MOT+")).max() < 0.01
    assert welded.voltage("MOT+").min() > 12.0


@pytest.mark.parametrize("name", EVERY)
def test_every_fault_of_a_circuit_is_told_in_full(name: str) -> None:
    """Signs, repair, minutes; a severity from below to above; and plain values that JSON takes."""
    circuit = _circuit(name)
    for key, fault in _known(name).items():
        assert key == fault.name == f"{fault.site}:{fault.kind_name}"
        assert fault.site in circuit.net.elements
        assert fault.signs
        assert fault.kind.what
        assert min(fault.minutes, fault.kind.weight) > 0
        assert "{" not in fault.cure
        record = json.loads(json.dumps(fault.record(), allow_nan=False))
        if fault.graded:
            assert record["low"] < record["severity"] < record["high"]
            assert fault.unit
        else:
            assert (record["low"], record["severity"], record["high"], record["unit"]) == (None, None, None, "")
            assert math.isnan(fault.fault().severity)


@pytest.mark.parametrize("name", EVERY)
def test_every_joint_wire_and_part_has_its_faults(name: str) -> None:
    """Nobody lists them: what current crosses can be open, what joins can be bad, and the motor is at the end of all."""
    circuit, sites = _circuit(name), {(f.site, f.kind.name) for f in _known(name).values()}
    needed = {"contact": "open", "pin": "corroded", "wire": "open", "fuse": "blown", "motor": "seized", "battery": "discharged"}
    for e in circuit.net.elements.values():
        assert e.kind not in needed or (e.name, needed[e.kind]) in sites
    steps = [f.step for f in _known(name).values() if f.kind.steps]
    assert set(steps) <= set(circuit.steps[1:])


def test_faults_that_do_the_same_to_the_model_are_one_family() -> None:
    grouped = list(families(list(_known("tractor-cab-fan").values())))
    pin = next(group for group in grouped if group[0].name == "X4.A:corroded")
    assert [f.kind.name for f in pin] == ["corroded", "spread", "loose-crimp"]
    assert sum(map(len, grouped)) == len(_known("tractor-cab-fan"))


@pytest.mark.parametrize("name", EVERY)
def test_shares_and_severities_are_each_others_inverse(name: str) -> None:
    shares = np.linspace(0, 1, 7)
    for fault in _known(name).values():
        if fault.graded:
            assert fault.share(fault.at(shares)) == pytest.approx(shares, abs=1e-9)  # logarithms of float64
            assert (np.diff(fault.at(shares)) > 0).all()


# Text -------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", EVERY)
def test_what_is_written_is_read_again(name: str) -> None:
    """Three digits are written: read again, a severity is the same to half a unit of the third."""
    circuit, known = _circuit(name), _known(name)
    for possible in known.values():
        for share in (0.0, 0.31, 1.0) if possible.graded else (0.0,):
            fault = possible.fault(float(possible.at(share)))
            again = read_fault(circuit, str(fault), known)
            assert (again.site, again.kind, again.unit) == (fault.site, fault.kind, fault.unit)
            if possible.graded:
                assert again.severity == pytest.approx(fault.severity, rel=5e-3)
            assert str(again) == str(fault)
        assert read_fault(circuit, possible.name, known) == possible.fault() or not possible.graded


@pytest.mark.parametrize(
    ("text", "site", "kind", "severity"),
    [
        ("X4.A:corroded=50mΩ", "X4.A", "corroded", 0.05),
        ("x4.a:Corroded = 50 mohm", "X4.A", "corroded", 0.05),
        ("M1.crimp+:loose-crimp=0.3 Ω", "M1.crimp+", "loose-crimp", 0.3),
        ("M1:worn_brushes=2V", "M1", "worn-brushes", 2.0),
        ("BAT:discharged=0.5", "BAT", "discharged", 0.5),
        ("BAT:discharged=50 %", "BAT", "discharged", 0.5),
        ("S2:missing-step-3", "S2", "missing-step-3", math.nan),
        ("M1:dragging=200mN*m", "M1", "dragging", 0.2),
    ],
)
def test_faults_are_read(text: str, site: str, kind: str, severity: float) -> None:
    fault = read_fault(_circuit("tractor-cab-fan"), text, _known("tractor-cab-fan"))
    assert (fault.site, fault.kind) == (site, kind)
    assert fault.severity == pytest.approx(severity, rel=1e-12, nan_ok=True)


@pytest.mark.parametrize(
    ("text", "error", "told"),
    [
        ("X4.C:corroded", UnknownNameError, "did you mean 'X4.A'"),
        ("X4.A:corodded", UnknownNameError, "did you mean 'corroded'"),
        ("S2:missing-step-9", UnknownNameError, "missing-step-4"),
        ("X4.A", InputError, "is not SITE:KIND"),
        (":open", InputError, "is not SITE:KIND"),
        ("X4.A:corroded=", InputError, "is not SITE:KIND"),
        ("X4.A:open=3Ω", InputError, "has no severity"),
        ("X4.A:corroded=3V", InputError, "is a voltage"),
        ("X4.A:corroded=-3Ω", InputError, "out of range"),
        ("X4.A:corroded=1GΩ", InputError, "plausible: 2.32 mΩ to 55.7 Ω"),
        ("BAT:discharged=1.5", InputError, "out of range"),
        ("U1:regulation-off=-3", InputError, "out of range"),
        ("M1:dragging=1kN·m", InputError, "out of range"),
    ],
)
def test_what_is_no_fault_is_told_in_one_line(text: str, error: type[InputError], told: str) -> None:
    with pytest.raises(error) as caught:
        with_faults(_circuit("tractor-cab-fan"), [text])
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)
    assert (caught.value.key or "").startswith("fault")


def test_a_severity_is_said_with_its_unit() -> None:
    assert severity_text(0.05, "Ω") == "50 mΩ"
    assert severity_text(0.4567, "1") == "0.457"
    assert severity_text(1000.0, "1") == "1000"
    assert severity_text(math.nan, "Ω") == ""
    assert str(Fault("X4.A", "open")) == "X4.A:open"


# The faulty circuit -----------------------------------------------------------------------------------------------------


def _state(circuit: cs.Circuit) -> object:
    """Give all that a fault may touch, as plain values."""
    elements = circuit.net.elements
    return copy.deepcopy(
        (
            {n: (e.kind, dict(e.nodes), dict(e.values), dict(e.tolerances)) for n, e in elements.items()},
            dict(circuit.step_tables), dict(circuit.switched), circuit.faults,
        )
    )  # fmt: skip


@pytest.mark.parametrize("name", ["tractor-cab-fan", "generic-pwm", "coach-defroster-fan"])
def test_the_healthy_circuit_is_not_touched(name: str) -> None:
    circuit = _circuit(name)
    before = _state(circuit)
    faulty = with_faults(circuit, [fault.fault() for fault in _known(name).values()])
    assert len(faulty.faults) == len(_known(name))
    assert _state(faulty) != before
    assert _state(circuit) == before
    assert with_faults(circuit, []) is circuit


def test_several_faults_at_once_add_up() -> None:
    """Two bad joints in one path drop as their sum in one: ohms in series. At the top step, the motor's current alone."""
    circuit = _circuit("tractor-cab-fan")
    top = (circuit.steps[-1],)
    one = _solved(with_faults(circuit, ["X4.A:corroded=150mΩ"]), steps=top)
    two = _solved(with_faults(circuit, ["X4.A:corroded=50mΩ", "X4.B:loose-crimp=100mΩ"]), steps=top)
    in_turn = _solved(with_faults(with_faults(circuit, ["X4.A:corroded=50mΩ"]), ["X4.B:loose-crimp=100mΩ"]), steps=top)
    # The stage's low side sees no difference; its heat goes into other bodies, which frozen temperatures leave alone.
    assert two.current("M1") == pytest.approx(one.current("M1"), rel=1e-6)
    assert in_turn.current("M1") == pytest.approx(two.current("M1"), rel=1e-9)


def test_what_is_scaled_keeps_its_tolerance_and_what_is_set_has_none() -> None:
    circuit = _circuit("tractor-cab-fan")
    weak = with_faults(circuit, ["M1:weak-magnets=0.2", "BAT:discharged=0.3", "X4.A:corroded=50mΩ"]).net.elements
    healthy = circuit.net.elements
    assert weak["M1"].values["constant"] == pytest.approx(0.8 * healthy["M1"].values["constant"])
    assert weak["M1"].tolerances["constant"] == healthy["M1"].tolerances["constant"]
    assert "emf" not in weak["BAT"].tolerances
    assert weak["X4.A"].values["resistance"] == pytest.approx(0.05 + healthy["X4.A"].values["resistance"])
    assert "resistance" not in weak["X4.A"].tolerances


def test_a_fault_of_one_step_leaves_the_others() -> None:
    circuit = _circuit("tractor-cab-fan")
    good, bad = _healthy("tractor-cab-fan"), _solved(with_faults(circuit, ["S2:missing-step-3"]))
    here = [s == "3" for s in circuit.steps] * 2
    other = np.logical_not(here)
    assert bad.voltage("CMD")[here] == pytest.approx(good.voltage("CMD")[[0, 5]], abs=0.01)  # as off: the leak of 100 MΩ
    assert bad.voltage("CMD")[other] == pytest.approx(good.voltage("CMD")[other], rel=1e-9)


# Laws of severity -------------------------------------------------------------------------------------------------------

_SERIES = {"corroded", "spread", "loose-crimp", "worn-brush", "broken-strands", "hot", "burnt-contact", "internal-joint"}


@pytest.mark.parametrize("name", EVERY)
def test_more_ohms_in_a_series_joint_never_raise_the_motors_current(name: str) -> None:
    """Plain physics, at the top step, for every joint that carries all of the motor's current, cold.

    The joints behind a regulating stage count too: at the top step it is fully on.
    """
    circuit, step = _circuit(name), _circuit(name).steps[-1]
    compiled = compile_netlist(make_bench(circuit).net)
    given = dict(step_values(circuit, [(step, Conditions())]))
    healthy = Points(compiled.solve(given, frozen=True, size=1))
    motor = float(healthy.current("M1")[0])
    carrying = [
        group[0] for group in families(list(_known(name).values()))
        if group[0].kind.name in _SERIES and abs(abs(float(healthy.current(group[0].site)[0])) - motor) < 1e-3 * motor
    ]  # fmt: skip
    assert len(carrying) >= 12
    shares = np.linspace(0, 1, 9)
    columns = {k: np.repeat(v, len(carrying) * shares.size) for k, v in given.items()}
    for k, fault in enumerate(carrying):
        (change,) = fault.effect.changes
        rows = slice(k * shares.size, (k + 1) * shares.size)
        base = circuit.net.elements[change.element].values[change.parameter]
        column = columns.setdefault(change.key, np.full(len(carrying) * shares.size, base))
        column[rows] = change.applied(base, fault.at(shares))
    points = Points(compiled.solve(columns, frozen=True, size=len(carrying) * shares.size))
    current = points.current("M1").reshape(len(carrying), shares.size)
    assert np.isfinite(current).all()
    assert (np.diff(current, axis=1) <= 1e-9 * motor).all()  # the solver's rule
    assert (current[:, -1] < 0.05 * motor).all()  # a hundred times the load's ohms
    assert (current[:, 0] < motor).all()


def test_the_series_is_not_blind() -> None:
    """The check above bites: fewer ohms raise the current."""
    circuit = _circuit("tractor-cab-fan")
    points = [
        _solved(with_faults(circuit, [f"X4.A:corroded={ohms}"]), steps=("4",)).current("M1")[0] for ohms in ("50 mΩ", "20 mΩ")
    ]
    assert points[1] > 1.05 * points[0]


def test_a_plug_at_the_motors_own_terminals_has_faults_too() -> None:
    """Nothing but its pins is at the motor: with one of them away its node is not there at all."""
    net = cs.Netlist("bare")
    net.add(cs.Battery("BAT", "BAT+", "GND", emf=12.6, resistance=0.02))
    net.chain("BAT+", cs.Pin("X1.A", resistance=0.003), "M1+")
    net.add(cs.Motor("M1", "M1+", "M1-", "S", resistance=0.5, constant=0.03, friction=0.02))
    net.chain("M1-", cs.Pin("X1.B", resistance=0.003), "GND", backwards=["X1.B"])
    plug = Connector("X1", "", ("X1.A", "X1.B"), "M1")
    circuit = cs.Circuit("bare", "", 12.0, net, ("on",), "M1", Supply("BAT", None, "BAT+", "GND"), connectors={"X1": plug})
    assert {"X1.A:corroded", "X1.B:open", "M1:seized"} <= set(find_faults(circuit))
