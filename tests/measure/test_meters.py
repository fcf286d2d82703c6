"""Meters against published accuracy rows, and what a display does."""

from __future__ import annotations

from itertools import pairwise

import pytest

from circuitsim.errors import UnknownNameError
from circuitsim.measure import METERS, Range, lamp_look, meter


@pytest.mark.parametrize(
    ("spec", "reading", "limit"),
    [
        # ±(0.5 % + 1 digit), 2 V range with a 1 mV digit, 1.755 V: ±0.010 V (published example in a meter manual)
        (Range(2.0, 0.001, 0.005, 1), 1.755, 0.010),
        # ±(1 % + 2 digits), 0.1 V digit, 100.0 V: 98.8-101.2 V (same manual)
        (Range(200.0, 0.1, 0.01, 2), 100.0, 1.2),
        # ±(0.03 % + 10 digits), 1 mV digit, 79.999 V: ±0.034 V (published accuracy note)
        (Range(80.0, 0.001, 0.0003, 10), 79.999, 0.034),
    ],
)
def test_accuracy_limits_as_published(spec, reading, limit):
    assert spec.limit(reading) == pytest.approx(limit, abs=0.0005)  # the printed digits


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (12.594, "V", "12.59 V"),
        (5.9996, "V", "6.000 V"),
        (0.28476, "V", "284.8 mV"),
        (-0.0004, "V", "-0.4 mV"),
        (-1e-9, "V", "0.0 mV"),
        (1234.0, "V", "OL"),
        (18.42, "A", "18.42 A"),
        (75.0, "A", "75.0 A"),
        (6.18, "Ω", "6.2 Ω"),
        (4700.0, "Ω", "4.700 kΩ"),
        (1e12, "Ω", "OL"),
        (float("nan"), "V", "-"),
    ],
)
def test_display_of_the_standard_meter(value, unit, shown):
    assert METERS["standard"].display(value, unit) == shown


def test_every_meter_covers_every_unit():
    for tool in METERS.values():
        for unit in ("V", "A", "Ω"):
            ranges = tool.ranges(unit)
            assert all(a.full_scale < b.full_scale for a, b in pairwise(ranges))
            assert tool.limit(1e15, unit) > 0
        assert tool.title in tool.note()


def test_unknown_meter_names_the_nearest():
    with pytest.raises(UnknownNameError, match="did you mean 'standard'"):
        meter("standrad")


def test_lamp_words():
    assert [lamp_look(x) for x in (1.0, 0.3, 0.01, float("nan"))] == ["bright", "dim", "dark", "-"]
