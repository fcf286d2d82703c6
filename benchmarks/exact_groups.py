"""Which suspects even the best judge would confuse, by vehicles solved one by one; beside it the diagnosis's own groups.

For every suspect many vehicles are drawn: severities from the exact posterior, tolerances from their own distribution; each is
solved, and the meter's errors and digits are put on. How often the best judge names the wrong one of two (Bayes error, even
odds) is found with no model of how readings scatter: by the k nearest neighbours among other vehicles. That error comes near
Bayes' with many vehicles (Stone, 1977). The nearest neighbour alone gives a bound from
below (Cover & Hart, 1967: R ≤ 2·R*·(1 - R*) in the limit of many). Groups are then gathered as the diagnosis does, in the order
of the exact chances.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from benchmarks.exact_posterior import LISTED, Exact, Samplers
from benchmarks.faulty_vehicles import drawn_strays
from circuitsim.measure import INSTRUMENTS, Meter, Task
from circuitsim.studies.diagnose import GOOD, Diagnosing
from circuitsim.studies.diagnosis import HEALTHY
from circuitsim.studies.groups import APART, bayes_error, gather

__all__ = ["Confused", "Groups", "compare_groups", "confusion", "displays"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
DRAWN = 2000  # vehicles of each suspect
NEIGHBOURS = 21
SAID = 1e-4  # a chance from which on the diagnosis puts a suspect into a group
SPEAKS = 3.0  # nats; as for the diagnosis, what the readings speak so much for is not too mild to show


def displays(tasks: Sequence[Task], values: Array, meter: Meter, rng: np.random.Generator) -> Array:
    """Give what meters show of vehicles, (vehicles, readings): `faulty_vehicles.displayed`, each meter with its own gains."""
    units = [INSTRUMENTS[t.instrument] for t in tasks]
    gains = {unit: rng.uniform(-1, 1, len(values)) for unit in dict.fromkeys(units)}
    out = np.empty_like(values)
    for j, unit in enumerate(units):
        value, ranges = values[:, j], meter.ranges(unit)
        ends = np.array([r.full_scale for r in ranges])
        place = np.minimum(np.searchsorted(ends, np.abs(value)), len(ranges) - 1)
        share, counts, digit = (np.array([getattr(r, name) for r in ranges])[place] for name in ("share", "counts", "digit"))
        off = gains[unit] * share * np.abs(value) + rng.uniform(-1, 1, len(values)) * counts * digit
        out[:, j] = np.round((value + off) / digit) * digit
    return out


@dataclass(frozen=True)
class Confused:
    """How often two suspects are confused: by their nearest neighbours, and the least that is possible by the nearest one."""

    error: float
    least: float


def confusion(first: Array, other: Array, seed: int = 0) -> Confused:
    """Estimate the Bayes error of telling two clouds of readings apart with even odds, (vehicles, readings) each.

    Halves are judged by their neighbours in the other half, with readings in units of the scatter within the two, within the
    first and within the other: where one is much thinner than the other, only its own unit shows that with few vehicles. No
    judge does better than Bayes', so the best of the three counts. What has hardly a vehicle with an operating point is another
    thing altogether.
    """
    rng, size = np.random.default_rng(seed), min(len(first), len(other))
    if size < 2 * NEIGHBOURS:
        return Confused(0.0, 0.0)
    points = np.concatenate([rng.permutation(first)[:size], rng.permutation(other)[:size]])
    label = np.repeat([0.0, 1.0], size)
    order, found = rng.permutation(2 * size), []
    within = np.concatenate([points[:size] - points[:size].mean(axis=0), points[size:] - points[size:].mean(axis=0)])
    for cloud in (within, points[:size], points[size:]):
        scatter, ways = np.linalg.eigh(np.cov(cloud.T))
        scaled = points @ ways / np.sqrt(np.maximum(scatter, 1e-9 * scatter.max()))
        found.append(_wrong(scaled, label, order[::2], order[1::2]))
    wrong, nearest = np.array(found).min(axis=0)
    return Confused(float(wrong), 0.5 * (1 - math.sqrt(max(1 - 2 * nearest, 0.0))))


def _wrong(points: Array, label: Array, one: Index, other: Index) -> tuple[float, float]:
    """Give the share of points that their neighbours in the other half name wrongly: most of them, and the nearest."""
    wrong, nearest = 0.0, 0.0
    for mine, others in ((one, other), (other, one)):
        named = label[others][cKDTree(points[others]).query(points[mine], NEIGHBOURS)[1]]
        wrong += float(np.abs(label[mine] - (named.mean(axis=1) > 0.5)).sum())
        nearest += float(np.abs(label[mine] - named[:, 0]).sum())
    return wrong / label.size, nearest / label.size


@dataclass(frozen=True)
class Groups:
    """The diagnosis's groups beside the exact ones, among suspects whose exact chance is listed.

    same: whether the partition is one; pairs, agreed: of suspects, and those that both put together or both apart; first_own,
    first_exact: suspects in the first group; groups_own, groups_exact: how many groups; suspects: how many in all; truth:
    whether the exact first group holds the fault that is there; judged, alike_exact, alike_own, like, open: comparisons with
    a leader, those told to be alike by exact vehicles and by the diagnosis, those on which both say the same, and those where
    20 % lies between the bounds of the exact error; settled: those on which both say the same and where it does not.
    """

    same: bool
    pairs: int
    agreed: int
    first_own: int
    first_exact: int
    groups_own: int
    groups_exact: int
    suspects: int
    truth: bool
    judged: int
    alike_exact: int
    alike_own: int
    like: int
    open: int
    settled: int


def compare_groups(work: Diagnosing, samplers: Samplers, exact: Exact, truth: str, seed: int) -> Groups:
    """Gather the exact groups of a case, and compare the diagnosis's own."""
    return _Exactly(work, samplers, exact, truth, seed).compare()


class _Exactly:
    """The exact groups of one case."""

    def __init__(self, work: Diagnosing, samplers: Samplers, exact: Exact, truth: str, seed: int) -> None:
        self.work, self.samplers, self.exact, self.truth, self.seed = work, samplers, exact, truth, seed
        self.cloud = cache(self._cloud)
        self.blind = [k for k in range(len(work.courses)) if work._unseen(k)]
        shares = {k: sum(exact.chances.get(f.name, 0.0) for f in family) for k, family in enumerate(work.members)}
        self.shares: dict[int, float] = {GOOD: exact.chances.get(HEALTHY, 0.0), **shares}
        # The truth is put where it belongs as the diagnosis does it, though it has hardly a chance.
        least = {k: SAID if truth in work.names([k]) else LISTED for k in exact.evidence}
        listed = [k for k in exact.evidence if k != GOOD and shares[k] > least[k] and k not in set(self.blind)]
        self.order = [GOOD, *sorted(listed, key=lambda k: -shares[k])]
        self.found: dict[tuple[int, int], Confused] = {}

    def _cloud(self, k: int) -> Array:
        """Give what the meter shows of vehicles with a suspect, as bad as it likely is."""
        rng = np.random.default_rng([self.seed, 2, k + 1])
        sampler, evidence = self.samplers[HEALTHY if k == GOOD else self.work.members[k][0].name], self.exact.evidence[k]
        total = float(evidence.weight.sum())
        chosen = rng.choice(evidence.share, DRAWN, p=evidence.weight / total) if total > 0 else np.full(DRAWN, 0.5)
        strays = drawn_strays(sampler.bench.tolerances, rng, DRAWN)
        values = sampler.show(np.sort(chosen), strays)
        return displays(sampler.bench.tasks, values[np.isfinite(values).all(axis=1)], self.work.meter, rng)

    def _mild(self, k: int) -> bool:
        return self.exact.evidence[k].log < self.exact.evidence[GOOD].log + SPEAKS

    def _alike(self, leader: int, k: int) -> bool:
        self.found[leader, k] = found = confusion(self.cloud(leader), self.cloud(k), self.seed)
        return found.error > APART

    def groups(self) -> list[list[int]]:
        """Gather round leaders, by the rules of `Diagnosing.groups`; the likeliest group first."""
        found = gather(self.order, lambda leader, k: (leader != GOOD or self._mild(k)) and self._alike(leader, k))
        found[0] += self.blind
        return sorted(found, key=lambda group: -sum(self.shares[k] for k in group))

    def compare(self) -> Groups:
        """Compare with the diagnosis's own groups."""
        exact, own = self.groups(), self.work.groups()
        some = [k for k in (*self.order, *self.blind) if self.shares[k] > LISTED]
        told, mine = _places(exact, some), _places(own, some)
        seen = [k for k in some if k not in set(self.blind)]  # what no reading could show stands with the good circuit in both
        pairs = [((told[a] == told[b]), (mine[a] == mine[b])) for a, b in combinations(seen, 2)]
        verdicts = [(c.error > APART, self._own(a, b), c.least < APART < c.error) for (a, b), c in self.found.items()]
        return Groups(
            same=all(a == b for a, b in pairs), pairs=len(pairs), agreed=sum(a == b for a, b in pairs),
            first_own=_first(mine, self.shares), first_exact=_first(told, self.shares),
            groups_own=len(set(mine.values())), groups_exact=len(set(told.values())), suspects=len(some),
            truth=self.truth in self.work.names(exact[0]), judged=len(verdicts), alike_exact=sum(a for a, _, _ in verdicts),
            alike_own=sum(b for _, b, _ in verdicts), like=sum(a == b for a, b, _ in verdicts),
            open=sum(o for _, _, o in verdicts), settled=sum(a == b for a, b, o in verdicts if not o),
        )  # fmt: skip

    def _own(self, leader: int, k: int) -> bool:
        return bayes_error(self.work._cloud(leader), self.work._cloud(k)) > APART


def _places(groups: Sequence[Sequence[int]], some: Sequence[int]) -> dict[int, int]:
    """Give the number of the group that each suspect is in; one that is in none is alone."""
    found = {k: j for j, group in enumerate(groups) for k in group}
    return {k: found.get(k, -2 - k) for k in some}


def _first(places: Mapping[int, int], shares: Mapping[int, float]) -> int:
    """Count the suspects in the likeliest group, by exact chances."""
    weight: dict[int, float] = {}
    for k, group in places.items():
        weight[group] = weight.get(group, 0.0) + shares[k]
    best = max(weight, key=lambda group: weight[group]) if weight else None
    return sum(group == best for group in places.values())
