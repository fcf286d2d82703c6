"""The exact posterior of a fault, given readings: many vehicles of every live suspect, drawn near where the readings put it.

It needs no first order and no model of errors (importance sampling). The severity is drawn about each mode, and then about what
counted in a first round; the part tolerances are drawn from their own distribution, but for the few directions that the
readings tell of: in those each vehicle is moved to where its readings, as solved, fit best, and a few are drawn about there by
a widened Student-t. Each is solved and counts by prior over proposal and by the chance that the meter shows exactly the digits
that were written down (gain shared by all readings of one unit and counts of each reading evenly within the limits, then the
last digit). Tolerances have their true shapes.

Every suspect is weighed by a few vehicles first. Then more are drawn, in rounds, of those suspects whose weight leaves the
chance of the truth in doubt, as many of each as bring the doubt down with the fewest in all (Neyman's allocation), until the
standard error is below what is wanted or a suspect has had its share. Suspects more than 12 nats below the best by the
diagnosis are left out, but never the fault that is there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr
from scipy.stats import norm
from scipy.stats import t as student

from circuitsim.measure import INSTRUMENTS, Meter
from circuitsim.measure.faults import PossibleFault
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.measure.faults.sampled import FaultSampler
from circuitsim.studies.closer import Climb, Look
from circuitsim.studies.diagnose import Diagnosing
from circuitsim.studies.diagnosis import HEALTHY
from circuitsim.studies.evidence import Findings

Array = NDArray[np.float64]
Index = NDArray[np.intp]
_GAINS = 48  # places of the shared gain
WIDER, FREE = 1.15, 7  # by which the proposal is widened, and its degrees of freedom
EVENLY = 0.1  # share of severities drawn evenly
EACH = 6  # drawn about the best place of each vehicle
CLIMBS, AGAIN = 5, 2  # steps towards the best place, with slopes of the suspect's and then of its own
SETTLED = 0.05  # nats; where no more is to be gained, a vehicle is left
FEWER, HOPELESS = 8, 32  # first so many times fewer vehicles: of live suspects, and of those with hardly a chance
HARDLY = 1e-3  # a chance
ROUNDS, ONCE, MOST = 8, 2, 6  # of more vehicles; so many times the number at once, and of one suspect in all
SURE = 0.02  # nats; standard error of the logarithm of the truth's chance that is wanted
ENOUGH = 1000  # effective vehicles behind the truth's that are wanted
FAR = 6.0  # standard deviations; nothing is looked for further away
LIVE = 12.0  # nats below the best
LISTED = 0.005  # a chance above which a suspect is listed
_AIM = 0.017  # nats; standard error aimed at
_LEAST, _SOME = 64, 100  # vehicles drawn at least, and effective ones of what is listed
_TOLD = 1e-2  # errors; a direction that moves the readings by less is left to the prior
_PIECE = 8192  # vehicles solved at a time
_DEEP = 30.0  # nats; a vehicle so much less likely than the best of all is not worth a climb
_NOWHERE = -1e300  # height where there is no point
_PLACES = 200  # severities that a proposal is made of, at most


def chances_shown(truth: Array, findings: Findings, meter: Meter) -> Array:
    """Give the chance that vehicles give the digits that were written down, (vehicles,)."""
    found = np.ones(len(truth))
    for unit in ("V", "A"):
        mine = [(j, r) for j, r in enumerate(findings.readings) if INSTRUMENTS[r.task.instrument] == unit]
        ranges = [meter.range_for(r.shown.value, unit) or meter.ranges(unit)[-1] for _, r in mine]
        for (j, r), at in zip(mine, ranges, strict=True):  # what no gain and no counts could bring there
            off, most = np.abs(truth[:, j] - r.shown.value), at.share * np.abs(truth[:, j]) + (at.counts + 0.5) * at.digit
            found[~(off < most)] = 0.0
        live = np.flatnonzero(found > 0)
        places = (np.arange(_GAINS) + 0.5) / _GAINS * 2 - 1
        chance = np.ones((live.size, _GAINS))
        for (j, r), at in zip(mine, ranges, strict=True):
            value = truth[live, j]
            gained = value[:, None] + places * (at.share * np.abs(value))[:, None]
            half, cell = at.counts * at.digit, at.digit
            low, high = r.shown.value - 0.5 * cell - gained, r.shown.value + 0.5 * cell - gained
            chance *= np.clip(np.minimum(high, half) - np.maximum(low, -half), 0.0, None) / (2 * half)
        found[live] *= chance.mean(axis=1)
    return found


@dataclass(frozen=True)
class Evidence:
    """What a suspect's vehicles say.

    log: logarithm of its evidence; half: of half the vehicles alone; effective: how many vehicles it rests on; count: drawn;
    share, weight: severities, and what each counts, (vehicles,).
    """

    log: float
    half: float
    effective: float
    count: int
    share: Array
    weight: Array

    @property
    def doubt(self) -> float:
        """Variance that one vehicle gives the logarithm: squared coefficient of variation of the weights (Kong, 1992)."""
        return max(self.count / max(self.effective, 1.0) - 1.0, 0.0)


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
        off = (share[:, None] - self.places) / self.widths
        near = _T5 * (1 + off**2 / 5) ** -3 @ (self.weights / self.widths)
        return np.asarray(np.log(EVENLY * ((share >= 0) & (share <= 1)) + (1 - EVENLY) * near))

    @classmethod
    def about(cls, share: Array, weight: Array, rng: np.random.Generator) -> Severities | None:
        """Give one about weighted vehicles, or some drawn of them; None when there are too few."""
        kept = np.flatnonzero(weight > 1e-6 * weight.max(initial=0.0))
        if kept.size < 10:
            return None
        w, x = weight[kept] / weight[kept].sum(), share[kept]
        spread = math.sqrt(float(w @ (x - w @ x) ** 2))
        width = max(spread * (1 / float((w**2).sum())) ** -0.2, 1e-5)
        if kept.size > _PLACES:
            x, w = rng.choice(x, _PLACES, p=w), np.full(_PLACES, 1 / _PLACES)
        return cls(x, np.full(x.size, width), w)


_T5 = 8 / (3 * math.pi * math.sqrt(5))  # height of Student's t of five degrees of freedom


class Vehicles:
    """Vehicles with one fault at drawn severities, each moved to where it is likeliest, with readings as solved.

    They are moved in the directions that the readings tell of (singular vectors of the slopes in units of their errors, by the
    nearest component), and keep their draws from the prior in all others. Where one component has fewer directions than
    another, its last ones move nothing.
    """

    def __init__(
        self, work: Diagnosing, sampler: FaultSampler, parts: Sequence[Component], share: Array, rng: np.random.Generator
    ) -> None:
        self.sampler, self.share, self.rng, self.value = sampler, share, rng, work.likelihood.value
        noise = work.likelihood.gains @ work.likelihood.gains.T + np.diag(work.likelihood.noise)
        self._white = np.linalg.inv(np.linalg.cholesky(noise))
        self._even = np.flatnonzero([t.kind == "uniform" for t in sampler.bench.tolerances])
        self.owner = np.argmin([np.abs(share - p.share) / p.width for p in parts], axis=0)
        self.latent = rng.standard_normal((share.size, len(sampler.bench.what)))
        told = [np.linalg.svd(self._white @ p.slopes, full_matrices=False)[1:] for p in parts]
        size = max(1, *(int((s > _TOLD).sum()) for s, _ in told))
        self.rows = np.array([np.where((s > _TOLD)[:, None], rows, 0.0)[:size] for s, rows in told])
        self._used = np.array([(s > _TOLD)[:size] for s, _ in told])[self.owner]
        self.best, self.seen = np.zeros((share.size, size)), np.full((share.size, self.value.size), np.nan)
        self.height, self._part = np.full(share.size, -np.inf), np.ones(share.size)
        self.slopes = np.array([self._white @ p.slopes @ r.T for p, r in zip(parts, self.rows, strict=True)])[self.owner]
        self._weigh()
        self._begin(parts)

    def _begin(self, parts: Sequence[Component]) -> None:
        """Take the directions out of the draws, and set out for the likeliest place to first order."""
        left = np.empty((self.share.size, self.value.size))
        for j, part in enumerate(parts):
            mine = np.flatnonzero(self.owner == j)
            self.latent[mine] -= self.latent[mine] @ self.rows[j].T @ self.rows[j]
            off = (self.share[mine] - part.share)[:, None] * part.along + self.latent[mine] @ part.slopes.T
            left[mine] = (part.left - off) @ self._white.T
        self._way, self._rise = self._step(np.arange(self.share.size), left, FAR)

    def climb(self) -> None:
        """Move all to their best places, with the slopes of their component first, then with slopes of their own."""
        everyone = np.arange(self.share.size)
        self._look(everyone, general=True)
        for _ in range(CLIMBS):
            self._look(self._open())
        self._turn()
        for _ in range(AGAIN):
            self._look(self._open())

    def draw(self, each: int) -> tuple[Array, Array]:
        """Draw some about each best place: readings, and prior over proposal, (vehicles × each, …)."""
        count, size = self.best.shape
        off = self.rng.standard_t(FREE, (count, size, each))
        place = self.best[:, None] + WIDER * np.linalg.solve(self.lower.transpose(0, 2, 1), off).transpose(0, 2, 1)
        log = norm.logpdf(place) - student.logpdf(off, FREE).transpose(0, 2, 1)
        log -= np.log(np.diagonal(self.lower, axis1=1, axis2=2) / WIDER)[:, None]
        ratio = np.exp((log * self._used[:, None]).sum(axis=2)).reshape(-1)
        return self._shown(np.repeat(np.arange(count), each), place.reshape(-1, size), general=True), ratio

    def _shown(self, some: Index, at: Array, *, general: bool) -> Array:
        """Solve some vehicles at places; numbers between limits have the exact shape z = √3·(2Φ(g) - 1)."""
        out = np.empty((some.size, self.value.size))
        for k in range(0, some.size, _PIECE):
            piece = some[k : k + _PIECE]
            strays, owner = self.latent[piece], self.owner[piece]
            for j in np.unique(owner):
                strays[owner == j] += at[k : k + _PIECE][owner == j] @ self.rows[j]
            strays[:, self._even] = math.sqrt(3) * (2 * ndtr(strays[:, self._even]) - 1)
            out[k : k + _PIECE] = self.sampler.show(self.share[piece], strays, general=general)
        return out

    def _look(self, some: Index, *, general: bool = False) -> None:
        """Look at the next places of some: on from the best, less far where that came out worse. Keep what is likelier."""
        at = np.clip(self.best[some] + self._part[some, None] * self._way[some], -FAR, FAR)
        shown = self._shown(some, at, general=general)
        left = (self.value - shown) @ self._white.T
        fit = (left**2).sum(axis=1) + (at**2).sum(axis=1)
        height = np.where(np.isfinite(fit), -0.5 * fit, _NOWHERE)
        higher = height > self.height[some]
        new = some[higher]
        self.best[new], self.seen[new], self.height[new] = at[higher], shown[higher], height[higher]
        self._way[new], self._rise[new] = self._step(new, left[higher], 2.0)
        self._part[some] = np.where(higher, np.minimum(3 * self._part[some], 1.0), 0.3 * self._part[some])

    def _open(self) -> Index:
        """Tell which may still rise by what counts, and to where it counts."""
        rise = self._rise * self._part
        hope = (self.height + self._rise > self.height.max(initial=_NOWHERE) - _DEEP) | (self.height <= _NOWHERE)
        return np.flatnonzero((rise > SETTLED) & (self._part > 0.02) & hope)

    def _step(self, some: Index, left: Array, most: float) -> tuple[Array, Array]:
        """Give the way to the likeliest place by the slopes, and by how much it rises there; left: in units of the errors."""
        pulled = np.einsum("vmr,vm->vr", self.slopes[some], np.nan_to_num(left)) - self.best[some]
        way = np.clip(np.linalg.solve(self._inner[some], pulled[..., None])[..., 0], -most, most)
        rise = (pulled * way).sum(axis=1) - 0.5 * np.einsum("vr,vrs,vs->v", way, self._inner[some], way)
        return way, np.maximum(rise, 0.0)

    def _turn(self) -> None:
        """Take the slopes of every vehicle where it is best, by differences along its directions."""
        count, size = self.best.shape
        some = np.flatnonzero(self.height > max(float(self.height.max(initial=_NOWHERE)) - _DEEP, 0.5 * _NOWHERE))
        lengths = 0.2 / np.diagonal(self.lower, axis1=1, axis2=2)[some]
        ahead = self.best[some, None] + lengths[:, None] * np.eye(size)
        there = self._shown(np.repeat(some, size), ahead.reshape(-1, size), general=False).reshape(
            some.size, size, self.value.size
        )
        slopes = ((there - self.seen[some, None]) / lengths[..., None]) @ self._white.T
        slopes = slopes.transpose(0, 2, 1) * self._used[some, None]
        self.slopes[some] = np.where(np.isfinite(slopes), slopes, self.slopes[some])
        self._weigh()
        self._part = np.ones(count)
        self._way, self._rise = self._step(np.arange(count), (self.value - self.seen) @ self._white.T, 2.0)

    def _weigh(self) -> None:
        self._inner = self.slopes.transpose(0, 2, 1) @ self.slopes + np.eye(self.best.shape[1])
        self.lower = np.linalg.cholesky(self._inner)


class Weighing:
    """One suspect being weighed, by more and more vehicles."""

    def __init__(self, work: Diagnosing, sampler: FaultSampler, parts: Sequence[Component], seed: Sequence[int]) -> None:
        self.work, self.sampler, self.parts = work, sampler, parts
        self.rng = np.random.default_rng(seed)
        self.graded = sampler.fault is not None and sampler.fault.graded
        self._about: Severities | None = None
        self.share, self.weight = np.zeros(0), np.zeros(0)

    def more(self, count: int) -> None:
        """Draw and weigh more vehicles; the severities of the first ones are drawn about what counts of a quarter as many."""
        if self.graded and self._about is None:
            first = Severities(*np.array([(p.share, p.width, 1 / len(self.parts)) for p in self.parts]).T)
            share = first.draw(max(count // 4, _LEAST), self.rng)
            self._about = Severities.about(share, self._weights(share) * np.exp(-first.log(share)), self.rng) or first
        elif self._about:
            self._about = Severities.about(self.share, self.weight, self.rng) or self._about
        share = self._about.draw(count, self.rng) if self._about else np.full(count, self.parts[0].share)
        weight = self._weights(share) * (np.exp(-self._about.log(share)) if self._about else 1.0)
        self.share, self.weight = np.concatenate([self.share, share]), np.concatenate([self.weight, weight])

    def _weights(self, share: Array) -> Array:
        """Weigh vehicles: chance of the digits shown × prior / proposal of the numbers, on average over those drawn of each."""
        found = np.zeros(share.size)
        inside = np.flatnonzero((share >= 0) & (share <= 1))
        if inside.size:
            vehicles = Vehicles(self.work, self.sampler, self.parts, share[inside], self.rng)
            vehicles.climb()
            shown, ratio = vehicles.draw(EACH)
            chance = chances_shown(shown, self.work.findings, self.work.meter)
            found[inside] = (ratio * chance).reshape(-1, EACH).mean(axis=1)
        return found

    @property
    def evidence(self) -> Evidence:
        """What all vehicles so far say."""
        weight, count = self.weight, self.weight.size
        half = np.random.default_rng(count).permutation(weight)[: count // 2].mean()
        effective = float(weight.sum() ** 2 / max((weight**2).sum(), 1e-300))
        logs = (math.log(max(float(v), 1e-300)) for v in (weight.mean(), half))
        return Evidence(*logs, effective, count, self.share, weight)


@dataclass(frozen=True)
class Exact:
    """What the exact posterior is.

    chances, half: of each fault (by name), by half the vehicles too; effective: vehicles behind the truth's chance; error:
    standard error of its logarithm; evidence: of each suspect that was weighed (-1: healthy); total: logarithm of the chance of
    the digits shown, by all suspects with their chances beforehand.
    """

    chances: dict[str, float]
    half: dict[str, float]
    effective: float
    error: float
    evidence: dict[int, Evidence]
    total: float


class Samplers(dict[str, FaultSampler]):
    """Samplers by the fault's name, made when first asked for; healthy is one."""

    def __init__(self, bench: FaultBench, faults: Mapping[str, PossibleFault]) -> None:
        self.bench, self.faults = bench, faults

    def __missing__(self, name: str) -> FaultSampler:
        self[name] = FaultSampler(self.bench, self.faults.get(name))
        return self[name]


def exact_posterior(work: Diagnosing, samplers: Samplers, truth: str, count: int, seed: int) -> Exact:
    """Weigh every live suspect by many vehicles, `count` of one being the measure."""
    return _Posterior(work, samplers, truth, seed).weigh(count)


class _Posterior:
    """All live suspects of one case at work."""

    def __init__(self, work: Diagnosing, samplers: Samplers, truth: str, seed: int) -> None:
        self.work = work
        evidence = np.array([d.evidence for d in work.densities])
        self.place = next((k for k, f in enumerate(work.members) if truth in [m.name for m in f]), -1)
        best = max(float(evidence.max()), work.base)
        live = [k for k in range(len(evidence)) if evidence[k] > best - LIVE or k == self.place]
        # What can't show in these readings is as the healthy vehicle.
        silent = [k for k in live if np.abs(work.densities[k].logs - work.base).max() < 1e-3 and k != self.place]
        parts = components(work, samplers.bench, [k for k in live if k not in silent])
        own = {k: [f.name for f in work.members[k]] if k >= 0 else [HEALTHY] for k in parts}
        before = {HEALTHY: work.prior.healthy, **work.prior.chances(work.faults)}
        self.before = {k: {name: before[name] for name in names} for k, names in own.items()}
        self.before[-1].update({f.name: before[f.name] for k in silent for f in work.members[k]})
        chances = work.chances()
        self.told = {k: sum(chances[n] for n in names) for k, names in self.before.items()}  # by the diagnosis
        self.suspects = {k: Weighing(work, samplers[own[k][0]], p, [seed, 1, k + 1]) for k, p in parts.items()}

    def weigh(self, count: int) -> Exact:
        """Weigh all by a few vehicles, then those that leave the truth's chance in doubt by more and more."""
        for k, suspect in self.suspects.items():
            live = k == self.place or self.told[k] > HARDLY
            suspect.more(max(count // (FEWER if live else HOPELESS), _LEAST))
        for _ in range(ROUNDS):
            found = {k: s.evidence for k, s in self.suspects.items()}
            wanted = {k: n - found[k].count for k, n in self._wanted(found).items()}
            wanted = {k: min(n, ONCE * count, MOST * count - found[k].count) for k, n in wanted.items()}
            wanted = {k: max(n, _LEAST) for k, n in wanted.items() if n > 0.02 * found[k].count}
            if not wanted:
                break
            for k, more in wanted.items():
                self.suspects[k].more(more)
        found = {k: s.evidence for k, s in self.suspects.items()}
        pull = self._pulls(found)
        error = math.sqrt(sum(pull[k] ** 2 * e.doubt / e.count for k, e in found.items()))
        whole, half = ({k: getattr(e, name) for k, e in found.items()} for name in ("log", "half"))
        total = [math.log(p) + whole[k] for k, names in self.before.items() for p in names.values() if p > 0]
        total_log = float(np.logaddexp.reduce(total))
        return Exact(self._chances(whole), self._chances(half), found[self.place].effective, error, found, total_log)

    def _chances(self, logs: Mapping[int, float]) -> dict[str, float]:
        top = max(logs.values())
        weights = {n: p * math.exp(logs[k] - top) for k, names in self.before.items() for n, p in names.items()}
        total = sum(weights.values())
        return {name: v / total for name, v in weights.items()}

    def _pulls(self, found: Mapping[int, Evidence]) -> dict[int, float]:
        """Give the slopes of the logarithm of the truth's chance by that of each suspect's evidence."""
        chances = self._chances({k: e.log for k, e in found.items()})
        return {k: (k == self.place) - sum(chances[n] for n in names) for k, names in self.before.items()}

    def _wanted(self, found: Mapping[int, Evidence]) -> dict[int, int]:
        """Give how many vehicles of each suspect bring the doubt down to what is wanted, the fewest in all."""
        pulls = self._pulls(found)
        sizes = {k: abs(pulls[k]) * math.sqrt(max(e.doubt, 0.2)) for k, e in found.items()}
        total = sum(sizes.values()) / _AIM**2
        wanted = {k: math.ceil(size * total) for k, size in sizes.items()}
        if sum(pulls[k] ** 2 * e.doubt / e.count for k, e in found.items()) < SURE**2 * 0.8:
            wanted = dict.fromkeys(found, 0)
        for k, e in found.items():
            # Whose first vehicles came to little is not believed to be nothing where the diagnosis thinks otherwise.
            listed = max(abs(pulls[k]), self.told[k]) > LISTED
            enough = ENOUGH if k == self.place else _SOME if listed else 0
            if e.effective < enough:
                wanted[k] = max(wanted[k], math.ceil(1.1 * enough * e.count / max(e.effective, 1.0)))
        return wanted
