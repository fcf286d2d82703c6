"""Readings of waveforms in a chart: what is asked for, where they stand, and which studies leave them out."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

import circuitsim as cs
from circuitsim.errors import InputError, QuantityError, UnknownNameError
from circuitsim.library.functions import FUNCTIONS, WAVE_INSTRUMENTS
from circuitsim.measure import Conditions
from circuitsim.studies.predict import reading_plan

Load = Callable[[str], cs.Circuit]
ChartOf = Callable[[str], cs.Chart]
MINIBUS = "minibus-condenser-fan"
LAMP = "lamp:X4.A/harness:X4.B/harness"


def test_one_function_on_leads_and_on_a_clamp(load: Load) -> None:
    volts, amps = cs.predict(load(MINIBUS), probe=["MOT-:GND", "at:M1"], instrument="ac", step="1").readings
    assert (volts.instrument, volts.quantity, volts.unit, volts.tool) == ("ac", "voltage", "V", "ac")
    assert (amps.instrument, amps.quantity, amps.unit, amps.tool) == ("clamp-ac", "current", "A", "clamp ac")
    assert volts.low < volts.expected < volts.high
    assert amps.low < amps.expected < amps.high


def test_a_capture_time_is_told(load: Load) -> None:
    found = [
        cs.predict(load(MINIBUS), probe="CMD:GND", instrument="min", step="1", capture=c).readings[0]
        for c in (None, "2 ms", 2e-3, "20 ms")
    ]
    assert [r.tool for r in found] == ["min of 100 ms", "min of 2 ms", "min of 2 ms", "min of 20 ms"]
    # Of 10 ms it is low for 4.5: caught in 2 ms, not in 20 or 100.
    assert [r.expected < 0.2 for r in found] == [False, True, True, False]
    assert found[1].expected == found[2].expected


@pytest.mark.parametrize(
    ("options", "error", "said"),
    [
        ({"instrument": "dutty"}, UnknownNameError, "did you mean 'duty'"),
        ({"instrument": "clamp-ac"}, UnknownNameError, "instrument between two points"),
        ({"instrument": "ac", "capture": "1 ms"}, InputError, "capture: is for the instruments min and max"),
        ({"instrument": "max", "capture": "1"}, QuantityError, "has no unit"),
        ({"instrument": "max", "capture": "1 V"}, QuantityError, "expected a time"),
        ({"instrument": "max", "capture": 0.0}, InputError, "out of range; accepted: 1 µs to 10 s"),
        ({"instrument": "max", "capture": math.nan}, QuantityError, "finite"),
    ],
)
def test_what_is_not_accepted(options: dict[str, object], error: type[InputError], said: str, load: Load) -> None:
    with pytest.raises(error, match=said) as caught:
        cs.predict(load(MINIBUS), probe="MOT-:GND", **options)
    assert "\n" not in str(caught.value)


def test_charts_of_chopped_circuits_show_plugged_unplugged_and_lamp_loaded(chart_of: ChartOf) -> None:
    """For the low side: average, least and largest, and duty, each with its band."""
    for name in (MINIBUS, "generic-pwm"):
        readings = chart_of(name).readings
        for leads, unplugged, fitted in (
            ("MOT- : GND", (), ()), ("X4.B/harness : GND", ("X4",), ()), ("X4.B/harness : GND", ("X4",), (LAMP,)),
        ):  # fmt: skip
            here = [r for r in readings if (r.leads, r.unplugged, r.fitted) == (leads, unplugged, fitted)]
            assert {"voltmeter", "scope-max", "duty"} <= {r.instrument for r in here}
        assert {"min", "max", "duty"} <= {r.instrument for r in readings if r.leads == "CMD : GND"}


def test_a_rule_stands_where_its_lamp_is(chart_of: ChartOf, load: Load) -> None:
    own = chart_of(MINIBUS).at(step="1", red="X4.B/harness", unplugged="X4", instrument="duty", fitted=LAMP)
    assert own.rule
    assert own.placed == "X4.B/harness : GND at step 1 with X4 unplugged, lamp from X4.A/harness to X4.B/harness"
    loaded = cs.predict(load(MINIBUS), fit="lamp:MOT+:GND", step="1")
    assert all(not r.rule for r in loaded.readings)
    assert all("lamp:MOT+:GND" in r.fitted for r in loaded.readings)


def test_a_lamp_fitted_for_some_is_a_lamp_fitted_for_all(chart_of: ChartOf, load: Load) -> None:
    """The same reading with the lamp as a condition: the same numbers, by another netlist."""
    some = chart_of(MINIBUS)
    every = cs.predict(load(MINIBUS), unplug="X4", fit=LAMP, step="2", probe="X4.B/harness:GND", instrument="duty")
    here = some.at(step="2", red="X4.B/harness", unplugged="X4", instrument="duty", fitted=LAMP)
    assert every.readings[0].expected == pytest.approx(here.expected, abs=1e-9)
    assert every.readings[0].low == pytest.approx(here.low, abs=1e-5)


def test_studies_of_averages_leave_waveforms_out(load: Load) -> None:
    circuit = load(MINIBUS)
    state = Conditions.read(circuit)
    plain, whole = (reading_plan(circuit, state, waves=w) for w in (False, True))
    assert {t for t, _ in plain} == {t for t, _ in whole if t.instrument not in WAVE_INSTRUMENTS and not t.conditions.fitted}
    with pytest.raises(UnknownNameError, match="accepted: voltmeter, ohmmeter, lamp"):
        cs.tolerance(circuit, probe="MOT-:GND", instrument="duty", samples=1)


def test_reading_among_others_and_alone_is_the_same(chart_of: ChartOf, load: Load) -> None:
    """What shares a batch, and the points at which bands are found, changes no digit."""
    chart = chart_of(MINIBUS)
    for instrument in ("duty", "scope-max", "frequency"):
        (alone,) = cs.predict(load(MINIBUS), probe="MOT-:GND", instrument=instrument, step="1").readings
        among = chart.at(step="1", red="MOT-", instrument=instrument)
        assert alone.display == among.display
        assert (alone.low, alone.high) == pytest.approx((among.low, among.high), rel=1e-4, abs=1e-6)


def test_plain_values_say_which_instrument(chart_of: ChartOf) -> None:
    chart = chart_of(MINIBUS)
    record = chart.at(step="1", red="CMD", instrument="min").record()
    assert (record["instrument"], record["capture"]) == ("min", 1e-3)
    lost = chart.at(step="3", red="MOT-", instrument="duty").record()
    assert (lost["expected"], lost["low"], lost["display"]) == (None, None, "-")
    assert set(FUNCTIONS) > {"duty", "min"}
