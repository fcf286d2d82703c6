"""The chart of expected readings: its structure for every circuit, and what it can be written as."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.errors import UnknownNameError
from circuitsim.measure.waving import LEVEL
from circuitsim.quantities import parse

Load = Callable[[str], cs.Circuit]
ChartOf = Callable[[str], cs.Chart]
NAMES = cs.circuit_names()
# A 12 V and a 24 V circuit, one for each way of controlling.
SOME = ("tractor-cab-fan", "minibus-condenser-fan", "coach-defroster-fan")


# Structure --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_steps_are_off_then_numbers(name: str, load: Load) -> None:
    steps = load(name).steps
    assert steps == ("off", *(str(k) for k in range(1, len(steps))))
    assert len(steps) >= 3


@pytest.mark.parametrize("name", NAMES)
def test_every_reading_is_a_number_inside_its_band(name: str, chart_of: ChartOf) -> None:
    readings = chart_of(name).readings
    assert len(readings) > 20
    for r in readings:
        if r.verdict == LEVEL:  # no duty and no frequency of a level
            assert (r.quantity in ("duty", "frequency"), math.isnan(r.expected), r.display) == (True, True, "-")
            continue
        assert all(math.isfinite(v) for v in (r.expected, r.low, r.high, r.standard)), f"{r.leads} at {r.step}: {r.verdict}"
        assert r.low <= r.expected <= r.high
        assert r.standard >= 0
        assert r.display not in ("", "-")
        assert r.residual < 1e-12  # the acceptance rule


@pytest.mark.parametrize("name", NAMES)
def test_every_operating_point_is_accepted_and_judged(name: str, load: Load, chart_of: ChartOf) -> None:
    points = chart_of(name).operating_points
    assert tuple(p.step for p in points) == load(name).steps
    assert [p.verdict for p in points] == ["at rest"] + ["running"] * (len(points) - 1)
    for p in points:
        assert 0 <= p.residual < 1e-12  # the acceptance rule
        assert p.branch
        assert p.iterations >= 1


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("since", ["cold", "warm"])
def test_current_speed_and_voltage_of_the_motor_rise_with_the_step(name: str, since: str, load: Load) -> None:
    points = cs.predict(load(name), since=since, probe="BAT+:BAT-", engine="running").operating_points
    for values in (
        [p.motor_current for p in points],
        [p.motor_speed for p in points],
        [p.motor_voltage for p in points],
    ):
        assert (np.diff(values) > 0).all()
        assert abs(values[0]) < 0.01


@pytest.mark.parametrize("name", NAMES)
def test_each_reading_is_listed_once_and_says_what_it_is(name: str, load: Load, chart_of: ChartOf) -> None:
    circuit = load(name)
    chart = chart_of(name)
    keys = [(r.step, r.leads, r.tool, r.unplugged, r.ignition, r.fitted) for r in chart.readings]
    assert len(set(keys)) == len(keys)
    quantity = {"voltmeter": ("voltage", "V"), "clamp": ("current", "A"), "ohmmeter": ("resistance", "Ω"),
                "lamp": ("brightness", "1")}  # fmt: skip
    quantity |= {"scope-min": ("voltage", "V"), "scope-max": ("voltage", "V"), "min": ("voltage", "V"), "max": ("voltage", "V"),
                 "duty": ("duty", "1"), "frequency": ("frequency", "Hz")}  # fmt: skip
    for r in chart.readings:
        assert (r.quantity, r.unit) == quantity[r.instrument]
        assert bool(r.at) == (r.instrument == "clamp")
        assert bool(r.red and r.black) != bool(r.at)
        assert r.label
        assert r.step in circuit.steps
        # A reading of the chart is at a place that a person can reach.
        for lead in (r.red, r.black):
            assert not lead or lead in circuit.probes or lead.endswith(("/harness", "/part"))


@pytest.mark.parametrize("name", NAMES)
def test_unplugged_readings_are_listed(name: str, load: Load, chart_of: ChartOf) -> None:
    """The motor's plug, and that of what controls it, at every step."""
    circuit = load(name)
    found = {r.unplugged for r in chart_of(name).readings}
    assert () in found
    assert ("X4",) in found
    assert len(found) >= 3
    for step in circuit.steps:
        assert any(r.step == step and r.unplugged == ("X4",) and r.red == "X4.B/harness" for r in chart_of(name).readings)


@pytest.mark.parametrize("name", NAMES)
def test_display_is_the_expected_value_to_its_last_digit(name: str, chart_of: ChartOf) -> None:
    for r in chart_of(name).readings:
        if r.instrument == "lamp" or r.display in ("OL", "-"):
            continue
        number, unit = r.display.split()
        places = len(number.partition(".")[2])
        scale = {"m": 1e-3, "k": 1e3, "M": 1e6}.get(unit[0], 1.0) if len(unit) > 1 else 0.01 if unit == "%" else 1.0
        # Half of the last digit, and a rounding of the comparison.
        assert float(number) * scale == pytest.approx(r.expected, abs=scale * 0.5001 * 10**-places)


@pytest.mark.parametrize("name", NAMES)
def test_standard_uncertainty_and_band_belong_together(name: str, chart_of: ChartOf) -> None:
    """A 95 % band is near two standard uncertainties either way for a normal answer, 1.65 for a rectangular one."""
    for r in chart_of(name).readings:
        half = (r.high - r.low) / 2
        if r.verdict == LEVEL or (r.quantity == "duty" and r.low == 0.0):  # no reading, or cut off: no duty is negative
            continue
        # Skewed answers (dark lamps, factors of two either way) lie further off.
        assert 1.2 * r.standard <= half <= 2.4 * r.standard or r.standard < 1e-9


@pytest.mark.parametrize("name", NAMES)
def test_generic_circuits_have_wider_bands_than_known_ones(name: str, chart_of: ChartOf) -> None:
    """Nobody has data for a generic circuit: its current is known to a third or so, a known circuit's to an eighth."""
    chart = chart_of(name)
    r = chart.at(step=chart.operating_points[-1].step, at="M1")
    share = (r.high - r.low) / 2 / r.expected
    assert (0.3 < share < 0.8) if name.startswith("generic") else (0.05 < share < 0.25)


def test_a_circuit_without_standard_readings_gets_a_plain_chart(load: Load, chart_of: ChartOf) -> None:
    """Every probe point against ground, and the motor's current, at every step."""
    circuit = replace(load("tractor-cab-fan"), readings=())
    chart = cs.predict(circuit)
    places = {(r.red, r.black, r.at) for r in chart.readings}
    assert places == {(p, "GND", "") for p in circuit.probes if p != "GND"} | {("", "", "M1")}
    assert len(chart.readings) == len(places) * len(circuit.steps)
    standard = chart_of(circuit.name).at(step="4", red="MOT-").expected
    assert chart.at(step="4", red="MOT-").expected == pytest.approx(standard, rel=1e-8)  # the solver's rule


def test_prediction_repeats_to_the_last_bit(load: Load, chart_of: ChartOf) -> None:
    assert cs.predict(load("tractor-cab-fan")).to_json() == chart_of("tractor-cab-fan").to_json()


def test_reading_alone_and_among_others_is_the_same(load: Load, chart_of: ChartOf) -> None:
    """Each is as if its instrument were the only one on the circuit."""
    chart = chart_of("tractor-cab-fan")
    alone = cs.predict(load("tractor-cab-fan"), probe="CMD:GND", step="2").readings[0]
    among = chart.at(step="2", red="CMD")
    # The acceptance rule; and the band's sampling does not depend on what else is in the batch.
    assert (alone.expected, alone.low, alone.high) == pytest.approx((among.expected, among.low, among.high), rel=1e-8)


# Finding ----------------------------------------------------------------------------------------------------------


def test_at_finds_what_the_chart_has(chart_of: ChartOf) -> None:
    chart = chart_of("tractor-cab-fan")
    r = chart.at(step="2", red="MOT-", black="GND")
    assert (r.step, r.red, r.black, r.unplugged, r.ignition) == ("2", "MOT-", "GND", (), "on")
    assert chart.at(step="2", red="MOT-") is r
    assert chart.at(step="4", at="M1").unit == "A"
    assert chart.at(step="1", red="X4.B/harness", unplugged="X4").unplugged == ("X4",)
    assert chart.at(step="1", red="X4.B/harness", unplugged=("X4",)).unplugged == ("X4",)
    assert chart.at(step="off", red="BAT+", black="BAT-", ignition="off").ignition == "off"


@pytest.mark.parametrize(
    ("wanted", "nearest"),
    [
        ({"step": "2", "red": "MOT"}, "MOT+ : GND at step 2"),
        ({"step": "2", "red": "MOTT-"}, "MOT- : GND at step 2"),
        ({"step": "5", "red": "CMD"}, "CMD : GND at step"),
        ({"step": "2", "at": "M2"}, "on M1 at step 2"),
        ({"step": "2", "red": "CMD", "black": "GDN"}, "CMD : GND at step 2"),
    ],
)
def test_at_names_the_nearest_when_there_is_none(wanted: dict[str, str], nearest: str, chart_of: ChartOf) -> None:
    with pytest.raises(UnknownNameError) as caught:
        chart_of("tractor-cab-fan").at(**wanted)
    assert nearest in str(caught.value)
    assert "\n" not in str(caught.value)


# Writing ----------------------------------------------------------------------------------------------------------


def refuse(text: str) -> None:
    raise AssertionError(f"{text} is no JSON")


@pytest.mark.parametrize("name", NAMES)
def test_json_is_strict_and_comes_back(name: str, chart_of: ChartOf) -> None:
    chart = chart_of(name)
    back = json.loads(chart.to_json(), parse_constant=refuse)
    assert back == chart.to_dict()
    assert {"circuit", "conditions", "readings", "operating_points"} <= set(back)
    promised = {"step", "unplugged", "instrument", "red", "black", "at", "quantity", "unit", "expected", "low", "high",
                "display"}  # fmt: skip
    for r, record in zip(chart.readings, back["readings"], strict=True):
        assert promised <= set(record)
        assert record["expected"] == (r.expected if r.verdict != LEVEL else None)  # to the last bit
        assert tuple(record["unplugged"]) == r.unplugged
    for record in back["operating_points"]:
        assert {"step", "motor_current", "motor_speed", "residual", "verdict"} <= set(record)


def test_json_writes_null_for_what_is_no_reading(load: Load) -> None:
    """Warm, a stage that takes a dead short has no temperature, so no reading; strict JSON has no NaN."""
    chart = cs.predict(load("tractor-cab-fan"), fit="jumper:MOT-:BAT+", since="warm", step="3", probe="MOT-:GND")
    (r,) = chart.readings
    assert r.verdict.startswith("runs away")
    assert math.isnan(r.expected)
    assert r.display == "-"
    (record,) = json.loads(chart.to_json(), parse_constant=refuse)["readings"]
    assert record["expected"] is record["low"] is record["high"] is None
    assert record["verdict"] == r.verdict


def read_csv(text: str) -> tuple[dict[str, str], list[dict[str, str]]]:
    lines = text.splitlines(keepends=True)
    comments = [line for line in lines if line.startswith("#")]
    head = dict(line[1:].strip().split(": ", 1) for line in comments)
    return head, list(csv.DictReader(io.StringIO("".join(lines[len(comments) :]))))


@pytest.mark.parametrize("name", NAMES)
def test_csv_comes_back(name: str, chart_of: ChartOf) -> None:
    """Every row says where, under which conditions and what, in a form that the package itself reads."""
    chart = chart_of(name)
    head, rows = read_csv(chart.to_csv())
    assert head["circuit"] == name
    assert parse(head["ambient"], "°C") == 20.0
    for r, row in zip(chart.readings, rows, strict=True):
        assert None not in row
        assert (row["step"], row["red"], row["black"], row["at"]) == (r.step, r.red, r.black, r.at)
        assert (row["instrument"], row["ignition"], row["engine"]) == (r.instrument, r.ignition, r.engine)
        assert tuple(filter(None, row["unplugged"].split(", "))) == r.unplugged
        assert (row["rule"], row["label"]) == (r.rule, r.label)
        assert (row["reading"], row["unit"]) == (r.display, r.unit)
        if r.instrument != "lamp" and r.display not in ("OL", "-"):
            # A digit of the display, which the ends of the band are written to as well.
            digit = 10.0 ** -len(r.display.split()[0].partition(".")[2])
            digit *= parse(f"1 {r.display.split()[1]}", r.unit)
            assert parse(row["reading"], r.unit) == pytest.approx(r.expected, abs=0.51 * digit)
            for column, value in (("expected", r.expected), ("low", r.low), ("high", r.high)):
                assert float(row[column]) == pytest.approx(value, abs=0.51 * digit)


def test_csv_head_tells_the_conditions(load: Load) -> None:
    chart = cs.predict(load("tractor-cab-fan"), supply="12.3 V", ambient=-5.0, engine="running", unplug="X5", step="2")
    head, rows = read_csv(chart.to_csv())
    assert parse(head["supply"], "V") == 12.3
    assert parse(head["ambient"], "°C") == -5.0
    assert head["engine"] == "running"
    assert head["unplugged"] == "X5"
    assert {row["step"] for row in rows} == {"2"}
