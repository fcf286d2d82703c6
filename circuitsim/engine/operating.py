"""The operating point: the state reached from rest at ambient, for a batch, with the fallbacks when Newton alone fails.

Order of attack, each for the samples that the one before left: (1) electrical and shaft at frozen heat, then all
together; (2) the same with widths narrowed step by step and the pivoted dense path; (3) the physical settling from
rest, by implicit Euler with growing time steps, which also takes over where Newton ended at an unstable point. Nothing
is accepted but by the rule in `newton`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.cold import ColdEvaluator
from circuitsim.engine.elimination import Plan
from circuitsim.engine.matching import matched, rematched
from circuitsim.engine.newton import Solution, newton, one_step
from circuitsim.engine.settling import settle
from circuitsim.engine.sparse import SPARSE_FROM, SparsePlan
from circuitsim.engine.stability import unstable
from circuitsim.engine.system import Evaluator, System, Values
from circuitsim.errors import InputError, shown
from circuitsim.network import Netlist, collector_paused

__all__ = ["Compiled", "Solved", "compile_netlist"]

Array = NDArray[np.float64]
_CHUNK = 4096
_WIDTHS = (64.0, 16.0, 4.0, 1.0)


@dataclass
class Compiled:
    """A netlist made ready: index arrays and one elimination plan for each way of solving."""

    system: System
    _plans: dict[bool, Plan] = field(default_factory=dict)

    def plan(self, frozen: bool) -> Plan:
        """Give the elimination plan, with the temperatures free or frozen."""
        frozen = frozen or not self.system.thermal.any()  # the same
        if frozen not in self._plans:
            free = ~self.system.thermal if frozen else np.ones(self.system.thermal.size, bool)
            kind = SparsePlan if np.count_nonzero(free) >= SPARSE_FROM else Plan
            given = np.zeros(len(self.system.given), bool)
            self._plans[frozen] = kind(self.system, np.concatenate([free, given]))
        return self._plans[frozen]

    def solve(
        self, values: Values | None = None, *, ambient: float | Array = 20.0, frozen: bool = False,
        size: int | None = None, start: Array | None = None, smooth: float = 1.0, patient: bool = True,
    ) -> Solved:  # fmt: skip
        """Solve a batch.

        Parameters
        ----------
        values : mapping
            Replacements (element, parameter) → SI value or array of one a sample.
        ambient : float or array
            Temperature of the surroundings, °C.
        frozen : bool
            Keep all bodies at ambient: the state right after switching on (electrical and shaft settled).
        size : int
            Number of samples; by default the length of the longest array.
        start : array
            Where to start instead of at rest, (rows of x, batch).
        smooth : float
            Factor on all smoothing widths; 1 for readings.
        patient : bool
            Follow the time from rest where all else fails (up to half a minute a sample); else such samples are not accepted.

        Returns
        -------
        Solved
            Whether accepted or not; nothing is raised for a sample that is not.
        """
        values = values or {}
        lengths = [np.size(v) for v in values.values()] + [np.size(ambient)]
        size = max(lengths) if size is None else size
        air = _air(ambient, size)
        first = self.system.rest(air) if start is None else start
        laws = matched(Evaluator.of(self.system, values, size).smoothed(smooth), first)
        parts, methods = [], []
        chunk = 1 if isinstance(self.plan(frozen), SparsePlan) else _CHUNK
        for k in range(0, size, chunk):
            piece = slice(k, min(k + chunk, size))
            solution, method = self._attack(laws.take(piece), first[:, piece], frozen, patient=patient)
            parts.append(solution)
            methods.append(method)
        solved = Solved(self, laws, frozen, _joined(parts), np.concatenate(methods))
        if start is None:
            self._refuse_unstable(solved, first, patient=patient)
        return solved.rematched()

    def _refuse_unstable(self, solved: Solved, start: Array, *, patient: bool = True) -> None:
        """Follow the time from rest where Newton ended at a point that a disturbance would leave."""
        left = np.flatnonzero(solved.unstable)
        if left.size and not patient:
            solved.solution.accepted[left] = False
            del solved.unstable
        elif left.size:
            again = self._settling(solved.laws.take(left), start[:, left], solved.frozen)
            solved.solution.put(left, again)
            solved.method[left] = 2
            del solved.unstable  # to be found anew

    def attack(self, laws: Evaluator, ambient: float | Array, frozen: bool) -> tuple[Solution, NDArray[np.int64]]:
        """Solve for laws made before, from rest; give the solution and the method of each sample."""
        first = self.system.rest(_air(ambient, laws.size))
        solved = Solved(self, laws, frozen, *self._attack(laws, first, frozen))
        self._refuse_unstable(solved, first)
        return solved.solution, solved.method

    def _attack(
        self, laws: Evaluator, start: Array, frozen: bool, *, patient: bool = True
    ) -> tuple[Solution, NDArray[np.int64]]:
        solution = self._direct(laws, start, frozen)
        method = np.zeros(laws.size, np.int64)
        for number, attack in enumerate((self._narrowing, self._settling)[: 1 + patient], start=1):
            left = np.flatnonzero(~solution.accepted)
            if not left.size:
                break
            solution.put(left, attack(laws.take(left), start[:, left], frozen))
            method[left] = number
        return solution, method

    def _direct(self, laws: Evaluator, start: Array, frozen: bool) -> Solution:
        plan = self.plan(True)
        cold = one_step(plan, laws, start) if isinstance(plan, SparsePlan) else None
        cold = newton(plan, ColdEvaluator.at(laws, start), start, limit=40) if cold is None else cold
        return cold if self.plan(frozen) is self.plan(True) else self._then_heat(cold, laws, dense=False)

    def _then_heat(self, cold: Solution, laws: Evaluator, dense: bool) -> Solution:
        warm = newton(self.plan(False), laws, cold.x, limit=40, dense=dense)
        warm.iterations += cold.iterations
        return warm

    def _narrowing(self, laws: Evaluator, start: Array, frozen: bool) -> Solution:
        x = start
        for width in _WIDTHS:
            cold = newton(self.plan(True), laws.smoothed(width * laws.smooth), x, limit=60, dense=True)
            x = cold.x
        return cold if self.plan(frozen) is self.plan(True) else self._then_heat(cold, laws, dense=True)

    def _settling(self, laws: Evaluator, start: Array, frozen: bool) -> Solution:
        plan = self.plan(frozen)
        settled = settle(plan, laws, start)
        found = newton(plan, laws, settled, limit=60, dense=True)
        found.x[:, ~found.accepted] = settled[:, ~found.accepted]
        return found


def _air(ambient: float | Array, size: int) -> Array:
    """Give the ambient temperature of each sample; InputError for what can't be one."""
    try:
        air = np.asarray(ambient, dtype=float)
    except (TypeError, ValueError):
        raise InputError(f"ambient {shown(ambient)} is no number of °C", key="ambient") from None
    if air.ndim > 1 or air.size not in (1, size):
        raise InputError(f"ambient: {air.size} values for {size} samples", key="ambient")
    if not (np.isfinite(air).all() and (air > -200.0).all() and (air < 1000.0).all()):
        raise InputError("ambient must be from -200 to 1000 °C", key="ambient")
    return np.broadcast_to(air, (size,)).copy()


def _joined(parts: list[Solution]) -> Solution:
    if len(parts) == 1:
        return parts[0]
    return Solution(
        np.concatenate([p.x for p in parts], axis=1),
        np.concatenate([p.residual for p in parts]),
        np.concatenate([p.correction for p in parts]),
        np.concatenate([p.iterations for p in parts]),
        np.concatenate([p.accepted for p in parts]),
    )


@dataclass
class Solved:
    """A solved batch with all that it came from.

    method: 0 direct, 1 narrowing, 2 settling, 3 predicted, one a sample.
    """

    compiled: Compiled
    laws: Evaluator
    frozen: bool
    solution: Solution
    method: NDArray[np.int64]

    @cached_property
    def unstable(self) -> NDArray[np.bool_]:
        """At which accepted points a disturbance would grow."""
        return unstable(self.compiled.plan(self.frozen), self.laws, self.solution)

    @property
    def stopped(self) -> dict[int, str] | None:
        """Why samples that were followed in time stopped on their way; None for what was solved at rest."""
        return None

    @property
    def heat(self) -> str:
        """How the bodies are, in words."""
        return "bodies still at ambient" if self.frozen else "heat settled"

    @property
    def system(self) -> System:
        """The system."""
        return self.compiled.system

    @property
    def x(self) -> Array:
        """Across values and unknowns, (rows, batch)."""
        return self.solution.x

    @property
    def size(self) -> int:
        """Number of samples."""
        return self.laws.size

    def rematched(self) -> Solved:
        """Give it with the resistances that its elements see at its points (see `matching`); itself where none asks."""
        laws = rematched(self.compiled.plan(self.frozen), self.laws, self.solution)
        return self if laws is self.laws else Solved(self.compiled, laws, self.frozen, self.solution, self.method)

    def take(self, chosen: NDArray[np.intp]) -> Solved:
        """Give some of the samples, in the order asked for."""
        s = self.solution
        some = Solution(s.x[:, chosen], s.residual[chosen], s.correction[chosen], s.iterations[chosen], s.accepted[chosen])
        taken = Solved(self.compiled, self.laws.take(chosen), self.frozen, some, self.method[chosen])
        if "unstable" in self.__dict__:  # found already
            taken.__dict__["unstable"] = self.unstable[chosen]
        return taken


def compile_netlist(net: Netlist) -> Compiled:
    """Make a netlist ready for solving; the netlist is copied, later changes to it do not count."""
    with collector_paused():
        return Compiled(System(net.copy()))
