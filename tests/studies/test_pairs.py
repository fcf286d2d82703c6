"""Two faults at once that have nothing to do with each other: found, and not one of twins named for certain."""

from __future__ import annotations

from functools import cache

import pytest

import circuitsim as cs
from circuitsim.measure import Conditions
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import find_faults
from circuitsim.studies.candidates import candidates
from circuitsim.studies.diagnose import Diagnosing
from circuitsim.studies.evidence import read_findings
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.next_test import Minutes
from circuitsim.studies.priors import Prior

# A burnt relay contact (40 mΩ) and a corroded signal ground (300 Ω), as solved, with errors such as a meter has.
READINGS = """step,red,black,at,reading
off,BAT+,BAT-,,12.60 V
4,BAT+,BAT-,,12.45 V
4,U1+,GND,,12.43 V
2,CMD,GND,,6.54 V
4,CMD,GND,,1.44 V
4,MOT+,GND,,11.57 V
2,MOT-,GND,,6.39 V
4,MOT-,GND,,0.67 V
2,,,M1,4.8 A
4,,,M1,15.7 A
"""
GROUND, FEED = ("X6.1", "X6.2", "G2.eyelet", "W7", "W8"), ("X2.1", "F7.in", "F7.out", "K1", "F7", "W2")
OTHERS = ("X4.A", "M1", "BAT", "S2", "X5.2")


@cache
def work() -> Diagnosing:
    circuit = cs.load("tractor-cab-fan")
    findings = read_findings(circuit, READINGS)
    sites = (*GROUND, *FEED, *OTHERS)
    known = find_faults(circuit)
    faults = {n: f for n, f in known.items() if f.site in sites and not f.kind.intermittent}
    tests = [*(r.task for r in findings.readings), *(t for t, _ in candidates(circuit, Conditions()))]
    table = FaultTable(circuit, tests, find_meter("standard"), faults)
    return Diagnosing(circuit, findings, find_meter("standard"), Prior(), pairs=True, table=table)


def test_two_faults_that_have_nothing_to_do_with_each_other_are_found() -> None:
    """Alone neither explains command and feed: the reading that spoke for the other was called a slip."""
    chances = work().chances()
    together = {n: p for n, p in chances.items() if " + " in n}
    assert sum(together.values()) > 0.6
    sites = [{part.partition(":")[0] for part in name.split(" + ")} for name, p in together.items() if p > 0.01]
    assert sites
    assert all(len(s & set(GROUND)) == 1 and len(s & set(FEED)) == 1 for s in sites)
    assert {"K1", "X6.1"} in sites


def test_pairs_that_read_alike_are_one_suspect() -> None:
    """Good wires were named with all the chance between them: they were merely the first of ten that read alike."""
    found = work().result((), Minutes(), 0.9, True)
    first = found.suspects[0]
    assert len(first.members) > 8
    assert first.probability > 0.6
    assert all(" + " in m.fault for m in first.members)
    assert {m.fault for m in first.members} > {"X6.1:corroded + K1:burnt-contact"}
    assert not found.enough


def test_pairs_are_weighed_by_what_was_seen_alone(capfd: pytest.CaptureFixture[str]) -> None:
    """With no number there is nothing to invert: linear algebra complained on the screen, line after line."""
    told = read_findings(work().circuit, "step,observe,value\n4,fan,slow\n")
    seen = Diagnosing(work().circuit, told, find_meter("standard"), Prior(), pairs=True, table=work().table)
    assert sum(seen.chances().values()) == pytest.approx(1.0)
    assert sum(p for n, p in seen.chances().items() if " + " in n) < 0.5
    assert "illegal" not in "".join(capfd.readouterr())
