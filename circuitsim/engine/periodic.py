"""The periodic steady state of a circuit with a chopping stage: exact waveforms, with speed and heat at their averages.

The slow part (shafts, bodies, and what the duty follows from) sees averages. For any law, its average over a period is its
value at the averages plus a shift, which the waveforms give: for heat the mean square of the ripple, for the chopping stage
the difference between its averaged law and its modes. So the averaged circuit's balances F(x) + shift = 0 have the averages
x of the true waveforms as their solution, once the shift is that of the waveforms at the speed, heat and duty in x. That
fixed point is found with Anderson's mixing (D. G. Anderson, 1965), each round being one Newton solve of the averaged circuit
(`newton`, whole acceptance rule) and one search for the orbit (`waveforms`). It counts when no value moves by more than 1e-9
of itself plus its floor, and when the averages of the waveforms are those of the solved circuit as closely.
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.elimination import Plan
from circuitsim.engine.matching import matched
from circuitsim.engine.mixing import Mixing
from circuitsim.engine.newton import CORRECTION, Solution, refind
from circuitsim.engine.operating import Compiled, Solved
from circuitsim.engine.probing import flow_outputs, plain_output
from circuitsim.engine.shifted import Shifted
from circuitsim.engine.switching import LinearMode, Spread, Switching, switching_of
from circuitsim.engine.system import Column, Evaluator
from circuitsim.engine.waveforms import Orbit, Phase, periodic_orbit

__all__ = ["AVERAGED", "LIMITED", "PERIODIC", "Chopped", "Steady", "chop", "nudge"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

PERIODIC, LIMITED, AVERAGED = 4, 5, 6
"""Method numbers: periodic steady state; the averaged law, since its current limit acts; no periodic state was found."""
_CHUNK = 512
_STAGES = (2, 12, 16, 60)  # rounds for all samples, then for those that need more, in the end for those that come nearer
_FAR = 1e5  # times what is allowed; what still moves by more after all but the last rounds goes nowhere
_NEVER = 1e-12  # share of a period below which the stage does not switch
_OPEN = 1e6  # a loop that forgets its current within a millionth of a period is open


@dataclass(frozen=True)
class Steady:
    """The waveforms behind a batch of points: each mode as straight lines, where it was made so, and the orbit."""

    lines: tuple[LinearMode, ...]
    spreads: tuple[Spread, ...]
    orbit: Orbit
    duty: Array


class _Rounds:
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

    def take(self, chosen: Index) -> _Rounds:
        """Give the same for some of the samples."""
        some = _Rounds(self.switching, self.plan, self.laws.take(chosen))
        some.still = self.still[chosen]
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
                values = [self.switching.totals[m].at(self.modes[m], point) for point in spread.points()]
                total += np.where(share[m] > 0, share[m] * np.mean(values, axis=0), 0.0)
        return total

    def solve(self, shift: Array, start: Array) -> Solution:
        """Solve the averaged circuit with a shift."""
        return refind(self.plan, Shifted.by(self.laws, shift), start)


@dataclass
class _Found:
    """Where the rounds have come to, one entry a sample."""

    x: Array
    shift: Array
    spreads: list[Spread]
    solution: Solution
    settled: NDArray[np.bool_]
    change: Array
    rounds: NDArray[np.int64]


def _iterate(rounds: _Rounds, x: Array, spreads: list[Spread], limit: int, allowed: float = 1.0) -> _Found:
    """Go round until every sample is settled, or `limit` times; `allowed` times the movement that the rule allows."""
    floor, mixing = rounds.plan.floor, Mixing(1e-2 + np.abs(x))
    best: _Found | None = None
    used = np.zeros(x.shape[1], np.int64)
    while best is None or not (best.settled.all() or (used >= limit).all()):
        steady = rounds.steady(x, spreads)
        after = rounds.again(x, steady)
        average = rounds.averages(x, after, steady)
        shift = rounds.shift(average, after, steady)
        solution = rounds.solve(shift, x)
        change = _change(rounds, x, average, after, spreads, steady, solution, floor)
        settled = (change < allowed) & solution.accepted & steady.orbit.accepted
        used += 1
        found = _Found(solution.x, shift, after, solution, settled, change, used.copy())
        best = found if best is None else _better(best, found)
        x = mixing.next(x, np.where(np.isfinite(solution.x), solution.x, x))
        spreads = after
    return best


def _change(
    rounds: _Rounds, x: Array, average: Array, after: list[Spread], before: Sequence[Spread], steady: Steady,
    solution: Solution, floor: Array,
) -> Array:  # fmt: skip
    """Give the largest movement of the last round as a share of what is allowed."""
    allowed = CORRECTION * np.abs(solution.x) + floor
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


def _better(old: _Found, new: _Found) -> _Found:
    """Keep, for each sample, what is settled or else what moved least."""
    take = ~old.settled & (new.settled | (new.change <= old.change))
    put = np.flatnonzero(take)
    if put.size:
        old.x[:, put], old.shift[:, put] = new.x[:, put], new.shift[:, put]
        old.spreads = [_merged(a, b, take) for a, b in zip(old.spreads, new.spreads, strict=True)]
        s, t = old.solution, new.solution
        s.x[:, put], s.residual[put], s.correction[put] = t.x[:, put], t.residual[put], t.correction[put]
        s.accepted[put] = t.accepted[put]
        old.settled[put], old.change[put] = new.settled[put], new.change[put]
    old.rounds[~old.settled | take] = new.rounds[~old.settled | take]
    return old


def _merged(a: Spread, b: Spread, take: Any) -> Spread:
    return Spread(
        np.where(take, b.mean, a.mean), np.where(take, b.directions, a.directions), np.where(take, b.states, a.states)
    )


@dataclass
class Chopped(Solved):
    """A solved batch whose points are averages of periodic waveforms; `laws` carry the shift.

    spreads: what each mode goes through; where the method is not `PERIODIC` there are no waveforms. given: the averaged
    points that it began with, which are the same where the stage does not switch.
    """

    laws: Shifted
    switching: Switching
    spreads: tuple[Spread, ...]
    given: Solved

    @cached_property
    def steady(self) -> Steady:
        """The waveforms, found again from the spreads."""
        return self._rounds.steady(self.solution.x, self.spreads)

    @property
    def bare(self) -> Evaluator:
        """The laws without the shift."""
        return Evaluator(self.laws.system, self.laws.base, self.laws.columns, self.laws.size, self.laws.smooth)

    @cached_property
    def _rounds(self) -> _Rounds:
        rounds = _Rounds(self.switching, self.compiled.plan(self.frozen), self.bare)
        rounds.begin(self.solution.x)
        return rounds

    @property
    def mode_laws(self) -> list[Evaluator]:
        """The laws of each mode."""
        return self._rounds.modes

    def take(self, chosen: Index) -> Chopped:
        """Give some of the samples, in the order asked for."""
        some, laws = super().take(chosen), self.laws.take(chosen)
        spreads = tuple(s.take(chosen) for s in self.spreads)
        taken = Chopped(
            some.compiled, laws, some.frozen, some.solution, some.method, self.switching, spreads, self.given.take(chosen)
        )
        if "unstable" in some.__dict__:
            taken.__dict__["unstable"] = some.__dict__["unstable"]
        return taken


def chop(solved: Solved, *, waves: bool = True) -> Solved:
    """Go on from averaged points to the periodic steady state; what has no single chopping stage is given back as it is.

    A sample whose averaged point was not accepted stays so; one with no periodic state is not accepted, unless the
    stage does not switch: then the averaged point stays. So it does, with the method `LIMITED`, where the largest current of
    the stage reaches its limit. Without `waves` all samples stay as they are in which it does not switch, and what comes no
    nearer to a periodic state is given up sooner.
    """
    found = _switching(solved.compiled)
    if found is None or not solved.size:
        return solved
    compiled, switching = found
    laws = switching.mean_laws(solved.laws)
    s = solved.solution
    x = switching.carrying(solved.laws, s.x)
    final = Solution(x, s.residual.copy(), s.correction.copy(), s.iterations.copy(), s.accepted.copy())
    with np.errstate(all="ignore"):
        shift = -switching.total.at(laws, x)  # where nothing else is found, what makes x balance
    spreads = tuple(Spread.point(x.copy(), switching.n) for _ in switching.names)
    chopped = Chopped(compiled, Shifted.by(laws, shift), solved.frozen, final, solved.method.copy(), switching, spreads, solved)
    wanted = s.accepted.copy()
    if not waves:
        wanted &= ~_idle(plain_output(switching.system, laws, switching.element, switching.modes.share, x))
    good = np.flatnonzero(wanted)
    for k in range(0, good.size, _CHUNK):
        _refine(chopped, laws, good[k : k + _CHUNK], patient=waves)
    return chopped


def nudge(chopped: Chopped, samples: Index, columns: Sequence[Column], steps: Array) -> Chopped:
    """Give what some samples become when each of some parameters is moved by a step: sample by sample, column by column.

    steps: (samples, columns). Each starts from its own sample, and is found to a ten-thousandth of a ten-thousandth.
    """
    count = len(columns)
    at = np.repeat(samples, count)
    bare = chopped.bare.take(at)
    moved = {c: array.copy() for c, array in bare.columns.items()}
    for k, (g, p, e) in enumerate(columns):
        array = moved.setdefault((g, p, e), np.full(at.size, float(bare.base[g][p, e, 0])))
        array[k::count] += steps[:, k]
    s = chopped.solution
    blank = Solution.blank(s.x[:, at].copy())
    laws = matched(bare.with_columns(moved), blank.x)
    spreads = tuple(spread.take(at) for spread in chopped.spreads)
    shift = np.zeros((len(bare.system.variables), at.size))
    method = chopped.method[at]
    other = Chopped(
        chopped.compiled, Shifted.by(laws, shift), chopped.frozen, blank, method, chopped.switching, spreads, chopped.given
    )
    for k in range(0, at.size, _CHUNK):
        part = np.arange(k, min(k + _CHUNK, at.size))
        rounds = _Rounds(chopped.switching, chopped.compiled.plan(chopped.frozen), laws.take(part))
        with np.errstate(all="ignore"):
            rounds.begin(blank.x[:, part])
            found = _in_stages(rounds, blank.x[:, part], [sp.take(part) for sp in spreads], 10.0)
        _keep(other, found, part)
    return other


def _switching(compiled: Compiled) -> tuple[Compiled, Switching] | None:
    """Give the modes of a circuit, and the circuit with its chopping stage's mean; found once."""
    if "_switching" not in compiled.__dict__:
        found = switching_of(compiled.system)
        compiled.__dict__["_switching"] = None if found is None else (Compiled(found.system), found)
    kept: tuple[Compiled, Switching] | None = compiled.__dict__["_switching"]
    return kept


def _refine(chopped: Chopped, laws: Evaluator, at: Index, *, patient: bool = True) -> None:
    """Do some samples, in place; patient: see `_in_stages`."""
    final, switching, plan = chopped.solution, chopped.switching, chopped.compiled.plan(chopped.frozen)
    x, rounds = final.x[:, at].copy(), _Rounds(switching, plan, laws.take(at))
    with np.errstate(all="ignore"):
        found = _in_stages(rounds, x, rounds.begin(x), patient=patient)
        limited = _limited(rounds, found)
        asleep = ~found.settled & _idle(rounds.duty(x))
    _keep(chopped, found, at, ~limited & ~asleep)
    chopped.method[at[limited]] = LIMITED


def _keep(chopped: Chopped, found: _Found, at: Index, keep: NDArray[np.bool_] | None = None) -> None:
    """Put what was found for samples `at` into a batch; where `keep` is false the averaged point stays."""
    keep = np.ones(at.size, bool) if keep is None else keep
    final, put, seen = chopped.solution, at[keep], np.flatnonzero(keep | found.settled)
    final.x[:, put], final.accepted[put] = found.x[:, keep], found.settled[keep]
    final.residual[put], final.correction[put] = found.solution.residual[keep], found.solution.correction[keep]
    final.iterations[put] += found.rounds[keep]
    chopped.laws.shift[:, put] = found.shift[:, keep]
    for whole, part in zip(chopped.spreads, found.spreads, strict=True):
        _put(whole, at[seen], part.take(seen))
    chopped.method[put] = np.where(found.settled[keep], PERIODIC, AVERAGED)


def _idle(duty: Array) -> NDArray[np.bool_]:
    """Say where the stage does not switch within the period: asleep, off, or on all the time."""
    return np.asarray((duty <= _NEVER) | (duty >= 1 - _NEVER))


def _put(whole: Spread, at: Index, part: Spread) -> None:
    whole.mean[:, at], whole.directions[..., at], whole.states[..., at] = part.mean, part.directions, part.states


def _in_stages(rounds: _Rounds, x: Array, spreads: list[Spread], allowed: float = 1.0, *, patient: bool = True) -> _Found:
    """Go round with all samples, then with those that are not settled yet; patient: also with those that come no nearer."""
    found = _iterate(rounds, x, spreads, _STAGES[0], allowed)
    for limit in _STAGES[1:]:
        left = np.flatnonzero(~found.settled & (patient | (found.change < _FAR) | (limit < _STAGES[-1])))
        if not left.size:
            break
        some = rounds.take(left)
        _insert(found, left, _iterate(some, found.x[:, left], [s.take(left) for s in found.spreads], limit, allowed))
    return found


def _insert(found: _Found, left: Index, more: _Found) -> None:
    found.x[:, left], found.shift[:, left] = more.x, more.shift
    found.solution.residual[left], found.solution.correction[left] = more.solution.residual, more.solution.correction
    found.settled[left], found.rounds[left] = more.settled, found.rounds[left] + more.rounds
    found.change[left] = more.change
    for whole, part in zip(found.spreads, more.spreads, strict=True):
        _put(whole, left, part)


def _limited(rounds: _Rounds, found: _Found) -> NDArray[np.bool_]:
    """Say where the stage's current passes its limit somewhere in the period."""
    switching, steady = rounds.switching, rounds.steady(found.x, found.spreads)
    current = flow_outputs(switching, rounds.modes, steady.lines, switching.element, switching.modes.through)
    waves = steady.orbit.waves(current)
    return np.asarray(found.settled & (np.maximum(waves.high, -waves.low)[0] > rounds.strongest))
