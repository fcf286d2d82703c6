"""What the trade knows about starting, coasting and pulling plugs; and readings so long after key-on.

Trade facts are common practice, with no source, where none is named.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from small_circuits import BENCH_FAN

import circuitsim as cs
from circuitsim.elements.base import Element, Law, Parameter, Symbols, rotational
from circuitsim.measure.conditions import duration, read_since

TRACTOR = "tractor-cab-fan"


class Draught(Element):
    """Air that is blown through the wheel: it turns it towards a speed of its own."""

    terminals = (rotational("shaft"),)
    parameters = (
        Parameter("torque", "N·m", "on the standing wheel"),
        Parameter("speed", "rad/s", "of the idle wheel", low=1.0),
    )

    @staticmethod
    def law(s: Symbols) -> Law:
        return Law(flows={"shaft": -s.torque * (1 - s.shaft / s.speed)}, outputs={"torque": (s.torque, "N·m")})


def test_inrush_then_spin_up() -> None:
    """A motor that starts draws several times its running current: milliseconds of rise, tenths of a second of fall."""
    course = cs.transient(TRACTOR, "5 s")
    running = course.currents["M1"][-1]
    assert course.currents["M1"].max() > 2.5 * running
    assert course.currents["M1"].max() < 60.1  # the stage's own limit
    assert np.all(np.diff(course.nodes["FAN"]) > -0.1)  # heat slows it by less than that in 5 s
    assert course.at([0.01]).nodes["FAN"][0] < 0.05 * course.nodes["FAN"][-1]
    assert course.stopped == ""


def test_a_coasting_motor_shows_supply_less_its_back_emf() -> None:
    """Off reads supply at the low side only once the fan has stopped: common practice, and Kirchhoff's law."""
    circuit = cs.load(TRACTOR)
    course = cs.transient(circuit, "60 s", then=[("5 s", {"step": "off"})])
    seen = course.at([5.05, 6.0, 8.0, 59.0])
    feed, low = (seen.points.voltage(circuit.node(p)) for p in ("MOT+", "MOT-"))
    emf = seen.points.output("M1", "back emf")
    assert low == pytest.approx(feed - emf, abs=0.01)  # microamperes leak through the open stage
    assert low[0] < 0.4 * feed[0]
    assert np.all(np.diff(low) > 0)
    assert low[-1] == pytest.approx(feed[-1], abs=0.02)
    assert seen.nodes["FAN"][-1] < 1.0


def test_a_windmilling_wheel_keeps_the_low_side_below_supply() -> None:
    """Air through the wheel turns it with everything off: the low side stays at supply less the back-EMF."""
    circuit = cs.load(TRACTOR)
    net = circuit.net.copy()
    net.add(Draught("AIR", "FAN", torque=0.3, speed=120.0))
    blown = replace(circuit, net=net)
    course = cs.transient(blown, "60 s", step="off")
    feed, low = (course.points.voltage(circuit.node(p))[-1] for p in ("MOT+", "MOT-"))
    emf = course.points.output("M1", "back emf")[-1]
    assert emf > 1.0
    assert low == pytest.approx(feed - emf, abs=0.02)
    assert cs.transient(circuit, "60 s", step="off").points.voltage(circuit.node("MOT-"))[-1] == pytest.approx(feed, abs=0.02)


def test_an_open_feed_on_a_spinning_motor_decays() -> None:
    """With its relay open the feed shows what the motor generates, and falls with the speed to nothing."""
    circuit = cs.load(TRACTOR)
    course = cs.transient(circuit, "60 s", then=[("5 s", {"values": {"K1.closed": 0}})])
    seen = course.at([5.05, 6.0, 8.0, 59.0])
    across = seen.points.voltage(circuit.node("MOT+"), circuit.node("MOT-"))
    assert across == pytest.approx(seen.points.output("M1", "back emf"), abs=0.01)
    assert across[0] > 5.0
    assert np.all(np.diff(across) < 0)
    assert across[-1] < 0.05
    assert np.abs(seen.currents["M1"]).max() < 0.01


def test_pulling_the_motors_plug_kills_its_half() -> None:
    circuit = cs.load(TRACTOR)
    course = cs.transient(circuit, "6 s", then=[("5 s", {"unplug": "X4"})])
    seen = course.at([5.5]).points
    assert seen.voltage(circuit.node("X4.A/harness"))[0] == pytest.approx(12.59, abs=0.02)
    assert abs(seen.current("M1")[0]) < 1e-3
    assert [e.what for e in course.events] == ["unplug X4"]


def test_a_stall_near_the_rating_may_hold_a_fuse_for_many_seconds() -> None:
    """Common practice; here a seized wheel at a middle step: more than ten seconds, and warmer all the time."""
    course = cs.transient("generic-pack", "30 s", step="2", then=[("0.001 s", {"values": {"M1.friction": 20.0}})])
    assert course.stopped == ""
    assert course.points.verdicts[-1] == "stalled"
    assert course.nodes["M1.winding"][-1] > course.at([10.0]).nodes["M1.winding"][0] > 20.5


# So long after key-on ------------------------------------------------------------------------------------------------


@cache
def _at_the_top(since: str) -> cs.Chart:
    return cs.predict(TRACTOR, since=since, step=cs.load(TRACTOR).steps[-1], probe="MOT-:GND")


def test_readings_on_their_way_lie_between_cold_and_warm() -> None:
    """Where a reading moves by heat one way, the time after key-on leads from the cold to the warm one."""
    found = [_at_the_top(since).readings[0].expected for since in ("cold", "10 s", "1800 s", "warm")]
    assert found[0] < found[1] < found[2] < found[3]


def test_a_reading_soon_after_key_on_is_taken_on_the_run_up() -> None:
    soon, later = (_at_the_top(since).operating_points[0] for since in ("100 ms", "10 s"))
    assert soon.motor_speed < 0.5 * later.motor_speed
    assert soon.motor_current > 2 * later.motor_current
    assert soon.branch == "followed in time from rest for 0.1 s"


def test_bands_after_a_long_time_are_those_of_the_warm_circuit() -> None:
    """The slopes are gone backwards along the way; after 60,000 s they must be those of the settled point, found otherwise."""
    places = ("MOT+:GND", "MOT-:GND", "CMD:GND", "U1-:BAT-", "X4.A/harness:X4.A/part", "at:M1")
    long, warm = (cs.predict(TRACTOR, since=s, step="3", probe=places) for s in (60_000.0, "warm"))
    assert len(long.readings) == len(warm.readings) == len(places)
    for a, b in zip(long.readings, warm.readings, strict=True):
        assert a.placed == b.placed
        assert a.expected == pytest.approx(b.expected, rel=1e-6, abs=1e-6)
        assert (a.low, a.high) == pytest.approx((b.low, b.high), rel=1e-4, abs=1e-5), a.placed  # slopes to a few thousandths


def test_a_measured_supply_counts_as_measured_then() -> None:
    chart = cs.predict(BENCH_FAN, since="1 s", supply="12.2 V", supply_at="2", step="2", probe="BAT+:BAT-")
    assert chart.readings[0].expected == pytest.approx(12.2, abs=1e-5)


def test_what_opens_before_that_time_is_no_reading() -> None:
    """A wheel that is seized at full speed: the winding of this motor leaves its range within minutes."""
    circuit = cs.load("generic-pack")
    net = circuit.net.copy()
    net.elements["M1"] = net.elements["M1"].replaced(friction=20.0)
    seized = replace(circuit, net=net)
    early, late = (cs.predict(seized, since=s, step=circuit.steps[-1], probe="at:M1") for s in ("100 ms", "10 min"))
    assert math.isfinite(early.readings[0].expected)
    assert late.readings[0].verdict.startswith(("runs away at", "outside validity at"))
    assert math.isnan(late.readings[0].expected)


def test_the_chart_says_since_when() -> None:
    chart = cs.predict(BENCH_FAN, since="90 s", step="1", probe="MOT-:GND")
    assert "90 s after switching on" in chart.summary
    assert chart.to_dict()["conditions"]["since"] == 90.0
    assert "# since: 90 s" in chart.to_csv()


@pytest.mark.parametrize(
    ("given", "read"), [("cold", "cold"), ("Warm", "warm"), ("10s", 10.0), ("2 min", 120.0), ("1h", 3600.0), (7, 7.0)]
)
def test_times_are_read(given: object, read: object) -> None:
    assert read_since(given) == read


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("hot", "accepted: cold, warm, a time such as 10s or 2min"), ("wrm", "did you mean 'warm'"), ("5", "has no unit"),
        ("2minutes", "did you mean 'min'"), ("5 V", "expected a time"), ("-2s", "out of range"), ("200h", "out of range"),
        (math.nan, "not a finite number"), (None, "not a quantity"), (0.0, "out of range"),
    ],
)  # fmt: skip
def test_times_that_are_none(given: object, said: str) -> None:
    with pytest.raises(cs.InputError, match="since") as caught:
        read_since(given)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("seconds", "said"), [(10.0, "10 s"), (120.0, "2 min"), (90.0, "90 s"), (5400.0, "1.5 h"), (0.05, "50 ms")]
)
def test_times_are_said_in_short(seconds: float, said: str) -> None:
    assert duration(seconds) == said


def test_a_tolerance_study_takes_no_time() -> None:
    with pytest.raises(cs.InputError, match="since"):
        cs.tolerance(TRACTOR, since="2 min")


BAD = [
    ({"until": "x"}, "until"), ({"until": "0 s"}, "out of range"), ({"start": "hot"}, "accepted: rest, cold, warm"),
    ({"then": [("1 s", {"stepp": "1"})]}, "did you mean 'step'"), ({"then": [("9 s", {"step": "1"})]}, "before the end"),
    ({"then": [("2 s", {"step": "1"}), ("1 s", {"step": "2"})]}, "must come after the one at 2 s"),
    ({"then": [("1 s", {"step": "9"})]}, "unknown step"), ({"then": [("1 s", {"unplug": "X99"})]}, "X99"),
    ({"then": [("1 s", {"values": {"K1.clsed": 0}})]}, "did you mean 'closed'"),
    ({"then": [("1 s", {"values": {"K1.closed": 2}})]}, "accepted: 0 or 1"), ({"then": [("soon", {"step": "1"})]}, "soon"),
    ({"step": "9"}, "unknown step"),
]  # fmt: skip


@pytest.mark.parametrize(("options", "said"), BAD)
def test_courses_that_can_not_be(options: dict[str, object], said: str) -> None:
    with pytest.raises(cs.InputError, match=said):
        cs.transient(TRACTOR, **{"until": "5 s", **options})  # type: ignore[arg-type]
