"""What a person sees, hears and smells, as evidence: it costs nothing.

How fast the fan turns is judged by its speed against the healthy one; everything else by how often each kind of fault shows
it (`FaultKind.words`, assumed). People misjudge: no observation rules anything out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from circuitsim.library.circuit import Circuit
from circuitsim.measure import Conditions, Task
from circuitsim.measure.faults import PossibleFault
from circuitsim.studies.evidence import Observation

__all__ = ["Sightings"]

Array = NDArray[np.float64]
_BY_SPEED = ("off", "slow", "normal", "fast", "always full")
_BLUR = 0.08  # on the logarithm of the speed: what ears and eyes tell apart (assumed)
_APART = 0.15  # on the logarithm: from here a fan is slow, or fast (assumed)
_STANDS = 0.03  # share of the healthy speed
_FULL = 0.6  # share of the healthy top speed that people still call full
_WRONG = 0.03  # chance that a person says something else than what is there
_RARELY = 0.003  # the same for a fan that nothing switches down: that is not misjudged often
_UNTOLD = 0.03  # chance of a word that a kind of fault does not list
_AS_USUAL = {"surges": 0.005, "noisy": 0.02, "hot smell": 0.005, "plug melted": 0.003, "fuse open": 0.003}
_CERTAIN = 0.9  # chance of a word from which on it is what the fault is
_INTERMITTENT = ("surges", "starts when tapped")


class Sightings:
    """Observations, and the readings' columns in which the speeds behind them stand.

    Parameters
    ----------
    circuit, observations, conditions
        Of which, what was seen, and how everything else was.
    first
        Number of readings that stand before the tasks of `tasks` on the bench.
    """

    def __init__(self, circuit: Circuit, observations: Sequence[Observation], conditions: Conditions, first: int) -> None:
        self.observations = tuple(observations)
        self.steps = circuit.steps
        wanted: list[str] = []
        for seen in self.observations:
            if seen.word in _BY_SPEED:
                wanted += circuit.steps[1:] if not seen.step or seen.word == "always full" else [seen.step]
        self.places = {step: first + k for k, step in enumerate(dict.fromkeys(wanted))}
        self.tasks = [Task(step, conditions, "clamp", at=circuit.motor) for step in self.places]
        self.healthy: dict[str, float] = {}

    @property
    def intermittent(self) -> bool:
        """Whether something was seen that comes and goes."""
        return any(s.word in _INTERMITTENT and s.seen for s in self.observations)

    def know(self, speed: Array) -> None:
        """Take the speeds of the healthy vehicle, (readings and tasks,)."""
        self.healthy = {step: abs(float(speed[at])) for step, at in self.places.items()}

    def logs(self, speed: Array, blown: Sequence[tuple[str, ...]]) -> Array:
        """Give the logarithm of the chance of what was seen of speeds and fuses, for vehicles with these."""
        total = np.zeros(len(speed))
        for seen in self.observations:
            if seen.word in _BY_SPEED:
                chance = self._by_speed(seen, np.abs(speed))
            elif seen.word == "fuse open":
                chance = np.array([0.97 if b else _AS_USUAL["fuse open"] for b in blown])
            else:
                continue
            total += np.log(chance if seen.seen else 1 - chance)
        return total

    def _by_speed(self, seen: Observation, speed: Array) -> Array:
        """Give the chance of a word about the speed."""
        steps = [seen.step] if seen.step else list(self.steps[1:])
        if seen.word == "always full":
            low, top = (speed[:, self.places[step]] for step in (self.steps[1], self.steps[-1]))
            share = low / np.maximum(top, 1e-9)
            truth = np.where((share > 0.85) & (top > _FULL * self.healthy[self.steps[-1]]), 1.0, 0.0)
            return np.asarray(_RARELY + (1 - 2 * _RARELY) * truth)
        chances = [self._at_step(seen.word, step, speed[:, self.places[step]]) for step in steps]
        return np.asarray(np.max(chances, axis=0))

    def _at_step(self, word: str, step: str, speed: Array) -> Array:
        healthy = self.healthy[step]
        ratio = np.nan_to_num(speed) / max(healthy, 1e-9)
        stands = ratio < _STANDS if healthy > 1e-3 else speed < 1.0
        size = np.log(np.maximum(ratio, 1e-6)) if healthy > 1e-3 else np.where(stands, 0.0, 9.0)
        slow, fast = _step((-_APART - size) / _BLUR), _step((size - _APART) / _BLUR)
        if healthy <= 1e-3:  # a fan that should stand: 'off' and 'normal' are the same
            truth = {"off": stands * 1.0, "normal": stands * 1.0, "slow": 0.5 * ~stands, "fast": 1.0 * ~stands}[word]
        else:
            moving = 1.0 - stands
            truth = {
                "off": stands * 1.0, "slow": moving * slow, "fast": moving * fast, "normal": moving * (1 - slow) * (1 - fast),
            }[word]  # fmt: skip
        known = np.isfinite(speed)  # without a point nothing is known of its speed
        return np.where(known, _WRONG + (1 - 2 * _WRONG) * truth, 1 / 3)

    def words(self, fault: PossibleFault | None) -> float:
        """Give the logarithm of the chance of all other words with a kind of fault; None: healthy."""
        total = self.opened(fault)
        for seen in self.observations:
            if seen.word in _BY_SPEED or seen.word == "fuse open":
                continue
            chance = _AS_USUAL.get(seen.word, 0.005) if fault is None else fault.kind.words.get(seen.word, _UNTOLD)
            total += float(np.log(chance if seen.seen else 1 - chance))
        return total

    def opened(self, fault: PossibleFault | None) -> float:
        """Give the logarithm by which a fault that is an open fuse is likelier by that, or less likely, than `logs` has it.

        `logs` knows of fuses that too much current opens.
        """
        own, usual = fault.kind.words.get("fuse open", 0.0) if fault else 0.0, _AS_USUAL["fuse open"]
        told = [seen.seen for seen in self.observations if seen.word == "fuse open"] if own > _CERTAIN else []
        return float(sum(np.log(own / usual if yes else (1 - own) / (1 - usual)) for yes in told))

    def anything(self) -> float:
        """Logarithm of the chance of all that was seen, if it is something outside the library."""
        return float(len(self.observations) * np.log(0.2))


def _step(x: Array) -> Array:
    return np.asarray(1 / (1 + np.exp(-np.clip(1.702 * x, -700, 700))))
