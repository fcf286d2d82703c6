"""The diagnosis beside the exact posterior, on five readings at one step.

Run: python -m benchmarks.posterior [CIRCUIT] [--cases 300] [--vehicles 4096] [--step 3]

The exact posterior needs no first order and no model of errors: for every live suspect many vehicles are drawn near where the
readings put it (importance sampling). The severity is drawn about each mode, and then about what counted in a first round; the
part tolerances are drawn from their own distribution, but for the few directions that the readings tell of: in those each
vehicle is moved to where its readings, as solved, fit best, and drawn about there by a widened Student-t. Each is solved and
counts by prior over proposal and by the chance that the meter shows exactly the digits that were written down (gain shared by
all readings of one unit and counts of each reading evenly within the limits, then the last digit). Tolerances have their true
shapes. What the sampling leaves in doubt is printed: effective number of vehicles, standard errors, and the change when only
half of the vehicles are taken. Every suspect is sampled with an eighth of the vehicles first, and with up to twice as many
where that leaves the truth's chance in doubt; those more than 12 nats below the best by the diagnosis are left out, but never
the fault that is there.

Printed: log score of both and their difference (target 0.1 nat), the share of cases in which the first group holds the truth
over what the exact posterior would reach by choosing among the same groups (target 0.97), and the calibration.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm
from scipy.stats import t as student

from benchmarks.faulty_vehicles import Case, displayed, draw_cases
from circuitsim import load
from circuitsim.measure import INSTRUMENTS, Conditions, Meter, Task
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import PossibleFault, find_faults
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.measure.faults.sampled import FaultSampler
from circuitsim.studies.candidates import candidates
from circuitsim.studies.closer import Climb, Look
from circuitsim.studies.diagnose import Diagnosing
from circuitsim.studies.diagnosis import HEALTHY
from circuitsim.studies.evidence import Findings, TakenReading
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.priors import Prior

Array = NDArray[np.float64]
Index = NDArray[np.intp]
CIRCUIT = "tractor-cab-fan"
LEADS = (("BAT+", "BAT-"), ("MOT+", "GND"), ("MOT-", "GND"), ("CMD", "GND"))
TARGETS = {"log": 0.1, "accuracy": 0.97}
_GAINS = 48  # places of the shared gain
WIDER, FREE = 1.15, 7  # by which the proposal is widened, and its degrees of freedom
EVENLY = 0.1  # share of severities drawn evenly
ROUNDS = 8
FEWER, MORE = 8, (1, 2)  # first so many times fewer vehicles, then so many times as many
SURE = 0.02  # nats; standard error of the logarithm of the truth's chance that is wanted
FAR = 6.0  # standard deviations; nothing is looked for further away


def tests_of(step: str) -> list[Task]:
    """Give supply, feed, low side and command by the voltmeter, and the motor's current."""
    volts = [Task(step, Conditions(), "voltmeter", red, black) for red, black in LEADS]
    return [*volts, Task(step, Conditions(), "clamp", at="M1")]


def chances_shown(truth: Array, findings: Findings, meter: Meter) -> Array:
    """Give the chance that vehicles give the digits that were written down, (vehicles,)."""
    found = np.ones(len(truth))
    readings = list(enumerate(findings.readings))
    for unit in ("V", "A"):
        mine = [(j, r) for j, r in readings if INSTRUMENTS[r.task.instrument] == unit]
        live = np.flatnonzero(found > 0)
        places = (np.arange(_GAINS) + 0.5) / _GAINS * 2 - 1
        chance = np.ones((live.size, _GAINS))
        for j, r in mine:
            value, at = truth[live, j], meter.range_for(r.shown.value, unit) or meter.ranges(unit)[-1]
            gained = value[:, None] + places * (at.share * np.abs(value))[:, None]
            half, cell = at.counts * at.digit, at.digit
            low, high = r.shown.value - 0.5 * cell - gained, r.shown.value + 0.5 * cell - gained
            chance *= np.clip(np.minimum(high, half) - np.maximum(low, -half), 0.0, None) / (2 * half)
        found[live] = chance.mean(axis=1)
    return np.nan_to_num(found)


@dataclass(frozen=True)
class Evidence:
    """Logarithm of a suspect's evidence, of half the vehicles alone, and how many vehicles it rests on."""

    log: float
    half: float
    effective: float


@dataclass(frozen=True)
class Component:
    """A part of a proposal: severity about a place, numbers normal given severity and readings, to first order there."""

    share: float
    width: float
    left: Array  # of each reading at no stray
    along: Array  # against the share, (readings,)
    slopes: Array  # against the strays, (readings, numbers)


def components(work: Diagnosing, bench: FaultBench, live: Sequence[int]) -> dict[int, list[Component]]:
    """Find where the readings put each suspect (-1: healthy), and take slopes there."""
    looks, spans = [Look(-1, 0.5, False)], dict[tuple[int, float], float]()
    for k in live:
        density = work.densities[k]
        places = [float(x) for x in dict.fromkeys(density.quantiles([0.05, 0.3, 0.5, 0.7, 0.95]))]
        if not work.courses[k].graded:
            looks.append(Look(k, 0.5, False))
        elif places[-1] - places[0] < 0.1:
            looks.append(Look(k, places[len(places) // 2], True))
        else:
            looks += [Look(k, x, False) for x in places]
            spans.update({(k, x): max(0.5 * abs(dx), 0.02) for x, dx in zip(places, np.gradient(places), strict=True)})
    columns = list(range(len(bench.tasks)))
    climb = Climb(bench, columns, work.likelihood, work.sightings, work.courses, looks)
    for _ in range(8):
        if climb.open.size:
            climb.step(climb.open)
    ahead = np.where(climb.at > 0.5, -1e-3, 1e-3)
    vehicles = [make(float(x)) for make, x in zip(climb.make, climb.at, strict=True)]
    vehicles += [make(float(x)) for make, x in zip(climb.make, climb.at + ahead, strict=True)]
    shown, size = bench.show(vehicles, columns, np.concatenate([climb.kept, climb.kept])), len(looks)
    along = (shown.value[size:] - shown.value[:size]) / ahead[:, None]
    # Numbers between limits are drawn by normal deviates of their own: z = √3·(2Φ(g) - 1) has the exact shape.
    even = np.array([t.kind == "uniform" for t in bench.tolerances])
    inner = np.clip(climb.kept / math.sqrt(3), -0.995, 0.995)
    latent = np.where(even, norm.ppf(0.5 * (inner + 1)), climb.kept)
    slopes = shown.spread[:size] * np.where(even, math.sqrt(12) * norm.pdf(latent), 1.0)[:, None, :]
    back = shown.value[:size] - np.einsum("vmn,vn->vm", slopes, latent)
    found: dict[int, list[Component]] = {}
    for j, look in enumerate(looks):
        width = 1.5 * min(float(climb.width[j]), 0.2) if look.moves else 1.5 * spans.get((look.course, look.share), 0.1)
        graded = look.course >= 0 and work.courses[look.course].graded
        slope = along[j] if graded else 0 * along[j]
        part = Component(float(climb.at[j]), width, work.likelihood.value - back[j], slope, slopes[j])
        found.setdefault(look.course, []).append(part)
    return found


@dataclass(frozen=True)
class Severities:
    """A proposal for the severity: evenly, about the places where the readings put it, and about vehicles that counted."""

    places: Array
    widths: Array
    weights: Array

    def draw(self, count: int, rng: np.random.Generator) -> Array:
        """Draw shares, in rising order; some may lie outside the plausible range."""
        owner = rng.choice(self.places.size, count, p=self.weights)
        near = self.places[owner] + self.widths[owner] * rng.standard_t(5, count)
        return np.sort(np.where(rng.random(count) < EVENLY, rng.random(count), near))

    def log(self, share: Array) -> Array:
        """Give the logarithm of its density."""
        near = student.pdf((share[:, None] - self.places) / self.widths, 5) / self.widths @ self.weights
        return np.asarray(np.log(EVENLY * ((share >= 0) & (share <= 1)) + (1 - EVENLY) * near))

    @classmethod
    def about(cls, share: Array, weight: Array) -> Severities | None:
        """Give one about weighted vehicles; None when there are too few of them."""
        kept = np.flatnonzero(weight > 1e-6 * weight.max(initial=0.0))
        if kept.size < 10:
            return None
        w, x = weight[kept] / weight[kept].sum(), share[kept]
        spread = math.sqrt(float(w @ (x - w @ x) ** 2))
        return cls(x, np.full(kept.size, max(spread * (1 / float((w**2).sum())) ** -0.2, 1e-5)), w)


class Conditional:
    """The numbers of vehicles, given their severity and what is left of the readings, about one place.

    In the directions that the readings tell of (singular vectors of the slopes in units of their errors) each vehicle is moved
    to where it is likeliest, with readings as solved, and drawn about there; all others keep their draws from the prior.
    """

    def __init__(self, part: Component, noise: Array) -> None:
        self.part, self._sharp = part, np.linalg.inv(noise)
        rows = np.linalg.svd(np.linalg.solve(np.linalg.cholesky(noise), part.slopes), full_matrices=False)
        self.rows = rows[2][rows[1] > 1e-2]
        self.slopes = part.slopes @ self.rows.T
        self.lower: Array = np.zeros(0)

    def begin(self, share: Array, latent: Array) -> Array:
        """Give the likeliest place along the directions to first order, and take them out of the draws."""
        latent -= latent @ self.rows.T @ self.rows
        left = self.part.left - self.part.along * (share - self.part.share)[:, None] - latent @ self.part.slopes.T
        self.slopes = np.repeat(self.slopes[None], share.size, axis=0)
        self._weigh()
        self.best = np.zeros((share.size, len(self.rows)))
        self.height, self.part = np.full(share.size, -np.inf), np.ones(share.size)
        self._way = self._step(self.best, left, FAR)
        return self._way

    def turn(self, slopes: Array, left: Array) -> None:
        """Take other slopes at the best places, (vehicles, readings, directions)."""
        self.slopes, self.part = np.nan_to_num(slopes), np.ones(len(slopes))
        self._weigh()
        self._way = self._step(self.best, left, 2.0)

    def go_on(self, at: Array, left: Array) -> NDArray[np.bool_]:
        """Keep the places that are likelier than the best so far, and say which; left: the readings less what they show."""
        fit = np.einsum("vm,mk,vk->v", left, self._sharp, left) + (at**2).sum(axis=1)
        height = np.where(np.isfinite(fit), -0.5 * fit, -1e300)
        higher = height > self.height
        self.best, self.height = np.where(higher[:, None], at, self.best), np.where(higher, height, self.height)
        self._way = np.where(higher[:, None], self._step(at, left, 2.0), self._way)
        self.part = np.where(higher, np.minimum(3 * self.part, 1.0), 0.3 * self.part)
        return higher

    def next(self) -> Array:
        """Give the places to look at next: a way on from the best, part of it where all of it came out worse."""
        return np.clip(self.best + self.part[:, None] * self._way, -FAR, FAR)

    def _step(self, at: Array, left: Array, most: float) -> Array:
        pulled = np.einsum("vmr,mk,vk->vr", self.slopes, self._sharp, np.nan_to_num(left)) - at
        step = np.linalg.solve(self.lower @ self.lower.transpose(0, 2, 1), pulled[..., None])[..., 0]
        return np.asarray(np.clip(step, -most, most))

    def _weigh(self) -> None:
        inner = np.einsum("vmr,mk,vks->vrs", self.slopes, self._sharp, self.slopes)
        self.lower = np.linalg.cholesky(inner + np.eye(len(self.rows)))

    def about(self, rng: np.random.Generator) -> tuple[Array, Array]:
        """Draw places about the best ones; give them, and the logarithm of prior over proposal."""
        off = rng.standard_t(FREE, self.best.shape)
        place = self.best + WIDER * np.linalg.solve(self.lower.transpose(0, 2, 1), off[..., None])[..., 0]
        size = np.log(np.diagonal(self.lower, axis1=1, axis2=2) / WIDER).sum(axis=1)
        return place, norm.logpdf(place).sum(axis=1) - student.logpdf(off, FREE).sum(axis=1) - size


def evidence_of(
    work: Diagnosing, sampler: FaultSampler, parts: Sequence[Component], count: int, seed: Sequence[int]
) -> Evidence:
    """Weigh many vehicles with one fault, drawn near where the readings put it: a quarter first, then all."""
    rng = np.random.default_rng(seed)
    fault = sampler.fault
    if fault is None or not fault.graded:
        return _evidence(_weights(work, sampler, parts, np.full(count, parts[0].share), rng))
    first = Severities(*np.array([(p.share, p.width, 1 / len(parts)) for p in parts]).T)
    share = first.draw(count // 4, rng)
    second = Severities.about(share, _weights(work, sampler, parts, share, rng) * np.exp(-first.log(share))) or first
    share = second.draw(count, rng)
    return _evidence(_weights(work, sampler, parts, share, rng) * np.exp(-second.log(share)))


def _weights(
    work: Diagnosing, sampler: FaultSampler, parts: Sequence[Component], share: Array, rng: np.random.Generator
) -> Array:
    """Draw numbers for vehicles of some severities, and weigh them: chance of the digits shown × prior / proposal."""
    bench, likelihood = sampler.bench, work.likelihood
    noise = likelihood.gains @ likelihood.gains.T + np.diag(likelihood.noise)
    latent = rng.standard_normal((share.size, len(bench.what)))
    owner = np.argmin([np.abs(share - p.share) / p.width for p in parts], axis=0)
    told = [(Conditional(p, noise), np.flatnonzero(owner == j)) for j, p in enumerate(parts)]
    places = []
    for own, mine in told:
        places.append(own.begin(share[mine], rest := latent[mine]))
        latent[mine] = rest
    seen = np.full((share.size, likelihood.value.size), np.nan)  # shown at the best places
    for k in range(ROUNDS):
        shown = _shown(sampler, share, _moved(latent, told, places))
        for (own, mine), at in zip(told, places, strict=True):
            higher = own.go_on(at, likelihood.value - shown[mine])
            seen[mine[higher]] = shown[mine[higher]]
        if k == ROUNDS - 3:
            _own_slopes(sampler, share, latent, told, seen, likelihood.value)
        places = [own.next() for own, _ in told]
    log = np.where((share >= 0) & (share <= 1), 0.0, -np.inf)
    drawn = []
    for own, mine in told:
        place, ratio = own.about(rng)
        log[mine] += ratio
        drawn.append(place)
    values = _shown(sampler, share, _moved(latent, told, drawn))
    return np.asarray(np.exp(log) * chances_shown(values, work.findings, work.meter))


def _own_slopes(
    sampler: FaultSampler, share: Array, latent: Array, told: Sequence[tuple[Conditional, Index]], seen: Array,
    value: Array,
) -> None:  # fmt: skip
    """Take the slopes of every vehicle where it is best, by differences along its directions; seen: what is shown there;
    value: the readings.
    """
    slopes = [np.zeros((mine.size, seen.shape[1], len(own.rows))) for own, mine in told]
    for r in range(max(len(own.rows) for own, _ in told)):
        ahead = [own.best.copy() for own, _ in told]
        lengths = [0.2 / own.lower[:, r, r] if r < len(own.rows) else np.zeros(mine.size) for own, mine in told]
        for (own, _), at, length in zip(told, ahead, lengths, strict=True):
            at[:, r : r + 1] += length[:, None] if r < len(own.rows) else 0.0
        there = _shown(sampler, share, _moved(latent, told, ahead))
        for (own, mine), slope, length in zip(told, slopes, lengths, strict=True):
            if r < len(own.rows):
                slope[:, :, r] = (there[mine] - seen[mine]) / length[:, None]
    for (own, mine), slope in zip(told, slopes, strict=True):
        own.turn(slope, value - seen[mine])


def _moved(latent: Array, told: Sequence[tuple[Conditional, Index]], places: Sequence[Array]) -> Array:
    out = latent.copy()
    for (own, mine), at in zip(told, places, strict=True):
        out[mine] += at @ own.rows
    return out


def _shown(sampler: FaultSampler, share: Array, latent: Array) -> Array:
    """Solve vehicles; numbers between limits have the exact shape z = √3·(2Φ(g) - 1)."""
    even = np.array([t.kind == "uniform" for t in sampler.bench.tolerances])
    return sampler.show(np.clip(share, 0.0, 1.0), np.where(even, math.sqrt(3) * (2 * norm.cdf(latent) - 1), latent))


def _evidence(weight: Array) -> Evidence:
    effective = float(weight.sum() ** 2 / max((weight**2).sum(), 1e-300))
    half = np.random.default_rng(weight.size).permutation(weight)[: weight.size // 2].mean()
    return Evidence(math.log(max(float(weight.mean()), 1e-300)), math.log(max(float(half), 1e-300)), effective)


@dataclass(frozen=True)
class Exact:
    """Exact chances of each fault (by name), by half the vehicles too; effective vehicles behind the truth's, and the standard
    error of the logarithm of its chance.
    """

    chances: dict[str, float]
    half: dict[str, float]
    effective: float
    error: float


class Samplers(dict[str, FaultSampler]):
    """Samplers by the fault's name, made when first asked for; healthy is one."""

    def __init__(self, bench: FaultBench, faults: Mapping[str, PossibleFault]) -> None:
        self.bench, self.faults = bench, faults

    def __missing__(self, name: str) -> FaultSampler:
        self[name] = FaultSampler(self.bench, self.faults.get(name))
        return self[name]


def exact_posterior(work: Diagnosing, samplers: Samplers, truth: str, count: int, seed: int) -> Exact:
    """Weigh every live suspect by many vehicles."""
    evidence = np.array([d.evidence for d in work.densities])
    place = next((k for k, f in enumerate(work.members) if truth in [m.name for m in f]), -1)
    best = max(float(evidence.max()), work.base)
    live = [k for k in range(len(evidence)) if evidence[k] > best - 12 or k == place]
    # What can't show in these readings is as the healthy vehicle.
    silent = [k for k in live if np.abs(work.densities[k].logs - work.base).max() < 1e-3 and k != place]
    parts = components(work, samplers.bench, [k for k in live if k not in silent])
    before = {HEALTHY: work.prior.healthy, **work.prior.chances(work.faults)}
    found: dict[int, Evidence] = {}

    def weigh(some: Sequence[int], vehicles: int) -> None:
        for k in some:
            sampler = samplers[work.members[k][0].name if k >= 0 else HEALTHY]
            found[k] = evidence_of(work, sampler, parts[k], vehicles, [seed, k + 1])
        found.update(dict.fromkeys(silent, found[-1]))

    def names_of(k: int) -> list[str]:
        return [f.name for f in work.members[k]] if k >= 0 else [HEALTHY]

    def posterior(logs: dict[int, float]) -> dict[str, float]:
        named = {name: log for k, log in logs.items() for name in names_of(k)}
        top = max(named.values())
        chances = {name: before[name] * math.exp(log - top) for name, log in named.items()}
        total = sum(chances.values())
        return {name: v / total for name, v in chances.items()}

    def doubts() -> dict[int, float]:
        """What each suspect's sampling adds to the variance of the logarithm of the truth's chance."""
        chances = posterior({k: e.log for k, e in found.items()})
        shares = {k: sum(chances[n] for n in names_of(k)) for k in parts}
        return {k: ((k == place) - share) ** 2 / max(found[k].effective, 1.0) for k, share in shares.items()}

    weigh(list(parts), count // FEWER)
    for more in MORE:  # those that leave the chance of the truth in doubt
        weigh([k for k, doubt in doubts().items() if doubt > SURE**2 / 4], more * count)
    whole, half = ({k: getattr(e, name) for k, e in found.items()} for name in ("log", "half"))
    return Exact(posterior(whole), posterior(half), found[place].effective, math.sqrt(sum(doubts().values())))


def cases_of(samplers: Samplers, table: FaultTable, prior: Prior, count: int, seed: int) -> list[tuple[Case, Findings]]:
    """Draw cases, solve each by itself, and write down what the meter shows."""
    found = []
    for case in draw_cases(table, prior, count, seed):
        fault = table.faults[case.name] if case.fault else None
        share = np.array([float(fault.share(np.array(case.fault.severity))) if fault and fault.graded and case.fault else 0.5])
        values = samplers[case.name].show(share, case.strays[None])[0]
        rng = np.random.default_rng(case.seed)
        readings = [
            TakenReading(0, t, displayed(t, float(v), case, table.meter, rng))
            for t, v in zip(samplers.bench.tasks, values, strict=True)
        ]  # fmt: skip
        found.append((case, Findings(tuple(readings), (), Conditions())))
    return found


def measure(
    circuit: str = CIRCUIT, cases: int = 300, vehicles: int = 4096, step: str = "3", seed: int = 1
) -> list[dict[str, Any]]:
    """Measure: rows with what, value, yardstick, ratio, target."""
    loaded = load(circuit)
    # A meter that loads nothing, so that the exact posterior may have all of them on at once.
    meter = replace(find_meter("standard"), input_resistance=1e12)
    faults = {n: f for n, f in find_faults(loaded).items() if not f.kind.intermittent}
    tests, prior = tests_of(step), Prior(healthy=0.1, other=0.0)
    table = FaultTable(loaded, [*tests, *(t for t, _ in candidates(loaded, Conditions()))], meter, faults)
    samplers = Samplers(FaultBench(loaded, tests, meter, faults), faults)
    own, exact, halves, first, best, effective, errors = [], [], [], [], [], [], []
    given: list[tuple[float, float, bool]] = []
    for case, findings in cases_of(samplers, table, prior, cases, seed):
        work = Diagnosing(loaded, findings, meter, prior, table=table)
        told, optimum = work.chances(), exact_posterior(work, samplers, case.name, vehicles, case.seed)
        own.append(math.log(max(told.get(case.name, 0.0), 1e-9)))
        exact.append(math.log(max(optimum.chances.get(case.name, 0.0), 1e-9)))
        halves.append(math.log(max(optimum.half.get(case.name, 0.0), 1e-9)))
        effective.append(optimum.effective)
        errors.append(optimum.error)
        groups = [work.names(group) for group in work.groups()]
        chosen = max(groups, key=lambda g: sum(told.get(n, 0.0) for n in g))
        better = max(groups, key=lambda g: sum(optimum.chances.get(n, 0.0) for n in g))
        first.append(case.name in chosen)
        best.append(case.name in better)
        given.append((sum(told.get(n, 0.0) for n in chosen), sum(optimum.chances.get(n, 0.0) for n in chosen), first[-1]))
    return _rows(circuit, np.array([own, exact, halves, effective, errors]), np.array([first, best], dtype=float), given)


def _rows(circuit: str, scores: Array, hits: Array, given: list[tuple[float, float, bool]]) -> list[dict[str, Any]]:
    own, exact, halves, effective, errors = scores
    lost, size = exact - own, own.size
    told = f"exact {exact.mean():.3f}; standard error of the difference {lost.std() / math.sqrt(size):.3f}"
    doubling = f"half the vehicles {halves.mean():.3f}; effective vehicles: least {effective.min():.0f}, "
    doubling += f"a tenth below {np.quantile(effective, 0.1):.0f}, median {np.median(effective):.0f}; "
    doubling += f"standard error of a case's score: median {np.median(errors):.3f}, largest {errors.max():.3f}"
    sure = [(a, b, c) for a, b, c in given if a > 0.8]
    if np.median(errors) > SURE:
        doubling += f"; NO YARDSTICK: a median of {SURE} nat is wanted"
    kept = np.array(sure, dtype=float).mean(axis=0) if sure else np.full(3, math.nan)
    calibration = f"{circuit}: of {len(sure)} given more than 80 % ({kept[0]:.3f} on average, exact {kept[1]:.3f}), right"
    what = f"{circuit}: {size} cases, five readings"
    ratio = float(hits[0].mean() / max(hits[1].mean(), 1e-9))
    return [
        {"what": f"{what}: log score lost against the exact posterior, nat ({told}; {doubling})", "value": float(lost.mean()),
         "yardstick": TARGETS["log"], "ratio": float(lost.mean() / TARGETS["log"]), "target": 1.0},
        {"what": f"{what}: truth in the first group, over the best by the exact posterior", "value": float(hits[0].mean()),
         "yardstick": float(hits[1].mean()), "ratio": ratio, "target": TARGETS["accuracy"]},
        {"what": calibration, "value": float(kept[2]), "yardstick": float(kept[0]), "ratio": float(kept[2] / kept[0]),
         "target": None},
    ]  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("circuit", nargs="?", default=CIRCUIT)
    parser.add_argument("--cases", type=int, default=300)
    parser.add_argument("--vehicles", type=int, default=4096)
    parser.add_argument("--step", default="3")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for row in measure(options.circuit, options.cases, options.vehicles, options.step, options.seed):
        print(f"{row['what']}: {row['value']:.3f} against {row['yardstick']:.3f}, ratio {row['ratio']:.3f}", flush=True)


if __name__ == "__main__":
    main()
