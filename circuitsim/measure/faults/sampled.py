"""One fault on very many vehicles: what readings show, values alone.

Every vehicle starts from the solved point of the nearest severity on a nominal vehicle (`Anchored`), and all voltmeters of one
state of the circuit are on at once: a microsecond or two a vehicle with the compiled engine.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.anchored import Anchored
from circuitsim.engine.operating import Solved
from circuitsim.engine.periodic import chop
from circuitsim.engine.periodic_points import points_of
from circuitsim.errors import InputError
from circuitsim.measure.faults.bench import FaultBench, Rack, overloaded_fuses
from circuitsim.measure.faults.finding import PossibleFault
from circuitsim.measure.faults.kinds import OPEN
from circuitsim.measure.faults.straying import StrayingAlike

__all__ = ["FaultSampler"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Columns = dict[tuple[str, str], Array]
_ANCHORS = 33


class FaultSampler:
    """One fault (None: healthy) of a bench's circuit, made ready for many vehicles.

    Parameters
    ----------
    bench
        Circuit, faults and readings: voltmeter and clamp, just switched on or warm.
    fault
        Which.

    Raises
    ------
    InputError
        For readings of other instruments, or after a time on.
    """

    def __init__(self, bench: FaultBench, fault: PossibleFault | None) -> None:
        self.bench, self.fault = bench, fault
        columns = {name: k for k, name in enumerate(bench.what)}
        self._points = []
        for rack in bench.racks:
            where = np.array([columns[n.name] for n in rack.numbers], dtype=np.intp)
            for point in range(len(rack.points)):
                members = [k for k in rack.members if rack.point_of[k] == point]
                self._points.append(_Point(bench, rack, point, members, fault, where))

    def show(self, share: Array, strays: Array, *, general: bool = True) -> Array:
        """Give what the readings show on many vehicles.

        Parameters
        ----------
        share
            Share of the fault's plausible range on every vehicle, (vehicles,), in rising order; no matter for a fault without.
        strays
            As of `FaultBench.show`.
        general
            Whether the few that the fast program leaves are solved the general way, which takes much longer.

        Returns
        -------
        array
            (vehicles, readings), NaN where there is no point, or none was looked for.
        """
        out = np.full((len(strays), len(self.bench.tasks)), np.nan)
        opened: set[tuple[int, str]] = set()
        for point in self._points:
            out[:, point.members], overloaded = point.show(share, strays, general)
            opened |= overloaded if self.fault else set()
        for point in self._points if opened else ():  # a fuse that was overloaded is open in all readings
            rows, values = point.again(share, strays, opened)
            out[np.ix_(rows, point.members)] = values
        return out


class _Point:
    """One state of the circuit, with all voltmeters on that some readings need."""

    def __init__(
        self, bench: FaultBench, rack: Rack, point: int, members: Sequence[int], fault: PossibleFault | None, where: Index
    ) -> None:
        self.bench, self.rack, self.point, self.members = bench, rack, point, list(members)
        self.fault, self._where = fault, where
        tasks = [rack.batch.tasks[rack.place[k]] for k in members]
        if any(t.instrument not in ("voltmeter", "clamp") for t in tasks) or not isinstance(rack.batch.since, str):
            raise InputError("only voltmeter and clamp can be sampled, just switched on or warm", key="readings")
        places = [point, *(rack.place[k] for k in members)]
        self.on = {key: v[places].max() for key, v in rack.healthy.items() if np.ptp(v[places]) > 0}
        self._step = rack.batch.tasks[point].step
        self._healthy = {key: float(v[point]) for key, v in rack.healthy.items()}
        self._straying = StrayingAlike(rack.batch, rack.numbers, self._healthy, self._step)
        self._count = _ANCHORS if fault is not None and fault.graded else 1
        nominal = self._columns((np.arange(self._count) + 0.5) / self._count, np.zeros((self._count, where.size)))
        self.ambient, self.frozen = float(rack.batch.ambient[point]), rack.batch.since == "cold"
        self._anchored = Anchored(rack.batch.compiled, nominal, self._count, ambient=self.ambient, frozen=self.frozen)

    def show(self, share: Array, strays: Array, general: bool) -> tuple[Array, set[tuple[int, str]]]:
        """Give what is shown, (vehicles, members), and the fuses that are overloaded: number of the vehicle, and name."""
        count = self._count
        labels = np.minimum((share * count).astype(np.intp), count - 1) if count > 1 else np.zeros(len(strays), np.intp)
        solved = self._anchored.solve(labels, self._columns(share, strays[:, self._where]), general=general)
        return self._read(solved), overloaded_fuses(solved)

    def again(self, share: Array, strays: Array, opened: set[tuple[int, str]]) -> tuple[list[int], Array]:
        """Solve the vehicles that have lost fuses anew: their numbers, and what is shown."""
        rows = sorted({row for row, _ in opened})
        place = {row: j for j, row in enumerate(rows)}
        values = self._columns(share[rows], strays[rows][:, self._where])
        for row, name in opened:
            own = self.bench.tapped.net.elements[name].values["resistance"]
            values.setdefault((name, "resistance"), np.full(len(rows), own))[place[row]] = OPEN
        compiled = self.rack.batch.compiled
        solved = compiled.solve(values, ambient=self.ambient, frozen=self.frozen, size=len(rows))
        return rows, self._read(solved)

    def _columns(self, share: Array, strays: Array) -> Columns:
        fault, size = self.fault, len(strays)
        values = {key: np.full(size, v) for key, v in self._healthy.items()} | self._straying.moved(strays)
        elements = self.rack.batch.bench.net.elements
        if fault is not None:
            severity = np.asarray(fault.at(share)) if fault.graded else np.full(size, np.nan)
            for change in fault.effect.changes:
                if change.key[0] in elements and change.step in (None, self._step):
                    own = values[change.key] if change.key in values else elements[change.key[0]].values[change.key[1]]
                    values[change.key] = np.broadcast_to(change.applied(own, severity), size).copy()
            for tap, name in zip(fault.effect.taps, self.bench.paths.get(fault.name, ()), strict=True):
                values[name, "conductance"] = np.broadcast_to(1 / np.asarray(tap.ohms(severity)), size).copy()
        return values | {key: np.full(size, v) for key, v in self.on.items()}

    def _read(self, solved: Solved) -> Array:
        points = points_of(chop(solved, waves=False))
        index, ground = solved.system.index, self.rack.batch.bench.net.ground
        shown = []
        for k in self.members:
            task, leads = self.rack.batch.tasks[self.rack.place[k]], self.rack.batch.leads[self.rack.place[k]]
            red, black = (index[at] for at in leads or (ground, ground))
            shown.append(points.outputs(task.at)["current"] if task.at else points.solved.x[red] - points.solved.x[black])
        return np.where(points.accepted[:, None], np.array(shown).T, np.nan)
