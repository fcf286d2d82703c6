"""Points of a chopped circuit: averages like those of any point, and the waveforms behind them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Domain
from circuitsim.engine.operating import Compiled, Solved
from circuitsim.engine.periodic import LIMITED, PERIODIC, Chopped, Steady, chop
from circuitsim.engine.points import Points
from circuitsim.engine.probing import (
    element_outputs,
    flow_outputs,
    mean_flows,
    mean_outputs,
    voltage_outputs,
)
from circuitsim.engine.system import Values
from circuitsim.engine.waveforms import Outputs, Waves
from circuitsim.errors import InputError, UnknownNameError

__all__ = ["Mark", "PeriodicPoints", "Wave", "periodic_points", "points_of"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Mark:
    """A stretch of a period in one mode: its name, and start and end in seconds after switch-on."""

    mode: str
    start: float
    end: float


@dataclass(frozen=True)
class Wave:
    """What one probe sees over a period, one entry a sample; NaN where there is no waveform.

    average, rms (alternating and direct together), low, high: in the probe's unit, exact over the period.
    """

    average: Array
    rms: Array
    low: Array
    high: Array
    unit: str
    _steady: Steady
    _outputs: Outputs
    _there: NDArray[np.bool_]

    @property
    def ripple(self) -> Array:
        """RMS of the alternating part alone."""
        return np.sqrt(np.maximum(self.rms**2 - self.average**2, 0.0))

    def trace(self, times: Array) -> Array:
        """Values at times in seconds after switch-on, of any period: times (k,) or (k, batch); gives (k, batch)."""
        return np.where(self._there, self._steady.orbit.at(times, self._outputs)[:, 0], np.nan)


class PeriodicPoints(Points):
    """A solved batch of a chopped circuit: every answer of `Points` is the average over a period.

    Attributes
    ----------
    periodic : array of bool
        Where there is a waveform. Elsewhere the point is the averaged law's, or not accepted.
    limited : array of bool
        Where it is the averaged law's because the stage's current limit acts: what chops there is not known.
    level : array of bool
        Where it is the averaged law's because the stage does not switch: all is level.
    """

    solved: Chopped

    def __init__(self, solved: Chopped) -> None:
        super().__init__(solved)
        self.periodic = (solved.method == PERIODIC) & self.accepted
        self.limited = (solved.method == LIMITED) & self.accepted
        self.level = self.accepted & ~self.periodic & ~self.limited
        self._known: dict[tuple[str, str], dict[str, Array]] = {}

    @property
    def period(self) -> Array:
        """Length of a period, s."""
        return np.where(self.periodic, self.solved.steady.orbit.period, np.nan)

    @property
    def duty(self) -> Array:
        """Share of the period for which the switch is on."""
        return np.where(self.periodic, self.solved.steady.duty, np.nan)

    def shares(self) -> dict[str, Array]:
        """Share of the period spent in each mode of the switching element."""
        names, share = self.solved.switching.names, self.solved.shares
        return {name: np.where(self.periodic, share[m], np.nan) for m, name in enumerate(names)}

    def marks(self, sample: int) -> tuple[Mark, ...]:
        """Give the stretches of one sample's period, in order; none where there is no waveform."""
        if not self.periodic[sample]:
            return ()
        names = self.solved.switching.names
        return tuple(Mark(names[m], start, end) for m, start, end in self.solved.steady.orbit.marks(sample))

    def voltages(self, red: str, black: str | None = None) -> Wave:
        """Give what a probe from `red` to `black` (ground unless given) sees, V."""
        black = self.system.net.ground if black is None else black
        rows = [np.array([self.system.index[self._electrical(n)]], np.intp) for n in (red, black)]
        return self._wave(voltage_outputs(self.solved.steady.lines, *rows), "V")

    def currents(self, element: str) -> Wave:
        """Give the current through an element from its first end to its second, A."""
        if element not in self.system.place:
            self.system.net.element(element)
            raise InputError(f"{element} is a dead short here: it has no waveform of its own", key=element)
        steady, laws = self.solved.steady, self.solved.mode_laws
        return self._wave(element_outputs(self.solved.switching, laws, steady.lines, element, "current"), "A")

    def currents_into(self, element: str, terminal: str) -> Wave:
        """Give the current into an element at one of its terminals, A."""
        e = self.system.net.element(element)
        names = [t.name for t in e.terminals if t.domain is Domain.ELECTRICAL]
        if terminal not in names:
            raise UnknownNameError(f"electrical terminal of {element}", terminal, names)
        steady, laws = self.solved.steady, self.solved.mode_laws
        return self._wave(flow_outputs(self.solved.switching, laws, steady.lines, element, terminal), "A")

    def _electrical(self, node: str) -> str:
        self._row(node, Domain.ELECTRICAL)
        return node if node in self.system.domains else self.system.net.node(node)

    def _wave(self, outputs: Outputs, unit: str) -> Wave:
        waves: Waves = self.solved.steady.orbit.waves(outputs)
        average, rms, low, high = (
            np.where(self.periodic, w[0], np.nan) for w in (waves.mean, waves.rms, waves.low, waves.high)
        )
        return Wave(average, rms, low, high, unit, self.solved.steady, outputs, self.periodic)

    def outputs(self, element: str) -> dict[str, Array]:
        """Give all outputs of an element, each as its average over the period."""
        if ("outputs", element) not in self._known:
            self._known["outputs", element] = self._mixed(super().outputs(element), "outputs", element)
        return self._known["outputs", element]

    def flows(self, element: str) -> dict[str, Array]:
        """Give the average through variables into an element at all its terminals."""
        return self._mixed(super().flows(element), "flows", element)

    def _mixed(self, plain: dict[str, Array], what: str, element: str) -> dict[str, Array]:
        """Put averages over the period where there is a waveform; what only the averaged law has stays."""
        if element not in self.system.place or not self.periodic.any():
            return plain
        look, at, solved = {"outputs": mean_outputs, "flows": mean_flows}[what], np.flatnonzero(self.periodic), self.solved
        laws, spreads = [law.take(at) for law in solved.mode_laws], [spread.take(at) for spread in solved.spreads]
        for name, found in look(solved.switching, laws, spreads, solved.shares[:, at], element).items():
            if name in plain:
                plain[name] = plain[name].copy()
                plain[name][at] = found
        return plain


def points_of(solved: Solved) -> Points:
    """Give the points of a solved batch: `PeriodicPoints` where it is a chopped circuit's."""
    return PeriodicPoints(solved) if isinstance(solved, Chopped) else Points(solved)


def periodic_points(compiled: Compiled, values: Values | None = None, **options: Any) -> Points:
    """Solve a batch, chopped circuits to their periodic steady state; see `Compiled.solve` for `values` and options."""
    return points_of(chop(compiled.solve(values, **options)))
