"""A bad contact put into a circuit, and what the circuit does with it closed and open, at every speed of its motor.

A shaft keeps its speed over a short open: it follows the torque, over tenths of a second. Voltages and currents follow within
a millisecond or so (the winding's L/R), which is taken as at once. So the circuit is solved at held speeds, with the contact
closed and open, in one batch; what lies between is interpolated. Temperatures stay what they were with the contact closed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements import Contact, ProbeLamp, Voltmeter
from circuitsim.elements.base import Domain, Element
from circuitsim.elements.held import HeldShaft
from circuitsim.engine.operating import Compiled, compile_netlist
from circuitsim.engine.periodic import chop
from circuitsim.engine.periodic_points import points_of
from circuitsim.engine.points import Points
from circuitsim.engine.system import Values
from circuitsim.errors import InputError, SolveError, UnknownNameError
from circuitsim.library.circuit import Circuit
from circuitsim.measure.conditions import TEST_LAMP, Conditions, make_bench
from circuitsim.measure.meters import Meter
from circuitsim.measure.readings import Task, step_values
from circuitsim.measure.states import points_since
from circuitsim.studies.cautions import jumper_cautions

__all__ = ["OPEN", "States", "loosened", "sites", "states_by_step"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

OPEN = 1e9
"""Ohms of a contact that does not touch: a hundred times a meter's input."""
_TOUCHING = 1e-6  # Ω, on top of the contact's own
_KINDS = ("contact", "pin", "switch", "wire", "fuse", "thermal-cutout")
_LOOSE, _METER, _LAMP, _HOLDER = "loose-contact", "meter-at-probe", "lamp-at-probe", "shaft-holder"
_SPEEDS = 33
_BEYOND = 1.05  # times the fastest steady speed: no further does a shaft go


@dataclass(frozen=True)
class States:
    """A circuit at one step by the speed of its motor; first axis 0: contact closed, 1: contact open.

    speeds: rad/s, rising, (n,); reading: what is probed, with the meter on, (2, n); acceleration: of the shaft with the meter
    on, rad/s², (2, n); lamp: volts at a test lamp across the probe, (2, n), None for a clamp; through: current through the
    contact, A, (2, n); running: speed with the contact closed for good; verdict: of that point.
    """

    speeds: Array
    reading: Array
    acceleration: Array
    lamp: Array | None
    through: Array
    running: float
    verdict: str

    def reading_at(self, state: int, speed: float) -> float:
        """What is probed, with the contact closed (0) or open (1), at a speed."""
        return float(np.interp(speed, self.speeds, self.reading[state]))

    def through_at(self, state: int, speed: float) -> float:
        """Current through the contact, A."""
        return float(np.interp(speed, self.speeds, self.through[state]))


def sites(circuit: Circuit, conditions: Conditions) -> list[str]:
    """Name the places where a contact may be bad: joints, pins, switches, wires, fuses that are in the circuit."""
    gone = {pin for name in conditions.unplugged for pin in circuit.connector(name).pins}
    return [name for name, e in circuit.net.elements.items() if e.kind in _KINDS and name not in gone]


def loosened(circuit: Circuit, site: str, conditions: Conditions) -> Circuit:
    """Give the circuit with a contact in series with an element, at its second end; closed it is 1 µΩ.

    Raises UnknownNameError, with the nearest name, for a place that there is not.
    """
    known = sites(circuit, conditions)
    if site not in known:
        raise UnknownNameError(f"place for a bad contact in {circuit.name}", site, known, key="at")
    net = circuit.net.copy()
    element = net.elements[site]
    end = element.ends[1] if element.ends else ""
    node, between = element.nodes[end], f"{site}.loose"
    without = net.copy(without=[site])
    moved = element.copy()
    moved.nodes[end] = between
    without.add(moved)
    without.add(Contact(_LOOSE, between, node, resistance=_TOUCHING, coefficient=0.0))
    return replace(circuit, net=without)


def states_by_step(
    circuit: Circuit, site: str, ohms: float, conditions: Conditions, steps: Sequence[str], task: Task, meter: Meter,
    supply: Values,
) -> list[States]:  # fmt: skip
    """Solve a circuit with a bad contact, closed and open (`ohms`), at all speeds of its motor, for each step.

    Parameters
    ----------
    circuit, site, conditions, steps, supply
        The healthy circuit, where its bad contact is, and under which conditions it is.
    task
        What is probed: a voltmeter or clamp task of any step.
    meter
        Loads the circuit.

    Raises
    ------
    UnknownNameError
        No such place.
    SolveError
        The circuit with its contact closed has no operating point at a step.
    """
    return _Maker(loosened(circuit, site, conditions), site, ohms, conditions, task, meter, supply).states(steps)


class _Maker:
    def __init__(
        self, circuit: Circuit, site: str, ohms: float, conditions: Conditions, task: Task, meter: Meter, supply: Values
    ) -> None:
        self.circuit, self.site, self.ohms, self.conditions = circuit, site, ohms, conditions
        self.task, self.meter, self.supply = task, meter, supply
        self.shaft = circuit.net.elements[circuit.motor].nodes["shaft"]
        self.tools = self._tools()

    def _tools(self) -> list[Element]:
        if self.task.at:
            return []
        red, black = (self.circuit.node(name) for name in (self.task.red, self.task.black))
        volts = 12.0 if self.circuit.nominal < 18 else 24.0
        return [
            Voltmeter(_METER, red, black, conductance=0.0),
            ProbeLamp(_LAMP, red, black, power=TEST_LAMP["power"], voltage=volts),
        ]

    def _compiled(self, extra: Sequence[Element]) -> Compiled:
        net = make_bench(self.circuit, self.conditions.unplugged, self.conditions.fitted, extra).net
        if _HOLDER in net.elements:  # first, so that it is the holder's balance that is solved for the speed
            net.elements = {_HOLDER: net.elements.pop(_HOLDER), **net.elements}
        return compile_netlist(net)

    def states(self, steps: Sequence[str]) -> list[States]:
        """Give the states of each step."""
        settled = self._settled(steps)
        held = self._compiled([*self.tools, HeldShaft(_HOLDER, self.shaft)])
        grids = [self._grid(settled, k) for k in range(len(steps))]
        rows = [(k, lamp, state) for k in range(len(steps)) for lamp in self._loads() for state in (0, 1)]
        counts = [grids[k].size for k, _, _ in rows]
        values = self._values(
            [steps[k] for (k, _, _), n in zip(rows, counts, strict=True) for _ in range(n)],
            np.repeat([state for _, _, state in rows], counts), np.repeat([lamp for _, lamp, _ in rows], counts), held,
        )  # fmt: skip
        values[_HOLDER, "speed"] = np.concatenate([grids[k] for k, _, _ in rows])
        start = _warmed(settled, held, np.repeat([2 * k for k, _, _ in rows], counts))
        given: dict[str, Any] = {"ambient": self.conditions.ambient, "frozen": True, "start": start, "size": sum(counts)}
        averaged = held.solve(values, **given)
        with np.errstate(all="ignore"):  # at some speeds there is no periodic state, and it is looked for
            points = points_of(chop(averaged)), Points(averaged)
        slices = np.split(np.arange(sum(counts)), np.cumsum(counts)[:-1])
        found = {row: slices[j] for j, row in enumerate(rows)}
        return [self._one(points, settled, grids[k], found, k, step) for k, step in enumerate(steps)]

    def _loads(self) -> tuple[int, ...]:
        return (0, 1) if self.tools else (0,)

    def _values(self, steps: Sequence[str], state: Any, lamp: Any, compiled: Compiled) -> dict[tuple[str, str], Any]:
        given = {**step_values(self.circuit, [(s, self.conditions) for s in steps]), **self.supply}
        values = {key: v for key, v in given.items() if key[0] in compiled.system.net.elements}
        values[_LOOSE, "resistance"] = np.where(np.asarray(state) > 0, self.ohms, _TOUCHING)
        if self.tools:
            on = np.asarray(lamp) > 0
            values[_METER, "conductance"] = np.where(on, 0.0, 1 / self.meter.input_resistance)
            values[_LAMP, "connected"] = on.astype(float)
        return values

    def _settled(self, steps: Sequence[str]) -> Points:
        """Solve every step with the contact closed and open for good: samples 2k and 2k + 1."""
        compiled = self._compiled(self.tools)
        state = np.tile([0, 1], len(steps))
        values = self._values([s for s in steps for _ in (0, 1)], state, np.zeros(state.size), compiled)
        since, ambient = self.conditions.since, self.conditions.ambient
        points = points_since(compiled, values, since, ambient=ambient, size=state.size)
        for k, step in enumerate(steps):
            if not points.valid[2 * k]:
                raise self._lost(f"no reading at step {step} even with the contact closed: {points.verdicts[2 * k]}")
        return points

    def _lost(self, what: str) -> SolveError:
        """Make an error of what has no reading; a jumper that must not be fitted is to blame first."""
        circuit, condition = self.circuit.name, self.conditions.sentence()
        if wrong := " ".join(jumper_cautions(self.circuit, self.conditions)):
            return SolveError(what, circuit=circuit, condition=condition, cause="what is fitted", remedy=wrong)
        return SolveError(what, circuit=circuit, condition=condition)

    def _grid(self, settled: Points, step: int) -> Array:
        """Speeds from standing to past the fastest that the shaft settles at, the present one among them."""
        speeds = np.nan_to_num(settled.speed(self.shaft)[2 * step : 2 * step + 2])
        if not speeds.any():
            return np.zeros(1)
        ends = _BEYOND * min(float(speeds.min()), 0.0), _BEYOND * max(float(speeds.max()), 0.0)
        return np.unique([*np.linspace(*ends, _SPEEDS).tolist(), 0.0, float(speeds[0])])

    def _one(
        self, points: tuple[Points, Points], settled: Points, grid: Array, found: dict[Any, Any], k: int, step: str
    ) -> States:
        def table(look: Callable[[Points], Array], lamp: int = 0) -> Array:
            exact, averaged = (look(p) for p in points)
            pairs = ((exact[found[k, lamp, state]], averaged[found[k, lamp, state]]) for state in (0, 1))
            return np.stack([_filled(grid, *pair, step, self.circuit.name) for pair in pairs])

        clamp, lit = bool(self.task.at), bool(self.tools)
        return States(
            speeds=grid, reading=table((lambda p: p.current(self.task.at)) if clamp else self._volts),
            acceleration=table(lambda p: p.output(_HOLDER, "torque")) / self._inertia(),
            lamp=table(self._volts, 1) if lit else None, through=table(lambda p: p.current(_LOOSE)),
            running=float(settled.speed(self.shaft)[2 * k]), verdict=settled.verdicts[2 * k],
        )  # fmt: skip

    def _volts(self, points: Points) -> Array:
        return points.voltage(self.circuit.node(self.task.red), self.circuit.node(self.task.black))

    def _inertia(self) -> float:
        """Moment of inertia of all that is on the shaft, kg·m²."""
        on_it = (e for e in self.circuit.net.elements.values() if e.nodes.get("shaft") == self.shaft)
        total = sum(e.values.get("inertia", 0.0) for e in on_it)
        if not total > 0:
            raise InputError(f"nothing on the shaft {self.shaft} has an inertia", key="circuit")
        return float(total)


def _warmed(settled: Points, held: Compiled, sample: Index) -> Array:
    """Give where the system with the holder starts: at rest, with the temperatures of settled points."""
    new, old = held.system, settled.system
    start = np.zeros((len(new.index_rows), sample.size))
    for name, row in new.index.items():
        if new.domains.get(name) is Domain.THERMAL and name in old.index:
            start[row] = settled.solved.x[old.index[name], sample]
    return start


def _filled(grid: Array, exact: Array, averaged: Array, step: str, circuit: str) -> Array:
    """Fill speeds at which no point was accepted from their neighbours.

    Where a chopping stage has no periodic state at most speeds (its way for the freewheeling current is open, say), its
    averaged law must do. Raises SolveError when that has no point at most speeds either.
    """
    for values in (exact, averaged):
        good = np.isfinite(values)
        if good.sum() >= max(1, 0.6 * grid.size):
            return np.asarray(np.interp(grid, grid[good], values[good]))
    raise SolveError(f"no operating point at held speeds, step {step}", circuit=circuit)
