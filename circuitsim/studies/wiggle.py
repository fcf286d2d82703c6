"""Wiggling at a connector: what each instrument shows of a contact that opens and closes at random, and who catches it.

An instrument CATCHES it in a trial when something that it shows leaves the 95 % band of good circuits (parts alone) by more
than the instrument's own error: a DC reading, an average over the capture time of minimum and maximum, a sample of a scope. A
lamp catches it when its filament's power leaves that of the closed contact by more than 30 % (light goes with about the square
of that, from memory). The chances are counted over random trials from a seed; for those that one long open
is enough for, the closed form of the two-state process (`chance_of_open`) stands beside, with the speed as held; several short
ones within one capture time, which add up, are not in it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Band, Conditions, Measured, Meter, Task, band_of, fitted_supply, measure_with_points
from circuitsim.measure import meter as find_meter
from circuitsim.measure.instruments import SCOPE, TIMING, Timing, dc_record, lamp_share
from circuitsim.measure.readings import INSTRUMENTS
from circuitsim.measure.traces import Trace
from circuitsim.quantities import parse
from circuitsim.studies.cautions import jumper_cautions, loading_cautions
from circuitsim.studies.loose import OPEN, States, loosened, states_by_step
from circuitsim.studies.predict import circuit_of, reading_plan
from circuitsim.studies.telegraph import chance_of_open, draw_switchings
from circuitsim.studies.wiggling import Record, follow

__all__ = ["Catch", "StepWiggle", "Strip", "WiggleReport", "wiggle"]

Array = NDArray[np.float64]
_LAMP_SHARE = 0.3  # of the filament's power: what an eye sees as a flicker (assumed)
_LAMP_DARK = 0.04  # below this share a lamp is dark: see `lamp_look`
_RANGES = {"rate_open": (1e-3, 1e3, "Hz"), "open_time": (1e-4, 60.0, "s"), "duration": (0.5, 300.0, "s")}


@dataclass(frozen=True)
class Catch:
    """One instrument at one step.

    instrument: 'DC', 'min/max', 'peak', 'lamp' or 'scope'; hold: seconds that one open must last to be caught by it (NaN: no
    such time); low, high: what it must show less, or more, than, to be a catch; chance: share of the trials in which it caught,
    with its standard error; two_state: closed form with the speed held, NaN where there is none; closed: what it shows with the
    contact closed, a lamp its share of rated power; shows: what it shows furthest off in the trial of the strip.
    """

    instrument: str
    hold: float
    low: float
    high: float
    chance: float
    error: float
    two_state: float
    closed: float
    shows: float


@dataclass(frozen=True)
class StepWiggle:
    """One step: what is probed with the contact closed, and right after it opens, at the speed that the motor then has (SI).

    low, high: 95 % band of good circuits, parts alone; through_closed, through_open: current through the contact, A; slowing:
    how fast the shaft slows down while it is open, rad/s².
    """

    step: str
    closed: float
    opened: float
    low: float
    high: float
    through_closed: float
    through_open: float
    speed: float
    slowing: float
    catches: tuple[Catch, ...]

    def chance(self, instrument: str) -> float:
        """Chance that an instrument catches it; NaN where it is not used."""
        return next((c.chance for c in self.catches if c.instrument == instrument), math.nan)

    @property
    def moves(self) -> float:
        """How far the contact moves what is probed."""
        return abs(self.opened - self.closed)


@dataclass(frozen=True)
class Strip:
    """One trial as the instruments see it: the trace, DC readings with their times, and the lamp's share of its power."""

    trace: Trace
    reading_times: Array
    readings: Array
    lamp_times: Array
    lamp: Array
    opens: int


@dataclass(frozen=True)
class WiggleReport:
    """What wiggling finds. `step` is the one in the strip; `steps` has every step, for comparison."""

    circuit: str
    title: str
    summary: str
    site: str
    leads: str
    unit: str
    meter: str
    rate_open: float
    open_time: float
    ohms: float
    duration: float
    trials: int
    seed: int
    step: str
    steps: tuple[StepWiggle, ...]
    strip: Strip
    timing: Timing
    options: Mapping[str, str]
    cautions: tuple[str, ...] = ()

    @property
    def chosen(self) -> StepWiggle:
        """The step that was asked for."""
        return next(s for s in self.steps if s.step == self.step)

    def to_dict(self) -> dict[str, Any]:
        """Give everything but the strip's trace as plain values, SI units; None for what is no number."""
        plain = {k: v for k, v in self.__dict__.items() if k not in ("steps", "strip", "timing", "options", "title")}
        steps = [{**s.__dict__, "catches": [dict(c.__dict__) for c in s.catches]} for s in self.steps]
        found: dict[str, Any] = _finite(
            {**plain, "options": dict(self.options), "timing": dict(self.timing.__dict__), "steps": steps,
             "strip": {"opens": self.strip.opens, "times": self.strip.reading_times.tolist(),
                       "readings": self.strip.readings.tolist()}}
        )  # fmt: skip
        return found


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _finite(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def wiggle(
    circuit: Circuit | str, at: str, *, step: str | int | None = None, probe: str | None = None, rate_open: Any = 2.0,
    open_time: Any = 0.03, depth: Any = "open", duration: Any = 10.0, trials: int = 400, seed: int = 1,
    meter: str = "standard", **conditions: Any,
) -> WiggleReport:  # fmt: skip
    """Work out who catches a contact that opens and closes at random.

    Parameters
    ----------
    circuit : Circuit or str
        The healthy circuit, or the name of one.
    at : str
        Where the contact is bad: a joint, pin, switch, wire or fuse.
    step : str
        At which the circuit runs; the last one by default.
    probe : str
        ``RED:BLACK`` or ``at:ELEMENT`` for a clamp; by default across the motor where the circuit has the points MOT+ and
        MOT-, else across the bad contact.
    rate_open : float or str
        How often it opens, while closed, Hz ("2/s").
    open_time : float or str
        How long it stays open, on average, s.
    depth : float or str
        "open", or the ohms that it then has ("5 Ω").
    duration : float or str
        Time for which somebody wiggles, s.
    trials, seed : int
        Random trials a step; same seed, same numbers.
    meter : str
        See `circuitsim.measure.METERS`.
    **conditions
        As for `predict`: supply, supply_at, ambient, engine, ignition, since, unplug, fit.

    Raises
    ------
    InputError
        (or UnknownNameError, QuantityError) for anything that is not accepted, by name.
    SolveError
        No operating point with the contact closed.
    """
    circuit, tool = circuit_of(circuit), find_meter(meter)
    state = Conditions.read(circuit, **conditions)
    given = {"rate_open": rate_open, "open_time": open_time, "duration": duration}
    rate, mean_open, time = (_number(key, value) for key, value in given.items())
    ohms = _ohms(depth)
    for key, number, least in (("trials", trials, 1), ("seed", seed, 0)):
        if not isinstance(number, int) or number < least:
            raise InputError(f"{number} is no whole number from {least} on", key=key)
    chosen = circuit.steps[-1] if step is None else str(step)
    circuit.step_index(chosen)
    loosened(circuit, at, state)  # refuses a place that there is not
    leads = probe or _leads(circuit, at)
    plan = [task for task, _ in reading_plan(circuit, state, (), leads)]
    setting, known = fitted_supply(circuit, state, tool)
    bare = [Task(t.step, state, "voltmeter") for t in plan]
    good, _, every = measure_with_points(circuit, plan, bare, tool, setting, known)
    states = states_by_step(circuit, at, ohms, state, circuit.steps, plan[0], tool, setting)
    process = _Process(rate, mean_open, time, trials, seed)
    unit = INSTRUMENTS[plan[0].instrument]
    looks = [_Look(process, s, m, tool, unit, circuit.nominal) for s, m in zip(states, good, strict=True)]
    strip_of = circuit.step_index(chosen)
    strip, trial = looks[strip_of].strip()
    steps = tuple(look.step(trial) for look in looks)
    named = f"clamp on {plan[0].at}" if plan[0].at else f"{plan[0].red} : {plan[0].black}"
    return WiggleReport(
        circuit.name, circuit.title, state.sentence(), at, named, unit, tool.note(), rate, mean_open, ohms, time, trials, seed,
        chosen, steps, strip, TIMING, dict(circuit.options),
        (*jumper_cautions(circuit, state), *loading_cautions(circuit, tool, [*bare, *plan], every)),
    )  # fmt: skip


def _leads(circuit: Circuit, site: str) -> str:
    """Give the leads that are on already: across the motor; else the two ends of an element, by names that a person knows."""
    if {"MOT+", "MOT-"} <= {*circuit.probes}:
        return "MOT+:MOT-"
    element = circuit.net.elements[site]
    nodes = [element.nodes[end] for end in element.ends or ()]
    ends: dict[str, str] = {}
    names = circuit.net.aliases()
    for node in nodes:
        own = [n for n in names if n.startswith(f"{site}/") and circuit.net.node(n) == node]
        ends[node] = next(iter(sorted(own, key=lambda n: n.endswith(("/in", "/out")))), node)
    return ":".join(ends[node] for node in nodes)


def _number(key: str, value: Any) -> float:
    low, high, unit = _RANGES[key]
    number = parse(value, unit)
    if not low <= number <= high:
        raise InputError(f"{number:g} {unit} is out of range, accepted: {low:g} to {high:g} {unit}", key=key)
    return number


def _ohms(depth: Any) -> float:
    if isinstance(depth, str) and depth.strip().lower() == "open":
        return OPEN
    ohms = parse(depth, "Ω")
    if not 1e-3 <= ohms <= OPEN:
        raise InputError(f"{ohms:g} Ω is out of range, accepted: 'open', or 0.001 Ω to 1 GΩ", key="depth")
    return ohms


@dataclass(frozen=True)
class _Process:
    rate: float
    open_time: float
    duration: float
    trials: int
    seed: int

    def switchings(self) -> Array:
        """Draw; every step gets the same, so that steps differ by the circuit alone."""
        return draw_switchings(self.rate, self.open_time, self.duration, self.trials, np.random.default_rng(self.seed))


class _Look:
    """All instruments at one step."""

    def __init__(self, process: _Process, states: States, good: Measured, tool: Meter, unit: str, nominal: float) -> None:
        self.process, self.states, self.good, self.tool, self.unit = process, states, good, tool, unit
        self.lamp_volts = 12.0 if nominal < 18 else 24.0
        self.band: Band = band_of(good.expected, good.contributions)
        self.closed, self.opened = (states.reading_at(k, states.running) for k in (0, 1))
        self.record: Record = follow(states, process.switchings(), process.duration)

    def limits(self, error: Any) -> tuple[float, float]:
        """Give what an instrument must show less, or more, than: the band and its own error there."""
        return self.band.low - error(self.band.low), self.band.high + error(self.band.high)

    def strip(self) -> tuple[Strip, int]:
        """Give the first trial in which the contact opened at all, and its number."""
        trial = int(np.argmax(self.record.opens > 0))
        trace = self.record.trace(trial)
        times, readings = dc_record(trace) if self.process.duration >= TIMING.update else (np.zeros(0), np.zeros(0))
        lamp_times, lamp = np.zeros(0), np.zeros(0)
        if self.record.lamp_first.size:
            lamp_times = np.linspace(0, self.process.duration, 2001)
            squares = self.record.trace(trial, lamp=True).filtered_at(TIMING.filament, lamp_times)
            lamp = lamp_share(np.sqrt(np.maximum(squares, 0.0)), voltage=self.lamp_volts)
        return Strip(trace, times, readings, lamp_times, lamp, int(self.record.opens[trial])), trial

    def step(self, trial: int) -> StepWiggle:
        """Give the step's line; `trial` is the one in the strip."""
        s = self.states
        k = int(np.argmin(np.abs(s.speeds - s.running)))
        catches = [*self._meter(trial), *self._lamp(trial), self._scope(trial)]
        return StepWiggle(
            self.good.task.step, self.closed, self.opened, self.band.low, self.band.high, s.through_at(0, s.running),
            s.through_at(1, s.running), s.running, float(-s.acceleration[1, k]), tuple(catches),
        )  # fmt: skip

    def _meter(self, trial: int) -> list[Catch]:
        low, high = self.limits(lambda v: self.tool.limit(v, self.unit))
        readings = self.record.readings()
        caught = ((readings < low) | (readings > high)).any(axis=0)
        seen = readings[:, trial]
        found = [self._catch("DC", math.nan, low, high, caught, float(seen[np.argmax(np.abs(seen - self.closed))]))]
        for name, capture in (("min/max", TIMING.capture), ("peak", TIMING.peak)):
            caught = self.record.averages_leave(low, high, capture)
            found.append(self._catch(name, self._needed(capture, low, high), low, high, caught, self._furthest(trial, capture)))
        return found

    def _needed(self, capture: float, low: float, high: float) -> float:
        """How long one open must last to move an average over the capture time out of the limits, s; else infinite."""
        limit = low if self.opened < self.closed else high
        share = (limit - self.closed) / (self.opened - self.closed) if self.opened != self.closed else math.inf
        return max(share, 0.0) * capture if share <= 1 else math.inf

    def _scope(self, trial: int) -> Catch:
        low, high = self.limits(SCOPE.screen.limit)
        caught = self.record.longest_outside(low, high) >= SCOPE.interval
        return self._catch("scope", SCOPE.interval, low, high, caught, self._furthest(trial, 0.0))

    def _lamp(self, trial: int) -> list[Catch]:
        if self.states.lamp is None:
            return []
        now = float(np.interp(self.states.running, self.states.speeds, self.states.lamp[0]))
        share = float(lamp_share(now, voltage=self.lamp_volts))
        low = (1 - _LAMP_SHARE) * share if share >= _LAMP_DARK else -1.0
        high = max((1 + _LAMP_SHARE) * share, _LAMP_DARK)
        least, most = (lamp_share(np.sqrt(np.maximum(s, 0.0)), voltage=self.lamp_volts) for s in self.record.lamp_range())
        ends = float(least[trial]), float(most[trial])
        shows = max(ends, key=lambda v: abs(v - share))
        return [self._catch("lamp", math.nan, low, high, (least < low) | (most > high), shows, share)]

    def _furthest(self, trial: int, capture: float) -> float:
        """Of the extremes of averages over a time, the one further off the closed contact."""
        return max(self.record.trace(trial).averaged_range(capture), key=lambda v: abs(v - self.closed))

    def _catch(
        self, name: str, hold: float, low: float, high: float, caught: Any, shows: float, closed: float | None = None
    ) -> Catch:
        p, n = self.process, int(np.size(caught))
        hits = int(np.count_nonzero(caught))
        # Two successes and two failures added, so that a chance near 0 or 1 has an error too (Agresti and Coull, 1998).
        middle = (hits + 2) / (n + 4)
        outside = self.opened < low or self.opened > high
        closed_form = math.nan
        if not math.isnan(hold):
            closed_form = chance_of_open(p.rate, p.open_time, hold, p.duration) if outside else 0.0
        error = math.sqrt(middle * (1 - middle) / (n + 4))
        return Catch(name, hold, low, high, hits / n, error, closed_form, self.closed if closed is None else closed, shows)
