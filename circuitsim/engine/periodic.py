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

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.matching import matched
from circuitsim.engine.newton import Solution
from circuitsim.engine.operating import Compiled, Solved
from circuitsim.engine.probing import flow_outputs, plain_output
from circuitsim.engine.rounds import Found, Rounds, Steady, find, put_spread
from circuitsim.engine.shifted import Shifted
from circuitsim.engine.switching import Spread, Switching, switching_of
from circuitsim.engine.system import Column, Evaluator

__all__ = ["AVERAGED", "LIMITED", "PERIODIC", "Chopped", "Steady", "chop", "nudge"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

PERIODIC, LIMITED, AVERAGED = 4, 5, 6
"""Method numbers: periodic steady state; the averaged law, since its current limit acts; no periodic state was found."""
_CHUNK = 1024
_NEVER = 1e-12  # share of a period below which the stage does not switch


@dataclass
class Chopped(Solved):
    """A solved batch whose points are averages of periodic waveforms; `laws` carry the shift.

    spreads: what each mode goes through; where the method is not `PERIODIC` there are no waveforms. share: of the period spent
    in each mode, (modes, batch), once it is known. given: the averaged points that it began with, which are the same where the
    stage does not switch.
    """

    laws: Shifted
    switching: Switching
    spreads: tuple[Spread, ...]
    given: Solved
    share: Array | None = None

    @cached_property
    def steady(self) -> Steady:
        """The waveforms, found again from the spreads."""
        return self._rounds.steady(self.solution.x, self.spreads)

    @property
    def bare(self) -> Evaluator:
        """The laws without the shift."""
        return Evaluator(self.laws.system, self.laws.base, self.laws.columns, self.laws.size, self.laws.smooth)

    @cached_property
    def _rounds(self) -> Rounds:
        rounds = Rounds(self.switching, self.compiled.plan(self.frozen), self.bare)
        rounds.begin(self.solution.x)
        return rounds

    @property
    def shares(self) -> Array:
        """Share of the period spent in each mode, (modes, batch)."""
        return self.steady.orbit.moments[0] if self.share is None else self.share

    @cached_property
    def mode_laws(self) -> list[Evaluator]:
        """The laws of each mode."""
        return self.switching.laws(self.bare)

    def take(self, chosen: Index) -> Chopped:
        """Give some of the samples, in the order asked for."""
        some, laws = super().take(chosen), self.laws.take(chosen)
        spreads = tuple(s.take(chosen) for s in self.spreads)
        share = None if self.share is None else self.share[:, chosen]
        taken = Chopped(
            some.compiled, laws, some.frozen, some.solution, some.method, self.switching, spreads, self.given.take(chosen),
            share,
        )  # fmt: skip
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
    shifted, share = Shifted.by(laws, shift), np.zeros((len(spreads), solved.size))
    chopped = Chopped(compiled, shifted, solved.frozen, final, solved.method.copy(), switching, spreads, solved, share)
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
        rounds = Rounds(chopped.switching, chopped.compiled.plan(chopped.frozen), laws.take(part))
        with np.errstate(all="ignore"):
            rounds.begin(blank.x[:, part])
            found = find(rounds, blank.x[:, part], [sp.take(part) for sp in spreads], 10.0)
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
    """Do some samples, in place; patient: see `rounds.find`."""
    final, switching, plan = chopped.solution, chopped.switching, chopped.compiled.plan(chopped.frozen)
    x, rounds = final.x[:, at].copy(), Rounds(switching, plan, laws.take(at))
    with np.errstate(all="ignore"):
        found = find(rounds, x, rounds.begin(x), patient=patient)
        steady = rounds.steady(found.x, found.spreads)
        limited = _limited(rounds, found, steady)
        asleep = ~found.settled & _idle(rounds.duty(x))
    _keep(chopped, found, at, ~limited & ~asleep)
    chopped.method[at[limited]] = LIMITED
    chopped.shares[:, at] = steady.orbit.moments[0]


def _keep(chopped: Chopped, found: Found, at: Index, keep: NDArray[np.bool_] | None = None) -> None:
    """Put what was found for samples `at` into a batch; where `keep` is false the averaged point stays."""
    keep = np.ones(at.size, bool) if keep is None else keep
    final, put, seen = chopped.solution, at[keep], np.flatnonzero(keep | found.settled)
    final.x[:, put], final.accepted[put] = found.x[:, keep], found.settled[keep]
    final.residual[put], final.correction[put] = found.solution.residual[keep], found.solution.correction[keep]
    final.iterations[put] += found.rounds[keep]
    chopped.laws.shift[:, put] = found.shift[:, keep]
    for whole, part in zip(chopped.spreads, found.spreads, strict=True):
        put_spread(whole, at[seen], part.take(seen))
    chopped.method[put] = np.where(found.settled[keep], PERIODIC, AVERAGED)


def _idle(duty: Array) -> NDArray[np.bool_]:
    """Say where the stage does not switch within the period: asleep, off, or on all the time."""
    return np.asarray((duty <= _NEVER) | (duty >= 1 - _NEVER))


def _limited(rounds: Rounds, found: Found, steady: Steady) -> NDArray[np.bool_]:
    """Say where the stage's current passes its limit somewhere in the period."""
    switching = rounds.switching
    current = flow_outputs(switching, rounds.modes, steady.lines, switching.element, switching.modes.through)
    waves = steady.orbit.waves(current)
    return np.asarray(found.settled & (np.maximum(waves.high, -waves.low)[0] > rounds.strongest))
