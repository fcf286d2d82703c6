"""Room for what a circuit's file leaves out: its evidence against nested quadrature, and when it is given."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from small_circuits import blocked

import circuitsim as cs
from circuitsim.library.circuit import Circuit
from circuitsim.measure import INSTRUMENTS, Conditions, Task
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import find_faults
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.measure.faults.sampled import FaultSampler
from circuitsim.studies.allowance import Allowance
from circuitsim.studies.diagnose import Diagnosing
from circuitsim.studies.diagnosis import HEALTHY, OTHER
from circuitsim.studies.evidence import Findings, Observation, Shown, TakenReading
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.likelihood import Likelihood
from circuitsim.studies.next_test import Minutes
from circuitsim.studies.priors import Prior
from circuitsim.studies.sightings import Sightings
from circuitsim.studies.weighing import weigh

METER = find_meter("standard")
TASKS = [
    Task("on", Conditions(), "voltmeter", "BAT+", "GND"),
    Task("on", Conditions(), "voltmeter", "BAT+", "MOT+"),
    Task("on", Conditions(), "voltmeter", "MOT+", "GND"),
    Task("on", Conditions(), "clamp", at="M1"),
    Task("off", Conditions(), "voltmeter", "BAT+", "MOT+"),
]
LOAD = 60.0  # W; a lamp's worth would hardly show in volts at the motor
DIGITS = (0.01, 0.0001, 0.01, 0.01, 0.0001)


def findings(values: tuple[float, ...], tasks: list[Task] = TASKS) -> Findings:
    shown = [Shown("number", round(v / d) * d, d) for v, d in zip(values, DIGITS, strict=False)]
    return Findings(tuple(TakenReading(0, t, s) for t, s in zip(tasks, shown, strict=True)), (), Conditions())


@cache
def table() -> FaultTable:
    circuit = blocked("normal")
    faults = {name: f for name, f in find_faults(circuit).items() if not f.kind.intermittent}
    return FaultTable(circuit, TASKS, METER, faults)


def errors(likelihood: Likelihood, tasks: list[Task]) -> np.ndarray:
    """Covariance of the meter's errors and of what the file leaves out, by their definition."""
    found = np.zeros((len(tasks), len(tasks)))
    for k, (value, task) in enumerate(zip(likelihood.value, tasks, strict=True)):
        unit = INSTRUMENTS[task.instrument]
        at = METER.range_for(abs(value), unit)
        assert at is not None
        room = likelihood.allowance.volts if unit == "V" else likelihood.allowance.amperes
        limits = (at.share * value) ** 2 / 3 + (at.counts * 0.01) ** 2 / 3  # rectangular
        found[k, k] = limits + 0.01**2 / 12 + room**2  # one reading in each unit: no gain is shared
    return found


def quadrature(likelihood: Likelihood, tasks: list[Task]) -> float:
    """Logarithm of the healthy circuit's evidence, by Gauss-Hermite rules over tolerances so many times as wide."""
    circuit = blocked("normal")
    bench = FaultBench(circuit, tasks, METER, find_faults(circuit), LOAD)
    rules = [np.polynomial.hermite_e.hermegauss(n) for n in ((15, 15, 15, 7) if likelihood.allowance.load else (31, 31, 31, 1))]
    assert bench.filed.tolist() == [True, True, True, False]
    grid = np.stack(np.meshgrid(*(nodes for nodes, _ in rules), indexing="ij"), axis=-1).reshape(-1, 4)
    weight = np.einsum("i,j,k,l->ijkl", *(weights / weights.sum() for _, weights in rules)).ravel()
    value = FaultSampler(bench, None).show(np.full(len(grid), 0.5), grid * likelihood.allowance.factors(bench))
    noise = errors(likelihood, tasks)
    left = likelihood.value - value
    logs = -0.5 * np.einsum("vi,ij,vj->v", left, np.linalg.inv(noise), left) - 0.5 * np.linalg.slogdet(2 * np.pi * noise)[1]
    return float(np.log((weight * np.exp(logs)).sum()))


ROOMS = (
    Allowance(), Allowance(0.5, 1.5, 1.2, 0.004, 0.1), Allowance(0.5, 1.0, 1.0, 0.05, 0.3),
    Allowance(0.5, 1.0, 1.0, 0.05, 0.3, load=True),
)  # fmt: skip


@pytest.mark.parametrize("allowance", ROOMS)
def test_the_evidence_with_room_is_that_of_nested_quadrature(allowance: Allowance, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("circuitsim.studies.likelihood.SLIP", 1e-100)  # a slip is no part of the quadrature
    monkeypatch.setattr("circuitsim.studies.fault_table.LOAD", LOAD)
    tasks = [TASKS[2], TASKS[3]]
    said = findings((11.3 if allowance.load else 11.60, 10.6), tasks)
    likelihood = Likelihood(said.readings, METER, 12.0, allowance)
    circuit = blocked("normal")
    own = FaultTable(circuit, tasks, METER, {"X1:corroded": find_faults(circuit)["X1:corroded"]})
    found = weigh(own, own.columns(tasks), likelihood, Sightings(circuit, (), Conditions(), 2))
    assert found.base == pytest.approx(quadrature(likelihood, tasks), abs=0.12)


def vehicle(circuit: Circuit, fault: str) -> Findings:
    """What a meter shows of a vehicle with nominal numbers."""
    faulty = FaultBench(circuit, TASKS, METER, find_faults(circuit))
    named = faulty.faults[fault]
    return findings(tuple(faulty.show([(named.fault(float(named.at(0.5))),)]).value[0]))


def test_readings_that_a_fault_explains_need_no_room() -> None:
    work = Diagnosing(blocked("normal"), vehicle(blocked("normal"), "X1:corroded"), METER, Prior(), table=table())
    assert work.likelihood.allowance.tolerances == 1.0
    assert work.weighed.room() == []


def test_a_load_that_nobody_drew_does_not_hide_a_dead_supply_of_the_controller() -> None:
    """Half an ampere that is in no file drops 5 mV along the feed, where the file's dead fan leaves 0.0 mV at every step."""
    circuit = cs.load("tractor-cab-fan")
    net = circuit.net.copy()
    net.add(cs.Resistor("unknown", circuit.node("MOT+"), net.ground, resistance=24.0))
    drops = [("BAT+", "MOT+"), ("F7.a", "F7.b")]
    leads = [("2", "MOT+", "GND"), ("2", "MOT-", "GND"), ("2", "U1+", "GND"), *((s, *d) for s in "1234" for d in drops)]
    tasks = [Task(step, Conditions(), "voltmeter", red, black) for step, red, black in leads]
    some = {
        "F9.in:open",
        "F9.in:corroded",
        "F7:blown",
        "X4.A:open",
        "X4.A:corroded",
        "X5.1:open",
        "W2:chafed-to-ground",
        "M1:seized",
    }
    faults = {name: f for name, f in find_faults(circuit).items() if name in some}
    bench = FaultBench(replace(circuit, net=net), tasks, METER, faults)
    values = bench.show([(bench.faults["F9.in:open"].fault(math.nan),)]).value[0]
    shown = [Shown("number", round(v / d) * d, d) for v, d in zip(values, [0.01, 0.01, 0.0001, *[0.0001] * 8], strict=True)]
    said = Findings(tuple(TakenReading(0, t, s) for t, s in zip(tasks, shown, strict=True)), (), Conditions())
    few = FaultTable(circuit, tasks, METER, faults)
    work = Diagnosing(circuit, said, METER, Prior(), table=few)
    assert "F9.in:open" in work.names(work.groups()[0])
    assert work.chances()[OTHER] < 0.1
    assert "tolerances of the circuit's file" in work.weighed.room()[-1]
    sharp = Diagnosing(circuit, said, METER, Prior(), table=few, allowances=[Allowance()])
    assert sharp.chances()["F9.in:open"] < 1e-6


def test_a_load_takes_a_dead_feed_to_nothing_and_no_further() -> None:
    """Behind a blown fuse a feed hangs on a meter's megohms: its slope was 70 kV for 12 W, and a look there told nothing."""
    circuit = cs.load("tractor-cab-fan")
    faults = find_faults(circuit)
    tasks = [Task("off", Conditions(), "voltmeter", *leads) for leads in (("MOT+", "GND"), ("BAT+", "MOT+"))]
    bench = FaultBench(circuit, tasks, METER, {"F7:blown": faults["F7:blown"]}, LOAD)
    shown = bench.show([(), (faults["F7:blown"].fault(np.nan),)])
    good, dead = np.abs(shown.spread[..., ~bench.filed][..., 0])
    assert 0 < dead[0] <= shown.value[1, 0] * (1 + 1e-9) < 0.2
    assert 0 < dead[1] < 13.0
    # In a good feed nothing is held back: its slope is what a small load takes, to first order.
    strays = np.where(bench.filed, 0.0, 0.01)[None]
    taken = shown.value[:1] - bench.show([()], None, strays).value
    np.testing.assert_allclose(np.abs(taken[0]), 0.01 * good, rtol=0.01)


def loaded(fault: str, severity: float, some: set[str]) -> Diagnosing:
    """Diagnose a tractor of which 9 W hang on the feed that are in no file."""
    circuit = cs.load("tractor-cab-fan")
    net = circuit.net.copy()
    net.add(cs.Resistor("unknown", circuit.node("MOT+"), net.ground, resistance=12.0**2 / 9.0))
    leads = [("MOT+", "GND"), ("MOT-", "GND"), ("BAT+", "MOT+")]
    tasks = [Task(step, Conditions(), "voltmeter", *pair) for step in "24" for pair in leads]
    tasks += [Task(step, Conditions(), "clamp", at=part) for step in "24" for part in ("F7", "M1")]
    faults = {name: f for name, f in find_faults(circuit).items() if name in some}
    bench = FaultBench(replace(circuit, net=net), tasks, METER, faults)
    values = bench.show([(faults[fault].fault(severity),)]).value[0]
    said = Findings(tuple(TakenReading(0, t, as_shown(v, t)) for v, t in zip(values, tasks, strict=True)), (), Conditions())
    return Diagnosing(circuit, said, METER, Prior(), table=FaultTable(circuit, tasks, METER, faults))


def as_shown(value: float, task: Task) -> Shown:
    at = METER.range_for(abs(value), INSTRUMENTS[task.instrument])
    assert at is not None
    return Shown("number", round(value / at.digit) * at.digit, at.digit)


def test_a_load_that_no_file_has_is_told_of_beside_the_fault_and_does_not_hide_it() -> None:
    """The clamp at the fuse reads 0.7 A more than the one at the motor: by itself that looks like a load and nothing else."""
    work = loaded("X4.B:corroded", 0.08, {"X4.B:corroded", "W2:spliced-in-load", "F9.in:open"})
    assert work.chances()["X4.B:corroded"] > 0.5
    watts = float(work.weighed.room()[0].partition("a load of about ")[2].partition(" W")[0])
    assert watts == pytest.approx(9.0, abs=2.0)
    sharp = Diagnosing(work.circuit, work.findings, METER, Prior(), table=work.table, allowances=[Allowance()])
    assert sharp.chances()["W2:spliced-in-load"] > 0.9


def test_a_load_that_explains_everything_is_the_suspect() -> None:
    """Room costs what it makes possible: readings that a load of the library explains sharply are not put down to a file."""
    circuit = cs.load("tractor-cab-fan")
    load = float(find_faults(circuit)["W2:spliced-in-load"].at(0.8))
    work = loaded("W2:spliced-in-load", load, {"X4.B:corroded", "W2:spliced-in-load", "F9.in:open"})
    assert work.chances()["W2:spliced-in-load"] > 0.9
    assert work.weighed.room() == []


def test_readings_far_from_anything_stay_something_else() -> None:
    """Room is for what a file leaves out, not for anything: 6 V lost between points that no fault of the file parts."""
    work = Diagnosing(blocked("normal"), findings((12.4, 0.01, 6.4, 9.0, 0.01)), METER, Prior(), table=table())
    assert work.chances()[OTHER] > 0.5


def test_what_was_seen_and_one_wrong_reading_are_no_reason_for_room() -> None:
    good = FaultBench(blocked("normal"), TASKS, METER, {}).show([()]).value[0]
    seen = (Observation(1, "on", "off"), Observation(2, "on", "fuse open"))
    said = replace(findings(tuple(good)), observations=seen)
    assert Diagnosing(blocked("normal"), said, METER, Prior(), table=table()).weighed.room() == []
    wrong = Diagnosing(blocked("normal"), findings((good[0], good[1], 3 * good[2], *good[3:])), METER, Prior(), table=table())
    assert not wrong.sharp.strained()


def test_a_circuit_that_is_good_only_with_room_is_not_called_good_for_sure() -> None:
    """A tenth of a volt lost at the motor's terminals, where nothing in the file can lose it."""
    good = FaultBench(blocked("normal"), TASKS, METER, {}).show([()]).value[0]
    said = findings((good[0], good[1] + 0.03, good[2] - 0.1, good[3], good[4] - 0.03))
    work = Diagnosing(blocked("normal"), said, METER, Prior(), table=table())
    found = work.result((), Minutes(), 0.5, False)
    assert work.weighed.room()
    assert not (found.enough and found.suspects[0].leader.fault == HEALTHY)


def test_with_room_the_table_still_measures_by_the_files_tolerances_and_nobody_is_told_to_stop() -> None:
    """A bad joint in front of a motor that takes far too much: with room the joint alone would do."""
    circuit = cs.load("tractor-cab-fan")
    tasks = [Task("4", Conditions(), "voltmeter", red, "GND") for red in ("MOT+", "MOT-")]
    tasks += [Task(step, Conditions(), "clamp", at="M1") for step in ("4", "2")]
    tasks.append(Task("4", Conditions(), "voltmeter", "X4.A/harness", "X4.A/part"))
    shown = [Shown("number", v, d) for v, d in ((11.8, 0.01), (0.31, 0.0001), (23.9, 0.01), (9.1, 0.01), (0.95, 0.001))]
    said = Findings(tuple(TakenReading(0, t, s) for t, s in zip(tasks, shown, strict=True)), (), Conditions(supply=12.5))
    faults = {n: f for n, f in find_faults(circuit).items() if n in ("X4.A:corroded", "X4.B:corroded", "F7:blown")}
    work = Diagnosing(circuit, said, METER, Prior(), table=FaultTable(circuit, tasks, METER, faults))
    found = work.result((), Minutes(), 0.9, False)
    assert work.weighed.room()
    assert found.suspects[0].leader.fault == "X4.A:corroded"
    assert found.suspects[0].probability > 0.9
    assert max(abs(r.off) for r in found.suspects[0].readings) > 5.0  # by the file's tolerances; with room all lie within 3
    assert not found.enough
    assert found.verdict.startswith("not enough yet: of single repairs, ")
