"""Taking readings: every reading of a chart is one sample of one batch, unplugged or not, with its own meter connected.

A connector that is unplugged for some of the readings is a state of its pins (`PartingPin`), a lamp that is put on for
some is a state of the lamp, and what floats in some is pinned in those alone. So a chart is one system, one iteration,
one check of stability and one set of slopes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import Any

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
from circuitsim.library.circuit import Circuit
from circuitsim.measure.bands import Band, Uncertain, band_of
from circuitsim.measure.chopping import chopped_slopes, switching_samples
from circuitsim.measure.conditions import PINNED, Bench, make_bench
from circuitsim.measure.meters import Meter
from circuitsim.measure.readings import INSTRUMENTS, Measured, Stand, Task, shown_ohms
from circuitsim.measure.states import points_since, slopes_of
from circuitsim.quantities import Tolerance

__all__ = ["Batch", "bench_in_states", "measure", "measure_with_points"]

Array = NDArray[np.float64]
_LIGHT = 1e6  # Ω; a meter above that heats and slows nothing
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
) -> tuple[list[Measured], Points]:  # fmt: skip
    """Take readings, and give the points of the bare circuit beside them.

    Parameters and errors are those of `measure`. bare: tasks with nothing connected, at least one; they and all others
    are of one and the same state: the same things fitted for the same time.
    """
    batch = Batch(circuit, [*bare, *tasks], meter, dict(supply or {}), known or {})
    batch.require()
    measured = batch.run(range(len(bare), len(bare) + len(tasks)))
    return measured, points_of(batch.points.solved.take(np.arange(len(bare))))


def bench_in_states(
    circuit: Circuit, tasks: Sequence[Task], meter: Meter, supply: Values | None = None
) -> tuple[Compiled, list[dict[tuple[str, str], float]]]:
    """Give one bench that can be in the state of each of some tasks, made ready for solving, and its parameters in each."""
    batch = Batch(circuit, tasks, meter, dict(supply or {}), {})
    values = {key: np.broadcast_to(v, (len(tasks),)).tolist() for key, v in batch.values().items()}
    return batch.compiled, [{key: v[k] for key, v in values.items()} for k in range(len(tasks))]


class Batch(Stand):
    """Tasks on one bench, whatever is unplugged for each, solved with their slopes."""

    def __init__(
        self, circuit: Circuit, tasks: Sequence[Task], meter: Meter, supply: Values, known: dict[Any, Tolerance]
    ) -> None:
        self.known = known
        self._floats: dict[tuple[str, ...], list[list[str]]] = {}
        super().__init__(circuit, tasks, meter, supply)
        self.ambient = np.array([t.conditions.ambient for t in self.tasks])
        self.since = self.tasks[0].conditions.since

    # The bench --------------------------------------------------------------------------------------------------

    _lamp = ProbeLamp

    def _bench(self, extra: Sequence[Element]) -> Bench:
        """Leave out what is parted in all tasks, give a state to what is parted in some, pin what floats in any."""
        sets = dict.fromkeys(t.conditions.unplugged for t in self.tasks)
        always = [name for name in next(iter(sets)) if all(name in s for s in sets)]
        bench = make_bench(self.circuit, always, self.tasks[0].conditions.fitted, extra)
        if len(sets) == 1:
            self._floats = {key: [] for key in sets}
            return bench
        net = bench.net
        for pin in dict.fromkeys(pin for s in sets for pin in self._pins(s) if pin in net.elements):
            net.elements[pin] = PartingPin.of(net.elements[pin])
        tools = {e.name for e in extra}
        self._floats = {s: net.floating([*tools, *self._pins(s)]) for s in sets}
        for name, node in self._leaks():
            net.add(Leak(name, node, net.ground, conductance=0.0))
        return bench

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
                values[name, "mated"] = self._when(lambda s, name=name: name not in self._pins(s))
        for name, node in self._leaks():
            values[name, "conductance"] = PINNED * self._when(lambda s, node=node: any(g[0] == node for g in self._floats[s]))
        return values

    def _when(self, holds: Any) -> Array:
        """Give 1 for the tasks whose set of unplugged connectors is such, else 0."""
        found = {s: float(holds(s)) for s in self._floats}
        return np.array([found[t.conditions.unplugged] for t in self.tasks])

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
        return Answer(value, by_x, explicit)

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
        unit = INSTRUMENTS[task.instrument]
        limit = self.meter.limit(value, unit) if unit != "1" else 0.0
        floating = {node for group in self._floats[task.conditions.unplugged] for node in group} | self.bench.floating
        valid = bool(points.valid[k]) and not live
        verdict = "live: no ohms reading" if live else points.verdicts[k]
        budget = uncertain.budget(k, self.circuit.step_index(task.step))
        band = band_of(value, budget, limit) if valid else Band(*[float("nan")] * 3)
        expected = value if valid else float("nan")
        floats = any(node in floating for node in self.leads[k] or ())
        return Measured(task, expected, band, verdict, floats, float(points.residual[k]), budget)

    def _uncertain(self, slopes: list[Array]) -> Uncertain:
        """Everything on the bench that has a tolerance, with its values and slopes, one a task."""
        laws = self.points.solved.laws
        columns = [column for column, _, _ in self.tolerances]
        nominal = [laws.columns.get((g, p, e), laws.base[g][p, e]) for g, p, e in columns]
        size = (len(columns), len(self.tasks))
        by_column = np.array([slopes[g][p, e] for g, p, e in columns]).reshape(size)
        self._put_chopped(by_column, columns)
        return Uncertain(
            tuple(f"{key[0]}.{key[1]}" for _, key, _ in self.tolerances),
            tuple(found for _, _, found in self.tolerances),
            np.array([np.broadcast_to(v, size[1:]) for v in nominal]).reshape(size),
            by_column,
        )

    def _put_chopped(self, slopes: Array, columns: Sequence[Column]) -> None:
        """Put in the slopes of readings that are averages of a chopped waveform (see `measure.chopping`)."""
        points = self.points
        if not isinstance(points, PeriodicPoints) or not columns:
            return
        samples = [k for k in switching_samples(points).tolist() if self.leads[k] or self.tasks[k].at]
        samples = [k for k in samples if self.tasks[k].instrument != "ohmmeter"]
        if not samples:
            return
        steps = [self.circuit.step_index(self.tasks[k].step) for k in samples]
        tolerances = [[found[step] for _, _, found in self.tolerances] for step in steps]
        shown = {k: (element, output) for element, output, members in self._by_element() for k in members}

        def value(at: PeriodicPoints, j: int) -> Array:
            k = samples[j]
            return at.outputs(shown[k][0])[shown[k][1]] if k in shown else at.voltage(*(self.leads[k] or ("", "")))

        alike = [self._alike(k) for k in samples]
        slopes[:, samples] = chopped_slopes(points, np.array(samples), alike, columns, tolerances, value)

    def _alike(self, k: int) -> tuple[Any, ...]:
        """Give what two readings must share to be read off one point: their instruments must not matter to the circuit."""
        task, leads = self.tasks[k], self.leads[k]
        floating = {node for group in self._floats[task.conditions.unplugged] for node in group} | self.bench.floating
        own = task.instrument == "lamp" or any(node in floating for node in leads or ())
        return (task.step, task.conditions, leads if own else None)

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
