"""The course of a circuit in time: key-on, step changes, key-off, and what happens on the way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.following import RELATIVE, Follower, Stop
from circuitsim.engine.landing import land
from circuitsim.engine.matching import lines, matched
from circuitsim.engine.operating import Compiled, compile_netlist
from circuitsim.engine.points import Points
from circuitsim.engine.reaching import Reached, step_plan
from circuitsim.engine.system import Evaluator, Values
from circuitsim.errors import InputError, SolveError
from circuitsim.network import Netlist

__all__ = ["Course", "Event", "Phase", "follow"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Phase:
    """What holds from a time on: replaced parameters, all of those that are not nominal; and what changed, in words."""

    time: float
    values: Values = field(default_factory=dict)
    what: str = ""


@dataclass(frozen=True)
class Event:
    """Something that happened: when, s, and what; `ends` when the course stops there."""

    time: float
    what: str
    ends: bool = False


@dataclass(frozen=True)
class Course:
    """A circuit's course in time.

    times: s, (k,), at a sudden change twice: before and after it; nodes: node or unknown → across value, V, rad/s or °C (A for
    a current), (k,); currents: element → A from its first end to its second, (k,); events: in their order.
    points: everything else, with one sample a time: see `Points`.
    """

    times: Array
    nodes: Mapping[str, Array]
    currents: Mapping[str, Array]
    events: tuple[Event, ...]
    points: Points
    _way: _Way

    @property
    def end(self) -> float:
        """When it ends, s."""
        return self._way.end

    @property
    def stopped(self) -> str:
        """Why it ended before its time; empty when it did not."""
        return self._way.stop.verdict if self._way.stop else ""

    @property
    def given(self) -> Mapping[str, Any]:
        """What it was asked for with, as plain values, for whoever shows it; see `follow`."""
        return self._way.given

    @property
    def steps(self) -> Array:
        """Ends of the integration's own steps, s, the start among them; at a sudden change twice."""
        return self._way.edges()[0]

    def at(self, times: Sequence[float] | Array) -> Course:
        """Give the course at other times, which must lie in it; at a sudden change, what holds after it."""
        wanted = np.asarray(times, float).ravel()
        if not wanted.size or not np.isfinite(wanted).all() or wanted.min() < 0 or wanted.max() > self.end * (1 + 1e-12):
            raise InputError(f"the course goes from 0 to {self.end:g} s; times must lie in it", key="times")
        return self._way.course(wanted, self._way.phases_at(wanted))

    def records(self) -> list[dict[str, Any]]:
        """Give plain dicts, one a time: time, nodes by name, currents as ``I(element)``."""
        columns = {"time": self.times, **self.nodes, **{f"I({name})": i for name, i in self.currents.items()}}
        rows = zip(*(c.tolist() for c in columns.values()), strict=True)
        return [dict(zip(columns, row, strict=True)) for row in rows]


@dataclass
class _Way:
    """The steps that were taken, phase by phase."""

    compiled: Compiled
    phases: list[Phase]
    ambient: float
    runs: list[Follower]
    starts: list[Array]
    end: float
    stop: Stop | None
    given: Mapping[str, Any]

    def edges(self) -> tuple[Array, NDArray[np.intp]]:
        """Give the ends of the steps, and the phase of each."""
        times, numbers = [], []
        for k, run in enumerate(self.runs):
            ends = [self.phases[k].time, *(min(float(t.time[0] + t.length[0]), self.end) for t in run.taken)]
            times += ends
            numbers += [k] * len(ends)
        return np.array(times), np.array(numbers, np.intp)

    def phases_at(self, times: Array) -> NDArray[np.intp]:
        """Give the phase that holds at each time."""
        starts = np.array([p.time for p in self.phases[: len(self.runs)]])
        return np.maximum(np.searchsorted(starts, times, side="right") - 1, 0)

    def _origin(self, time: float, phase: int) -> tuple[Array, float]:
        """Give where the step began in which a time lies, and how long before it."""
        taken = self.runs[phase].taken
        k = min(int(np.searchsorted([float(t.time[0] + t.length[0]) for t in taken], time)), len(taken) - 1)
        if k < 0 or time <= float(taken[0].time[0]):
            return self.starts[phase], 0.0
        return taken[k].x, time - float(taken[k].time[0])

    def course(self, times: Array, numbers: NDArray[np.intp]) -> Course:
        """Give the course at times, each in a phase: each by a step from where the integration's own step began."""
        system, size = self.compiled.system, times.size
        laws = Evaluator.of(system, _joined(self.phases, numbers), size)
        seen = {line.resistance: [run.laws.number(line.resistance)[0] for run in self.runs] for line in lines(system)}
        laws = laws.with_columns({column: np.array(ohms)[numbers] for column, ohms in seen.items()})
        origins = [self._origin(t, k) for t, k in zip(times.tolist(), numbers.tolist(), strict=True)]
        start, length = np.concatenate([x for x, _ in origins], axis=1), np.array([h for _, h in origins])
        landing = land(step_plan(self.compiled), laws, start, length, self.runs[0].tolerance)
        last = np.flatnonzero((times >= self.end) & (numbers == len(self.runs) - 1)).tolist()
        stops = dict.fromkeys(last, self.stop.verdict) if self.stop else {}
        every = np.arange(size)
        solved = _Along(self.compiled, laws, True, landing.solution, np.zeros(size, np.int64), self.end, self.runs[-1],
                        every, landing, every, stops)  # fmt: skip
        points = Points(solved)
        points.require("its course in time")
        x = landing.solution.x
        nodes = {name: x[k] for k, name in enumerate(system.variables)}
        currents = {e: points.outputs(e)["current"] for e in system.place if "current" in points.outputs(e)}
        times.flags.writeable = False
        return Course(times, nodes, currents, self.events(), points, self)

    def events(self) -> tuple[Event, ...]:
        """Say what happened."""
        found = [Event(p.time, p.what) for p in self.phases[: len(self.runs)] if p.what]
        return (*found, *([Event(self.stop.time, self.stop.verdict, ends=True)] if self.stop else []))


@dataclass
class _Along(Reached):
    """Times of one course; stops_at: those at which it stopped."""

    stops_at: dict[int, str]

    @property
    def stopped(self) -> dict[int, str]:
        """Why the course stopped, at its last time."""
        return self.stops_at

    @property
    def heat(self) -> str:
        """How the bodies are, in words."""
        return "on its course in time"


def _joined(phases: Sequence[Phase], numbers: NDArray[np.intp]) -> dict[tuple[str, str], Array]:
    """Give the parameters that differ from nominal in any phase, one entry a time."""
    keys = dict.fromkeys(key for p in phases for key in p.values)
    lost = [key for key in keys if any(key not in p.values for p in phases)]
    if lost:
        raise InputError(f"{'.'.join(lost[0])} is given for some phases and not for others", key="phases")
    return {key: np.array([float(np.ravel(phases[k].values[key])[0]) for k in numbers.tolist()]) for key in keys}


def follow(
    net: Netlist | Compiled, until: float, phases: Sequence[Phase] = (), *, start: str | Array = "rest",
    ambient: float = 20.0, relative: float = RELATIVE, given: Mapping[str, Any] | None = None,
) -> Course:  # fmt: skip
    """Follow a circuit in time.

    Parameters
    ----------
    net
        The circuit.
    until
        When to end, s.
    phases
        What holds from when on, in the order of time, the first from 0; none: the nominal circuit is switched on at 0.
    start
        "rest" (no currents, all shafts standing, bodies at ambient), "cold" or "warm" (the first phase settled, bodies at
        ambient or settled too), or x itself, (rows, 1).
    ambient
        Temperature around, °C.
    relative
        Allowed error of a step as a share of each value.
    given
        Kept with the course as it is.

    Returns
    -------
    Course
        At the ends of the steps taken; it ends where a law leaves its range: a fuse or a cutout opens, something melts.

    Raises
    ------
    InputError
        For times out of order, or another `start`.
    SolveError
        When the integration finds no way on.
    """
    compiled = net if isinstance(net, Compiled) else compile_netlist(net)
    known = sorted(phases, key=lambda p: p.time) or [Phase(0.0)]
    if known != list(phases or known) or known[0].time != 0.0 or not known[-1].time < until < np.inf:
        raise InputError("phases start at 0 and follow each other in time, before the end", key="phases")
    plan, x = step_plan(compiled), _start(compiled, known[0], start, ambient)
    runs: list[Follower] = []
    starts: list[Array] = []
    for phase, end in zip(known, [*(p.time for p in known[1:]), until], strict=True):
        # Matched once a phase: what is on a command line changes with the phases, and within one but by milliohms.
        laws = matched(Evaluator.of(compiled.system, phase.values, 1), x)
        run = Follower(plan, laws, x, time=phase.time, relative=relative, keep=True)
        run.change(laws)
        runs.append(run)
        starts.append(run.x.copy())
        run.to(end)
        x = run.x
        if run.stops:
            break
    stop = run.stops.get(0)
    if stop is not None and stop.verdict == "unconverged":
        raise SolveError(
            "the course in time finds no way on", circuit=compiled.system.net.name, condition=f"at {stop.time:g} s"
        )
    way = _Way(compiled, known, ambient, runs, starts, float(run.time[0]), stop, given or {})
    return way.course(*way.edges())


def _start(compiled: Compiled, phase: Phase, start: str | Array, ambient: float) -> Array:
    if not isinstance(start, str):
        return np.array(start, float).reshape(-1, 1)
    if start == "rest":
        return compiled.system.rest(np.array([ambient], float))
    if start not in ("cold", "warm"):
        raise InputError(f"start {start!r}; accepted: rest, cold, warm", key="start")
    points = Points(compiled.solve(phase.values, ambient=ambient, frozen=start == "cold", size=1))
    points.require(f"settled {start}")
    if not points.valid[0]:
        raise SolveError(f"nothing settles to start from: {points.verdicts[0]}", circuit=compiled.system.net.name)
    return np.array(points.solved.x)
