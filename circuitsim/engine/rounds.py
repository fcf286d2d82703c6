"""The rounds in which waveforms and averages of a chopped circuit find each other (see `circuitsim.engine.periodic`).

One round finds the orbit at the averages so far, and the averages at the orbit's shift. Samples that are settled leave the
batch; the others go on with all that the mixing knows of them, and after so many rounds anew from the best of these.
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from copy import copy, deepcopy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.elimination import Plan
from circuitsim.engine.mixing import Mixing
from circuitsim.engine.newton import CORRECTION, Solution, newton
from circuitsim.engine.probing import plain_output
from circuitsim.engine.shifted import Shifted
from circuitsim.engine.switching import LinearMode, Spread, Switching
from circuitsim.engine.system import Evaluator
from circuitsim.engine.waveforms import Orbit, Phase, periodic_orbit

__all__ = ["Found", "Rounds", "Steady", "find", "put_spread"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

_STAGES = (14, 16, 60)  # rounds before a new start from the best of them
_HASTY = (16, 16)  # the same of the second and the third, where nobody waits for what settles slowly; and there only with
_FAR = (3e7, 1e5)  # what moves by less than so many times the allowed: 3 % of itself, at most
_LEAVE = 0.8  # share of a batch that goes on, from which on the others leave it; what is still does so at once
_NEWTON = 8  # iterations in one round; what needs more goes on in the next
_NEAR = 1e3  # times what is allowed; what is that near and does not arrive is lost in rounding
_OPEN = 1e6  # a loop that forgets its current within a millionth of a period is open


@dataclass(frozen=True)
class Steady:
    """The waveforms behind a batch of points: each mode as straight lines, where it was made so, and the orbit."""

    lines: tuple[LinearMode, ...]
    spreads: tuple[Spread, ...]
    orbit: Orbit
    duty: Array


class Rounds:
    """What one round needs, for some samples; laws: those with the switching element's mean."""

    def __init__(self, switching: Switching, plan: Plan, laws: Evaluator) -> None:
        self.switching, self.plan, self.laws = switching, plan, laws
        self.modes = switching.laws(laws)
        self.totals = switching.total
        system, name = switching.system, switching.element
        self.still = np.zeros(laws.size, bool)
        self._visited = set(range(len(self.modes)))
        self.frequency = laws.number(system.column(name, switching.modes.frequency))
        self.strongest = laws.number(system.column(name, switching.modes.strongest))

    def steady(self, x: Array, spreads: Sequence[Spread], first: Array | None = None) -> Steady:
        """Find the waveforms at the speeds, temperatures and duty in x."""
        spreads = [replace(s, mean=self._placed(x, s.mean)) for s in spreads]
        duty = np.clip(self.duty(x), 0.0, 1.0)
        lengths = (duty / self.frequency, (1.0 - duty) / self.frequency)
        phases = [Phase(t, modes) for t, modes in zip(lengths, self.switching.phases, strict=True)]
        wanted = self._visited  # those that came up in the round before are made first
        for _ in range(2):
            lines = tuple(self._lines(x, spreads, wanted))
            orbit = periodic_orbit([line.flow for line in lines], phases, first)
            self._visited = {int(m) for m in np.unique(orbit.mode[orbit.length > 0])} | {p[0] for p in self.switching.phases}
            if self._visited <= wanted:
                break
            wanted = set(range(len(self.modes)))
        return Steady(lines, tuple(spreads), orbit, duty)

    def take(self, chosen: Index) -> Rounds:
        """Give the same for some of the samples."""
        some = copy(self)
        some.laws, some.modes = self.laws.take(chosen), [laws.take(chosen) for laws in self.modes]
        some.still, some._visited = self.still[chosen], set(self._visited)
        some.frequency, some.strongest = self.frequency[chosen], self.strongest[chosen]
        return some

    def _placed(self, x: Array, mean: Array) -> Array:
        """Give the slow rows of x with the electrical ones of a mode."""
        place = x.copy()
        place[self.switching.electrical] = mean[self.switching.electrical]
        return place

    def _lines(self, x: Array, spreads: Sequence[Spread], wanted: Container[int]) -> list[LinearMode]:
        """Give the lines of the modes that are wanted, and ones that lead nowhere for the others."""
        stores = self.switching.stores(self.laws, x)
        lines, nowhere = self.switching.lines, self.switching.nowhere
        return [
            lines(m, self.modes[m], spread, stores, self.still) if m in wanted else nowhere(spread)
            for m, spread in enumerate(spreads)
        ]

    def duty(self, x: Array) -> Array:
        """Share of the period for which the switch is on, from the averages."""
        switching = self.switching
        return plain_output(switching.system, self.laws, switching.element, switching.modes.share, x)

    def begin(self, x: Array) -> list[Spread]:
        """Give where each mode is first taken: at the averages, with no current where it may not be the first.

        Sets `still`: where the only state is that of a loop which is open even while the switch is on.
        """
        preferred = {phase[0] for phase in self.switching.phases}
        still = x.copy()
        still[self.switching.states] = 0.0
        spreads = [Spread.point(x if m in preferred else still, self.switching.n) for m in range(len(self.modes))]
        if self.switching.n == 1:
            rate = self._lines(x, spreads[:1], (0,))[0].flow.a[0, 0]
            self.still = ~(np.abs(rate) < _OPEN * self.frequency)
        return spreads

    def again(self, x: Array, steady: Steady) -> list[Spread]:
        """Give the spread that the waveforms have in each mode; one that does not come up stays at its states."""
        share, mean, covariance = steady.orbit.moments
        found = []
        for m, (line, old) in enumerate(zip(steady.lines, steady.spreads, strict=True)):
            w = np.where(share[m] > 0, mean[m], old.mean[self.switching.states])
            new = Spread.of(line, w, np.where(share[m] > 0, covariance[m], 0.0))
            found.append(replace(new, mean=self._placed(x, new.mean)))
        return found

    def averages(self, x: Array, spreads: Sequence[Spread], steady: Steady) -> Array:
        """Give the averages of the waveforms, with the slow rows of x."""
        share = steady.orbit.moments[0]
        electrical = self.switching.electrical
        found = x.copy()
        found[electrical] = sum(s * spread.mean[electrical] for s, spread in zip(share, spreads, strict=True))
        return found

    def shift(self, average: Array, spreads: Sequence[Spread], steady: Steady) -> Array:
        """Give what the averages of the laws have more than the laws at the averages, (variables, batch)."""
        share = steady.orbit.moments[0]
        total = -self.totals.at(self.laws, average)
        for m, spread in enumerate(spreads):
            if share[m].any():
                mean = self.switching.totals[m].at(self.modes[m], spread.points()).mean(axis=0)
                total += np.where(share[m] > 0, share[m] * mean, 0.0)
        return total

    def solve(self, shift: Array, start: Array) -> Solution:
        """Solve the averaged circuit with a shift; by the pivoted way where the fixed order of elimination fails."""
        laws = Shifted.by(self.laws, shift)
        found = newton(self.plan, laws, start, limit=_NEWTON)
        failed = (found.iterations < 3) | (found.correction < _NEAR)  # at once, or in the end; or it is on its way, or lost
        left = np.flatnonzero(~found.accepted & failed)
        if left.size:
            found.put(left, newton(self.plan, laws.take(left), start[:, left], limit=_NEWTON, dense=True))
        return found


@dataclass
class Found:
    """Where the rounds have come to, one entry a sample."""

    x: Array
    shift: Array
    spreads: list[Spread]
    solution: Solution
    settled: Mask
    change: Array
    rounds: NDArray[np.int64]

    def put(self, at: Index, other: Found, chosen: Index) -> None:
        """Take over, for samples `at`, what another has for `chosen` ones of its own; all but the number of rounds."""
        s, t = self.solution, other.solution
        self.x[:, at], self.shift[:, at] = other.x[:, chosen], other.shift[:, chosen]
        for whole, part in zip(self.spreads, other.spreads, strict=True):
            put_spread(whole, at, part.take(chosen))
        s.residual[at], s.correction[at], s.accepted[at] = t.residual[chosen], t.correction[chosen], t.accepted[chosen]
        self.settled[at], self.change[at] = other.settled[chosen], other.change[chosen]


def find(rounds: Rounds, x: Array, spreads: list[Spread], allowed: float = 1.0, *, patient: bool = True) -> Found:
    """Go round until every sample is settled, or comes no nearer; patient: those that do not, too, as long as the others.

    allowed: times the movement that the rule allows.
    """
    found = _iterate(rounds, x, spreads, _STAGES[0], allowed)
    for limit, hasty, far in zip(_STAGES[1:], _HASTY, _FAR, strict=True):
        left = np.flatnonzero(~found.settled & (patient | (found.change < far)))
        if not left.size:
            break
        some, starts = rounds.take(left), [s.take(left) for s in found.spreads]
        more = _iterate(some, found.x[:, left], starts, limit if patient else hasty, allowed)
        found.put(left, more, np.arange(left.size))
        found.rounds[left] += more.rounds
    return found


def _iterate(rounds: Rounds, x: Array, spreads: list[Spread], limit: int, allowed: float) -> Found:
    """Go round until every sample is settled, or `limit` times; gives what was best of each."""
    mixing, at = Mixing(1e-2 + np.abs(x)), np.arange(x.shape[1])
    new = _round(rounds, x, spreads, allowed)
    best = deepcopy(new)  # which is written into
    for _ in range(1, limit):
        going = ~best.settled[at]
        if not going.any():
            break
        x, spreads = mixing.next(x, np.where(np.isfinite(new.solution.x), new.solution.x, x)), new.spreads
        if going.mean() < _LEAVE or (rounds.still & ~going).any():
            kept = np.flatnonzero(going)
            at, x, spreads = at[kept], x[:, kept], [s.take(kept) for s in spreads]
            rounds, mixing = rounds.take(kept), mixing.take(kept)
        new = _round(rounds, x, spreads, allowed)
        unsettled = ~best.settled[at]
        best.rounds[at[unsettled]] += 1
        better = np.flatnonzero(unsettled & (new.settled | (new.change <= best.change[at])))
        best.put(at[better], new, better)
    return best


def _round(rounds: Rounds, x: Array, spreads: list[Spread], allowed: float) -> Found:
    """Go round once."""
    steady = rounds.steady(x, spreads)
    after = rounds.again(x, steady)
    average = rounds.averages(x, after, steady)
    shift = rounds.shift(average, after, steady)
    solution = rounds.solve(shift, x)
    change = _change(rounds, x, average, after, spreads, steady, solution)
    settled = (change < allowed) & solution.accepted & steady.orbit.accepted
    return Found(solution.x, shift, after, solution, settled, change, np.ones(x.shape[1], np.int64))


def _change(
    rounds: Rounds, x: Array, average: Array, after: list[Spread], before: Sequence[Spread], steady: Steady,
    solution: Solution,
) -> Array:  # fmt: skip
    """Give the largest movement of the last round as a share of what is allowed."""
    allowed = CORRECTION * np.abs(solution.x) + rounds.plan.floor
    with np.errstate(all="ignore"):
        moved = (np.abs(solution.x - x) / allowed).max(axis=0)
        apart = (np.abs(solution.x - average) / allowed)[rounds.switching.electrical].max(axis=0, initial=0.0)
        share = steady.orbit.moments[0]
        states = rounds.switching.states
        for m, (new, old) in enumerate(zip(after, before, strict=True)):
            slipped = np.abs(new.mean[states] - old.mean[states]) / (allowed[states] + CORRECTION * np.abs(new.mean[states]))
            moved = np.maximum(moved, np.where(share[m] > 1e-9, slipped.max(axis=0, initial=0.0), 0.0))
    worst = np.maximum(moved, apart)
    return np.where(np.isfinite(worst), worst, np.inf)


def put_spread(whole: Spread, at: Index, part: Spread) -> None:
    """Put the spread of some samples into that of a batch."""
    whole.mean[:, at], whole.directions[..., at], whole.states[..., at] = part.mean, part.directions, part.states
