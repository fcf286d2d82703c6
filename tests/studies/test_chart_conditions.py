"""Conditions of a chart: each option changes what it should, and what is not accepted is named."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

import circuitsim as cs
from circuitsim.errors import InputError, QuantityError, UnknownNameError
from circuitsim.measure import METERS

Load = Callable[[str], cs.Circuit]
ChartOf = Callable[[str], cs.Chart]
# A 12 V and a 24 V circuit, one for each way of controlling.
SOME = ("tractor-cab-fan", "minibus-condenser-fan", "coach-defroster-fan")


@pytest.mark.parametrize(
    ("state", "engine"), [("rest", "off"), *((s, e) for s in ("off", "2", "4") for e in ("off", "running"))]
)
def test_measured_supply_is_met_at_the_posts_in_its_state(state: str, engine: str, load: Load) -> None:
    """12.3 V or 14.1 V on the meter at rest, off or at a step: there the posts show just that."""
    volts = 12.3 if engine == "off" else 14.1
    measured = {"supply": volts, "supply_at": state, "engine": engine}
    chart = cs.predict(
        load("tractor-cab-fan"), probe="BAT+:BAT-", ignition="off" if state == "rest" else "on",
        step="off" if state == "rest" else state, **measured,
    )  # fmt: skip
    # 10 MΩ draw a microampere from some milliohms: nanovolts; the search ends within 0.1 µV.
    assert chart.readings[0].expected == pytest.approx(volts, abs=1e-6)


@pytest.mark.parametrize("name", SOME)
def test_measured_supply_stays_what_it_was_in_other_states(name: str, load: Load, chart_of: ChartOf) -> None:
    """Measured off, it is lower at full speed by the battery's sag, and the whole chart moves with it."""
    circuit = load(name)
    volts = 0.975 * circuit.nominal
    low, own = cs.predict(circuit, supply=volts), chart_of(name)
    top = circuit.steps[-1]
    assert low.at(step="off", red="BAT+", black="BAT-").expected == pytest.approx(volts, abs=1e-6)
    assert low.at(step=top, red="BAT+", black="BAT-").expected < volts - 0.05
    for step in circuit.steps:
        assert low.at(step=step, red="MOT+").expected < own.at(step=step, red="MOT+").expected
    assert low.operating_points[-1].motor_current < own.operating_points[-1].motor_current


def test_measured_supply_replaces_the_batterys_own_tolerance(load: Load) -> None:
    """0.5 % and two digits of the meter in place of ±0.15 V of an unknown battery."""
    measured, own = (
        cs.predict(load("tractor-cab-fan"), supply=v, probe="BAT+:GND", step="off").readings[0] for v in ("12.3 V", None)
    )
    assert own.standard > 1.1 * measured.standard
    limit = METERS["standard"].limit(12.3, "V")
    # Twice the meter: once for the measured supply, once for the reading itself; √2 of limit/√3.
    assert measured.standard == pytest.approx(limit * math.sqrt(2 / 3), rel=0.02)


@pytest.mark.parametrize(
    "pair",
    [
        ({"supply": "12.3 V"}, {"supply": 12.3}),
        ({"supply": "12300 mV"}, {"supply": 12.3}),
        ({"ambient": "75.2 °F"}, {"ambient": 24.0}),
        ({"ambient": "297.15 K"}, {"ambient": 24.0}),
        ({"unplug": "X4"}, {"unplug": ["X4"]}),
        ({"step": "2"}, {"step": ("2",)}),
        ({"fit": "lamp:MOT+:GND"}, {"fit": ["lamp:MOT+:GND"]}),
        ({"probe": "MOT-:GND"}, {"probe": ["MOT-:GND"]}),
    ],
)
def test_texts_and_numbers_mean_the_same(pair: tuple[dict, dict], load: Load) -> None:
    first, second = (cs.predict(load("tractor-cab-fan"), **{"probe": "MOT-:GND", **kw}) for kw in pair)
    for a, b in zip(first.readings, second.readings, strict=True):
        assert (a.expected, a.low, a.high) == pytest.approx((b.expected, b.low, b.high), rel=1e-9)
    assert [p.motor_speed for p in first.operating_points] == pytest.approx(
        [p.motor_speed for p in second.operating_points], rel=1e-9
    )


def test_step_probe_and_unplug_choose_what_is_shown(load: Load) -> None:
    circuit = load("tractor-cab-fan")
    chart = cs.predict(circuit, step=["1", "3"], probe=["MOT-:GND", "at:M1"])
    assert [(r.step, r.leads) for r in chart.readings] == [(s, place) for place in ("MOT- : GND", "on M1") for s in ("1", "3")]
    assert [p.step for p in chart.operating_points] == ["1", "3"]
    parted = cs.predict(circuit, unplug="X4")
    assert {r.unplugged for r in parted.readings} >= {("X4",), ("X4", "X5")}
    assert all("X4" in r.unplugged for r in parted.readings)
    assert {p.verdict for p in parted.operating_points} == {"at rest"}


def test_ignition_off_leaves_the_battery_alone(load: Load) -> None:
    chart = cs.predict(load("tractor-cab-fan"), ignition="off", probe=["BAT+:BAT-", "MOT+:GND", "U1+:GND"])
    assert {p.verdict for p in chart.operating_points} == {"at rest"}
    for r in chart.readings:
        assert r.expected == pytest.approx(12.594 if r.red == "BAT+" else 0.0, abs=1e-3)  # 12.6 V at 25 °C, 1.2 mV/K


@pytest.mark.parametrize("name", SOME)
def test_warm_and_hot_circuits_draw_what_they_should(name: str, load: Load) -> None:
    """Copper that is warmer has more ohms and magnets less flux; cold air is denser and loads the fan more."""
    circuit = load(name)
    top = circuit.steps[-1]
    winter, summer = (cs.predict(circuit, ambient=t, probe=["BAT+:MOT+", "at:M1"], step=top) for t in ("-20 °C", "50 °C"))
    ohms = [c.readings[0].expected / c.readings[1].expected for c in (winter, summer)]
    assert ohms[1] > 1.15 * ohms[0]
    assert summer.operating_points[0].motor_speed > winter.operating_points[0].motor_speed
    cold, warm = (cs.predict(circuit, since=s, step=top, probe="at:M1").operating_points[0] for s in ("cold", "warm"))
    assert warm.branch != cold.branch
    assert warm.motor_current != pytest.approx(cold.motor_current, rel=1e-3)


def test_meter_changes_what_is_shown_and_how_sure(load: Load) -> None:
    readings = {m: cs.predict(load("tractor-cab-fan"), probe="MOT-:GND", step="4", meter=m).readings[0] for m in METERS}
    assert readings["precise"].standard < readings["standard"].standard < readings["basic"].standard
    assert len({r.display for r in readings.values()}) > 1
    assert readings["precise"].expected == pytest.approx(readings["standard"].expected, rel=1e-6)


@pytest.mark.parametrize(
    ("options", "kind", "words"),
    [
        ({"supply": "12.3 A"}, QuantityError, "12.3 A"),
        ({"supply": "-1 V"}, InputError, "supply"),
        ({"supply": "500 V"}, InputError, "accepted"),
        ({"supply_at": "5"}, UnknownNameError, "step"),
        ({"ambient": "900 °C"}, InputError, "ambient"),
        ({"engine": "runing"}, UnknownNameError, "running"),
        ({"ignition": "acc"}, UnknownNameError, "ignition"),
        ({"ignition": "off", "engine": "running"}, InputError, "ignition off"),
        ({"since": "yesterday"}, UnknownNameError, "warm"),
        ({"unplug": "X44"}, UnknownNameError, "X4"),
        ({"unplug": "X2"}, UnknownNameError, "X2"),
        ({"fit": "jumper:MOT-"}, InputError, "KIND:A:B"),
        ({"fit": "fuse:MOT-:GND"}, UnknownNameError, "jumper"),
        ({"fit": "jumper:MOT:GND"}, UnknownNameError, "MOT"),
        ({"step": "7"}, UnknownNameError, "step"),
        ({"probe": "MOT-"}, InputError, "RED:BLACK"),
        ({"probe": "MOTT-:GND"}, UnknownNameError, "MOT-"),
        ({"probe": "FAN:GND"}, InputError, "FAN"),
        ({"probe": "at:M2"}, UnknownNameError, "M1"),
        ({"meter": "standart"}, UnknownNameError, "standard"),
        ({"probe": "MOT-:GND", "instrument": "oscilloscope"}, UnknownNameError, "voltmeter"),
    ],
)
def test_what_is_not_accepted_is_named_in_one_line(
    options: dict[str, str], kind: type[Exception], words: str, load: Load
) -> None:
    with pytest.raises(kind) as caught:
        cs.predict(load("tractor-cab-fan"), **options)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("place", ["at:FAN1", "at:X4.A"])
def test_a_clamp_goes_where_a_current_flows(place: str, load: Load) -> None:
    """A wheel carries none, and an unplugged pin cannot be clamped."""
    with pytest.raises(InputError) as caught:
        cs.predict(load("tractor-cab-fan"), probe=place, unplug="X4", step="2")
    assert place.removeprefix("at:") in str(caught.value)


@pytest.mark.parametrize("instrument", ["voltmeter", "ohmmeter", "lamp"])
def test_both_leads_on_one_point_are_refused(instrument: str, load: Load) -> None:
    with pytest.raises(InputError, match="both leads on one point"):
        cs.predict(load("tractor-cab-fan"), probe="MOT-:MOT-", instrument=instrument, step="2")


def test_a_chart_is_looked_up_in_its_own_state(load: Load) -> None:
    """Connectors and ignition are the chart's own unless given; a step may be a number; a miss says where it looked."""
    chart = cs.predict(load("tractor-cab-fan"), unplug="X4", ignition="off", probe="MOT-:GND")
    found = chart.at(step=2, red="MOT-")
    assert (found.step, found.unplugged, found.ignition) == ("2", ("X4",), "off")
    with pytest.raises(UnknownNameError) as caught:
        chart.at(step=2, red="MOT-", ignition="on")
    assert "'MOT- : GND at step 2 with X4 unplugged'; did you mean" in str(caught.value)
    assert "ignition off" in str(caught.value)
