"""One factor on all volts: a meter that reads all of them high, or a battery that is not at the voltage that was taken.

Each is weighed as a model of its own beside the circuit as its file has it: every suspect with a gain of the meter, or a
supply, that may be off by several times what the meter's limit and the file allow. Suspects count on both sides, so that
nothing is said where a fault explains the readings as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from circuitsim.measure.faults.bench import FaultBench
from circuitsim.quantities import format_quantity
from circuitsim.studies.allowance import Allowance
from circuitsim.studies.likelihood import Likelihood, shared_by
from circuitsim.studies.severities import Course
from circuitsim.studies.weighing import Weighed, weigh

if TYPE_CHECKING:
    from circuitsim.studies.diagnose import Diagnosing

__all__ = ["common_factor", "is_common_factor"]

Array = NDArray[np.float64]
_SAID = "all volts lie about"
_OFF = 0.03  # standard deviation of the factor on all volts, or of the supply as a share of it (assumed)
_BETTER = math.log(5.0)  # nats; so many times likelier are readings that are said to share a factor
_HOPE = 1.0  # nats; what less is promised to first order is not weighed in full
_ALIKE = 3.0  # nats; of meter and supply the one that explains so much less is not named
_LEAST = 2  # voltages; one alone shares nothing
_AWAY = 20.0  # nats below; what is less likely is not looked at
_SHOWS = 0.1  # V; less says nothing of a factor
_CHARGED = 1.08  # of nominal; a rested lead-acid battery is at 12.9 V at most (common practice, no source)
_SMALL, _LARGE = 0.005, 0.2  # a smaller factor is not worth a meter's check, a larger one is no meter's or battery's (assumed)


@dataclass(frozen=True)
class _OtherSupply(Allowance):
    """Room for a supply that is not at the voltage that was taken; nominal: (number, its value) of battery and charger."""

    nominal: tuple[tuple[str, float], ...] = ()

    def factors(self, bench: FaultBench) -> Array:
        """Factor on the standard deviation of each uncertain number of a bench, (numbers,)."""
        found = super().factors(bench)
        for name, nominal in self.nominal:
            if name in bench.what:
                k = bench.what.index(name)
                found[k] = max(1.0, _OFF * nominal / max(bench.tolerances[k].standard(nominal), 1e-9))
        return found


def common_factor(work: Diagnosing) -> list[str]:
    """Say so where one factor on all volts, or another supply, explains the readings much better than any suspect does."""
    numbers, value = work.likelihood.numbers.tolist(), work.likelihood.value.tolist()
    if sum(bool(work.readings[k].task.red) and abs(v) > _SHOWS for k, v in zip(numbers, value, strict=True)) < _LEAST:
        return []
    sharp = _evidence(work, work.sharp)
    meter, supply = (_weighed(work, one, sharp + _HOPE) for one in (_loose_meter(work), _loose_supply(work)))
    logs = [-math.inf if one is None else _better(work, one) for one in (meter, supply)]
    best = meter if logs[0] >= logs[1] else supply
    if best is None or max(logs) < _BETTER or _evidence(work, best) < _roomy(work) + _BETTER:
        return []
    factor = _factor(work, best)
    return _sentence(work, factor, *(log > max(logs) - _ALIKE for log in logs)) if _SMALL < abs(factor) < _LARGE else []


def is_common_factor(note: str) -> bool:
    """Whether a note says that all volts have one factor in common."""
    return note.startswith(_SAID)


def _roomy(work: Diagnosing) -> float:
    """Give the evidence with room for what the file leaves out, as in a load on the feed; with its chance beside no room."""
    room = work.likelihood.allowance
    return _evidence(work, work.weighed) + math.log(room.chance / work.sharp.likelihood.allowance.chance)


def _better(work: Diagnosing, loose: Weighed) -> float:
    """Give by how much all suspects explain the readings better with a factor than without, nats.

    The smaller of two: over all, with their chances beforehand; and of the best of each, for however rare a fault is, where it
    explains what was measured nothing else needs to.
    """
    both = [[one.base, *(d.evidence for d in one.densities())] for one in (loose, work.sharp)]
    return min(_evidence(work, loose) - _evidence(work, work.sharp), max(both[0]) - max(both[1]))


def _loose_meter(work: Diagnosing) -> Likelihood:
    """Give the likelihood with a meter whose gain on volts may be off by much more than its limit."""
    found = Likelihood(work.readings, work.meter, work.circuit.nominal)
    own = [_OFF * v if found.units[k] == "V" else 0.0 for k, v in zip(found.numbers.tolist(), found.value, strict=True)]
    found.gains = np.hstack([found.gains, np.array(own)[:, None]])
    return found


def _loose_supply(work: Diagnosing) -> Likelihood:
    """Give the likelihood with a battery, or charger, that may be off by much more than the file, or its meter, allows."""
    return Likelihood(work.readings, work.meter, work.circuit.nominal, _OtherSupply(nominal=_supplies(work)))


def _supplies(work: Diagnosing) -> tuple[tuple[str, float], ...]:
    supply, elements = work.circuit.supply, work.circuit.net.elements
    keys = [(supply.battery, "emf"), (supply.alternator or "", "regulated")]
    return tuple((f"{name}.{key}", elements[name].values[key]) for name, key in keys if name in elements)


def _weighed(work: Diagnosing, loose: Likelihood, least: float) -> Weighed | None:
    """Weigh all suspects with a factor; None where to first order the evidence does not even come to the least."""
    before, sharp = _before(work), work.sharp
    factors = loose.allowance.factors(work.table.bench)

    def gained(course: Course, share: float) -> float:
        between, spread = course.at(np.array([share])), course.slopes(np.array([share]))
        looks = ((loose, shared_by(spread * factors)), (sharp.likelihood, shared_by(spread)))
        wide, own = (float(one.judge(between.value, shared, between.doubt**2).total[0]) for one, shared in looks)
        return wide - own

    logs = [before[0] + sharp.base + gained(sharp.healthy, 0.5)]
    for one, course, density in zip(before[1:], sharp.courses, sharp.densities(), strict=True):
        if course.against is None and one + density.evidence > least - _AWAY:
            logs.append(one + density.evidence + gained(course, float(density.share[int(np.argmax(density.logs))])))
    if float(np.logaddexp.reduce(logs)) < least:
        return None
    return weigh(work.table, work.columns, loose, work.sightings)


def _factor(work: Diagnosing, found: Weighed) -> float:
    """Give how far all volts lie above what the suspect that explains them best lets expect, as a share; negative: below."""
    densities, loose = found.densities(), _loose_meter(work)
    logs = np.array(_before(work)) + np.array([found.base, *(d.evidence for d in densities)])
    best = int(np.argmax(logs)) - 1
    course, share = found.healthy, 0.5
    if best >= 0:
        course, share = found.courses[best], float(densities[best].share[int(np.argmax(densities[best].logs))])
    between = course.at(np.array([share]))
    # The supply is held: what it may be off is part of the factor.
    slopes = course.slopes(np.array([share]))
    slopes[:, :, [k for k, name in enumerate(found.bench.what) if name in dict(_supplies(work))]] = 0.0
    inverse, _, left = loose.solved(between.value, shared_by(slopes))
    return float(_OFF * loose.gains[:, -1] @ inverse[0] @ left[0])


def _sentence(work: Diagnosing, factor: float, meter: bool, supply: bool) -> list[str]:
    """Say what the volts have in common and what to do about it."""
    conditions, side = work.findings.conditions, "above" if factor > 0 else "below"
    told = f"{_SAID} {100 * abs(factor):.{1 if abs(factor) < 0.095 else 2}g} % {side}"
    check = "check the meter against another"
    if conditions.supply is not None:
        given = format_quantity(conditions.supply, "V", 4)
        return [f"{told} what the given supply of {given} lets expect: {check}, and measure the battery with the same one"]
    about = _volts(work, factor) if conditions.engine == "off" else "…"
    give = f"give the battery voltage as measured ('# supply: {about}', if it reads that)"
    ran = "if the engine ran, say so ('# engine: running')"
    ways = [text for text, holds in ((ran, _charging(work, factor)), (check, meter), (give, supply)) if holds]
    return [f"{told} what the circuit's own battery lets expect: {', or '.join(ways)}"]


def _charging(work: Diagnosing, factor: float) -> bool:
    """Whether the battery would lie higher than any does that is not charged, in a circuit with something that charges it."""
    charged = _emf(work) * (1 + factor) > _CHARGED * work.circuit.nominal
    return charged and work.findings.conditions.engine == "off" and bool(work.circuit.supply.alternator)


def _emf(work: Diagnosing) -> float:
    return float(work.circuit.net.elements[work.circuit.supply.battery].values["emf"])


def _volts(work: Diagnosing, factor: float) -> str:
    return format_quantity(_emf(work) * (1 + factor), "V", 3)


def _before(work: Diagnosing) -> list[float]:
    """Give logarithms of the chances beforehand, healthy first, then each course, with the words that were said."""
    chances, words = work.prior.chances(work.faults), work.sightings.words
    found = [math.log(work.prior.healthy) + words(None)] if work.prior.healthy > 0 else [-math.inf]
    for family in work.members:
        logs = [math.log(chances[f.name]) + words(f) for f in family if chances.get(f.name, 0.0) > 0]
        found.append(float(np.logaddexp.reduce(logs)) if logs else -math.inf)
    return found


def _evidence(work: Diagnosing, weighed: Weighed) -> float:
    """Logarithm of the likelihood of the readings over all suspects."""
    own = [weighed.base, *(d.evidence for d in weighed.densities())]
    return float(np.logaddexp.reduce(np.array(_before(work)) + np.array(own)))
