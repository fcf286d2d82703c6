"""A chart as JSON and CSV: strict, exact, and safe for whatever names a circuit has."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from circuitsim.studies.chart import Chart, OperatingPoint, Reading

MakeReading = Callable[..., Reading]
MakeChart = Callable[..., Chart]

LOST = {"expected": math.nan, "low": math.nan, "high": math.nan, "standard": math.nan, "display": "-"}


def rows_of(chart: Chart) -> list[dict[str, str]]:
    """Read a chart's CSV as RFC 4180 has it, the comment lines left out."""
    lines = chart.to_csv().splitlines(keepends=True)
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_json_is_strict_and_has_null_for_what_is_no_number(make_reading: MakeReading, make_chart: MakeChart) -> None:
    def refuse(word: str) -> Any:
        raise ValueError(word)

    point = OperatingPoint("1", math.nan, math.inf, 1.0, "runs away at M1", "", 1e-15, 3)
    chart = make_chart(make_reading(**LOST, verdict="runs away at M1"), operating_points=(point,), options={"a": "1 V"})
    found = json.loads(chart.to_json(), parse_constant=refuse)  # RFC 8259, section 6: no NaN, no Infinity
    assert found["readings"][0]["expected"] is None
    assert found["operating_points"][0]["motor_current"] is None
    assert found["operating_points"][0]["motor_speed"] is None
    assert (found["options"], found["circuit"]) == ({"a": "1 V"}, "bench-fan")


def test_the_hottest_part_is_told_and_null_where_it_is_not_known(make_reading: MakeReading, make_chart: MakeChart) -> None:
    point = OperatingPoint("1", 2.0, 100.0, 4.0, "running", "", 1e-15, 3, "M1", 78.25)
    found = make_chart(make_reading(), operating_points=(point, replace(point, hottest="", hottest_temperature=math.nan)))
    points = json.loads(found.to_json())["operating_points"]
    assert [(p["hottest"], p["hottest_temperature"]) for p in points] == [("M1", 78.25), ("", None)]


def test_json_keeps_every_digit(make_reading: MakeReading, make_chart: MakeChart) -> None:
    value = 8.123456789012345
    found = json.loads(make_chart(make_reading(expected=value)).to_json())
    assert found["readings"][0]["expected"] == value


# reading, expected, low, high: a display's last digit is that of the numbers too, in the SI unit.
BANDS = [
    ({}, ("8.50 V", "8.50", "8.25", "8.75", "V")),
    (
        {"display": "250.1 mV", "expected": 0.25013, "low": 0.2031, "high": 0.31249},
        ("250.1 mV", "0.2501", "0.2031", "0.3125", "V"),
    ),
    (
        {"display": "0.0 mV", "expected": -1e-9, "low": -4e-5, "high": 2e-4},
        ("0.0 mV", "0.0000", "0.0000", "0.0002", "V"),
    ),
    (
        {"display": "12.35 kΩ", "unit": "Ω", "expected": 12345.0, "low": 12000.0, "high": 12704.0},
        ("12.35 kΩ", "12340", "12000", "12700", "Ω"),
    ),
    ({"display": "OL", "unit": "Ω", "expected": 1e9, "low": 9e8, "high": 2e9}, ("OL", "1e+09", "9e+08", "2e+09", "Ω")),
    ({"display": "dim", "unit": "1", "expected": 0.2, "low": -0.04, "high": 0.3}, ("dim", "0.200", "0.000", "0.300", "1")),
    (LOST, ("-", "", "", "", "V")),
]


@pytest.mark.parametrize(("given", "shown"), BANDS)
def test_csv_has_plain_numbers_in_si_units_beside_the_display(
    given: dict[str, Any], shown: tuple[str, ...], make_reading: MakeReading, make_chart: MakeChart
) -> None:
    (row,) = rows_of(make_chart(make_reading(**given)))
    assert tuple(row.values())[4:9] == shown
    assert list(row)[:9] == ["step", "unplugged", "red", "black", "reading", "expected", "low", "high", "unit"]


def test_csv_tells_the_state_of_each_reading(make_reading: MakeReading, make_chart: MakeChart) -> None:
    chart = make_chart(
        make_reading(), make_reading(floating=True), make_reading(**LOST, verdict="live: no ohms reading", floating=True)
    )
    assert [row["state"] for row in rows_of(chart)] == ["running", "floats", "live: no ohms reading"]


HOSTILE = ['a,b;"c"', "line\nbreak", "# no comment", "=1+1", "電圧 Ω"]


@pytest.mark.parametrize("name", HOSTILE)
def test_csv_gives_back_any_name(name: str, make_reading: MakeReading, make_chart: MakeChart) -> None:
    reading = make_reading(red=name, label=name, rule=name, unplugged=("X4", "X5"), fitted=("lamp:A B:GND",))
    lines = make_chart(reading, circuit=name, options={name: name}).to_csv()
    head, _, body = lines.partition("\nstep,")
    assert all(line.startswith("# ") and line.isprintable() for line in head.splitlines())
    (row,) = csv.DictReader(("step," + body).splitlines(keepends=True))
    assert (row["red"], row["label"], row["rule"]) == (name, name, name)
    assert (row["unplugged"], row["fitted"]) == ("X4, X5", "lamp:A B:GND")


def test_csv_has_the_conditions_on_top(make_reading: MakeReading, make_chart: MakeChart) -> None:
    conditions = {
        "ignition": "on", "ambient": 35.0, "supply": 12.34, "supply_at": "off", "unplugged": ["X4", "X5"], "fitted": [],
    }  # fmt: skip
    text = make_chart(make_reading(), conditions=conditions, options={"nominal": "24 V"}).to_csv()
    assert text.splitlines()[:8] == [
        "# circuit: bench-fan", "# option nominal: 24 V", "# ignition: on", "# ambient: 35 °C", "# supply: 12.34 V",
        "# supply_at: off", "# unplugged: X4, X5", "# meter: workshop multimeter",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("display", "shown"),
    [
        ("8.50 V", (8.5, "V", 2)),
        ("-236.7 mV", (-236.7, "mV", 1)),
        ("12 A", (12.0, "A", 0)),
        ("OL", None),
        ("dim", None),
    ],
)
def test_what_a_display_shows(display: str, shown: tuple[float, str, int] | None, make_reading: MakeReading) -> None:
    assert make_reading(display=display).shown == shown
