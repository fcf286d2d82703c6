"""Taking readings: every reading of a chart is one sample of one batch, unplugged or not, with its own meter connected.

A connector that is unplugged for some of the readings is a state of its pins (`PartingPin`), a lamp that is put on or fitted
for some is a state of the lamp, and what floats in some is pinned in those alone. So a chart is one system, one iteration,
one check of stability and one set of slopes. What a function of an instrument shows of a waveform is worked out beside them
(`measure.waving`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements import Leak, PartingPin, ProbeLamp
from circuitsim.elements.base import Element
from circuitsim.engine.operating import Compiled, Solved
from circuitsim.engine.periodic import Chopped
from circuitsim.engine.periodic_points import PeriodicPoints, points_of
from circuitsim.engine.points import Points
from circuitsim.engine.sensitivity import Answer, current_answer, voltage_answer
from circuitsim.engine.system import Column, Values
from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit
from circuitsim.library.functions import function_of, unit_of
from circuitsim.measure.bands import Band, Budget, Uncertain, band_of
from circuitsim.measure.chopping import chopped_slopes, switching_samples
from circuitsim.measure.conditions import PINNED, Bench, Fitted, make_bench
from circuitsim.measure.instruments import show_function
from circuitsim.measure.meters import Meter
from circuitsim.measure.readings import Measured, Stand, Task, shown_ohms
from circuitsim.measure.states import points_since, slopes_of
from circuitsim.measure.waving import LEVEL, UNKNOWN, Place, Waves, level_slopes
from circuitsim.quantities import Tolerance

__all__ = ["Batch", "bench_in_states", "measure", "measure_with_points"]

Array = NDArray[np.float64]
_LIGHT = 1e6  # Ω; a meter above that heats and slows nothing
_CALM = 1e-4  # V or A; a swing below this is a stage's leakage and nothing more
_DEAD = 1e-3  # V; more than this between an ohmmeter's leads spoils its reading


def measure(
    circuit: Circuit,
    tasks: Sequence[Task],
    meter: Meter,
    supply: Values | None = None,
    known: dict[tuple[str, str], Tolerance] | None = None,
) -> list[Measured]:
    """Take readings.

    Parameters
    ----------
    circuit, tasks, meter
        What, which and with what. Tasks with the same things fitted for the same time share one batch.
    supply
        Parameters set from a measured supply, on top of the circuit's own.
    known
        Tolerances that replace the circuit's, for the parameters in `supply`.

    Raises
    ------
    SolveError
        When a point is not accepted.
    """
    results: dict[int, Measured] = {}
    states: dict[Any, list[int]] = {}
    for k, task in enumerate(tasks):
        states.setdefault((task.conditions.fitted, task.conditions.since), []).append(k)
    for members in states.values():
        batch = Batch(circuit, [tasks[k] for k in members], meter, dict(supply or {}), known or {})
        batch.require()
        results.update(zip(members, batch.run(range(len(members))), strict=True))
    return [results[k] for k in range(len(tasks))]


def measure_with_points(
    circuit: Circuit, tasks: Sequence[Task], bare: Sequence[Task], meter: Meter, supply: Values | None = None,
    known: dict[tuple[str, str], Tolerance] | None = None,
) -> tuple[list[Measured], Points, Points]:  # fmt: skip
    """Take readings, and give the points of the bare circuit beside them, and those of all: bare first, then as read.

    Parameters and errors are those of `measure`. bare: tasks with nothing connected, at least one; they and all others
    are of one and the same state: on for the same time, with the same jumpers fitted.
    """
    batch = Batch(circuit, [*bare, *tasks], meter, dict(supply or {}), known or {})
    batch.require()
    measured = batch.run(range(len(bare), len(bare) + len(tasks)))
    return measured, points_of(batch.points.solved.take(np.arange(len(bare)))), batch.points


def bench_in_states(
    circuit: Circuit, tasks: Sequence[Task], meter: Meter, supply: Values | None = None
) -> tuple[Compiled, list[dict[tuple[str, str], float]]]:
    """Give one bench that can be in the state of each of some tasks, made ready for solving, and its parameters in each."""
    batch = Batch(circuit, tasks, meter, dict(supply or {}), {})
    values = {key: np.broadcast_to(v, (len(tasks),)).tolist() for key, v in batch.values().items()}
    return batch.compiled, [{key: v[k] for key, v in values.items()} for k in range(len(tasks))]


class _State(NamedTuple):
    """What makes parts of a circuit float: connectors unplugged, things fitted, and whether ignition and engine are on."""

    unplugged: tuple[str, ...]
    fitted: tuple[Fitted, ...]
    ignition: bool
    engine: bool


def _switched(task: Task) -> tuple[bool, bool]:
    return task.conditions.ignition == "on", task.conditions.engine == "running"


def _in_all(sets: Sequence[tuple[Any, ...]]) -> list[Any]:
    """Give what is in every one of some sets, in the order of the first."""
    return [one for one in sets[0] if all(one in s for s in sets)]


class Batch(Stand):
    """Tasks on one bench, whatever is unplugged for each, solved with their slopes."""

    def __init__(
        self, circuit: Circuit, tasks: Sequence[Task], meter: Meter, supply: Values, known: dict[Any, Tolerance]
    ) -> None:
        self.known = known
        self._floats: dict[_State, list[list[str]]] = {}
        self._lamps: dict[Fitted, str] = {}
        self.states = [_State(t.conditions.unplugged, t.conditions.fitted, *_switched(t)) for t in tasks]
        super().__init__(circuit, tasks, meter, supply)
        self.ambient = np.array([t.conditions.ambient for t in self.tasks])
        self.since = self.tasks[0].conditions.since

    # The bench --------------------------------------------------------------------------------------------------

    _lamp = ProbeLamp

    def _bench(self, extra: Sequence[Element]) -> Bench:
        """Leave out what is parted in all tasks, give a state to what is parted or fitted in some, pin what floats in any."""
        states = dict.fromkeys(self.states)
        always, fitted = (_in_all([getattr(s, name) for s in states]) for name in ("unplugged", "fitted"))
        lamps = [self._fitted_lamp(f, extra) for f in dict.fromkeys(f for s in states for f in s.fitted) if f not in fitted]
        bench = make_bench(self.circuit, always, fitted, [*extra, *(e for e in lamps if e not in extra)])
        net = bench.net
        for pin in dict.fromkeys(pin for s in states for pin in self._pins(s.unplugged) if pin in net.elements):
            net.elements[pin] = PartingPin.of(net.elements[pin])
        tools = [e.name for e in extra if e not in lamps]
        self._floats = {s: net.floating([*tools, *self._parted(s)]) for s in states}
        for name, node in self._leaks():
            net.add(Leak(name, node, net.ground, conductance=0.0))
        return bench

    def _fitted_lamp(self, f: Fitted, extra: Sequence[Element]) -> Element:
        """Give a lamp that is fitted for some of the readings: that which is put on there for others, or one more."""
        if f.kind != "lamp":
            raise InputError(f"{f} for some readings alone: only a lamp can be", key="fitted")
        ends = (self._node(f.red), self._node(f.black))
        there = (e for e in extra if isinstance(e, ProbeLamp) and tuple(e.nodes[t] for t in e.ends or ()) == ends)
        lamp = next(there, None) or self._instrument("lamp", f"fitted-lamp-{len(self._lamps) + 1}", *ends)
        self._lamps[f] = lamp.name
        return lamp

    def _parted(self, state: _State) -> list[str]:
        """Name what carries nothing in a state: pins that are unplugged, lamps that are not fitted, switches that are open."""
        switched = self.circuit.switched.items()
        is_on = {"ignition": state.ignition, "engine": state.engine}
        opened = [name for (name, parameter), word in switched if parameter == "closed" and not is_on[word]]
        return [*self._pins(state.unplugged), *(name for f, name in self._lamps.items() if f not in state.fitted), *opened]

    def _leaks(self) -> list[tuple[str, str]]:
        """Name the leakages that pin what floats in some tasks, and the node of each."""
        nodes = dict.fromkeys(group[0] for groups in self._floats.values() for group in groups)
        return [(f"floating-{k}", node) for k, node in enumerate(nodes, start=1)]

    def _pins(self, unplugged: Iterable[str]) -> list[str]:
        return [pin for name in unplugged for pin in self.circuit.connector(name).pins]

    def values(self) -> dict[tuple[str, str], Any]:
        """Give the parameters of the nominal vehicle, one entry a task where they vary."""
        values = super().values()
        for name, e in self.bench.net.elements.items():
            if isinstance(e, PartingPin):
                values[name, "mated"] = self._when(lambda s, name=name: name not in self._pins(s.unplugged))
        for f, name in self._lamps.items():
            values[name, "connected"] = np.maximum(
                values.get((name, "connected"), 0.0), self._when(lambda s, f=f: f in s.fitted)
            )
        for name, node in self._leaks():
            values[name, "conductance"] = PINNED * self._when(lambda s, node=node: any(g[0] == node for g in self._floats[s]))
        return values

    def _when(self, holds: Any) -> Array:
        """Give 1 for the tasks whose state is such, else 0."""
        found = {s: float(holds(s)) for s in self._floats}
        return np.array([found[s] for s in self.states])

    # The readings -----------------------------------------------------------------------------------------------

    @cached_property
    def points(self) -> Points:
        """All tasks' points."""
        light = self.meter.input_resistance >= _LIGHT
        put_on = {(name, "conductance") for (kind, *_), name in self.instruments.items() if kind == "voltmeter" and light}
        size = len(self.tasks)
        return points_since(self.compiled, self.values(), self.since, ambient=self.ambient, size=size, light=put_on)

    @property
    def _averaged(self) -> Solved:
        """The solved batch that the slopes are taken of: of a chopped circuit the one with its stage averaged."""
        solved = self.points.solved
        return solved.given if isinstance(solved, Chopped) else solved

    def require(self) -> None:
        """Raise SolveError, naming its conditions, for a point that was not accepted."""
        if not self.points.accepted.all():
            lost = [k for k, v in enumerate(self.points.verdicts) if v == "unconverged"]
            self.points.require(self.tasks[lost[0]].conditions.sentence() if lost else "")

    def run(self, members: Sequence[int]) -> list[Measured]:
        """Give the readings of some tasks, which have an instrument each."""
        if not members:
            return []
        answer = self._answer()
        slopes = slopes_of(self._averaged, answer)
        uncertain = self._uncertain(slopes)
        live = self._live()
        return [self._measured(answer, uncertain, k, k in live) for k in members]

    def _live(self) -> set[int]:
        """Find the ohms readings whose leads have a voltage between them before the ohmmeter adds its own."""
        ohms = [k for k, t in enumerate(self.tasks) if t.instrument == "ohmmeter" and t.red]
        if not ohms:
            return set()
        values = self.values() | {(n, "connected"): 0.0 for (kind, *_), n in self.instruments.items() if kind == "ohmmeter"}
        frozen = self.since != "warm"
        bare = Points(self.compiled.solve(values, ambient=self.ambient, frozen=frozen, size=len(self.tasks)))
        pairs = {k: self.leads[k] or ("", "") for k in ohms}
        return {k for k, (red, black) in pairs.items() if not abs(bare.voltage(red, black)[k]) < _DEAD}

    def _answer(self) -> Answer:
        """What each task's instrument shows, all in one answer; its slopes are those of the averaged circuit."""
        system, solved = self.points.system, self._averaged
        ground = system.index[self.bench.net.ground]
        red = np.array([ground if at is None else system.index[at[0]] for at in self.leads], dtype=np.intp)
        black = np.array([ground if at is None else system.index[at[1]] for at in self.leads], dtype=np.intp)
        volts = voltage_answer(solved, red, black)
        x, samples = self.points.solved.x, np.arange(len(self.tasks))
        value, by_x, explicit = x[red, samples] - x[black, samples], volts.by_x, dict[int, Array]()
        ohms = [k for k, t in enumerate(self.tasks) if t.instrument == "ohmmeter"]
        if ohms:
            value[ohms], slope = shown_ohms(value[ohms])
            by_x[:, ohms] *= slope
        for element, output, members in self._by_element():
            own = current_answer(solved, element, output)
            own.value[:] = self.points.outputs(element)[output]  # of a chopped circuit: averages over a period
            value[members], by_x[:, members] = own.value[members], own.by_x[:, members]
            for g, slopes in own.by_parameter.items():
                explicit.setdefault(g, np.zeros_like(slopes))[..., members] = slopes[..., members]
        for k in self._looks:
            value[k] = self._seen(k)
        return Answer(value, by_x, explicit)

    @cached_property
    def _waves(self) -> Waves:
        return Waves(self.points)

    @cached_property
    def _places(self) -> list[Place]:
        return [Place(*(leads or ("", "")), t.at) for t, leads in zip(self.tasks, self.leads, strict=True)]

    @cached_property
    def _looks(self) -> list[int]:
        """The readings that are functions of a waveform."""
        return [k for k, t in enumerate(self.tasks) if function_of(t.instrument)]

    def _seen(self, k: int) -> float:
        """What the function of task k shows."""
        function = function_of(self.tasks[k].instrument)
        seen = self._waves.at(self._places[k]).take([k])
        return float(seen.value(function.name, self.tasks[k].capture)[0]) if function else math.nan

    def _moved(self, waves: Waves, k: int, here: slice) -> Array:
        """What the function of task k shows at some points beside its own."""
        function = function_of(self.tasks[k].instrument)
        seen = waves.at(self._places[k]).take(here)
        return seen.value(function.name if function else "", self.tasks[k].capture)

    def _by_element(self) -> list[tuple[str, str, list[int]]]:
        """Group the clamps and lamps by the element whose output they show."""
        found: dict[tuple[str, str], list[int]] = {}
        for k, (task, leads) in enumerate(zip(self.tasks, self.leads, strict=True)):
            if task.at:
                found.setdefault((task.at, "current"), []).append(k)
            elif task.instrument == "lamp" and leads is not None:
                found.setdefault((self.instruments["lamp", *leads], "power share"), []).append(k)
        return [(element, output, members) for (element, output), members in found.items()]

    def _measured(self, answer: Answer, uncertain: Uncertain, k: int, live: bool) -> Measured:
        task, points = self.tasks[k], self.points
        value = float(answer.value[k])
        floating = self._floating(k)
        valid = bool(points.valid[k]) and not live
        verdict = "live: no ohms reading" if live else points.verdicts[k]
        if valid and not math.isfinite(value) and k in self._looks:
            verdict = LEVEL if math.isfinite(self._waves.at(self._places[k]).mean[k]) else UNKNOWN
        budget = uncertain.budget(k, self.circuit.step_index(task.step))
        there = valid and math.isfinite(value)
        band = self._band(k, value, budget) if there else Band(math.nan, math.nan, math.nan)
        expected = value if there else math.nan
        floats = any(node in floating for node in self.leads[k] or ())
        return Measured(task, expected, band, verdict, floats, float(points.residual[k]), budget)

    def _band(self, k: int, value: float, budget: Budget) -> Band:
        """Give the band of a reading; what a function can't show is cut off."""
        band, function = band_of(value, budget, self._limit(k, value)), function_of(self.tasks[k].instrument)
        if function is None or not function.positive:
            return band
        return Band(max(band.low, 0.0), min(band.high, 1.0) if function.name == "duty" else band.high, band.standard)

    def _limit(self, k: int, value: float) -> float:
        """Give how far the instrument itself may be off, the ripple that a DC meter lets through included."""
        task, unit = self.tasks[k], unit_of(self.tasks[k].instrument)
        if function := function_of(task.instrument):
            return show_function(function.name, value, self.meter, "A" if task.at else "V").limit
        if task.instrument in ("voltmeter", "clamp"):
            return self.meter.limit(value, unit) + self._waves.ripple(self._places[k], k)
        return self.meter.limit(value, unit) if unit != "1" else 0.0

    def _floating(self, k: int) -> set[str]:
        """Give the nodes that float in the state of a task."""
        return {node for group in self._floats[self.states[k]] for node in group} | self.bench.floating

    def _uncertain(self, slopes: list[Array]) -> Uncertain:
        """Everything on the bench that has a tolerance, with its values and slopes, one a task."""
        laws = self.points.solved.laws
        columns = [column for column, _, _ in self.tolerances]
        nominal = [laws.columns.get((g, p, e), laws.base[g][p, e]) for g, p, e in columns]
        size = (len(columns), len(self.tasks))
        by_column = np.array([slopes[g][p, e] for g, p, e in columns]).reshape(size)
        self._put_waves(by_column, columns)
        return Uncertain(
            tuple(f"{key[0]}.{key[1]}" for _, key, _ in self.tolerances),
            tuple(found for _, _, found in self.tolerances),
            np.array([np.broadcast_to(v, size[1:]) for v in nominal]).reshape(size),
            by_column,
        )

    def _put_waves(self, slopes: Array, columns: Sequence[Column]) -> None:
        """Put in the slopes of readings of a waveform, averages of a chopped one included (see `measure.chopping`)."""
        points = self.points
        periodic = points.periodic if isinstance(points, PeriodicPoints) else np.zeros(points.size, bool)
        switching = set(switching_samples(points).tolist()) if isinstance(points, PeriodicPoints) else set[int]()
        moving = [k for k in range(points.size) if self._waving(k, k in switching)]
        for k in set(self._looks) - set(moving):
            function = function_of(self.tasks[k].instrument)
            level = float(self._waves.at(self._places[k]).mean[k])
            slopes[:, k] = level_slopes(function.name if function else "", level, slopes[:, k])
        for samples in ([k for k in moving if periodic[k]], [k for k in moving if not periodic[k]]):
            if samples and columns:
                slopes[:, samples] = self._moved_slopes(samples, columns)

    def _waving(self, k: int, switching: bool) -> bool:
        """Whether what a task reads is that of a waveform; a stage with nothing to chop is seen nowhere."""
        task, place = self.tasks[k], self._places[k]
        if k in self._looks:
            return bool(self._waves.at(place).swing[k] > _CALM)
        if not switching or task.instrument == "ohmmeter" or not (self.leads[k] or task.at):
            return False
        return task.instrument == "lamp" or not task.conditions.unplugged or self._waves.swing(place, k) > _CALM

    def _moved_slopes(self, samples: list[int], columns: Sequence[Column]) -> Array:
        """Give slopes by moving each parameter, (columns, samples)."""
        steps = [self.circuit.step_index(self.tasks[k].step) for k in samples]
        tolerances = [[found[step] for _, _, found in self.tolerances] for step in steps]
        shown = {k: (element, output) for element, output, members in self._by_element() for k in members}
        looks, waves = set(self._looks), {id(self.points): self._waves}

        def value(at: Points, j: int, here: slice) -> Array:
            k = samples[j]
            if k in looks:
                return self._moved(waves.setdefault(id(at), Waves(at)), k, here)
            found = at.outputs(shown[k][0])[shown[k][1]] if k in shown else at.voltage(*(self.leads[k] or ("", "")))
            return found[here]

        alike = [self._alike(k) for k in samples]
        return chopped_slopes(self.points, np.array(samples), alike, columns, tolerances, value)

    def _alike(self, k: int) -> tuple[Any, ...]:
        """Give what two readings must share to be read off one point: their instruments must not matter to the circuit."""
        task, leads, put_on = self.tasks[k], self.leads[k], set(self._lamps) & set(self.tasks[k].conditions.fitted)
        lamps = {self._lamps[f] for f in put_on}
        if task.instrument == "lamp":
            lamps.add(self.instruments["lamp", *(leads or ("", ""))])
        own = task.instrument != "lamp" and any(node in self._floating(k) for node in leads or ())
        state = task.conditions.but(fitted=tuple(f for f in task.conditions.fitted if f not in put_on))
        return (task.step, state, frozenset(lamps), leads if own else None)

    @cached_property
    def tolerances(self) -> list[tuple[Column, tuple[str, str], tuple[Tolerance | None, ...]]]:
        """Every parameter on the bench with a tolerance at some step: its column, its name, its tolerance by step."""
        steps = len(self.circuit.steps)
        by_key: dict[tuple[str, str], tuple[Tolerance | None, ...]] = {
            (e.name, p): (tolerance,) * steps for e in self.bench.net.elements.values() for p, tolerance in e.tolerances.items()
        }
        by_key |= {key: table.tolerances for key, table in self.circuit.step_tables.items()}
        by_key |= {key: (tolerance,) * steps for key, tolerance in self.known.items()}
        system = self.compiled.system
        return [(system.column(*key), key, found) for key, found in by_key.items() if key[0] in system.place]
