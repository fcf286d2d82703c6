"""The yardsticks of `benchmarks.posterior`: Bayes errors with a known answer; evidence by quadrature and by plain sampling."""

from __future__ import annotations

import math
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from checkout import load_benchmark
from scipy.stats import norm
from small_circuits import blocked

from circuitsim.measure import Conditions, Task
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import find_faults
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.studies.diagnose import Diagnosing
from circuitsim.studies.evidence import Findings, Shown, TakenReading
from circuitsim.studies.priors import Prior

METER = replace(find_meter("standard"), input_resistance=1e12)
TASKS = [Task("on", Conditions(), "voltmeter", "MOT+", "GND"), Task("on", Conditions(), "clamp", at="M1")]


@pytest.fixture(scope="module")
def groups() -> ModuleType:
    return load_benchmark("exact_groups")


@pytest.fixture(scope="module")
def posterior() -> ModuleType:
    return load_benchmark("exact_posterior")


@pytest.mark.parametrize("apart", [1.0, 2.0, 3.0])
def test_two_normals_are_confused_as_often_as_their_distance_says(groups: ModuleType, apart: float) -> None:
    """Equal covariances, even odds: Bayes' error is Φ(-d/2), d the Mahalanobis distance: textbook, and own derivation
    (the best judge cuts midway between the means, and what is left is one normal along the line between them).

    4,000 are judged: three standard errors are 0.02. Neighbours take 0.01 more in five dimensions. The bound of the nearest
    neighbour may not lie above the answer by more than its own three standard errors (0.03).
    """
    rng = np.random.default_rng(3)
    shape = np.array([[1.0, 0, 0, 0, 0], [5, 2, 0, 0, 0], [0, 0, 0.1, 0, 0], [1, 1, 0, 1, 0], [0, 0, 0, 3, 2]])
    clouds = [rng.standard_normal((2000, 5)) for _ in range(2)]
    clouds[1][:, 2] += apart
    found = groups.confusion(*(points @ shape.T for points in clouds))
    assert found.error == pytest.approx(norm.cdf(-apart / 2), abs=0.03)
    assert found.least < norm.cdf(-apart / 2) + 0.03


def test_a_thin_cloud_within_a_wide_one_is_told_from_it(groups: ModuleType) -> None:
    """One reading scatters 16 times as much with the other, all else alike: of x/σ beyond t, t² = 2·ln 16/(1 - 1/256).

    Own derivation: the best judge names what lies beyond t the wide one. Tolerance as for equal covariances; in units of the
    scatter within both together neighbours would say 0.2.
    """
    rng, beyond = np.random.default_rng(6), math.sqrt(2 * math.log(16) / (1 - 1 / 256))
    thin, wide = (rng.standard_normal((2000, 5)) for _ in range(2))
    wide[:, 3] *= 16
    answer = 0.5 * (2 * norm.cdf(-beyond) + 2 * norm.cdf(beyond / 16) - 1)
    found = groups.confusion(thin, wide)
    assert found.error == pytest.approx(answer, abs=0.03)
    assert found.least < answer + 0.03


def test_what_is_the_same_is_told_apart_by_chance(groups: ModuleType) -> None:
    """Three standard errors of 4,000 judged with even odds, 0.024, and one for the best of three; in steps of a display too."""
    rng = np.random.default_rng(4)
    for digit in (1e-9, 0.5):
        clouds = (np.round(rng.standard_normal((2000, 5)) / digit) * digit for _ in range(2))
        assert groups.confusion(*clouds).error == pytest.approx(0.5, abs=0.032)


def test_displays_keep_within_the_meter(groups: ModuleType) -> None:
    """Gain, counts and half a digit; every value in steps of its range; gains are shared by the volts of one vehicle."""
    rng = np.random.default_rng(5)
    tasks = [TASKS[0], Task("on", Conditions(), "voltmeter", "BAT+", "GND"), TASKS[1]]
    values = np.column_stack([rng.uniform(-5, 15, 4000), rng.uniform(10, 15, 4000), rng.uniform(0, 30, 4000)])
    shown = groups.displays(tasks, values, METER, rng)
    for j, unit in enumerate("VVA"):
        digit = np.array([METER.range_for(float(v), unit).digit for v in values[:, j]])
        most = np.array([METER.limit(float(v), unit) for v in values[:, j]]) + digit / 2
        assert (np.abs(shown[:, j] - values[:, j]) <= most * (1 + 1e-9)).all()
        assert np.abs(shown[:, j] / digit - np.round(shown[:, j] / digit)).max() < 1e-6
    off = (shown[:, :2] - values[:, :2]) / values[:, :2]
    big = np.abs(values[:, 0]) > 5
    assert np.corrcoef(off[big].T)[0, 1] > 0.2
    assert abs(np.corrcoef(off[big, 1], (shown - values)[big, 2])[0, 1]) < 0.1


@pytest.mark.parametrize("shown", [(12.62, 8.34, 17.32), (12.65, 8.37, 17.50), (12.60, 8.35, 17.10)])
def test_the_chance_of_digits_is_how_often_displays_show_them(
    groups: ModuleType, posterior: ModuleType, shown: tuple[float, float, float]
) -> None:
    """One vehicle read by a million and a half meters; four standard errors of the count."""
    tasks, truth, size = [TASKS[0], replace(TASKS[0], red="BAT+"), TASKS[1]], np.array([12.613, 8.347, 17.32]), 1_500_000
    seen = groups.displays(tasks, np.tile(truth, (size, 1)), METER, np.random.default_rng(5))
    often = np.count_nonzero((np.abs(seen - np.array(shown)) < 1e-6).all(axis=1))
    readings = tuple(TakenReading(0, t, Shown("number", v, 0.01)) for t, v in zip(tasks, shown, strict=True))
    chance = float(posterior.chances_shown(truth[None], Findings(readings, (), Conditions()), METER)[0])
    assert often > 100
    assert chance * size == pytest.approx(often, abs=4 * math.sqrt(often))


@pytest.mark.parametrize(("volts", "amperes"), [(11.86, 9.1), (11.20, 9.0)])
def test_evidence_is_that_of_plain_sampling(posterior: ModuleType, volts: float, amperes: float) -> None:
    """Vehicles drawn from the prior and nothing else, weighed by the digits shown: no proposal, no slopes.

    Four standard errors of the two means together.
    """
    circuit = blocked("uniform")
    faults = {n: f for n, f in find_faults(circuit).items() if not f.kind.intermittent}
    shown = (Shown("number", volts, 0.01), Shown("number", amperes, 0.01))
    findings = Findings(tuple(TakenReading(0, t, s) for t, s in zip(TASKS, shown, strict=True)), (), Conditions())
    work = Diagnosing(circuit, findings, METER, Prior(healthy=0.1, other=0.0))
    samplers = posterior.Samplers(FaultBench(circuit, TASKS, METER, faults), faults)
    exact = posterior.exact_posterior(work, samplers, "X1:corroded", 2048, 1)
    assert sum(exact.chances.values()) == pytest.approx(1.0)
    rng, size = np.random.default_rng(2), 100_000
    even = np.array([t.kind == "uniform" for t in samplers.bench.tolerances])
    for k, evidence in exact.evidence.items():
        name = work.members[k][0].name if k >= 0 else "healthy"
        if exact.chances[name] < 0.02:
            continue
        strays = np.where(even, rng.uniform(-math.sqrt(3), math.sqrt(3), (size, 3)), rng.standard_normal((size, 3)))
        values = samplers[name].show(np.sort(rng.random(size)), strays)
        chance = posterior.chances_shown(values, findings, METER)
        error = chance.std() / chance.mean() / math.sqrt(size)
        both = math.hypot(error, math.sqrt(evidence.doubt / evidence.count))
        assert both < 0.1
        assert evidence.log == pytest.approx(math.log(chance.mean()), abs=4 * both), name


@pytest.mark.parametrize(("volts", "amperes"), [(11.86, 9.1), (12.30, 10.4)])
def test_evidence_is_that_of_nested_quadrature(posterior: ModuleType, volts: float, amperes: float) -> None:
    """The good vehicle, by a product of midpoint rules over three tolerances, in 64 parts of equal chance each.

    Four standard errors of the sampling, and 0.02 nat for the edges of the digits' windows, which lie between the nodes.
    """
    circuit = blocked("uniform")
    shown = (Shown("number", volts, 0.01), Shown("number", amperes, 0.01))
    findings = Findings(tuple(TakenReading(0, t, s) for t, s in zip(TASKS, shown, strict=True)), (), Conditions())
    work = Diagnosing(circuit, findings, METER, Prior(healthy=0.1, other=0.0))
    faults = {n: f for n, f in find_faults(circuit).items() if not f.kind.intermittent}
    samplers = posterior.Samplers(FaultBench(circuit, TASKS, METER, faults), faults)
    exact = posterior.exact_posterior(work, samplers, "healthy", 8192, 1).evidence[-1]
    middles = (np.arange(64) + 0.5) / 64
    normal, even = norm.ppf(middles), math.sqrt(3) * (2 * middles - 1)
    axes = [even if t.kind == "uniform" else normal for t in samplers.bench.tolerances]
    strays = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    chance = posterior.chances_shown(samplers["healthy"].show(np.full(len(strays), 0.5), strays), findings, METER)
    assert exact.log == pytest.approx(math.log(chance.mean()), abs=0.02 + 4 * math.sqrt(exact.doubt / exact.count))
