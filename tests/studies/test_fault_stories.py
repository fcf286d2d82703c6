"""What the trade knows of faults, told by faults as they are declared: SITE:KIND=SEVERITY put into a healthy circuit.

All of it is common practice, no source, or plain physics. `test_trade*.py` tell the same of circuits with parts of other
values, `test_diagnose.py` the way back, from readings to the fault.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

import circuitsim as cs
from circuitsim.engine.points import Points
from circuitsim.measure.faults import find_faults, with_faults
from circuitsim.studies.compare import compare

Load = Callable[[str], cs.Circuit]
Solve = Callable[..., Points]
TRACTOR, HARVESTER, COACH, MINIBUS = "tractor-cab-fan", "harvester-cooler-fan", "coach-defroster-fan", "minibus-condenser-fan"
TOP = "4"


@cache
def _faulty(name: str, *faults: str) -> cs.Circuit:
    return with_faults(cs.load(name), faults)


def _seen(circuit: cs.Circuit, points: Points) -> dict[str, NDArray[np.float64]]:
    """Give what a person with meter and clamp, and an ear, gets to know at each step."""
    net = circuit.net
    fuse = next(e.name for e in net.elements.values() if e.kind == "fuse")
    found = {"speed": points.speed("FAN"), "current": points.current("M1"), "fuse": points.current(fuse)}
    found |= {"feed": points.voltage(circuit.node("MOT+")), "low": points.voltage(circuit.node("MOT-"))}
    if "U1" in net.elements:
        found |= {"command": points.voltage(circuit.node("CMD")), "heat": points.output("U1", "dissipation")}
    return found


@cache
def _healthy(name: str, solve: Solve) -> dict[str, NDArray[np.float64]]:
    return _seen(cs.load(name), solve(cs.load(name)))


# One line a fault -------------------------------------------------------------------------------------------------------
#
# Marks, one a step, off first, against the healthy circuit: = the same, + more, - less, 0 nothing, S at supply, F as at full
# speed; . is not looked at.

STORIES = [
    # A joint in the motor's path: slow by little current. Feed and low side are right where the stage regulates.
    (TRACTOR, "X4.A:corroded=80mohm", {"speed": "0----", "current": "0----", "feed": "=====", "low": "====-"}),
    (TRACTOR, "M1.crimp+:loose-crimp=150mohm", {"speed": "0----", "current": "0----", "feed": "=====", "low": "====-"}),
    (TRACTOR, "M1:internal-joint=150mohm", {"speed": "0----", "current": "0----", "feed": "=====", "low": "====-"}),
    (TRACTOR, "M1:worn-brushes=2V", {"speed": "0----", "current": "0----", "feed": "=====", "low": "====-"}),
    # Command, falling as speed rises: a step that is missing is as off, open is off, short to ground is full.
    (TRACTOR, "S2:missing-step-3", {"speed": "0==0=", "low": "S==S=", "command": "S==S="}),
    (TRACTOR, "W7:open", {"speed": "00000", "low": "SSSSS", "command": "SSSSS"}),
    (TRACTOR, "S2:open", {"speed": "00000", "command": "SSSSS"}),
    (TRACTOR, "W7:chafed-to-ground=100mohm", {"speed": "FFFFF", "low": "FFFFF", "command": "00000"}),
    (TRACTOR, "S2:shorted=10ohm", {"speed": "FFFFF", "command": "00000"}),
    (TRACTOR, "W7:chafed-to-supply=1ohm", {"speed": "00000", "low": "SSSSS", "command": "SSSSS"}),
    (TRACTOR, "S2:offset=1.5", {"speed": "0---=", "command": "=++++"}),
    # The other convention, rising: open and short to ground are both off, to supply is full.
    (HARVESTER, "W8:open", {"speed": "00000", "low": "SSSSS", "command": "00000"}),
    (HARVESTER, "W8:chafed-to-ground=100mohm", {"speed": "00000", "low": "SSSSS", "command": "00000"}),
    (HARVESTER, "W8:chafed-to-supply=10ohm", {"speed": "FFFFF", "low": "FFFFF"}),
    (HARVESTER, "U2:missing-step-2", {"speed": "0=0==", "command": "0=0=="}),
    # The low side: to ground is full speed whenever fed, to supply dead, and the stage takes the short.
    (TRACTOR, "W3:chafed-to-ground=50mohm", {"speed": "FFFFF", "low": "00000"}),
    (TRACTOR, "U1:output-shorted=20mohm", {"speed": "FFFFF", "fuse": "FFFFF"}),
    (MINIBUS, "U1:output-shorted=20mohm", {"speed": "FFFF", "fuse": "FFFF"}),
    (COACH, "W3:chafed-to-ground=50mohm", {"speed": "FFFFF", "fuse": "FFFFF", "low": "00000"}),
    (TRACTOR, "W3:chafed-to-supply=50mohm", {"speed": "0----", "fuse": "0++++", "heat": ".++++"}),
    (MINIBUS, "U1:diode-shorted=20mohm", {"speed": "0---", "fuse": "0+++", "heat": ".+++"}),
    # The stage.
    (TRACTOR, "U1:output-open", {"speed": "00000", "feed": "SSSSS", "low": "SSSSS", "command": "====="}),
    (TRACTOR, "U1:no-ground", {"speed": "00000", "low": "SSSSS", "command": "====="}),
    (TRACTOR, "U1:no-supply", {"speed": "00000", "low": "SSSSS", "command": "00000"}),  # its pull-up is inside
    (TRACTOR, "U1:high-on-resistance=200mohm", {"speed": "0===-", "low": "====+"}),
    (TRACTOR, "U1:regulation-off=0.1", {"speed": "0----", "low": "=++++", "command": "====="}),
    (TRACTOR, "U1:folds-back=8A", {"speed": "0==--", "current": "0==--", "low": "===++"}),
    (TRACTOR, "U1:leakage=20ohm", {"speed": "+====", "low": "-====", "current": "+===="}),
    # The motor, and what it turns. A motor that drags, or stands, heats its controller: cause and consequence.
    (TRACTOR, "M1:dragging=200mN*m", {"speed": "0----", "current": "0++++", "low": "====+", "heat": "=++++"}),
    (MINIBUS, "M1:dragging=200mN*m", {"speed": "0---", "current": "0+++", "heat": "=+++"}),
    (COACH, "M1:dragging=200mN*m", {"speed": "0----", "current": "0++++", "low": "=++++"}),
    (TRACTOR, "M1:seized", {"speed": "00000", "current": "0++++", "heat": "=++++"}),
    (TRACTOR, "M1:open-winding", {"speed": "00000", "current": "00000", "feed": "SSSSS", "low": ".0000", "command": "====="}),
    (TRACTOR, "M1:weak-magnets=0.2", {"speed": "0++++", "current": "0++++", "heat": "=++++"}),
    (MINIBUS, "M1:weak-magnets=0.2", {"speed": "0+++", "current": "0+++"}),
    (COACH, "M1:weak-magnets=0.2", {"speed": "0...+", "current": "0++++"}),  # a pack's ohms take the gain again
    (TRACTOR, "M1:shorted-turns=0.2", {"current": "0++++", "heat": "=++++"}),
    (TRACTOR, "M1:wrong-replacement=1.3", {"speed": "0----", "current": "0----"}),
    (TRACTOR, "M1:wrong-replacement=0.75", {"speed": "0++++", "current": "0++++"}),
    (TRACTOR, "M1:suppression-capacitor-shorted=50mohm", {"speed": "0----", "fuse": "0++++", "heat": ".++++"}),
    (TRACTOR, "FAN1:wrong-wheel=1.1", {"speed": "0----", "current": "0++++"}),
    (TRACTOR, "FAN1:wrong-wheel=0.9", {"speed": "0++++", "current": "0----"}),
    (MINIBUS, "FAN1:wrong-wheel=1.1", {"speed": "0---", "current": "0+++"}),
    (TRACTOR, "FAN1:fouled-wheel=2", {"speed": "0----", "current": "0++++"}),
    (TRACTOR, "FAN1:slipping-wheel=0.5", {"speed": "0++++", "current": "0----"}),
    # A blocked air path: forward-curved faster with less, axial slower with more.
    (TRACTOR, "FAN1:blocked-filter=50", {"speed": "0++++", "current": "0----", "heat": "=----"}),
    (COACH, "FAN1:blocked-filter=50", {"speed": "0++++", "current": "0----"}),
    (HARVESTER, "FAN1:blocked-filter=50", {"speed": "0..--", "current": "0++++"}),
    (MINIBUS, "FAN1:blocked-filter=50", {"speed": "0.--", "current": "0+++"}),
    # A resistor pack: its cutout leaves the top step, a section's end leaves the steps that pass it by.
    (COACH, "TC1:stuck-open", {"speed": "0000=", "low": "SSSS=", "current": "0000="}),
    (COACH, "R1:open", {"speed": "00===", "low": "SS==="}),
    (COACH, "R2:open", {"speed": "000==", "low": "SSS=="}),
    (COACH, "R1:shorted=0.6", {"speed": "0+===", "current": "0+==="}),
    (COACH, "R1:high-resistance=3ohm", {"speed": "0-===", "current": "0-==="}),
    # Supply.
    (TRACTOR, "F7:blown", {"speed": "00000", "feed": "00000", "command": "====="}),
    (TRACTOR, "BAT:discharged=0.2", {"speed": "0----", "feed": "-----"}),
    (TRACTOR, "BAT:high-resistance=200mohm", {"speed": "0.---", "feed": "=.---"}),  # good at rest, falls under load
    (TRACTOR, "W2:spliced-in-load=2ohm", {"fuse": "+++++", "current": "0...="}),
]  # fmt: skip


def _holds(mark: str, value: float, healthy: NDArray[np.float64], step: int, supply: float) -> bool:
    """Whether a value is as a mark says: the same to 2 %, more or less by 2 %, nothing to 8 % of the largest, full to 8 %."""
    good, large = float(healthy[step]), float(np.abs(healthy).max())
    return {
        ".": True,
        "=": abs(value - good) <= 0.02 * abs(good) + 1e-3 * large,
        "+": value > 1.02 * good + 1e-3 * large,
        "-": value < 0.98 * good - 1e-3 * large,
        "0": abs(value) < 0.08 * large,
        "S": value > 0.98 * supply,
        "F": abs(value - healthy[-1]) < 0.08 * abs(healthy[-1]),
    }[mark]


@pytest.mark.parametrize(("name", "fault", "story"), STORIES, ids=[f"{n}: {f}" for n, f, _ in STORIES])
def test_signs_of_a_fault(name: str, fault: str, story: dict[str, str], load: Load, solve: Solve) -> None:
    """What a fault does at each step is what people in the trade expect of it."""
    healthy, faulty = load(name), _faulty(name, fault)
    good, bad = _healthy(name, solve), _seen(faulty, solve(faulty))
    supply = float(good["feed"][0])
    for what, marks in story.items():
        assert len(marks) == len(healthy.steps)
        for k, mark in enumerate(marks):
            assert _holds(mark, float(bad[what][k]), good[what], k, supply), (
                what,
                healthy.steps[k],
                mark,
                good[what],
                bad[what],
            )


def test_a_mark_can_fail() -> None:
    """The check of marks bites."""
    healthy = np.array([0.0, 5.0, 10.0])
    assert [_holds(m, 9.0, healthy, 2, 12.0) for m in "=+-0SF."] == [False, False, True, False, False, False, True]
    assert [_holds(m, 12.0, healthy, 2, 12.0) for m in "=+-0SF"] == [False, True, False, False, True, False]


# Where the volts go -----------------------------------------------------------------------------------------------------


def test_a_corroded_connector_drops_its_volts_under_load_and_shows_nothing_unloaded() -> None:
    """80 mΩ and the motor's current: across the mated pin. Unplugged, its harness half reads as on a good one."""
    loaded = {"step": TOP, "probe": ["X4.A/harness:X4.A/part", "at:M1"]}
    good, bad = (cs.predict(c, **loaded).readings for c in (_faulty(TRACTOR), _faulty(TRACTOR, "X4.A:corroded=80mohm")))
    own = good[0].expected / good[1].expected
    assert bad[0].expected == pytest.approx((0.080 + own) * bad[1].expected, rel=1e-3)  # three digits of a fault's text
    assert bad[0].expected > good[0].high * 5
    parted = {"step": TOP, "probe": "X4.A/harness:GND", "unplug": "X4"}
    unloaded = [
        cs.predict(c, **parted).readings[0].display for c in (_faulty(TRACTOR), _faulty(TRACTOR, "X4.A:corroded=80mohm"))
    ]
    assert unloaded[0] == unloaded[1]


def test_a_poor_crimp_inside_the_motor_hides_from_every_voltage_outside() -> None:
    """Normal at rest and unplugged; on a regulated step feed and low side good, little current, the drop inside the motor."""
    fault = "M1.crimp+:loose-crimp=150mohm"
    found = compare(TRACTOR, [fault], probe=["BAT+:BAT-", "MOT+:GND", "MOT-:GND", "CMD:GND", "at:M1"], step=["off", "2", "3"])
    for p in found.pairs:
        inside = p.healthy.low <= p.faulty.expected <= p.healthy.high
        assert inside == (p.healthy.at == "" or p.healthy.step == "off"), p.healthy.placed
        assert p.healthy.at == "" or p.faulty.expected <= p.healthy.expected
    unplugged = {"probe": ["X4.A/harness:GND", "X4.B/harness:GND"], "unplug": "X4"}
    assert all(p.healthy.display == p.faulty.display for p in compare(TRACTOR, [fault], **unplugged).pairs)
    chart = cs.predict(_faulty(TRACTOR, fault), step="3", probe=["MOT+:M1+", "M1-:MOT-", "at:M1"]).readings
    plus, minus, current = (r.expected for r in chart)
    assert plus > 3 * minus
    assert plus > 0.150 * current


def test_motor_faults_hide_on_a_regulated_step_and_current_alone_tells() -> None:
    """Crimp, brushes, drag, magnets: a clamp tells each of them, a voltmeter outside the motor none."""
    for fault in ("M1:internal-joint=300mohm", "M1:worn-brushes=3V", "M1:dragging=200mN*m", "M1:weak-magnets=0.3"):
        pairs = compare(TRACTOR, [fault], step=["2", "3"], probe=["MOT+:GND", "MOT-:GND", "CMD:GND", "at:M1"]).pairs
        told = {(p.healthy.leads, p.healthy.step) for p in pairs if p.tells}
        assert told == {("on M1", "2"), ("on M1", "3")}, fault
    # At the saturated step the stage is a resistance: low current reads a lower low side.
    low = compare(TRACTOR, ["M1:internal-joint=300mohm"], step=TOP, probe=["MOT-:GND"]).pairs[0]
    assert low.tells
    assert low.faulty.expected < 0.7 * low.healthy.expected


def test_a_weak_ground_drops_on_the_ground_side_and_lifts_what_shares_it() -> None:
    """Power and signal ground share an eyelet: both rise by its ohms times the current, and the feed stays good."""
    fault = "G1.eyelet:corroded=60mohm"
    chart = cs.predict(_faulty(TRACTOR, fault), step=TOP, probe=["U1-:BAT-", "U1s:BAT-", "MOT+:GND", "at:M1"]).readings
    power, signal, _, current = (r.expected for r in chart)
    good = {r.leads: r for r in cs.predict(TRACTOR, step=TOP, probe=["U1-:BAT-", "U1s:BAT-", "MOT+:GND"]).readings}
    assert signal > good["U1s : BAT-"].high + 0.8 * 0.060 * current
    assert power > good["U1- : BAT-"].high + 0.8 * 0.060 * current
    assert good["MOT+ : GND"].low < chart[2].expected < good["MOT+ : GND"].high


def test_a_shared_resistive_ground_speeds_up_the_middle_steps_and_slows_the_top(load: Load, solve: Solve) -> None:
    """The command is against the panel's ground; the lifted signal ground makes it look lower. Slightly faster: under 2 %."""
    good, bad = (solve(c).speed("FAN")[1:] for c in (load(TRACTOR), _faulty(TRACTOR, "G1.eyelet:corroded=60mohm")))
    change = bad / good - 1
    assert ((change[:3] > 0.001) & (change[:3] < 0.02)).all()
    assert change[3] < -0.02
    # Where the signal ground goes its own way the middle steps stay.
    own, kept = (solve(c).speed("FAN")[1:] for c in (load(HARVESTER), _faulty(HARVESTER, "G1.eyelet:corroded=60mohm")))
    assert kept[:3] == pytest.approx(own[:3], rel=1e-3)
    assert kept[3] < 0.98 * own[3]


# Shorts and fuses -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "fault"),
    [(TRACTOR, "W3:chafed-to-ground=50mohm"), (TRACTOR, "U1:output-shorted=5mohm"), (MINIBUS, "U1:output-shorted=5mohm"),
     (COACH, "W3:chafed-to-ground=50mohm"), (HARVESTER, "W3:chafed-to-ground=50mohm")],
)  # fmt: skip
def test_a_low_side_shorted_to_ground_blows_no_fuse(name: str, fault: str, solve: Solve) -> None:
    """The motor itself limits the current: full speed whenever fed, no more than the fuse carries; dead with ignition off."""
    circuit = _faulty(name, fault)
    fuse = next(e for e in circuit.net.elements.values() if e.kind == "fuse")
    points = solve(circuit)
    assert set(points.verdicts) == {"running"}
    assert (points.current(fuse.name) < fuse.values["rating"]).all()
    assert set(solve(circuit, ignition="off").verdicts) == {"at rest"}


def test_a_feed_shorted_to_ground_does() -> None:
    found = compare(TRACTOR, ["W2:chafed-to-ground=60mohm"], step=TOP, probe=["MOT+:GND", "F7.a:GND"])
    assert found.blown == ("F7",)
    assert compare(TRACTOR, ["W3:chafed-to-ground=60mohm"], step=TOP, probe=["MOT+:GND"]).blown == ()


def test_a_low_side_shorted_to_supply_gives_the_stage_the_dead_short(load: Load, solve: Solve) -> None:
    """The stage sinks all that its limit lets it; the fan hardly turns."""
    circuit = _faulty(TRACTOR, "W3:chafed-to-supply=50mohm")
    good, bad = solve(load(TRACTOR)), solve(circuit)
    assert bad.output("U1", "current")[3:] == pytest.approx(
        np.full(2, circuit.net.elements["U1"].values["current_limit"]), rel=0.01
    )
    assert (bad.output("U1", "dissipation")[1:] > 10 * good.output("U1", "dissipation")[1:]).all()
    assert (bad.speed("FAN")[3:] < 0.3 * good.speed("FAN")[3:]).all()


def test_current_at_the_fuse_is_more_than_at_the_motor_with_a_foreign_load(solve: Solve) -> None:
    """A load spliced into the feed is there with the fan off, too."""
    points = solve(_faulty(TRACTOR, "W2:spliced-in-load=2ohm"))
    extra = points.current("F7") - points.current("M1")
    assert extra == pytest.approx(points.voltage("MOT+") / 2.0, rel=0.01)  # its 2 Ω, across the feed
    assert points.voltage("MOT+")[0] < 12.5


def test_no_charge_shows_with_the_engine_running_alone(load: Load, solve: Solve) -> None:
    faulty = _faulty(TRACTOR, "ALT:not-charging")
    rest, running = ([solve(c, engine=e).voltage("BAT+") for c in (load(TRACTOR), faulty)] for e in ("off", "running"))
    assert rest[0] == pytest.approx(rest[1], rel=1e-9)
    assert (running[0] > running[1] + 0.8).all()
    assert running[1] == pytest.approx(rest[1], rel=1e-3)


# Heat -------------------------------------------------------------------------------------------------------------------


def test_a_dragging_or_standing_motor_kills_controllers(load: Load, solve: Solve) -> None:
    """The cause of many a dead stage: more current at the same low side, most when the shaft stands."""
    heat = [solve(c).output("U1", "dissipation")[1:4] for c in
            (load(TRACTOR), _faulty(TRACTOR, "M1:dragging=100mN*m"), _faulty(TRACTOR, "M1:seized"))]  # fmt: skip
    assert (heat[1] > 1.15 * heat[0]).all()
    assert (heat[2] > 4 * heat[0]).all()


def test_a_blocked_cooling_duct_is_good_cold_and_not_warm(load: Load, solve: Solve) -> None:
    faulty = _faulty(TRACTOR, "U1:blocked-cooling-duct=0.7")
    cold = [solve(c, "3").voltage("MOT-")[0] for c in (load(TRACTOR), faulty)]
    body = [solve(c, "3", since="warm").temperature("U1.body")[0] for c in (load(TRACTOR), faulty)]
    assert cold[0] == pytest.approx(cold[1], rel=1e-9)  # for seconds nothing differs but the solver's rule
    assert body[1] > body[0] + 10


@pytest.mark.parametrize("name", [TRACTOR, COACH])
def test_a_joint_in_series_with_the_motor_has_a_worst_resistance(name: str, load: Load, solve: Solve) -> None:
    """Its heat rises with its ohms, then falls as it throttles its own current; the worst lies inside the plausible range.

    Plain physics; a motor with a fan gives no closed formula, but the turn lies between a fifth and five times the load's
    volts over amperes.
    """
    circuit = load(name)
    fault = find_faults(circuit)["X4.A:corroded"]
    (change,) = fault.effect.changes
    ohms = fault.at(np.linspace(0, 1, 81))
    base = circuit.net.elements["X4.A"].values["resistance"]
    points = solve(circuit, TOP, values={change.key: change.applied(base, ohms)})
    heat = points.current("M1") ** 2 * ohms
    worst = int(heat.argmax())
    assert (np.diff(heat[: worst + 1]) > 0).all()
    assert (np.diff(heat[worst:]) < 0).all()
    healthy = solve(circuit, TOP)
    load_ohms = float(healthy.voltage(circuit.node("MOT+"))[0] / healthy.current("M1")[0])
    assert 0.2 * load_ohms < ohms[worst] < 5 * load_ohms
    assert heat[-1] < 0.2 * heat[worst]
