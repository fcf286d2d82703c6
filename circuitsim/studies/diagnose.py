"""From readings to suspects: which fault, how bad, how sure, and what to measure next."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

from circuitsim.library.circuit import Circuit
from circuitsim.measure import INSTRUMENTS, Meter, Task, lamp_look
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import PossibleFault, find_faults
from circuitsim.studies.advice import advise, afterthought, firmness
from circuitsim.studies.allowance import Allowance
from circuitsim.studies.asking import ranked_tests
from circuitsim.studies.candidates import candidates
from circuitsim.studies.clouds import cloud_of, good_cloud
from circuitsim.studies.common import common_factor
from circuitsim.studies.diagnosis import HEALTHY, OTHER, Compared, Diagnosis, Member, Suspect
from circuitsim.studies.doubts import as_printed, doubtful, placed
from circuitsim.studies.evidence import Findings, TakenReading
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.groups import APART, Cloud, bayes_error, gather
from circuitsim.studies.halves import wrong_half
from circuitsim.studies.likelihood import Likelihood, shared_by
from circuitsim.studies.looking import best_look
from circuitsim.studies.next_test import TOLD, Minutes, check_excluded, look_at
from circuitsim.studies.overloads import measured_overloads, suspected_overloads
from circuitsim.studies.pairs import Pair, weigh_pairs
from circuitsim.studies.predict import circuit_of
from circuitsim.studies.priors import Prior
from circuitsim.studies.seen import told_of_seen
from circuitsim.studies.severities import Course, Density
from circuitsim.studies.sightings import Sightings
from circuitsim.studies.swapped import swapped
from circuitsim.studies.telling import as_good, compared, of_pair, pairs_tried, reminder, silent, speaking, strays
from circuitsim.studies.twice import read_twice
from circuitsim.studies.weighing import ALLOWANCES, BLIND, FOREIGN, NOT_QUITE, SPEAKS, Weighed, weigh

__all__ = ["GOOD", "Diagnosing", "diagnose"]

Array = NDArray[np.float64]
_SHOWN = 0.005  # suspects below that chance are not listed
_JUDGED = 60  # suspects that are compared pair by pair
_FEW = 0.1  # of the chance with what agrees best; what was seen speaks against a suspect with which it has less
_SAID = "; what was seen speaks against it"
_DOUBT, _DIGIT = 0.2, 1e-3  # standard deviations, and V or A; what is interpolated less closely is solved for the table
GOOD = -1
"""Number of the healthy circuit among the courses."""
_TAKEN = ("voltmeter", "clamp", "ohmmeter", "lamp")


def diagnose(
    circuit: Circuit | str, findings: Findings, *, meter: str = "standard", prior: Prior | None = None,
    cannot: Sequence[str] = (), minutes: Minutes | None = None, sure: float = 0.9, intermittent: bool = False,
    next_test: bool = True, pairs: bool = False, table: FaultTable | None = None,
) -> Diagnosis:  # fmt: skip
    """Rank the suspects behind readings and observations, and choose the next test.

    Parameters
    ----------
    circuit
        From `load`, or its name.
    findings
        Readings and observations: see `circuitsim.studies.evidence`.
    meter
        What the readings were taken with.
    prior
        Chances before anything is measured; common practice by default.
    cannot
        Tests that can't be made: connectors, leads, ``RED:BLACK``, ``at:ELEMENT``, instruments.
    minutes
        Of work for each step of a test.
    sure
        Chance of one repair from which on enough is known.
    intermittent
        Whether joints that come and go are suspects even though nothing was seen of them.
    next_test
        Whether to choose one.
    pairs
        Whether to weigh two faults at once as well.
    table
        What `Diagnosis.table` gave for the same circuit, meter and conditions: what is solved there is not solved again.

    Raises
    ------
    InputError
        (or UnknownNameError) for what can't be used; SolveError when not even the healthy circuit has an operating point.
    """
    work = Diagnosing(
        circuit_of(circuit), findings, find_meter(meter), prior or Prior(), intermittent=intermittent, pairs=pairs, table=table
    )
    return work.result(cannot, minutes or Minutes(), sure, next_test)


@dataclass(frozen=True)
class _Tried:
    """All suspects weighed with some room, and the logarithm of what each is worth with it."""

    weighed: Weighed
    pairs: list[tuple[Pair, Course, float]]
    logs: dict[str, float]


class Diagnosing:
    """The work behind `diagnose`: every fault along its severity, and their chances.

    table: faults and tests solved before, if they hold for these readings; tests: what could be measured next, with words;
    both: whether pairs of faults are weighed; allowances: room for what the circuit's file leaves out, the first always tried;
    weighed: all suspects with the room that the readings speak most for; sharp: with the first.
    """

    pairs: list[tuple[Pair, Course, float]]

    def __init__(
        self, circuit: Circuit, findings: Findings, meter: Meter, prior: Prior, *, intermittent: bool = False,
        pairs: bool = False, table: FaultTable | None = None, allowances: Sequence[Allowance] = ALLOWANCES,
    ) -> None:  # fmt: skip
        self.circuit, self.meter, self.prior, self.findings = circuit, meter, prior, findings
        self.readings = [r for r in findings.readings if r.task.instrument in _TAKEN]
        left = [r.task for r in findings.readings if r.task.instrument not in _TAKEN]
        self.left_out = [f"{t.instrument} at {placed(t)}" for t in left]
        self.sightings = Sightings(circuit, findings.observations, findings.conditions, len(self.readings))
        seen = self.sightings.intermittent or any(r.shown.kind == "unstable" for r in self.readings)
        self.flickers, self.both, self.allowances = intermittent or seen, pairs, tuple(allowances)
        self.tests = candidates(circuit, findings.conditions)
        own = [*(r.task for r in self.readings), *self.sightings.tasks]
        self.table = table if table is not None and table.fits(self.flickers, own) else self._table(own)
        self.faults = self.table.faults
        self.columns = self.table.columns(own)
        self._sights: dict[int, float] = {}
        self._follow()

    def _table(self, own: Sequence[Task]) -> FaultTable:
        known = find_faults(self.circuit)
        faults = {name: f for name, f in known.items() if self.flickers or not f.kind.intermittent}
        return FaultTable(self.circuit, [*own, *(t for t, _ in self.tests)], self.meter, faults)

    def _follow(self) -> None:
        """Weigh all suspects; with room for what the circuit's file leaves out as well, where none explains the readings.

        Where a load on the feed would explain them that may be all of what the file leaves out, or half of it.
        """
        self.members: list[list[PossibleFault]] = list(self.table.families)
        tried = [self._weigh(self.allowances[0])]
        self.sharp = self.weighed
        if self.sharp.strained([course for _, course, _ in self.pairs]) or self._foreign(tried[0]):
            tried += [self._weigh(allowance) for allowance in self.allowances[1:]]
        best = max(tried, key=self._evidence)
        self._take(best.weighed)
        self.pairs = best.pairs
        # With how much room something is from outside the library makes no difference to anybody.
        self.logs = {**best.logs, OTHER: float(np.logaddexp.reduce([one.logs[OTHER] for one in tried]))}

    def _foreign(self, one: _Tried) -> bool:
        """Whether the likeliest single fault is one that is not a part of the circuit: a load, or a path to ground."""
        before = self.prior.chances(self.faults)
        logs = {n: math.log(p) + one.logs[n] for n, p in before.items() if p > 0}
        first = max(logs, key=lambda n: logs[n], default=HEALTHY)
        good = math.log(self.prior.healthy or 1e-300) + one.logs[HEALTHY]
        return first != HEALTHY and logs[first] > good and self.faults[first].kind.name in FOREIGN

    def _weigh(self, allowance: Allowance) -> _Tried:
        likelihood = Likelihood(self.readings, self.meter, self.circuit.nominal, allowance)
        self._take(weigh(self.table, self.columns, likelihood, self.sightings))
        self.pairs = weigh_pairs(self) if self.both else []
        logs = {name: math.log(allowance.chance) + log for name, log in self._explained().items()}
        return _Tried(self.weighed, self.pairs, logs)

    def _take(self, weighed: Weighed) -> None:
        self.weighed, self.likelihood, self.base = weighed, weighed.likelihood, weighed.base
        self.healthy, self.courses, self.densities = weighed.healthy, weighed.courses, weighed.densities()

    def _evidence(self, one: _Tried) -> float:
        """Logarithm of the likelihood of the readings, over all suspects in the library and pairs of them."""
        before = {HEALTHY: self.prior.healthy, **self.prior.chances(self.faults)}
        logs = [math.log(p) + one.logs[name] for name, p in before.items() if p > 0]
        return float(np.logaddexp.reduce([*logs, *(before_it + one.logs[pair.name] for pair, _, before_it in one.pairs)]))

    def _explained(self) -> dict[str, float]:
        """Logarithm of the likelihood of each fault, averaged over its severities, of healthy and of something else."""
        found = {HEALTHY: self.base + self.sightings.words(None)}
        found[OTHER] = self.weighed.anything + self.sightings.anything()
        for density, family in zip(self.densities, self.members, strict=True):
            evidence = density.evidence
            for fault in family:
                found[fault.name] = evidence + self.sightings.words(fault)
        for pair, course, _ in self.pairs:
            words = max(self.sightings.words(pair.first), self.sightings.words(pair.other))
            found[pair.name] = course.density(self.likelihood, self.sightings).evidence + words
        return found

    def chances(self, prior: Prior | None = None) -> dict[str, float]:
        """Give the posterior chance of each fault, of healthy and of something else."""
        prior = prior or self.prior
        before = {HEALTHY: prior.healthy, OTHER: prior.other, **prior.chances(self.faults)}
        weights = {name: math.log(p) + self.logs[name] for name, p in before.items() if p > 0}
        weights |= {pair.name: before_it + self.logs[pair.name] for pair, _, before_it in self.pairs}
        top = max(weights.values())
        total = sum(math.exp(w - top) for w in weights.values())
        return {name: math.exp(w - top) / total for name, w in weights.items()}

    # Groups -----------------------------------------------------------------------------------------------------------

    @cached_property
    def by_course(self) -> Array:
        """Chance of each course, over its kinds."""
        chances = self.chances()
        return np.array([sum(chances.get(f.name, 0.0) for f in family) for family in self.members])

    def groups(self) -> list[list[int]]:
        """Give the courses that can't be told apart, the likeliest group first; those of hardly any chance are left out.

        `GOOD` stands for the healthy circuit. It leads a group of the faults that nothing measured so far could show, and of
        those that are too mild to be told from it. Faults of which one explains what was seen, and the other does not, are told
        apart by that.
        """
        blind = [k for k in range(len(self.courses)) if self._unseen(k)]
        order = [int(k) for k in np.argsort(-self.by_course) if self.by_course[k] > 1e-4 and k not in set(blind)]
        if not self.likelihood.numbers.size:  # nothing measured: what has the same repair stays together
            cures: dict[str, list[int]] = {}
            for k in order:
                cures.setdefault(self.members[k][0].cure, []).append(k)
            same = [group for repair in cures.values() for group in gather(repair, self._seen_alike)]
            return sorted(filter(None, [*same, blind, [GOOD]]), key=self._weight, reverse=True)
        cloud = cache(self._cloud)

        def alike(leader: int, k: int) -> bool:
            if not self._seen_alike(leader, k):
                return False
            if leader == GOOD:
                return self._mild(k) and bayes_error(cloud(leader), cloud(k)) > APART
            both = (self.courses[leader].against is None) == (self.courses[k].against is None)  # or one comes and goes
            return both and bayes_error(cloud(leader), cloud(k)) > APART

        judged = [GOOD, *order][:_JUDGED]
        groups = gather(judged, alike)
        if not self.flickers:
            groups[0] += blind  # what can't have shown yet
        elif blind:
            groups.append(blind)
        groups += [[k] for k in order if k not in judged and self.by_course[k] > _SHOWN]
        return sorted(groups, key=self._weight, reverse=True)

    def names(self, group: Sequence[int]) -> list[str]:
        """Name the faults of a group, the healthy circuit among them."""
        return [HEALTHY] * (GOOD in group) + [f.name for k in group if k != GOOD for f in self.members[k]]

    def _mild(self, k: int) -> bool:
        """Whether readings that a good circuit gives are all that there is for a fault; where something jumps, they are not."""
        return not self.flickers and self.densities[k].evidence < self.base + SPEAKS

    def _weight(self, group: Sequence[int]) -> float:
        """Chance of a group."""
        return sum(self.chances().get(HEALTHY, 0.0) if k == GOOD else float(self.by_course[k]) for k in group)

    def _unseen(self, k: int) -> bool:
        """Whether nothing measured or seen so far could show a fault, at any severity."""
        density, words = self.densities[k], max(map(self.sightings.words, self.members[k]))
        return bool(np.abs(density.logs - self.base).max() < BLIND and words < self.sightings.words(None) + SPEAKS)

    def _seen(self, k: int) -> float:
        """Logarithm of the chance that with a course, as bad as it likely is, people say of speeds and fuses what they said."""
        if k not in self._sights:
            self._sights[k] = self._how_seen(k) if self.sightings.observations else 0.0
        return self._sights[k]

    def _how_seen(self, k: int) -> float:
        course, density = (self.healthy, None) if k == GOOD else (self.courses[k], self.densities[k])
        found = course.at(np.array([0.5]) if density is None else density.share)
        logs = self.sightings.logs(found.speed, [course.blown[j] for j in found.nearest])
        if density is None:
            return float(logs[0])
        return float(np.log(density.posterior() @ np.exp(logs))) + max(map(self.sightings.opened, self.members[k]))

    def _contradicted(self, k: int) -> bool:
        """Whether far fewer people would say with a course what they said than with what agrees best with that."""
        return self._seen(k) < self._best_seen + math.log(_FEW)

    @cached_property
    def _best_seen(self) -> float:
        return max(map(self._seen, [GOOD, *np.flatnonzero(self.by_course > _SHOWN).tolist()]))

    def _seen_alike(self, leader: int, k: int) -> bool:
        """Whether what was seen leaves two courses together, by the same measure as readings do."""
        less = math.exp(-abs(self._seen(leader) - self._seen(k)))
        return less / (1 + less) > APART

    def _cloud(self, k: int) -> Cloud:
        return (
            good_cloud(self.healthy, self.likelihood)
            if k == GOOD
            else cloud_of(self.courses[k], self.densities[k], self.likelihood)
        )

    # The result -------------------------------------------------------------------------------------------------------

    def result(self, cannot: Sequence[str], minutes: Minutes, sure: float, wants_test: bool) -> Diagnosis:
        """Put it all together."""
        chances = self.chances()
        suspects = [self._suspect(group, chances) for group in self.groups()]
        suspects += [self._both(group, chances) for group in self._alike_pairs(chances)]
        if chances.get(OTHER, 0.0) > _SHOWN:
            suspects.append(Suspect((_plain(OTHER, chances),), chances[OTHER], "no fault in the library explains all readings"))
        suspects = sorted((s for s in suspects if s.probability > _SHOWN), key=lambda s: -s.probability)
        check_excluded([*(t for t, _ in self.tests), look_at(self.circuit.steps[-1], self.findings.conditions)], cannot)
        ranked = ranked_tests(self, chances, cannot, minutes) if wants_test else None
        # Of several faults with one repair, the likeliest.
        work = {m.cure: m.minutes for s in reversed(suspects) for m in reversed(s.members)}
        turned, twice = {**wrong_half(self), **swapped(self)}, read_twice(self.readings, self.meter)
        but = afterthought(suspects, both=self.both, again=bool(turned or twice))
        enough, verdict = advise(suspects, self._cures(chances), work, ranked, sure, but)
        if self.weighed.room() and suspects and suspects[0].leader.fault == HEALTHY:
            enough, verdict = False, f"{verdict}; {NOT_QUITE}"
        else:
            verdict += reminder(self, suspects, enough=enough)
        notes = (*self.findings.notes, *as_printed(self), *common_factor(self), *self.weighed.room())
        notes += tuple(pairs_tried(self, chances, suspects))
        over = measured_overloads(self.circuit, self.readings)
        over += suspected_overloads(self, suspects) if wants_test else ()
        good = [] if enough else [c for c in ranked or () if c.bits > TOLD][:4]
        look = best_look(self, chances, cannot, minutes, good)
        return Diagnosis(
            self.circuit.name, self.circuit.title, self.findings.conditions.sentence(), self.meter.note(), tuple(suspects),
            doubtful(self, chances, turned, twice), good[0] if good else None, tuple(good[1:]), enough, verdict,
            firmness(suspects, self.chances(self.prior.flat())), self.prior.record(self.faults), tuple(self.left_out),
            notes, (*over, *self.circuit.cautions), chances, self.table, told_of_seen(self, suspects), look,
        )  # fmt: skip

    def _suspect(self, group: Sequence[int], chances: Mapping[str, float]) -> Suspect:
        members = []
        for k in group:
            if k == GOOD:
                continue
            share = float(self.densities[k].quantiles([0.5])[0])
            for f in self.members[k]:
                severity = float(f.at(share)) if f.graded else math.nan
                members.append(Member(f.name, chances.get(f.name, 0.0), severity, f.unit, f.cure, f.minutes))
        members.sort(key=lambda m: -m.probability)
        if GOOD in group:
            members.insert(0, _plain(HEALTHY, chances))
        chance = sum(m.probability for m in members)
        if GOOD in group:
            others = f"other{'s' * (len(members) > 2)}"
            mild = f"; the {others} would be too mild to show in them" if len(members) > 1 else ""
            return Suspect(tuple(members), chance, f"{as_good(self)}{mild}{_SAID * self._contradicted(GOOD)}")
        best = max(group, key=lambda k: float(self.by_course[k]))
        reads = self.reads(self.courses[best], self.densities[best])
        readings = compared(self, *reads, flickers=self.courses[best].against is not None)
        why = self._why(best, members[0], readings, reads)
        return Suspect(tuple(members), chance, why, readings, self._unseen(best))

    def _alike_pairs(self, chances: Mapping[str, float]) -> list[list[int]]:
        """Gather the pairs that the readings can't tell apart, by number, the likeliest first."""
        found = [(chances[pair.name], k) for k, (pair, _, _) in enumerate(self.pairs) if chances[pair.name] > 1e-4]
        clouds = {
            k: cloud_of(c, c.density(self.likelihood, self.sightings), self.likelihood)
            for k, (_, c, _) in enumerate(self.pairs)
        }
        known = bool(self.likelihood.numbers.size)
        return gather(
            [k for _, k in sorted(found, reverse=True)], lambda a, b: known and bayes_error(clouds[a], clouds[b]) > APART
        )

    def _both(self, group: Sequence[int], chances: Mapping[str, float]) -> Suspect:
        members = []
        for pair, course, _ in (self.pairs[k] for k in group):
            share = float(course.density(self.likelihood, self.sightings).quantiles([0.5])[0])
            severity = float(pair.first.at(share)) if pair.first.graded else math.nan
            second = pair.second.severity, pair.other.unit
            members.append(Member(pair.name, chances[pair.name], severity, pair.first.unit, pair.cure, pair.minutes, second))
        pair, course, _ = self.pairs[group[0]]
        readings = compared(self, *self.reads(course, course.density(self.likelihood, self.sightings)))
        why = of_pair(self, pair, course, readings)
        return Suspect(tuple(members), sum(m.probability for m in members), why, readings)

    def reads(self, course: Course, density: Density) -> tuple[Array, Array]:
        """Give what a course reads at its likeliest severity, and its covariance by the tolerances of the file."""
        return self._reads(course, float(density.share[int(np.argmax(density.logs))]))

    @cached_property
    def strays(self) -> tuple[tuple[str, bool], ...]:
        """Readings outside a good circuit's band, and whether each lies just outside."""
        return strays(self)

    def _reads(self, course: Course, share: float) -> tuple[Array, Array]:
        """Give what a course reads at a share, and its covariance by the tolerances of the file, whatever room was given.

        It is between solved ones; or solved where that is in doubt.
        """
        at, count, bench = np.array([share]), len(self.readings), self.weighed.bench
        found, slopes = course.at(at), bench.by_file(course.slopes(at)[:, :count])
        value, shared = found.value[:, :count], shared_by(slopes)
        if not (found.doubt[:, :count] > _DOUBT * np.sqrt(np.diagonal(shared, axis1=1, axis2=2)) + _DIGIT).any():
            return value, shared
        shown = bench.show([course.make(share)], self.columns[:count])
        return shown.value, shared_by(bench.by_file(shown.spread))

    def display(self, r: TakenReading) -> str:
        """What was written down of a reading."""
        if r.shown.kind == "look":
            return r.shown.look
        if r.shown.kind == "overload":
            return "OL"
        unit = INSTRUMENTS[r.task.instrument]
        if r.shown.kind == "unstable":
            return f"{r.shown.low:g}-{r.shown.high:g} {unit}"
        return self.meter.display(r.shown.value, unit)

    def text(self, task: Task, value: float) -> str:
        """What an instrument would show."""
        return lamp_look(value) if task.instrument == "lamp" else self.meter.display(value, INSTRUMENTS[task.instrument])

    def _why(self, k: int, leader: Member, readings: Sequence[Compared], reads: tuple[Array, Array]) -> str:
        """Say what is wrong, and which readings say so; reads: what the suspect reads, and its covariance."""
        against = self._contradicted(k)
        if told := speaking(readings):
            said = "; " + "; ".join(told)
        elif self._unseen(k):
            said = "; nothing measured so far could show it"
        elif self.readings:
            said = silent(self, readings, *reads, flickers=self.courses[k].against is not None)
        else:
            said = "; what was seen agrees with it" if self.findings.observations and not against else ""
        return self.faults[leader.fault].kind.what + said + _SAID * against

    def _cures(self, chances: Mapping[str, float]) -> dict[str, float]:
        """Give the chance that each repair cures the circuit."""
        cures: dict[str, float] = {}
        for name, chance in chances.items():
            pair = next((p for p, _, _ in self.pairs if p.name == name), None)
            cure = pair.cure if pair else self.faults[name].cure if name in self.faults else name
            cures[cure] = cures.get(cure, 0.0) + chance
        return cures


def _plain(name: str, chances: Mapping[str, float]) -> Member:
    """Give the healthy circuit, or something else, as a suspect's member."""
    return Member(name, chances.get(name, 0.0), math.nan, "", "", 0.0)
