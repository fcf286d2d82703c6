"""A closer look at suspects: against nested quadrature over the tolerances of a small circuit."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest
from small_circuits import blocked

from circuitsim.measure import Conditions, Task
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import Fault, find_faults
from circuitsim.measure.faults.bench import FaultBench, Readout
from circuitsim.measure.faults.sampled import FaultSampler
from circuitsim.studies.closer import Climb, Look, look_closer
from circuitsim.studies.diagnose import Diagnosing
from circuitsim.studies.evidence import Findings, Shown, TakenReading
from circuitsim.studies.likelihood import Likelihood
from circuitsim.studies.priors import Prior

METER = find_meter("standard")
TASKS = [Task("on", Conditions(), "voltmeter", "MOT+", "GND"), Task("on", Conditions(), "clamp", at="M1")]


@pytest.fixture(autouse=True)
def no_slips(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reading that is wrong altogether is no part of the quadrature."""
    monkeypatch.setattr("circuitsim.studies.likelihood.SLIP", 1e-100)


def findings(volts: float, amperes: float) -> Findings:
    shown = (Shown("number", volts, 0.01), Shown("number", amperes, 0.01))
    return Findings(tuple(TakenReading(0, t, s) for t, s in zip(TASKS, shown, strict=True)), (), Conditions())


@cache
def sampler(fault: str) -> FaultSampler:
    """One fault of the small circuit, compiled once."""
    circuit = blocked("normal")
    bench = FaultBench(circuit, TASKS, METER, find_faults(circuit))
    return FaultSampler(bench, bench.faults[fault] if fault else None)


def quadrature(likelihood: Likelihood, fault: str, share: float) -> float:
    """Logarithm of the evidence at one severity, by a product of three Gauss-Hermite rules over the tolerances.

    Over the severities 41 nodes give the same as 25 within 3e-4 of a nat.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(25)
    assert len(sampler(fault).bench.what) == 3
    grid = np.stack(np.meshgrid(nodes, nodes, nodes, indexing="ij"), axis=-1).reshape(-1, 3)
    weight = np.einsum("i,j,k->ijk", weights, weights, weights).ravel() / weights.sum() ** 3
    value = sampler(fault).show(np.full(len(grid), share), grid)
    noise = likelihood.gains @ likelihood.gains.T + np.diag(likelihood.noise)
    left = likelihood.value - value
    logs = -0.5 * np.einsum("vi,ij,vj->v", left, np.linalg.inv(noise), left)
    logs -= 0.5 * np.linalg.slogdet(2 * np.pi * noise)[1]
    return float(np.log((weight * np.exp(logs)).sum()))


@pytest.mark.parametrize(("volts", "amperes"), [(11.86, 9.1), (11.60, 10.6), (12.20, 9.8)])
def test_the_healthy_evidence_is_that_of_nested_quadrature(volts: float, amperes: float) -> None:
    """Near the nominal readings (11.9 V, 9.7 A), and where the joint would have to be far from its nominal value.

    Laplace's method leaves a tenth of a nat where a number that scatters by a factor is moved by three deviations.
    """
    circuit = blocked("normal")
    work = Diagnosing(circuit, findings(volts, amperes), METER, Prior())
    assert work.base == pytest.approx(quadrature(work.likelihood, "", 0.5), abs=0.12)


@pytest.mark.parametrize(("volts", "amperes"), [(11.11, 8.75), (9.89, 7.32), (10.05, 7.10)])
def test_a_faults_evidence_is_that_of_nested_quadrature(volts: float, amperes: float) -> None:
    """A corroded joint: severity by Simpson's rule on a fine grid about its peak, tolerances by Gauss-Hermite."""
    circuit = blocked("normal")
    work = Diagnosing(circuit, findings(volts, amperes), METER, Prior())
    k = next(k for k, family in enumerate(work.members) if family[0].name == "X1:corroded")
    density = work.densities[k]
    low, high = density.quantiles([0.001, 0.999])
    share = np.linspace(max(low - 0.02, 0.0), min(high + 0.02, 1.0), 61)
    logs = np.array([quadrature(work.likelihood, "X1:corroded", float(x)) for x in share])
    simpson = np.ones(61)
    simpson[1:-1:2], simpson[2:-1:2] = 4.0, 2.0
    evidence = np.log((simpson * np.exp(logs - logs.max())).sum() * (share[1] - share[0]) / 3) + logs.max()
    assert density.evidence == pytest.approx(evidence, abs=0.1)
    peak = share[int(np.argmax(logs))]
    assert density.quantiles([0.5])[0] == pytest.approx(peak, abs=0.01)


@pytest.mark.parametrize("volts", [11.2, 11.6, 12.4, 12.8])
def test_a_place_on_the_way_is_not_taken_for_the_top_that_its_slopes_promise(volts: float) -> None:
    """The joint would have to be many deviations off: what the slopes at its nominal value say of there is far too high."""
    circuit = blocked("normal")
    work = Diagnosing(circuit, findings(volts, 10.6), METER, Prior())
    bench = FaultBench(circuit, TASKS, METER, find_faults(circuit))
    climb = Climb(bench, [0, 1], work.likelihood, work.sightings, [], [Look(-1, 0.5, False)])
    heights = []
    for _ in range(25):
        climb.step(np.array([0]))
        heights.append(float(climb.best[0]))
    assert heights[0] <= heights[-1] + 0.5
    assert heights[0] < heights[-1] - 5.0 or heights[0] == pytest.approx(heights[-1], abs=0.5)


def test_a_severity_that_ends_elsewhere_takes_its_likelihood_along(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the first look has its peak, nothing is known any more: it must not be raised by what was found elsewhere."""
    circuit = blocked("normal")
    work = Diagnosing(circuit, findings(11.11, 8.75), METER, Prior())
    k = next(k for k, family in enumerate(work.members) if family[0].name == "X1:corroded")
    course, density = work.courses[k], work.densities[k]

    def step(climb: Climb, some: np.ndarray) -> None:
        climb.at[some], climb.best[some], climb.width[some], climb.lost[some] = 0.0, -100.0, 3.0, 0
        climb.open = np.zeros(0, np.intp)

    monkeypatch.setattr(Climb, "step", step)
    bench = FaultBench(circuit, TASKS, METER, find_faults(circuit))
    (anew,), base = look_closer(bench, [0, 1], work.likelihood, work.sightings, [course], [density])
    assert base == -100.0
    assert anew.evidence == pytest.approx(-100.0, abs=1.0)


class Forgetful:
    """A bench that finds no point for one reading the first time it is asked."""

    def __init__(self, bench: FaultBench) -> None:
        self.bench, self.what, self.asked = bench, bench.what, 0

    def show(
        self, vehicles: Sequence[Sequence[Fault]], readings: Sequence[int] | None = None, strays: np.ndarray | None = None, *,
        patient: bool = True,
    ) -> Readout:  # fmt: skip
        shown = self.bench.show(vehicles, readings, strays, patient=patient)
        self.asked += 1
        if self.asked == 1:
            shown.value[:, 0] = np.nan
        return shown


def test_a_reading_that_is_lost_at_the_first_look_does_not_settle_the_matter() -> None:
    """Nothing speaks against a place with no reading: it must neither settle there nor be kept before one that has readings."""
    circuit = blocked("normal")
    work = Diagnosing(circuit, findings(11.9, 9.3), METER, Prior())
    tops = []
    for bench in (FaultBench(circuit, TASKS, METER, find_faults(circuit)), Forgetful(work.table.bench)):
        climb = Climb(bench, work.columns, work.likelihood, work.sightings, [], [Look(-1, 0.5, False)])
        for _ in range(12):
            climb.step(np.array([0]))
        assert not climb.lost.any()
        tops.append(float(climb.best[0]))
    assert tops[1] == pytest.approx(tops[0], abs=0.2)
