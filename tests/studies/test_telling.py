"""What is said of a suspect: readings that speak for it, and nothing that `verify` would contradict."""

from __future__ import annotations

import re
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from small_circuits import BENCH_FAN

import circuitsim as cs
from circuitsim.measure import Conditions
from circuitsim.measure.faults import with_faults
from circuitsim.studies.candidates import candidates
from circuitsim.studies.diagnose import diagnose
from circuitsim.studies.diagnosis import HEALTHY, Compared, Diagnosis
from circuitsim.studies.evidence import read_findings
from circuitsim.studies.telling import _tells, reminder, speaking
from circuitsim.studies.verify import Verification, verify

HEAD = "step,red,black,at,reading\n"
QUOTED = re.compile(r"(?:; |: )([^;]+?) shows ([^;]+?), this fault ([^;]+?), a good circuit ([^;]+)")


@cache
def bench() -> cs.Circuit:
    return cs.load(BENCH_FAN)


def both(text: str) -> tuple[Diagnosis, Verification]:
    """What diagnose, and what verify, says of the same readings."""
    findings = read_findings(bench(), text)
    return diagnose(bench(), findings), verify(bench(), read_findings(bench(), HEAD), findings)


def chart_of(fault: str) -> str:
    """A chart of a vehicle with a fault, as if every number in it had been measured."""
    return cs.predict(with_faults(bench(), [fault])).to_csv()


def good_of(found: Diagnosis) -> str:
    return next(s.why for s in found.suspects if s.leader.fault == HEALTHY)


@pytest.mark.parametrize("low_side", ["0.563 V", "0.604 V", "0.521 V", "0.640 V"])
def test_what_is_said_of_a_good_circuit_is_what_verify_says(low_side: str) -> None:
    """A reading between the 95 % band and 2.5 standard deviations lay 'where a good circuit's would' and failed there."""
    found, checked = both(f"{HEAD}2,MOT-,GND,,{low_side}\n2,MOT+,GND,,12.36 V\n2,,,M1,5.63 A\n1,,,M1,1.65 A\n")
    told = good_of(found)
    outside = ["MOT- : GND at step 2"] if checked.outside else []
    assert ("but for MOT- : GND at step 2" in told) == bool(outside) == (low_side != "0.563 V")
    assert ("every reading lies where a good circuit's would" in told) == (not outside)
    assert ("just outside its band" in told) == (low_side in ("0.604 V", "0.521 V"))


def test_who_is_told_that_nothing_is_wrong_is_told_what_lies_outside() -> None:
    circuit = bench()
    cannot = list(dict.fromkeys(t.instrument for t, _ in candidates(circuit, Conditions())))
    findings = read_findings(circuit, f"{HEAD}2,MOT-,GND,,0.604 V\n2,MOT+,GND,,12.36 V\n2,,,M1,5.63 A\n1,,,M1,1.65 A\n")
    found = diagnose(circuit, findings, cannot=cannot)
    assert found.enough
    assert found.verdict.endswith("; take again what lies outside its band: MOT- : GND at step 2")


def test_a_single_reading_outside_is_no_exception_from_any() -> None:
    """'readings lie where a good circuit's would, but for' the only one there is said nothing."""
    found, _ = both(f"{HEAD}2,MOT-,GND,,0.604 V\n")
    assert good_of(found).startswith("the only reading lies outside a good circuit's band: MOT- : GND at step 2")


def test_only_readings_that_tell_the_suspect_from_a_good_circuit_are_quoted() -> None:
    found, _ = both(chart_of("X1.A:corroded=0.2ohm"))
    first = found.suspects[0]
    assert first.leader.fault.startswith("X1.A:")
    quoted = QUOTED.findall(first.why)
    assert quoted
    by_place = {r.placed: r for r in first.readings}
    for place, shown, predicted, good in quoted:
        assert predicted != good, place
        assert abs(by_place[place].off) < 2 < 2.5 < abs(by_place[place].good_off)
        assert (shown, predicted, good) == (by_place[place].shown, by_place[place].predicted, by_place[place].good)


def test_where_only_all_readings_together_speak_that_is_said() -> None:
    """Each reading of a mild fault lies in a good circuit's band; nothing is quoted as if it did not."""
    circuit = cs.load("tractor-cab-fan")
    faulty = with_faults(circuit, ["X4.A:corroded=40mohm"])
    probes = ["BAT+:BAT-", "BAT+:MOT+", "MOT+:GND", "MOT-:GND", "MOT+:MOT-", "MOT-:BAT-", "at:M1"]
    findings = read_findings(circuit, cs.predict(faulty, probe=probes, step=["3", "4"]).to_csv())
    found = diagnose(circuit, findings, next_test=False)
    assert not verify(circuit, read_findings(circuit, HEAD), findings).outside
    first = found.suspects[0]
    assert (first.leader.fault[:2], first.probability > 0.9) == ("X4", True)
    assert not QUOTED.findall(first.why)
    assert "no reading by itself tells it from a good circuit, but all together speak for it" in first.why
    assert "every reading agrees with it, and with a good circuit" not in first.why


def test_a_display_that_jumps_speaks_for_what_comes_and_goes() -> None:
    """It was said that no reading stands out, and that all agree with a good circuit."""
    found, _ = both(f"{HEAD}2,MOT-,GND,,unstable 0.2-0.56 V\n2,X1.A/harness,X1.A/part,,unstable 0-6 V\n")
    first = found.suspects[0]
    assert first.leader.fault == "X1.A:intermittent"
    drop = first.readings[1]
    assert (
        f"X1.A/part at step 2 jumps (0-6 V): with this fault it is {drop.predicted} at one moment, {drop.good} at" in first.why
    )
    assert (drop.kind, drop.number) == ("unstable", False)


def test_what_was_only_seen_is_not_told_of_readings() -> None:
    """A fan that stands still speaks for a blown fuse; the one reading taken, at the battery, does not."""
    rows = "step,red,black,reading,observe,value\noff,BAT+,GND,12.55 V,,\n2,,,,fan,off\n"
    found = diagnose(bench(), read_findings(bench(), rows), next_test=False)
    assert found.suspects[0].leader.fault != HEALTHY
    assert not any("together" in s.why for s in found.suspects)


def test_the_readings_that_speak_most_come_first() -> None:
    weak, strong, none = (Compared(p, "1 V", "1 V", 0.0, "2 V", 3.0, t) for p, t in (("a", 2.0), ("b", 9.0), ("c", 0.0)))
    assert [text[0] for text in speaking([weak, none, strong])] == ["b", "a"]
    assert speaking([none]) == []


@pytest.mark.parametrize(
    ("off", "good_off", "speaks"), [(1.9, 2.6, True), (2.3, 30.0, True), (2.3, 4.0, False), (3.1, 30.0, False)]
)
def test_a_suspect_may_miss_a_reading_a_little_where_a_good_circuit_misses_it_by_far(
    off: float, good_off: float, speaks: bool
) -> None:
    """8.4 V for 8.1 V, and 6.1 V in a good circuit: that tells something, and 'no reading does' would be wrong."""
    assert (_tells(off, good_off) > 0) is speaks


def test_where_no_reading_is_outside_its_band_nobody_is_sent_to_take_a_part_out_at_once() -> None:
    """A lamp's look has no band: where there is one, nothing is said."""
    rows = [line for line in chart_of("X1.A:corroded=0.5ohm").splitlines() if not line.startswith("#")]
    found = diagnose(bench(), read_findings(bench(), "\n".join(rows)))
    assert "by itself every reading" not in found.verdict
    suspects = found.suspects
    for outside, numbers, told in (((), 3, True), ((("MOT+ : GND", True),), 3, False), ((), 2, False)):
        work: Any = SimpleNamespace(strays=outside, readings=[None] * 3, likelihood=SimpleNamespace(numbers=np.arange(numbers)))
        assert ("by itself every reading" in reminder(work, suspects, enough=True)) is told
