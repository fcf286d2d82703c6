"""Room for what a circuit's file leaves out: its evidence against nested quadrature, and when it is given."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from small_circuits import blocked

import circuitsim as cs
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Conditions, Task
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import find_faults
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.measure.faults.sampled import FaultSampler
from circuitsim.studies.allowance import Allowance
from circuitsim.studies.diagnose import Diagnosing
from circuitsim.studies.diagnosis import OTHER
from circuitsim.studies.evidence import Findings, Shown, TakenReading
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.likelihood import Likelihood
from circuitsim.studies.priors import Prior
from circuitsim.studies.sightings import Sightings
from circuitsim.studies.weighing import weigh

METER = find_meter("standard")
TASKS = [
    Task("on", Conditions(), "voltmeter", "BAT+", "GND"),
    Task("on", Conditions(), "voltmeter", "BAT+", "MOT+"),
    Task("on", Conditions(), "voltmeter", "MOT+", "GND"),
    Task("on", Conditions(), "clamp", at="M1"),
]
DIGITS = (0.01, 0.0001, 0.01, 0.01)


def findings(values: tuple[float, ...], tasks: list[Task] = TASKS) -> Findings:
    shown = [Shown("number", round(v / d) * d, d) for v, d in zip(values, DIGITS, strict=False)]
    return Findings(tuple(TakenReading(0, t, s) for t, s in zip(tasks, shown, strict=True)), (), Conditions())


@cache
def table() -> FaultTable:
    circuit = blocked("normal")
    faults = {name: f for name, f in find_faults(circuit).items() if not f.kind.intermittent}
    return FaultTable(circuit, TASKS, METER, faults)


def quadrature(likelihood: Likelihood, tasks: list[Task]) -> float:
    """Logarithm of the healthy circuit's evidence, by Gauss-Hermite rules over tolerances so many times as wide."""
    circuit = blocked("normal")
    bench = FaultBench(circuit, tasks, METER, find_faults(circuit))
    nodes, weights = np.polynomial.hermite_e.hermegauss(41)
    assert len(bench.what) == 3
    grid = np.stack(np.meshgrid(nodes, nodes, nodes, indexing="ij"), axis=-1).reshape(-1, 3)
    weight = np.einsum("i,j,k->ijk", weights, weights, weights).ravel() / weights.sum() ** 3
    value = FaultSampler(bench, None).show(np.full(len(grid), 0.5), grid * likelihood.allowance.factors(bench))
    noise = likelihood.gains @ likelihood.gains.T + np.diag(likelihood.noise)
    left = likelihood.value - value
    logs = -0.5 * np.einsum("vi,ij,vj->v", left, np.linalg.inv(noise), left) - 0.5 * np.linalg.slogdet(2 * np.pi * noise)[1]
    return float(np.log((weight * np.exp(logs)).sum()))


@pytest.mark.parametrize("allowance", [Allowance(), Allowance(0.5, 1.5, 1.2, 0.004, 0.1), Allowance(0.5, 1.0, 1.0, 0.05, 0.3)])
def test_the_evidence_with_room_is_that_of_nested_quadrature(allowance: Allowance, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("circuitsim.studies.likelihood.SLIP", 1e-100)  # a slip is no part of the quadrature
    tasks = [TASKS[2], TASKS[3]]
    said = findings((11.60, 10.6), tasks)
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


def loaded(watts: float) -> Circuit:
    """The small circuit, with a load on the feed behind the joint that is in no file."""
    circuit = blocked("normal")
    net = circuit.net.copy()
    net.add(cs.Resistor("unknown", "MOT+", "GND", resistance=circuit.nominal**2 / watts))
    return replace(circuit, net=net)


def test_readings_that_a_fault_explains_need_no_room() -> None:
    work = Diagnosing(blocked("normal"), vehicle(blocked("normal"), "X1:corroded"), METER, Prior(), table=table())
    assert work.likelihood.allowance.tolerances == 1.0
    assert work.weighed.room() == []


def test_a_load_that_nobody_drew_does_not_hide_a_motor_that_is_open(monkeypatch: pytest.MonkeyPatch) -> None:
    """1 A through the good joint drops 50 mV, where the file's open motor leaves 0.0 mV on a meter with 0.1 mV."""
    said = vehicle(loaded(12.0), "M1:open-winding")
    work = Diagnosing(blocked("normal"), said, METER, Prior(), table=table())
    assert work.chances()[OTHER] < 0.02
    assert any("M1:open-winding" in work.names(group) for group in work.groups()[:1])
    assert work.likelihood.allowance.tolerances == 5.0
    assert "20 mV and 0.5 A" in work.weighed.room()[0]
    monkeypatch.setattr("circuitsim.studies.diagnose.ALLOWANCES", (Allowance(),))
    sharp = Diagnosing(blocked("normal"), said, METER, Prior(), table=table())
    assert sharp.chances()[OTHER] > 0.1


def test_readings_far_from_anything_stay_something_else() -> None:
    """Room is for what a file leaves out, not for anything: 6 V lost between points that no fault of the file parts."""
    work = Diagnosing(blocked("normal"), findings((12.4, 0.01, 6.4, 9.0)), METER, Prior(), table=table())
    assert work.chances()[OTHER] > 0.5
