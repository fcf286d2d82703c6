"""Drawn vehicles on their benches: which points must be solved so that every reading of a chart can be taken.

A set of unplugged connectors, fitted things and perhaps a lamp is a netlist of its own. On it, one bare point (no meter)
for each step and position of the ignition serves all clamps and all voltmeters that hardly load the circuit; every other
reading has a point of its own with its instrument connected.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.anchored import Anchored
from circuitsim.engine.native import available
from circuitsim.engine.operating import Solved
from circuitsim.engine.periodic import chop
from circuitsim.engine.periodic_points import points_of
from circuitsim.engine.points import Points
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Measured, Meter, Stand, Task, by_stand
from circuitsim.measure.readings import shown_ohms
from circuitsim.studies.sampling import Key, Uncertain, corner

__all__ = ["Pick", "Rig", "make_rigs"]

Array = NDArray[np.float64]
LIGHT = 1e-3
"""A meter that moves the nominal reading by less than this share of its band's half width is left out: what it adds to
the nominal reading is added to all. More than that, and the vehicles are solved with the meter connected."""


@dataclass(frozen=True)
class Pick:
    """One reading to take off a rig: its row in the study, its point, and what to add to it."""

    row: int
    task: Task
    point: int
    shift: float


@dataclass(frozen=True)
class Rig:
    """One bench: its points, each a task of which only the instrument is connected, and the readings taken there.

    native: whether programs compiled by llvmlite are run. It is settled once for all who work on the study: their numbers
    and those of numpy differ by rounding.
    Picklable; what is compiled is made anew where it arrives.
    """

    circuit: Circuit
    meter: Meter
    setting: tuple[tuple[Key, float], ...]
    points: tuple[Task, ...]
    picks: tuple[Pick, ...]
    native: bool

    def __getstate__(self) -> dict[str, Any]:
        return {f.name: getattr(self, f.name) for f in fields(self)}

    @cached_property
    def stand(self) -> Stand:
        """The bench with the instruments of the points on it."""
        return Stand(self.circuit, self.points, self.meter, dict(self.setting))

    @cached_property
    def anchored(self) -> Anchored:
        """The solver about the nominal vehicle at each point."""
        return Anchored(
            self.stand.compiled, self.values, len(self.points), ambient=self.ambient, frozen=self.frozen, native=self.native
        )  # fmt: skip

    @cached_property
    def values(self) -> dict[Key, Any]:
        """Parameters of the nominal vehicle, one entry a point where they vary."""
        return self.stand.values()

    @property
    def ambient(self) -> float:
        """Temperature around, °C."""
        return self.points[0].conditions.ambient

    @property
    def frozen(self) -> bool:
        """Whether bodies are still at ambient."""
        return self.points[0].conditions.since == "cold"

    def solve(self, numbers: Sequence[Uncertain], standard: Array, out: Array) -> int:
        """Take all readings of some vehicles.

        Parameters
        ----------
        numbers
            What is uncertain.
        standard
            Standardised deviates of the vehicles, (numbers, vehicles).
        out
            Filled at the rows of the picks, (rows, vehicles); NaN where the point is no reading.

        Returns
        -------
        int
            Points (vehicle × point) that are no reading.
        """
        refused = 0
        for point in range(len(self.points)):
            labels = np.full(standard.shape[1], point)
            points = _points(self.anchored.solve(labels, self._drawn(numbers, standard, point)))
            refused += int((~points.sound).sum())
            for pick in self.picks:
                if pick.point == point:
                    shown = self._shown(points, pick.task) + pick.shift
                    out[pick.row] = np.where(points.sound, shown, np.nan)
        return refused

    def _drawn(self, numbers: Sequence[Uncertain], standard: Array, point: int) -> dict[Key, Any]:
        """Give the parameters of the vehicles at a point; the same ones have a column at every point."""
        values: dict[Key, Any] = {k: np.ravel(v)[0] for k, v in self.values.items()}
        for key, v in self.values.items():
            if np.ptp(v) > 0:  # differs from point to point
                values[key] = np.full(standard.shape[1], v[point])
        for number, z in zip(numbers, standard, strict=True):
            if number.key[0] not in self.stand.bench.net.elements:
                continue
            if number.step in (None, self._step(point)):
                values[number.key] = number.at(z)
            elif np.ndim(values[number.key]) == 0:
                values[number.key] = np.full(standard.shape[1], values[number.key])
        return values

    def _step(self, point: int) -> int:
        return self.circuit.step_index(self.points[point].step)

    def _shown(self, points: Points, task: Task) -> Array:
        """Give what the instrument of a reading shows at every sample."""
        if task.instrument == "clamp":
            return points.current(task.at)
        red, black = self.circuit.node(task.red), self.circuit.node(task.black)
        if task.instrument == "lamp":
            return points.output(self.stand.instruments["lamp", red, black], "power share")
        volts = points.voltage(red, black)
        return shown_ohms(volts)[0] if task.instrument == "ohmmeter" else volts

    def corners(self, numbers: Sequence[Uncertain], nominal: Sequence[Measured]) -> dict[int, tuple[float, float]]:
        """Solve each reading with every number at the end of its range that lowers, or raises, it to first order.

        Returns row → (low, high); NaN where that point is no reading.
        """
        place = np.repeat([pick.point for pick in self.picks], 2)
        values: dict[Key, Any] = {k: v[place] if np.ndim(v) else v for k, v in self.values.items()}
        for k, pick in enumerate(self.picks):
            slopes = {c.what: c.slope for c in nominal[pick.row].contributions}
            for number in numbers:
                sign = float(np.sign(slopes.get(".".join(number.key), 0.0)))
                if sign and number.step in (None, self._step(pick.point)):
                    base = np.broadcast_to(values.get(number.key, number.nominal), place.shape)
                    values[number.key] = column = np.array(base, dtype=float)
                    column[2 * k], column[2 * k + 1] = corner(number, -sign), corner(number, sign)
        compiled = self.anchored.compiled
        points = _points(compiled.solve(values, ambient=self.ambient, frozen=self.frozen, size=place.size))
        found = {}
        for k, pick in enumerate(self.picks):
            pair = np.where(points.sound, self._shown(points, pick.task) + pick.shift, np.nan)[2 * k : 2 * k + 2]
            found[pick.row] = (float(pair[0]), float(pair[1]))
        return found


def make_rigs(
    circuit: Circuit, tasks: Sequence[Task], nominal: Sequence[Measured], halves: Sequence[float], meter: Meter,
    setting: dict[Key, float], native: bool | None = None,
) -> tuple[Rig, ...]:  # fmt: skip
    """Sort readings onto rigs.

    Parameters
    ----------
    circuit, tasks, meter, setting
        What is read, with what, and the parameters that a measured supply sets.
    nominal, halves
        Each reading of the nominal vehicle with its own meter on it, and the half width of its band.
    native
        Run compiled programs or numpy's; by default the former where llvmlite is installed here.
    """
    native = available() if native is None else native
    fixed = tuple(setting.items())
    rigs = []
    for members in by_stand(tasks):
        bare = list(dict.fromkeys(_bare(tasks[k]) for k in members if tasks[k].instrument in ("clamp", "voltmeter")))
        shown = _read_bare(Rig(circuit, meter, fixed, tuple(bare), (), native), [tasks[k] for k in members]) if bare else {}
        points: list[Task] = []
        picks = []
        for k in members:
            shift = nominal[k].expected - shown.get(tasks[k], float("nan"))
            light = tasks[k].instrument == "clamp" or abs(shift) <= LIGHT * halves[k]
            point = _bare(tasks[k]) if light else tasks[k]
            if point not in points:
                points.append(point)
            picks.append(Pick(k, tasks[k], points.index(point), shift if light and tasks[k].instrument != "clamp" else 0.0))
        rigs.append(Rig(circuit, meter, fixed, tuple(points), tuple(picks), native))
    return tuple(rigs)


def _points(solved: Solved) -> Points:
    """Give the points of a batch; those of a chopped circuit are averages of its periodic steady state."""
    return points_of(chop(solved, waves=False))


def _bare(task: Task) -> Task:
    """Give the point of a reading with nothing connected."""
    return Task(task.step, task.conditions, "nothing")


def _read_bare(rig: Rig, tasks: Sequence[Task]) -> dict[Task, float]:
    """Give what the voltage of each reading is with no meter on it; nothing for what is no reading or no voltage."""
    points = _points(rig.anchored.nominal)
    found = {}
    for task in tasks:
        if task.instrument == "voltmeter":
            k = rig.points.index(_bare(task))
            if points.sound[k]:
                found[task] = float(rig._shown(points, task)[k])
    return found
