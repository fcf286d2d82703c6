"""Room for what a circuit's file leaves out: a load on the feed, wider tolerances, volts and amperes that nothing explains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from circuitsim.measure.faults import Fault
from circuitsim.measure.faults.bench import FaultBench, Readout

__all__ = ["SHARP", "Allowance", "Bench", "LooseBench"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Allowance:
    """How much room is given.

    chance: beforehand, that so much is needed; tolerances: factor on the standard deviations of numbers; joints: the same for
    those that scatter by factors (of these a large one is a fault); volts, amperes: standard deviation of each reading, by
    itself; load: whether there may be a load on the motor's feed that is in no file.
    """

    chance: float = 1.0
    tolerances: float = 1.0
    joints: float = 1.0
    volts: float = 0.0
    amperes: float = 0.0
    load: bool = False

    @property
    def none(self) -> bool:
        """Whether it is no room at all."""
        return self == replace(SHARP, chance=self.chance)

    def of(self, unit: str) -> float:
        """Standard deviation of a reading in some unit."""
        return {"V": self.volts, "A": self.amperes}.get(unit, 0.0)

    def factors(self, bench: FaultBench) -> Array:
        """Factor on the standard deviation of each uncertain number of a bench, (numbers,)."""
        known = [self.joints if t.kind == "lognormal" else self.tolerances for t in bench.tolerances]
        return np.where(bench.filed, known, float(self.load))


SHARP = Allowance()
"""No room at all."""


class Bench(Protocol):
    """Where vehicles are solved (see `FaultBench`)."""

    @property
    def what(self) -> tuple[str, ...]:
        """Names of the uncertain numbers."""

    def show(
        self, vehicles: Sequence[Sequence[Fault]], readings: Sequence[int] | None = None, strays: Array | None = None, *,
        patient: bool = True,
    ) -> Readout:  # fmt: skip
        """Give what readings show with the faults of each vehicle."""


class LooseBench:
    """A bench whose numbers stray by wider standard deviations; slopes and strays count in these."""

    def __init__(self, bench: FaultBench, factors: Array) -> None:
        self.bench, self.factors, self.what = bench, factors, bench.what
        # What puts slopes back to the tolerances of the file: a load that is not in it has none.
        self._filed = np.where(bench.filed, 1 / np.where(bench.filed, factors, 1.0), 0.0)

    def by_file(self, spread: Array) -> Array:
        """Put slopes, (…, numbers), back to the tolerances of the circuit's file alone."""
        return np.asarray(spread * self._filed)

    def show(
        self, vehicles: Sequence[Sequence[Fault]], readings: Sequence[int] | None = None, strays: Array | None = None, *,
        patient: bool = True,
    ) -> Readout:  # fmt: skip
        """Give what readings show with the faults of each vehicle."""
        shown = self.bench.show(vehicles, readings, None if strays is None else strays * self.factors, patient=patient)
        return replace(shown, spread=shown.spread * self.factors)
