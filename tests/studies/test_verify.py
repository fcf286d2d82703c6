"""Proving a repair: bands, the last digit, what is left over, what was not repeated, what was seen."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from small_circuits import BENCH_FAN

import circuitsim as cs
from circuitsim.errors import InputError, UnknownNameError
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Conditions, Task, meter
from circuitsim.measure.faults import with_faults
from circuitsim.studies.diagnose import diagnose
from circuitsim.studies.evidence import Findings, Shown, TakenReading, read_findings
from circuitsim.studies.verify import Verification, verify

T = "tractor-cab-fan"
HEAD = "step,unplugged,red,black,at,reading\n"
SUPPLY = "# supply: 12.5 V\n"


@cache
def _circuit() -> Circuit:
    return cs.load(T)


def _read(rows: str, head: str = SUPPLY + HEAD) -> Findings:
    return read_findings(_circuit(), head + rows, "f.csv")


def _verified(before: str, after: str) -> Verification:
    return verify(_circuit(), _read(before), _read(after))


@cache
def _expected(red: str, step: str) -> cs.Reading:
    return cs.predict(_circuit(), supply=12.5).at(step=step, red=red)


# The band ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("red", "step"), [("MOT-", "2"), ("MOT+", "4"), ("CMD", "3")])
def test_the_band_is_that_of_the_chart(red: str, step: str) -> None:
    """The same figures as `predict` under the supply that stands on top of the file."""
    wanted = _expected(red, step)
    row = _verified("", f"{step},,{red},GND,,1.00 V\n").readings[0]
    assert (row.expected, row.low, row.high, row.good) == (wanted.expected, wanted.low, wanted.high, wanted.display)
    assert (row.label, row.rule) == (wanted.label, wanted.rule)


def test_half_a_digit_is_allowed_for() -> None:
    """A displayed number stands for all values within half a digit (JCGM 100:2008, F.2.2.1: from memory)."""
    high = _expected("MOT-", "2").high
    digit = 0.01
    just_in, just_out = (math.floor((high + 0.5 * digit) / digit) + k for k in (0, 1))
    first, second = _verified("", f"2,,MOT-,GND,,{just_in * digit:.2f} V\n2,,MOT-,GND,,{just_out * digit:.2f} V\n").readings
    assert (first.inside, second.inside) == (True, False)
    assert first.left_over == 0.0
    assert second.left_over == pytest.approx(just_out * digit - high)
    coarse = _verified("", "2,,MOT-,GND,,6 V\n2,,MOT-,GND,,7 V\n").readings  # 5.5 … 6.5 V meets the band, 6.5 … 7.5 V does not
    assert [r.inside for r in coarse] == [True, False]


def test_how_far_off_is_in_standard_uncertainties() -> None:
    """Combined by the root of the sum of squares: the band's own, and digit/√12 (JCGM 100, 4.3.7 and 5.1.2)."""
    wanted = _expected("MOT-", "2")
    row = _verified("", "2,,MOT-,GND,,7.0 V\n").readings[0]
    assert row.off == pytest.approx((7.0 - wanted.expected) / math.sqrt(wanted.standard**2 + 0.1**2 / 12))
    assert row.standard == wanted.standard


def test_good_vehicles_are_in_band_in_about_95_of_100(
    drawn: Callable[..., dict[tuple[str, str], Any]], solve: Callable[..., Any]
) -> None:
    """Vehicles drawn from the tolerances, read without a meter's error: what the band of 95 % promises, or a little more."""
    circuit, step, size = _circuit(), "3", 400
    values = drawn(circuit, step, size, np.random.default_rng(5))
    volts = solve(circuit, step, values=values).voltage(circuit.node("MOT-"), circuit.node("GND"))
    task = Task(step, Conditions(), "voltmeter", "MOT-", "GND")
    readings = tuple(TakenReading(k, task, Shown("number", round(v, 3), 0.001)) for k, v in enumerate(volts.tolist()))
    found = verify(circuit, Findings((), (), Conditions()), Findings(readings, (), Conditions()))
    share = np.mean([r.inside for r in found.readings])
    assert 0.93 < share < 0.99  # 0.95 less 2 standard errors of 400 draws; the meter's share widens the band


def test_a_supply_measured_once_holds_for_readings_with_the_ignition_off() -> None:
    """12.2 V at step 4 is a battery that rests higher: readings at rest are judged by that, as in the chart."""
    chart = cs.predict(_circuit(), supply=12.2, supply_at="4")
    rest = chart.at(step="off", red="BAT+", black="BAT-", ignition="off")
    assert rest.expected > 12.25
    text = "# supply: 12.2 V\n# supply_at: 4\nstep,red,black,reading,ignition\noff,BAT+,BAT-,12.3 V,off\n"
    row = verify(_circuit(), _read(""), read_findings(_circuit(), text)).readings[0]
    assert row.expected == pytest.approx(rest.expected, abs=1e-6)


def test_each_file_has_its_own_conditions() -> None:
    """The battery was flat before and charged after: each reading is judged by its own supply."""
    before = _read("off,,MOT+,GND,,11.80 V\n", "# supply: 11.8 V\n" + HEAD)
    found = verify(_circuit(), before, _read("off,,MOT+,GND,,12.50 V\n"))
    row = found.readings[0]
    assert (row.was_inside, row.inside) == (True, True)
    assert "battery measured 11.8 V" in found.before
    assert "battery measured 12.5 V" in found.after


# Stories: common practice, no source ---------------------------------------------------------------------------------------


def _taken(fault: str, places: str) -> Findings:
    """What a technician writes down of a nominal vehicle, with or without a fault."""
    circuit = with_faults(_circuit(), [fault]) if fault else _circuit()
    chart = cs.predict(circuit, probe=places.split(), supply=12.5)
    rows = "".join(f"{r.step},,{r.red},{r.black},{r.at},{r.display}\n" for r in chart.readings)
    return _read(rows)


PLACES = "MOT+:GND MOT-:GND at:M1 X4.A/harness:X4.A/part"


def test_a_repair_that_worked() -> None:
    found = verify(_circuit(), _taken("X4.A:corroded=300mohm", PLACES), _taken("", PLACES))
    assert found.passed
    assert found.outside == found.not_repeated == ()
    assert found.verdict == "every reading is back in its band (20 of 20)"
    drop = next(r for r in found.readings if r.task.red == "X4.A/harness" and r.task.step == "4")
    assert (drop.was_inside, drop.inside) == (False, True)
    assert any("in band does not prove the part" in text for text in found.cautions)


def test_a_repair_that_did_not() -> None:
    """The wrong joint was cleaned: what was wrong is still wrong, and by how much."""
    bad = _taken("X4.A:corroded=300mohm", PLACES)
    found = verify(_circuit(), bad, bad)
    assert not found.passed
    drop = next(r for r in found.outside if r.task.red == "X4.A/harness" and r.task.step == "4")
    assert drop.left_over > 1.0  # V: 300 mΩ at well above 10 A, less a good joint's few tens of millivolts
    assert drop.off > 10
    assert f"{len(found.outside)} of 20 still outside: " in found.verdict
    worst = max(found.outside, key=lambda r: abs(r.off))
    assert worst.task.red == "X4.A/harness"
    assert f"outside: {worst.leads} at step 1, 2, 3, 4; " in found.verdict  # the furthest off first


def test_a_repair_that_broke_something_else() -> None:
    """The drop is gone, but the ground was left loose: told apart from what was wrong before."""
    found = verify(_circuit(), _taken("X4.A:corroded=300mohm", PLACES), _taken("G1.eyelet:corroded=300mohm", PLACES))
    assert not found.passed
    new = [(r.task.red, r.task.step) for r in found.outside if r.was_inside]
    assert new == [("MOT-", "2"), ("MOT-", "3")]  # a low side that rises with its ground
    assert "MOT- : GND at step 2, 3 (in its band before)" in found.verdict


def test_nothing_was_wrong_in_what_was_read() -> None:
    found = _verified("off,,MOT+,GND,,12.50 V\n", "off,,MOT+,GND,,12.50 V\n")
    assert found.passed
    assert "So was every reading before" in found.verdict


def test_what_was_wrong_and_was_not_read_again_is_not_proved() -> None:
    found = _verified("4,,MOT+,GND,,9.0 V\n4,,MOT-,GND,,0.25 V\n", "4,,MOT-,GND,,0.25 V\n")
    assert not found.passed
    assert [r.placed for r in found.not_repeated] == ["MOT+ : GND at step 4"]
    assert found.not_repeated[0].was_inside is False
    assert "Not repeated, though outside before: MOT+ : GND at step 4" in found.verdict
    fine = _verified("4,,MOT+,GND,,12.0 V\n4,,MOT-,GND,,3.0 V\n", "4,,MOT-,GND,,0.25 V\n")
    assert fine.passed  # what was good need not be read again, but is named
    assert [r.placed for r in fine.not_repeated] == ["MOT+ : GND at step 4"]


@pytest.mark.parametrize("after", ["", "4,,MOT-,GND,,\n"])
def test_without_readings_after_nothing_is_proved(after: str) -> None:
    found = _verified("4,,MOT-,GND,,3.0 V\n", after)
    assert not found.passed
    assert found.verdict.startswith("nothing was measured after the repair, so nothing is proved")


def test_a_place_is_the_same_under_another_name_and_another_charge() -> None:
    node = _circuit().node("MOT-")
    before = _read(f"4,,{node},GND,,3.0 V\n", "# supply: 12.1 V\n# ambient: 5 degC\n" + HEAD)
    found = verify(_circuit(), before, _read("4,,MOT-,GND,,0.25 V\n"))
    assert [(r.before, r.after) for r in found.readings] == [("3.0 V", "0.25 V")]
    other = _read("4,X4,MOT-,GND,,3.0 V\n")  # unplugged is another place
    assert len(verify(_circuit(), other, _read("4,,MOT-,GND,,0.25 V\n")).readings) == 2


# Displays that are no steady number ----------------------------------------------------------------------------------------


def test_a_display_that_jumps_is_in_where_both_ends_are() -> None:
    rows = _verified("", "off,,MOT+,GND,,unstable 12.48-12.52 V\n4,,MOT+,GND,,unstable 3-12 V\n").readings
    assert [r.inside for r in rows] == [True, False]
    assert [r.after for r in rows] == ["unstable 12.48-12.52 V", "unstable 3-12 V"]
    assert rows[1].left_over == pytest.approx(3.0 - rows[1].low)


def test_how_a_lamp_looks() -> None:
    """On a good plug the lamp is dark at off and bright at full speed (common practice); dim is ohms in the path."""
    leads = "X4,X4.A/harness,X4.B/harness,"
    found = _verified("", "".join(f"{s},{leads},{look}\n" for s, look in (("off", "dark"), ("4", "bright"), ("4", "dim"))))
    assert [(r.inside, r.good) for r in found.readings] == [(True, "dark"), (True, "bright"), (False, "bright")]
    assert [math.isnan(r.off) for r in found.readings] == [True] * 3


def test_an_overloaded_display() -> None:
    """From a motor that hangs free to ground an ohmmeter shows OL; across its winding of half an ohm it must not."""
    head = "# ignition: off\n# unplugged: X4\nstep,red,black,at,reading,instrument\n"
    rows = "off,X4.A/part,GND,,OL,ohmmeter\noff,X4.A/part,X4.B/part,,OL,ohmmeter\noff,X4.A/part,X4.B/part,,0.7 Ω,\n"
    free, wound, fine = verify(_circuit(), _read("", head), _read(rows, head)).readings
    assert (free.good, free.inside, wound.inside, fine.inside) == ("OL", True, False, True)
    ohms = _read("off,X4.A/part,GND,,2.0 MΩ,ohmmeter\n", head)
    assert [r.inside for r in verify(_circuit(), _read("", head), ohms).readings] == [False]


def test_a_figure_without_a_band_is_not_judged() -> None:
    """A lamp there ended the command, and any voltage was outside a band that nobody knows; diagnose asks verify too."""
    circuit = cs.load(BENCH_FAN)
    head = HEAD.replace("reading", "reading,instrument")
    rows = "2,X1,X1.A/harness,X1.B/harness,,bright,lamp\noff,X1,X1.A/harness,GND,,12.6 V,\n"
    findings = read_findings(circuit, head + rows)
    for r in verify(circuit, read_findings(circuit, head), findings).readings:
        assert math.isfinite(r.expected)
        assert math.isnan(r.low)
        assert r.inside is None
        assert r.why.startswith("no band")
    assert "every reading lies" in diagnose(circuit, findings, next_test=False).suspects[0].why


def test_what_can_not_be_judged_is_not_called_good() -> None:
    """A live ohms reading has no figure, a voltmeter on a part that floats proves nothing; neither passes nor fails."""
    head = HEAD.replace("reading", "reading,instrument")
    text = "4,,MOT+,MOT-,,0.5 Ω,ohmmeter\n4,X4,X4.A/part,GND,,0.3 V,\n"
    found = verify(_circuit(), _read("", head), _read(text, head))
    live, floats = found.readings
    assert (live.inside, live.why) == (None, "no figure: live: no ohms reading")
    assert floats.inside is None
    assert floats.why.startswith("floats")
    assert not found.passed
    assert "none of the readings taken after can be judged" in found.verdict
    assert json.loads(json.dumps(found.to_dict(), allow_nan=False))["readings"][0]["low"] is None


def test_functions_of_a_waveform() -> None:
    """A duty and a frequency on a chopped low side: in as the chart has them, out where a share is 10 points off."""
    circuit = cs.load("generic-pwm")
    probe = {
        name: cs.predict(circuit, probe="MOT-:GND", instrument=name, step="2").readings[0] for name in ("duty", "frequency")
    }
    duty = probe["duty"].expected
    rows = [f"2,MOT-,{probe['duty'].display}", f"2,MOT-,{probe['frequency'].display}", f"2,MOT-,{100 * duty + 10:.1f} %"]
    after = read_findings(circuit, "step,red,reading\n" + "\n".join(rows))
    found = verify(circuit, replace(after, readings=()), after)
    assert [(r.task.instrument, r.inside) for r in found.readings] == [("duty", True), ("frequency", True), ("duty", False)]
    assert found.readings[2].left_over == pytest.approx(duty + 0.1 - found.readings[2].high, abs=0.0006)
    assert "duty MOT- : GND at step 2" in found.verdict


# What was seen -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "after", "cured", "left", "untold"),
    [
        ("3,fan,slow", "3,fan,normal", ("slow at step 3",), (), ()),
        ("3,fan,slow", ",fan,normal", ("slow at step 3",), (), ()),
        ("3,fan,slow", "4,fan,normal", (), (), ("slow at step 3",)),
        (",noisy,yes", ",noisy,no", ("noisy",), (), ()),
        (",noisy,yes", ",fan,normal", (), (), ("noisy",)),
        (",noisy,yes", "4,noisy,yes", (), ("noisy at step 4",), ()),
        ("3,fan,normal", ",hot smell,", (), ("hot smell",), ()),
        (",surges,no", ",fan,normal", (), (), ()),
    ],
)
def test_what_was_seen(before: str, after: str, cured: tuple[str, ...], left: tuple[str, ...], untold: tuple[str, ...]) -> None:
    head, good = "step,observe,value\n", _read("4,,MOT-,GND,,0.25 V\n").readings
    one, two = (_read(f"{text}\n", SUPPLY + head) for text in (before, after))
    found = verify(_circuit(), one, replace(two, readings=good))
    assert (found.cured, found.left, found.untold) == (cured, left, untold)
    assert found.passed == (not left)
    assert not left or f"Still seen: {left[0]}" in found.verdict


# Cautions, mistakes, formats -----------------------------------------------------------------------------------------------


def test_a_missing_supply_and_unmeasured_rows_are_told() -> None:
    after = replace(_read("4,,MOT-,GND,,0.25 V\n", HEAD), notes=("3 rows still hold what was printed",))
    cautions = verify(_circuit(), _read("4,,MOT-,GND,,0.25 V\n"), after).cautions
    assert any(text.startswith("no battery voltage is given for after (# supply: 12.3 V)") for text in cautions)
    assert "in f.csv: 3 rows still hold what was printed" in cautions
    assert set(_circuit().cautions) <= set(cautions)
    both = _read("4,,MOT-,GND,,0.25 V\n")
    assert not any("no battery voltage" in text for text in verify(_circuit(), both, both).cautions)


def test_mistakes() -> None:
    empty = _read("")
    with pytest.raises(UnknownNameError, match="did you mean 'precise'"):
        verify(_circuit(), empty, empty, "precice")
    with pytest.raises(InputError, match="no circuit"):
        verify(3, empty, empty)  # type: ignore[arg-type]
    high = _read("4,,MOT-,GND,,0.25 V\n", "# supply: 18 V\n# supply_at: 4\n# engine: running\n" + HEAD)
    with pytest.raises(InputError, match=r"^f\.csv: supply: 18 V can't be reached"):
        verify(_circuit(), empty, high)


def test_records_and_csv_agree() -> None:
    found = _verified("4,,MOT+,GND,,9.0 V\n", "4,,MOT-,GND,,3.0 V\n4,,,,M1,17.5 A\n")
    rows = [line.split(",") for line in found.to_csv().splitlines()]
    assert [len(row) for row in rows] == [len(rows[0])] * 4
    for row, record in zip(rows[1:], found.records(), strict=True):
        told = dict(zip(rows[0], row, strict=True))
        assert (told["step"], told["red"], told["at"]) == (record["step"], record["red"], record["at"])
        assert told["inside"] == {True: "yes", False: "no", None: ""}[record["inside"]]
        assert float(told["low"]) == pytest.approx(record["low"], rel=1e-5)
    assert found.to_dict()["not_repeated"] == ["MOT+ : GND at step 4"]


def test_another_meter_has_another_band() -> None:
    after = _read("4,,MOT+,GND,,12.00 V\n")
    wide, narrow = (verify(_circuit(), _read(""), after, name).readings[0] for name in ("basic", "precise"))
    assert wide.high - wide.low > narrow.high - narrow.low
    assert meter("basic").limit(12.0, "V") > meter("precise").limit(12.0, "V")
