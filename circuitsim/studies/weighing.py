"""Every fault weighed by the readings, along its severity; more loosely where nothing in the library explains them.

A circuit file leaves things out: what else hangs on the feed, how a harness was really led, a meter that is past its date. A
millivolt that comes from there would rule out the fault that is there, and the most pliable one would be named for certain.
So where not even the best suspect explains the readings to the last digit, all are weighed with room for what the file leaves
out as well (`ALLOWANCES`), and count by what the readings are worth with either.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from circuitsim.studies.allowance import Allowance, LooseBench
from circuitsim.studies.closer import look_closer
from circuitsim.studies.fault_table import LOAD, FaultTable
from circuitsim.studies.likelihood import Likelihood, shared_by
from circuitsim.studies.severities import Course, Density, follow
from circuitsim.studies.sightings import Sightings

__all__ = ["ALLOWANCES", "BLIND", "FOREIGN", "NOT_QUITE", "SPEAKS", "Weighed", "is_load", "weigh"]

ALLOWANCES = (
    Allowance(0.8), Allowance(0.1, 2.0, 1.5, 0.004, 0.1, load=True), Allowance(0.05, 5.0, 1.5, 0.004, 0.1, load=True),
    Allowance(0.05, 5.0, 1.5, 0.02, 0.5, load=True),
)  # fmt: skip
"""What a file is taken to leave out, with the chance of each (assumed): nothing; a load on the feed, and a little besides;
wires led quite otherwise; and other loads elsewhere.
"""
FOREIGN = ("spliced-in-load", "chafed-to-ground", "chafed-to-supply")
"""Kinds of faults by which a load that no file has may show."""
NOT_QUITE = "but it is not as its file says: look for what the file leaves out before you call it good"
_LOADED = "most speaks for a load of about {} W on the feed that is not in the circuit's file"
BLIND = 0.3  # nats; a fault that changes the likelihood by less at any severity was not looked for yet
SPEAKS = 3.0  # nats; a fault for which the readings speak so much more than for a good circuit is not too mild to show
_LIVE, _SHORT, _CLOSELY = 60.0, 6.0, 30
"""Suspects that are looked at closely: so many nats below the best, and so many times what even the best lacks of a perfect fit
more, for then first order says little of any; and how many at most."""
_SOME, _SURELY = 1.0, 3.0  # W, and standard deviations; a smaller load is not worth a word
_LOST = 300.0  # nats below 'something else' from which on a closer look is given up
_STRAINED = 3.0  # standard deviations of chi-squared by which even the best suspect fits worse than it should


def is_load(note: str) -> bool:
    """Whether a note says that a load hangs on the feed that is not in the file."""
    return note.startswith(_LOADED.partition("{}")[0])


@dataclass
class Weighed:
    """All suspects along their severities, as some readings have them.

    base: log likelihood of the healthy vehicle; anything: that of something else; courses: filled, each with its density;
    bench: where more of them is solved, with the same room.
    """

    bench: LooseBench
    likelihood: Likelihood
    sightings: Sightings
    healthy: Course
    courses: list[Course]
    base: float
    anything: float

    @property
    def allowance(self) -> Allowance:
        """Room that was given for what the file leaves out."""
        return self.likelihood.allowance

    def room(self) -> list[str]:
        """Say so where room was given; first of all, which load that makes likely."""
        a = self.allowance
        if a.none:
            return []
        watts = self.load()
        load = [_LOADED.format(f"{watts:.2g}")] if watts > _SOME else []
        wide = f"{a.tolerances:g} times the tolerances of the circuit's file ({a.joints:g} times those of joints)"
        apart = f"{1e3 * a.volts:g} mV and {a.amperes:g} A in each reading"
        why = "wires led otherwise, other loads, a meter past its date"
        return [*load, f"not all is as the file says: room was given of {wide}, {apart} ({why})"]

    def load(self) -> float:
        """Give the load on the feed [W] that is likeliest with the best suspect, to first order; 0 where that may be none.

        It is the mean of a normal number given what the suspect leaves of the readings: its slopes times the inverse of their
        covariance times what is left.
        """
        numbers, (course, share, top) = self.likelihood.numbers, self._best()
        if not self.allowance.load or not numbers.size or top < self.anything:
            return 0.0
        found, slopes = course.at(np.array([share])), course.slopes(np.array([share]))[0]
        slipped = self.likelihood.judge(found.value, found.shared).let_go
        inverse, _, left = self.likelihood.solved(found.value, found.shared, slipped)
        slope = slopes[numbers][:, ~self.bench.bench.filed].sum(axis=1)
        doubt = math.sqrt(max(1.0 - float(slope @ inverse[0] @ slope), 0.0))
        stray = float(slope @ inverse[0] @ left[0])
        return LOAD * stray if stray > _SURELY * doubt else 0.0

    def densities(self, more: Sequence[Course] = ()) -> list[Density]:
        """Give the likelihood of each course along its severity, and of some more."""
        return [c.density(self.likelihood, self.sightings) for c in (*self.courses, *more)]

    def strained(self, more: Sequence[Course] = ()) -> bool:
        """Whether even the best suspect explains the readings worse than chance would have it (chi-squared)."""
        count = self.likelihood.numbers.size
        if not count:
            return False
        course, share, top = self._best(more)
        found = course.at(np.array([share]))
        # What was seen and what a lamp showed is no misfit of numbers, and one reading may be wrong altogether.
        seen = self.sightings.logs(found.speed, [course.blown[k] for k in found.nearest])
        said = float(seen[0]) + float(self.likelihood.said(found.value, found.shared)[0])
        perfect = float(self.likelihood.solved(found.value, found.shared)[1][0]) - self.likelihood.slip
        return 2 * (perfect - (top - said)) > count + _STRAINED * math.sqrt(2 * count)

    def _best(self, more: Sequence[Course] = ()) -> tuple[Course, float, float]:
        """Give the best of all suspects, of some more and the healthy vehicle: course, share, log likelihood there."""
        densities = self.densities(more)
        best = int(np.argmax([d.logs.max() for d in densities]))
        top = float(densities[best].logs.max())
        if top <= self.base:
            return self.healthy, 0.5, self.base
        return [*self.courses, *more][best], float(densities[best].share[int(np.argmax(densities[best].logs))]), top


def weigh(table: FaultTable, columns: Sequence[int], likelihood: Likelihood, sightings: Sightings) -> Weighed:
    """Follow every fault of a table along its severity, and look at live ones more closely; columns: of readings and sights."""
    factors = likelihood.allowance.factors(table.bench)
    bench = LooseBench(table.bench, factors)
    healthy, courses = table.courses(columns, factors)
    sightings.know(healthy.speed[0])
    base = float(healthy.density(likelihood, sightings).logs[0])
    own = shared_by(bench.by_file(healthy.spread))  # whatever room is given
    found = Weighed(bench, likelihood, sightings, healthy, courses, base, likelihood.anything(healthy.value, own))
    follow(bench, courses, likelihood, sightings, columns, base)
    if likelihood.numbers.size:
        _look_closer(found, columns)
    return found


def _look_closer(found: Weighed, columns: Sequence[int]) -> None:
    """Take the slopes of live suspects where their parts would have to lie; what looks healthy changes as that does."""
    likelihood, densities, base = found.likelihood, found.densities(), found.base
    evidence = np.array([d.evidence for d in densities])
    best = max(base, float(evidence.max()))
    silent = np.array([np.abs(d.logs - base).max() < BLIND for d in densities])
    perfect = float(likelihood.solved(found.healthy.value, found.healthy.shared)[1][0])
    near = best - _LIVE - _SHORT * max(perfect - best, 0.0)
    live = [k for k in np.argsort(-evidence).tolist() if evidence[k] > near and not silent[k]]
    live = [k for k in live if found.courses[k].against is None][:_CLOSELY]
    some = [found.courses[k] for k in live]
    args = (found.bench, columns, likelihood, found.sightings, some, [densities[k] for k in live])
    anew, found.base = look_closer(*args, found.anything - _LOST)
    for course, density in zip(some, anew, strict=True):
        course.take(density)
    for k in set(range(len(found.courses))) - set(live):
        if abs(evidence[k] - base) < SPEAKS:
            found.courses[k].take(replace(densities[k], logs=densities[k].logs + (found.base - base)))
