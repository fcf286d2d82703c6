"""Many faulty vehicles on one bench: what every reading shows with every fault at every severity, with its slopes.

A fault is a set of parameters and of paths that are there in every sample and carry nothing in most, so that all faults,
severities and readings of a circuit are samples of one batch. A point is solved once for each fault and state of the
circuit with no meter on it; a meter is put on to first order by the resistance that it sees (exact in a linear circuit,
Thevenin), and solved again where it moves its reading by more than a hundredth. A fuse that a fault overloads opens, and
stays open in all readings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.operating import Solved
from circuitsim.engine.periodic import chop
from circuitsim.engine.periodic_points import points_of
from circuitsim.engine.points import Points
from circuitsim.engine.sensitivity import Answer, adjoint, current_answer, sensitivities, voltage_answer
from circuitsim.engine.verdicts import breaches
from circuitsim.library.circuit import Circuit
from circuitsim.measure.faults.finding import Fault, PossibleFault
from circuitsim.measure.faults.kinds import OPEN, feed_of
from circuitsim.measure.faults.paths import UNKNOWN_LOAD, FaultPath, unknown_load
from circuitsim.measure.faults.straying import Number, Values, constant, factor_slopes
from circuitsim.measure.meters import Meter
from circuitsim.measure.readings import Task, shown_ohms
from circuitsim.measure.states import solved_since
from circuitsim.measure.supplies import fitted_supply
from circuitsim.measure.taking import Batch
from circuitsim.quantities import Tolerance

__all__ = ["FaultBench", "Rack", "Readout", "overloaded_fuses"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Key = tuple[str, str]
_CHUNK = 4096
_LOADS = 0.01  # share by which a meter may move its reading before it is solved with the meter on


@dataclass(frozen=True)
class Readout:
    """What readings show with faults.

    value: (faults, readings), SI, NaN where there is no point; spread: its slope against each uncertain number, in standard
    deviations of that number, (faults, readings, numbers); sound: whether the point is a reading; speed: of the motor at
    that reading's point, rad/s; blown: fuses that each fault has opened; what: names of the uncertain numbers.
    """

    value: Array
    spread: Array
    sound: NDArray[np.bool_]
    speed: Array
    blown: tuple[tuple[str, ...], ...]
    what: tuple[str, ...]


class FaultBench:
    """A circuit with all its possible faults, and some readings to be taken of it.

    Parameters
    ----------
    circuit
        The healthy circuit.
    tasks
        The readings; voltmeter, clamp, ohmmeter and lamp.
    meter
        What they are taken with.
    faults
        Every fault that is asked about, by SITE:KIND.
    unknown_load
        Standard deviation [W] of a load on the motor's feed that the file may have left out, one more uncertain number; none by
        default.
    """

    def __init__(
        self, circuit: Circuit, tasks: Sequence[Task], meter: Meter, faults: Mapping[str, PossibleFault],
        unknown_load: float = 0.0,
    ) -> None:  # fmt: skip
        self.circuit, self.tasks, self.meter, self.faults = circuit, tuple(tasks), meter, dict(faults)
        self.unknown_siemens = unknown_load / circuit.nominal**2
        self.paths: dict[str, list[str]] = {}
        self.tapped = self._with_paths()
        states: dict[object, list[int]] = {}
        for k, task in enumerate(self.tasks):
            states.setdefault((task.conditions.fitted, task.conditions.since), []).append(k)
        self.racks = [Rack(self, members) for members in states.values()]

    def _with_paths(self) -> Circuit:
        net = self.circuit.net.copy()
        made: dict[tuple[str, str], str] = {}
        for name, fault in self.faults.items():
            for tap in fault.effect.taps:
                ends = (tap.red, tap.black)
                if ends not in made:
                    made[ends] = f"fault-path-{len(made) + 1}"
                    net.add(FaultPath(made[ends], *ends, conductance=0.0))
                self.paths.setdefault(name, []).append(made[ends])
        if self.unknown_siemens:
            net.add(unknown_load(feed_of(self.circuit), net.ground, self.unknown_siemens))
        return replace(self.circuit, net=net)

    @cached_property
    def what(self) -> tuple[str, ...]:
        """Names of the uncertain numbers, in the order of `Readout.spread`."""
        return tuple(dict.fromkeys(n.name for rack in self.racks for n in rack.numbers))

    @cached_property
    def filed(self) -> NDArray[np.bool_]:
        """Which of the uncertain numbers are in the circuit's file, (numbers,)."""
        return np.array([not name.startswith(UNKNOWN_LOAD) for name in self.what], bool)

    @cached_property
    def tolerances(self) -> tuple[Tolerance, ...]:
        """Tolerance of each uncertain number."""
        found: dict[str, Tolerance] = {}
        for rack in self.racks:
            for n in rack.numbers:
                found.setdefault(n.name, rack.tolerance(n) or Tolerance("uniform", 0.0))
        return tuple(found[name] for name in self.what)

    def show(
        self, vehicles: Sequence[Sequence[Fault]], readings: Sequence[int] | None = None, strays: Array | None = None, *,
        patient: bool = True,
    ) -> Readout:  # fmt: skip
        """Give what readings show with the faults of each vehicle (none: healthy).

        Parameters
        ----------
        vehicles
            Faults of each.
        readings
            Which of the tasks, by number; all by default.
        strays
            How far each vehicle's numbers stray from the nominal ones, in standard deviations in the order of `what` (of the
            logarithm, where a tolerance is a factor), (vehicles, numbers). Slopes are then those at that place, by strays.
        patient
            As of `Compiled.solve`.
        """
        wanted = list(range(len(self.tasks))) if readings is None else list(readings)
        chosen = list(dict.fromkeys(wanted))  # one that is asked for twice is solved once
        size = (len(vehicles), len(chosen))
        value, speed, sound = np.full(size, np.nan), np.full(size, np.nan), np.zeros(size, bool)
        spread = np.zeros((*size, len(self.what)))
        columns = {name: k for k, name in enumerate(self.what)}
        blown: list[set[str]] = [set() for _ in vehicles]
        for rack in self.racks:
            members = [k for k in rack.members if k in set(chosen)]
            if not members:
                continue
            at = [chosen.index(k) for k in members]
            where = np.array([columns[n.name] for n in rack.numbers], dtype=np.intp)
            step = max(1, _CHUNK // max(1, len(members)))
            for first in range(0, len(vehicles), step):
                some = slice(first, first + step)
                astray = None if strays is None else strays[some][:, where]
                part = rack.show(vehicles[some], members, blown[some], astray, patient=patient)
                value[some, at], speed[some, at], sound[some, at] = part.value, part.speed, part.sound
                rows = np.arange(first, first + len(part.value))
                spread[np.ix_(rows, np.array(at), where)] = part.spread
        back = [chosen.index(k) for k in wanted]
        opened = tuple(tuple(sorted(b)) for b in blown)
        return Readout(value[:, back], spread[:, back], sound[:, back], speed[:, back], opened, self.what)


def overloaded_fuses(solved: Solved) -> set[tuple[int, str]]:
    """Give the fuses that open at solved points: number of the sample, and name."""
    groups, elements = solved.system.groups, solved.system.net.elements
    named = ((b.sample, groups[b.place[0]].names[b.place[1]]) for b in breaches(solved.laws, solved.x))
    return {(k, name) for k, name in named if elements[name].kind == "fuse" and solved.solution.accepted[k]}


class Rack:
    """Readings of a bench that share what is fitted and since when the circuit is on.

    members: their numbers among the bench's tasks; batch: the points they need and themselves, as tasks; place: reading →
    number of its task there; healthy: parameters of the healthy vehicle that differ from the netlist's, one entry a task.
    """

    def __init__(self, bench: FaultBench, members: Sequence[int]) -> None:
        self.bench, self.members = bench, list(members)
        tasks = [bench.tasks[k] for k in members]
        self.points: list[Task] = []  # states of the circuit with nothing connected, or with what is no light load
        self.point_of: dict[int, int] = {}
        for k, task in zip(members, tasks, strict=True):
            bare = task if task.instrument in ("lamp", "ohmmeter") else Task(task.step, task.conditions, "nothing")
            if bare not in self.points:
                self.points.append(bare)
            self.point_of[k] = self.points.index(bare)
        self.setting, known = self._supplies()
        self.batch = Batch(bench.tapped, [*self.points, *tasks], bench.meter, {}, known)
        self.place = {k: len(self.points) + j for j, k in enumerate(members)}

    def _supplies(self) -> tuple[list[dict[Key, float]], dict[Key, Tolerance]]:
        """What measured supplies set, by task of the batch, and how well they are known."""
        tasks = [*self.points, *(self.bench.tasks[k] for k in self.members)]
        found: dict[object, tuple[dict[Key, float], dict[Key, Tolerance]]] = {}
        settings: list[dict[Key, float]] = []
        known: dict[Key, Tolerance] = {}
        for task in tasks:
            c = task.conditions
            if c.supply_at != "rest":  # it was measured with the ignition on, whatever this reading was taken with
                c = c.but(ignition="on")
            key = (c.supply, c.supply_at, c.engine, c.ignition, c.ambient, c.since)
            if key not in found:
                found[key] = fitted_supply(self.bench.circuit, c.but(unplugged=(), fitted=()), self.bench.meter)
            settings.append(found[key][0])
            known |= found[key][1]
        return settings, known

    @cached_property
    def healthy(self) -> dict[Key, Array]:
        """Parameters of the healthy vehicle that differ from the netlist's, one entry a task of the batch."""
        size = len(self.batch.tasks)
        values = {key: np.broadcast_to(np.asarray(v, dtype=float), (size,)).copy() for key, v in self.batch.values().items()}
        elements = self.batch.bench.net.elements
        for k, setting in enumerate(self.setting):
            for key, v in setting.items():
                values.setdefault(key, np.full(size, elements[key[0]].values[key[1]]))[k] = v
        return values

    @cached_property
    def numbers(self) -> list[Number]:
        """Uncertain numbers on the bench; what a table gives by step is a number of its own at each."""
        found = []
        for k, (_, key, tolerances) in enumerate(self.batch.tolerances):
            steps = self.bench.circuit.steps if key in self.bench.circuit.step_tables else (None,)
            found += [Number(k, key, step) for step in steps if any(tolerances)]
        return found

    def tolerance(self, number: Number) -> Tolerance | None:
        """Tolerance of an uncertain number, at its own step if it belongs to one."""
        given = self.batch.tolerances[number.place][2]
        return given[self.bench.circuit.steps.index(number.step)] if number.step else next(t for t in given if t)

    # One batch ------------------------------------------------------------------------------------------------------

    def show(
        self, vehicles: Sequence[Sequence[Fault]], members: Sequence[int], blown: Sequence[set[str]],
        strays: Array | None = None, *, patient: bool = True,
    ) -> Readout:  # fmt: skip
        """Solve vehicles × the points that some readings need, and read the readings off them."""
        needed = sorted({self.point_of[k] for k in members})
        solved = self._solved_with_fuses(vehicles, needed, blown, strays, patient)
        points = points_of(chop(solved, waves=False))
        count, place = len(vehicles), {p: j for j, p in enumerate(needed)}
        pick = np.array([[v * len(needed) + place[self.point_of[k]] for k in members] for v in range(count)]).reshape(-1)
        tasks = np.tile([self.place[k] for k in members], count)
        read = _Read(self, points, solved, tasks, pick)
        value, spread = read.value, read.spread
        heavy = np.flatnonzero(read.heavy)
        if heavy.size:
            whose = [int(k) // len(members) for k in heavy]
            astray = None if strays is None else strays[whose]
            again = self._solve([vehicles[v] for v in whose], tasks[heavy], [blown[v] for v in whose], astray, patient)
            loaded = _Read(self, points_of(chop(again, waves=False)), again, tasks[heavy])
            value[heavy], spread[heavy] = loaded.value, loaded.spread
        shape = (count, len(members))
        deviations = self._deviations_of(vehicles, tasks, strays)
        shaft = self.bench.circuit.net.elements[self.bench.circuit.motor].nodes["shaft"]
        return Readout(
            value.reshape(shape), (spread * deviations).reshape(*shape, -1), points.accepted[pick].reshape(shape),
            points.speed(shaft)[pick].reshape(shape), (), (),
        )  # fmt: skip

    def _solved_with_fuses(
        self, vehicles: Sequence[Sequence[Fault]], needed: Sequence[int], blown: Sequence[set[str]], strays: Array | None,
        patient: bool,
    ) -> Solved:  # fmt: skip
        """Solve, open what fuses are overloaded, and solve again."""
        tasks = np.tile(needed, len(vehicles))
        each = None if strays is None else np.repeat(strays, len(needed), axis=0)
        solved = self._solve([f for f in vehicles for _ in needed], tasks, [b for b in blown for _ in needed], each, patient)
        opened: dict[int, set[str]] = {}
        for sample, fuse in overloaded_fuses(solved):
            opened.setdefault(sample // len(needed), set()).add(fuse)
        again = [v for v, names in opened.items() if vehicles[v] and not names <= blown[v]]
        if not again:
            return solved
        for v in again:
            blown[v].update(opened[v])
        rows = np.concatenate([np.arange(v * len(needed), (v + 1) * len(needed)) for v in again])
        each = None if strays is None else np.repeat(strays[again], len(needed), axis=0)
        faults, opened_too = [vehicles[v] for v in again for _ in needed], [blown[v] for v in again for _ in needed]
        new = self._solve(faults, tasks[rows], opened_too, each, patient)
        return _put(solved, rows, new)

    def _solve(
        self, vehicles: Sequence[Sequence[Fault]], tasks: Index, blown: Sequence[set[str]], strays: Array | None, patient: bool
    ) -> Solved:
        """Solve one vehicle at one task of the batch a sample."""
        values = Values(self.batch, self.healthy, tasks)
        if strays is not None:
            for number, by in zip(self.numbers, strays.T, strict=True):
                values.stray(number, by)
        for faults, rows in _runs(vehicles):
            for fault in faults:
                possible, severity = self.bench.faults[fault.name], np.array(fault.severity)
                for change in possible.effect.changes:
                    values.put(change.key, rows, change.step, partial(change.applied, severity=severity))
                    if strays is not None:
                        values.hold(change.key)
                for tap, name in zip(possible.effect.taps, self.bench.paths.get(fault.name, ()), strict=True):
                    values.put((name, "conductance"), rows, None, partial(constant, 1 / float(tap.ohms(severity))))
        for k, names in enumerate(blown):
            for name in names:
                values.put((name, "resistance"), [k], None, partial(constant, OPEN))
        ambient = self.batch.ambient[tasks]
        size, since = len(tasks), self.batch.since
        return solved_since(self.batch.compiled, values.columns, since, ambient=ambient, size=size, patient=patient)

    def _deviations_of(self, vehicles: Sequence[Sequence[Fault]], tasks: Index, strays: Array | None) -> Array:
        """Give the standard deviation of each uncertain number for each reading, (readings of all vehicles, numbers)."""
        per = len(tasks) // max(1, len(vehicles))
        out = np.tile(self._deviations[tasks[:per]], (len(vehicles), 1))
        columns: dict[Key, list[int]] = {}
        for k, number in enumerate(self.numbers):
            columns.setdefault(number.key, []).append(k)
        for v, faults in enumerate(vehicles):
            for fault in faults:
                for change in self.bench.faults[fault.name].effect.changes:
                    if change.how not in ("times", "set") or change.key not in columns:
                        continue
                    steps = [change.step in (None, self.batch.tasks[int(t)].step) for t in tasks[:per]]
                    rows = v * per + np.flatnonzero(steps)
                    # What is scaled keeps its share of tolerance; what a fault sets is known.
                    factor = float(np.asarray(change.size(np.array(fault.severity)))) if change.how == "times" else 0.0
                    out[np.ix_(rows, np.array(columns[change.key]))] *= abs(factor)
        if strays is not None:
            sigma = np.array([t.log_sigma if (t := self.tolerance(n)) else 0.0 for n in self.numbers])
            out *= np.repeat(factor_slopes(sigma, strays), per, axis=0)
        return out

    @cached_property
    def _deviations(self) -> Array:
        """Standard deviations of the healthy vehicle's numbers, (tasks of the batch, numbers)."""
        elements, steps = self.batch.bench.net.elements, self.bench.circuit.steps
        out = np.zeros((len(self.batch.tasks), len(self.numbers)))
        for k, number in enumerate(self.numbers):
            tolerances = self.batch.tolerances[number.place][2]
            own = np.full(len(out), elements[number.key[0]].values[number.key[1]])
            healthy = self.healthy.get(number.key, own)
            for t, task in enumerate(self.batch.tasks):
                tolerance = tolerances[steps.index(task.step)]
                if tolerance and number.step in (None, task.step):
                    out[t, k] = tolerance.standard(float(healthy[t]))
        return out


class _Read:
    """Readings taken off points.

    points, solved: the points, exact and averaged; pick: which of them each reading is taken off. Without it each has a point
    of its own, to which the instruments are connected already.
    """

    def __init__(self, rack: Rack, points: Points, solved: Solved, tasks: Index, pick: Index | None = None) -> None:
        self.rack, self.tasks, self.points, self.on = rack, tasks, points, pick is None
        self.pick = np.arange(len(tasks)) if pick is None else pick
        self.solved = solved if pick is None else solved.take(pick)
        self.value, answer = self._answer()
        self.value[~points.accepted[self.pick]] = np.nan  # no point is no reading
        turned = adjoint(solved, answer.by_x, pick)
        slopes = sensitivities(solved, answer, turned, pick)
        columns = [rack.batch.tolerances[n.place][0] for n in rack.numbers]
        self.spread = np.array([slopes[g][p, e] for g, p, e in columns]).reshape(len(columns), len(tasks)).T.copy()
        self.spread[~np.isfinite(self.spread)] = 0.0
        self._hold_unknown_load()
        self.heavy = self._load(turned)

    def _hold_unknown_load(self) -> None:
        """Let a load that is in no file take a feed that is dead or hangs on megohms to nothing, and no further."""
        for k in (k for k, n in enumerate(self.rack.numbers) if n.key[0] == UNKNOWN_LOAD):
            feed = self.solved.system.index[self.rack.batch.bench.net.elements[UNKNOWN_LOAD].nodes["a"]]
            most = np.abs(self.points.solved.x[feed, self.pick]) / self.rack.bench.unknown_siemens
            self.spread[:, k] = np.clip(self.spread[:, k], *np.where(self.kinds == "voltmeter", most, np.inf) * [[-1], [1]])

    def _answer(self) -> tuple[Array, Answer]:
        batch = self.rack.batch
        system = self.solved.system
        ground = system.index[batch.bench.net.ground]
        leads = [batch.leads[t] for t in self.tasks]
        self.red = np.array([ground if at is None else system.index[at[0]] for at in leads], dtype=np.intp)
        self.black = np.array([ground if at is None else system.index[at[1]] for at in leads], dtype=np.intp)
        volts = voltage_answer(self.solved, self.red, self.black)
        x = self.points.solved.x
        value, by_x, explicit = x[self.red, self.pick] - x[self.black, self.pick], volts.by_x, dict[int, Array]()
        self.kinds = np.array([batch.tasks[t].instrument for t in self.tasks])
        ohms = np.flatnonzero(self.kinds == "ohmmeter")
        value[ohms], slope = shown_ohms(value[ohms])
        by_x[:, ohms] *= slope
        for (element, output), members in self._by_element().items():
            own = current_answer(self.solved, element, output)
            value[members] = self.points.outputs(element)[output][self.pick[members]]
            by_x[:, members] = own.by_x[:, members]
            for g, by in own.by_parameter.items():
                explicit.setdefault(g, np.zeros_like(by))[..., members] = by[..., members]
        return value, Answer(value, by_x, explicit)

    def _by_element(self) -> dict[tuple[str, str], Index]:
        batch = self.rack.batch
        found: dict[tuple[str, str], list[int]] = {}
        for k, t in enumerate(self.tasks):
            task, leads = batch.tasks[t], batch.leads[t]
            if task.at:
                found.setdefault((task.at, "current"), []).append(k)
            elif task.instrument == "lamp" and leads is not None:
                found.setdefault((batch.instruments["lamp", *leads], "power share"), []).append(k)
        return {key: np.array(members, dtype=np.intp) for key, members in found.items()}

    def _load(self, turned: Array) -> NDArray[np.bool_]:
        """Put the voltmeters on to first order; say where that is not enough."""
        volts = self.kinds == "voltmeter"
        if self.on:
            return np.zeros(volts.size, bool)
        samples, last = np.arange(volts.size), turned.shape[0] - 1
        rows = [np.minimum(at, last) for at in (self.red, self.black)]  # of a given node: the row of zeros
        sees = (turned[rows[0], samples] - turned[rows[1], samples]) / self.rack.bench.meter.input_resistance
        light = volts & (np.abs(sees) < _LOADS)
        self.value[light] /= 1 + sees[light]
        heavy: NDArray[np.bool_] = volts & ~light & self.solved.solution.accepted
        return heavy


def _runs(vehicles: Sequence[Sequence[Fault]]) -> list[tuple[Sequence[Fault], list[int]]]:
    """Give each vehicle's faults with the samples that it has."""
    found: list[tuple[Sequence[Fault], list[int]]] = []
    for k, faults in enumerate(vehicles):
        if found and found[-1][0] is faults:
            found[-1][1].append(k)
        else:
            found.append((faults, [k]))
    return found


def _put(solved: Solved, rows: Index, new: Solved) -> Solved:
    """Put some samples, solved anew with other parameters, in the place of what they were."""
    columns = {key: v.copy() for key, v in solved.laws.columns.items()}
    for key, v in new.laws.columns.items():
        base = np.broadcast_to(solved.laws.base[key[0]][key[1], key[2]], (solved.size,))
        columns.setdefault(key, np.array(base, dtype=float))[rows] = v
    laws = type(solved.laws)(solved.system, solved.laws.base, columns, solved.size, solved.laws.smooth)
    solved.solution.put(rows, new.solution)
    solved.method[rows] = new.method
    return Solved(solved.compiled, laws, solved.frozen, solved.solution, solved.method)
