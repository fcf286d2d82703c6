"""The state of a batch of circuits at a time after key-on: temperatures on their way, all else following them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.following import RELATIVE, Follower
from circuitsim.engine.landing import Landing, land
from circuitsim.engine.matching import matched
from circuitsim.engine.operating import Compiled, Solved
from circuitsim.engine.stepping import StepPlan, make_step_plan
from circuitsim.engine.system import Evaluator, Values

__all__ = ["Reached", "reach", "step_plan"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass
class Reached(Solved):
    """Samples that were followed in time from rest at ambient.

    seconds: how long; run: how they came here; places: the sample of it that each was until the last step, in which light
    instruments are put on; landing: that step, of the samples that these were taken from, by `members`.
    """

    seconds: float
    run: Follower
    places: Index
    landing: Landing
    members: Index

    def __post_init__(self) -> None:
        """Ask nothing about stability: a state on its way is no point of rest."""
        self.__dict__["unstable"] = np.zeros(self.laws.size, bool)

    @property
    def stopped(self) -> dict[int, str]:
        """Why samples stopped on their way."""
        stops = self.run.stops
        return {k: stops[p].verdict for k, p in enumerate(self.places.tolist()) if p in stops}

    @property
    def heat(self) -> str:
        """How the bodies are, in words."""
        return f"followed in time from rest for {self.seconds:g} s"

    def take(self, chosen: NDArray[np.intp]) -> Reached:
        """Give some of the samples, in the order asked for."""
        some = super().take(chosen)
        return Reached(
            self.compiled, some.laws, self.frozen, some.solution, some.method, self.seconds, self.run, self.places[chosen],
            self.landing, self.members[chosen],
        )  # fmt: skip


def step_plan(compiled: Compiled) -> StepPlan:
    """Give the plan of a circuit's implicit steps, made once."""
    if "_step_plan" not in compiled.__dict__:
        compiled.__dict__["_step_plan"] = make_step_plan(compiled.system)
    plan: StepPlan = compiled.__dict__["_step_plan"]
    return plan


def reach(
    compiled: Compiled, values: Values, seconds: float, *, ambient: Array | float = 20.0, size: int = 1,
    relative: float = RELATIVE, keep: bool = False, late: Values | None = None,
) -> Reached:  # fmt: skip
    """Follow circuits from rest at ambient, switched on at time 0.

    Parameters
    ----------
    compiled, values, ambient, size
        As for `Compiled.solve`.
    seconds
        For how long, s.
    relative
        Allowed error of a step as a share of each value. With the default, temperatures end within 1 mK or 1e-6 of
        themselves (measured on every circuit of the package: within 0.01 mK).
    keep
        Keep the steps, for `slopes_at`.
    late
        Values that hold at the end alone: a meter that is put on then. Samples that differ in nothing else are followed
        as one.

    Returns
    -------
    Reached
        Where a law left its range on the way, the sample stands where it did.
    """
    system, late = compiled.system, late or {}
    air = np.broadcast_to(np.asarray(ambient, float), (size,))
    chosen, places = _different(values, air, size)
    rest = system.rest(air[chosen])
    # Matched once: what wires, joints and inputs are to a command line does not change on the way but by milliohms.
    laws = matched(Evaluator.of(system, _some(values, chosen, size), chosen.size), rest)
    run = Follower(step_plan(compiled), laws, rest, relative=relative, keep=keep)
    run.change(laws)
    run.to(seconds)
    at_end = matched(Evaluator.of(system, {**values, **late}, size), run.x, places)
    landing = land(run.plan, at_end, run.start[:, places], run.length[places], run.tolerance)
    found = landing.solution
    lost = [k for k, stop in run.stops.items() if stop.verdict == "unconverged"]
    found.accepted[np.isin(places, lost)] = False
    found.iterations[:] = run.attempts
    nobody = np.zeros(size, np.int64)
    return Reached(compiled, at_end, True, found, nobody, seconds, run, places, landing, np.arange(size))


def _different(values: Values, air: Array, size: int) -> tuple[Index, Index]:
    """Give one sample of each kind, and the kind of each sample."""
    rows = [np.broadcast_to(np.asarray(v, float), (size,)) for v in (*values.values(), air)]
    _, chosen, places = np.unique(np.stack(rows), axis=1, return_index=True, return_inverse=True)
    return chosen, places.reshape(-1)


def _some(values: Values, chosen: Index, size: int) -> Values:
    """Give the values of some samples."""
    return {key: np.broadcast_to(np.asarray(v, float), (size,))[chosen] if np.size(v) > 1 else v for key, v in values.items()}
