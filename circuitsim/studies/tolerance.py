"""How wide is good over production tolerances: Monte Carlo bands of the whole chart, in constant memory.

One sample is one vehicle, with a value for every uncertain number, measured in every state of the chart: at each step,
plugged and unplugged, ignition on and off. Chunks of vehicles are drawn and solved on their own and streamed in order:
the result depends on the seed and the number of samples, not on who computed which chunk.
"""

from __future__ import annotations

import pickle
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit, StandardReading
from circuitsim.measure import Band, Conditions, Measured, Meter, Task, band_of, fitted_supply, measure_with_points
from circuitsim.measure import meter as find_meter
from circuitsim.measure.readings import INSTRUMENTS
from circuitsim.studies.cautions import jumper_cautions, loading_cautions
from circuitsim.studies.predict import circuit_of, reading_plan
from circuitsim.studies.rigs import Rig, make_rigs
from circuitsim.studies.rows import rows_with
from circuitsim.studies.sampling import Uncertain, draw, uncertain_numbers
from circuitsim.studies.streaming import Streamed

__all__ = ["CHUNK", "Spread", "ToleranceReport", "tolerance"]

Array = NDArray[np.float64]
CHUNK = 4096
"""Vehicles a chunk; a power of two, as Sobol sets want it."""
_AHEAD = 8
_MOVERS = 5  # parts named for a reading
_LEAST_SHARE = 0.01  # of the variance; less is chance


@dataclass(frozen=True)
class Spread:
    """One reading at one step over all vehicles, SI units; NaN where there is no reading.

    expected: of the nominal vehicle, whose state is `verdict`; low, median, high: 2.5, 50, 97.5 % quantiles, each
    within `resolution` of the exact one of the sample; first_order: the band from slopes; corner_low, corner_high: all
    numbers at the ends of their ranges, on the side that lowers or raises it; shares: what moves it, by share of its
    variance (first-order, from the correlation with each number), largest first; digit: the finest that the instrument
    shows; count: vehicles that gave a reading.
    The meter loads the circuit as it does in `predict`; its error is in none of them. floating: a lead is on a part
    with no path to ground.
    """

    label: str
    step: str
    instrument: str
    red: str
    black: str
    at: str
    unplugged: tuple[str, ...]
    ignition: str
    engine: str
    fitted: tuple[str, ...]
    unit: str
    verdict: str
    floating: bool
    expected: float
    mean: float
    deviation: float
    low: float
    median: float
    high: float
    minimum: float
    maximum: float
    first_order: Band
    corner_low: float
    corner_high: float
    count: int
    resolution: float
    digit: float
    shares: tuple[tuple[str, float], ...]

    @property
    def differs(self) -> float:
        """How far the first-order band lies off the Monte Carlo one, as a share of that one's width."""
        width = self.high - self.low
        off = max(abs(self.first_order.low - self.low), abs(self.first_order.high - self.high))
        return off / width if width > 0 else 0.0

    def record(self) -> dict[str, Any]:
        """Give plain values, SI units."""
        plain = {k: list(v) if isinstance(v, tuple) else v for k, v in self.__dict__.items()}
        del plain["first_order"], plain["shares"]
        return {
            **plain, "first_order_low": self.first_order.low, "first_order_high": self.first_order.high,
            "shares": [{"what": what, "share": share} for what, share in self.shares],
        }  # fmt: skip


@dataclass(frozen=True)
class ToleranceReport:
    """Spreads of a circuit's readings, in the order of its chart; `complete` is False when it was stopped early.

    samples: vehicles; refused: points (vehicle × state) that were no reading, such as one that runs away; cautions: what is
    told of jumpers and of the meter, on the nominal vehicle.
    """

    circuit: str
    summary: str
    samples: int
    seed: int
    refused: int
    complete: bool
    spreads: tuple[Spread, ...]
    cautions: tuple[str, ...] = ()

    def records(self) -> list[dict[str, Any]]:
        """Give the spreads as plain dicts, SI units."""
        return [s.record() for s in self.spreads]

    def to_dict(self) -> dict[str, Any]:
        """Give everything as plain values."""
        return {
            "circuit": self.circuit, "conditions": self.summary, "samples": self.samples, "seed": self.seed,
            "refused": self.refused, "complete": self.complete, "spreads": self.records(),
            "cautions": list(self.cautions),
        }  # fmt: skip


@dataclass(frozen=True)
class _Part:
    """What a chunk gives: every reading of every vehicle, (readings, vehicles), NaN where there is none."""

    values: Array
    refused: int


@dataclass(frozen=True)
class _Job:
    """Everything a chunk needs; picklable, so that any process can run it."""

    rigs: tuple[Rig, ...]
    numbers: tuple[Uncertain, ...]
    rows: int
    seed: int
    _made: list[bool] = field(default_factory=list, compare=False)

    def standard(self, chunk: int) -> Array:
        """Draw the vehicles of a chunk: standardised deviates, (numbers, vehicles)."""
        return draw(self.numbers, CHUNK, self.seed, chunk)

    def make_ready(self) -> None:
        """Compile every rig, by one vehicle, before several threads need it."""
        if not self._made:
            self._solved(np.zeros((len(self.numbers), 2)))
            self._made.append(True)

    def run(self, chunk: int) -> _Part:
        """Draw and solve one chunk of vehicles."""
        return self._solved(self.standard(chunk))

    def _solved(self, standard: Array) -> _Part:
        values = np.full((self.rows, standard.shape[1]), np.nan)
        return _Part(values, sum(rig.solve(self.numbers, standard, values) for rig in self.rigs))


def tolerance(
    circuit: Circuit | str, *, samples: int = 4096, seed: int = 1, executor: Executor | None = None, ahead: int = _AHEAD,
    progress: Callable[[int], None] | None = None, rows: str | Iterable[str] = (), step: str | int | Iterable[str | int] = (),
    probe: str | Iterable[str] = (), instrument: str = "voltmeter", meter: str = "standard", native: bool | None = None,
    **conditions: Any,
) -> ToleranceReport:  # fmt: skip
    """Spread of the circuit's readings over its tolerances, by Monte Carlo.

    Parameters
    ----------
    circuit, step, probe, instrument, meter
        As for `predict`: what is read, and with what.
    samples : int
        Vehicles, rounded up to whole chunks of 4,096.
    seed : int
        Same seed and samples, same numbers, on any executor.
    executor : concurrent.futures.Executor
        Computes the chunks: threads, processes, or that of a distributed engine. None computes them here.
    ahead : int
        Chunks handed to the executor before the first of them is waited for: as many as it has workers, or more.
        Memory grows with it, by a few megabytes a chunk; the numbers do not change.
    progress : callable
        Called with the number of vehicles done, after each chunk.
    rows : str or iterable of str
        Only readings with one of these texts in their label or leads.
    native : bool
        Run programs compiled by llvmlite, or numpy's; by default the former where llvmlite is installed. It is settled
        here for every worker, as the two differ by rounding: ModuleNotFoundError where a worker has no llvmlite.
    **conditions
        As for `predict`: supply, supply_at, ambient, engine, ignition, since, unplug, fit.

    Returns
    -------
    ToleranceReport
        With what was finished when it is interrupted by Ctrl-C.

    Raises
    ------
    InputError
        For conditions that are not accepted, rows that do not exist, or a number of samples that is none.
    SolveError
        When a point of the nominal vehicle does not pass the acceptance rule.
    """
    for key, number in (("samples", samples), ("ahead", ahead)):
        if number < 1:
            raise InputError(f"{number} {key}; accepted: 1 or more", key=key)
    circuit = circuit_of(circuit)
    tool = find_meter(meter)
    state = Conditions.read(circuit, **conditions)
    if not isinstance(state.since, str):  # thousands of courses of time
        raise InputError("a tolerance study takes cold or warm; predict takes a time on as well", key="since")
    plan = _only(reading_plan(circuit, state, step, probe, instrument), (rows,) if isinstance(rows, str) else tuple(rows))
    setting, known = fitted_supply(circuit, state, tool)
    tasks = [task for task, _ in plan]
    bare = [Task(s, state, "voltmeter") for s in dict.fromkeys(t.step for t in tasks)]
    nominal, _, every = measure_with_points(circuit, tasks, bare, tool, setting, known)
    cautions = (*jumper_cautions(circuit, state), *loading_cautions(circuit, tool, [*bare, *tasks], every))
    bands = [band_of(m.expected, m.contributions) for m in nominal]
    halves = [max(b.high - b.low, 0.0) / 2 for b in bands]
    rigs = make_rigs(circuit, tasks, nominal, halves, tool, setting, native)
    numbers = uncertain_numbers(circuit, circuit.net, {k: (setting[k], t) for k, t in known.items()})
    job = _Job(rigs, numbers, len(tasks), seed)
    sums, refused, complete = _streamed(job, -(-samples // CHUNK), executor, ahead, progress)
    spreads = _spreads(job, plan, nominal, bands, sums, tool)
    done = CHUNK * sums.chunks
    return ToleranceReport(circuit.name, state.sentence(), done, seed, refused, complete, spreads, cautions)


def _only(plan: list[tuple[Task, StandardReading]], rows: tuple[str, ...]) -> list[tuple[Task, StandardReading]]:
    """Leave the readings that have one of the texts in their label or leads."""
    kept = rows_with(rows, [(r.label, _leads(t)) for t, r in plan])
    return [line for line, keep in zip(plan, kept, strict=True) if keep]


def _leads(task: Task) -> str:
    return f"on {task.at}" if task.at else f"{task.red} : {task.black}"


def _streamed(
    job: _Job, chunks: int, executor: Executor | None, ahead: int, progress: Callable[[int], None] | None
) -> tuple[Streamed, int, bool]:
    """Stream all chunks; give the sums, the points that were no reading, and whether it ran to its end."""
    sums, refused = Streamed(), 0
    try:
        for k, part in enumerate(_in_order(executor, job, chunks, ahead)):
            sums.add(part.values, job.standard(k))
            refused += part.refused
            if progress is not None:
                progress((k + 1) * CHUNK)
    except KeyboardInterrupt:
        if not sums.chunks:
            raise
        return sums, refused, False
    return sums, refused, True


_LOCK = Lock()
_OWN: dict[bytes, _Job] = {}  # of the studies that run in this process, for its threads
_TAKEN: dict[bytes, _Job] = {}  # the newest that came from another process, and no other


def _in_order(executor: Executor | None, job: _Job, chunks: int, ahead: int) -> Iterator[_Part]:
    """Run the chunks and give what they give in order, a few ahead at the most."""
    if executor is None:
        yield from (job.run(k) for k in range(chunks))
        return
    packed = pickle.dumps(job)
    with _LOCK:
        _OWN[packed] = job
    waiting: deque[Future[_Part]] = deque()
    try:
        for k in range(chunks):
            waiting.append(executor.submit(_run_packed, packed, k))
            if len(waiting) >= ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for future in waiting:
            future.cancel()
        with _LOCK:
            _OWN.pop(packed, None)


def _run_packed(packed: bytes, chunk: int) -> _Part:
    """Run a chunk where the job may be new: each process unpacks and compiles it once."""
    with _LOCK:
        job = _OWN.get(packed) or _TAKEN.get(packed)
        if job is None:
            _TAKEN.clear()
            job = _TAKEN[packed] = pickle.loads(packed)  # our own bytes, made by _in_order
        job.make_ready()
    return job.run(chunk)


def _spreads(
    job: _Job, plan: list[tuple[Task, StandardReading]], nominal: list[Measured], bands: list[Band], sums: Streamed, tool: Meter
) -> tuple[Spread, ...]:
    corners = {row: pair for rig in job.rigs for row, pair in rig.corners(job.numbers, nominal).items()}
    shares = _shares(job, plan, sums)
    spreads = []
    for k, ((t, r), m) in enumerate(zip(plan, nominal, strict=True)):
        live = m.verdict.startswith("live")  # an ohmmeter shows nonsense there, whatever the vehicle
        c = t.conditions
        figures = {"count": 0, **dict.fromkeys(_FIGURES, float("nan"))} if live else _figures(sums, k, corners[k])
        spreads.append(
            Spread(
                label=r.label, step=t.step, instrument=t.instrument, red=t.red, black=t.black, at=t.at,
                unplugged=c.unplugged, ignition=c.ignition, engine=c.engine, fitted=tuple(str(f) for f in c.fitted),
                unit=INSTRUMENTS[t.instrument], verdict=m.verdict, floating=m.floating, expected=m.expected,
                first_order=bands[k], digit=_digit(tool, INSTRUMENTS[t.instrument]), shares=() if live else shares[k],
                **figures,
            )
        )  # fmt: skip
    return tuple(spreads)


_FIGURES = (
    "mean", "deviation", "low", "median", "high", "minimum", "maximum", "resolution", "corner_low", "corner_high",
)  # fmt: skip


def _figures(sums: Streamed, row: int, corners: tuple[float, float]) -> dict[str, Any]:
    """Give the numbers of one reading."""
    count = int(sums.count[row])
    low, median, high, width = sums.quantiles(row)
    ends = (float(sums.minimum[row]), float(sums.maximum[row])) if count else (float("nan"),) * 2
    moments = float(sums.mean[row]), float(np.sqrt(sums.variance[row]))
    found = dict(zip(_FIGURES, (*moments, low, median, high, *ends, width, *corners), strict=True))
    return {"count": count, **found}


def _digit(tool: Meter, unit: str) -> float:
    """Give the finest digit of an instrument; of a lamp a person sees no more than a hundredth of its power."""
    return 0.01 if unit == "1" else tool.ranges(unit)[0].digit


def _shares(job: _Job, plan: list[tuple[Task, StandardReading]], sums: Streamed) -> list[tuple[tuple[str, float], ...]]:
    """Square of the correlation with each number: its first-order share of the variance; a step's own numbers only."""
    circuit = job.rigs[0].circuit
    found = []
    for (task, _), covariance, variance in zip(plan, sums.covariance, sums.variance, strict=True):
        step = circuit.step_index(task.step)
        with np.errstate(divide="ignore", invalid="ignore"):
            every = covariance**2 / variance
        mine = [(n, float(s)) for n, s in zip(job.numbers, every, strict=True) if n.step in (None, step) and s > _LEAST_SHARE]
        largest = sorted(mine, key=lambda pair: -pair[1])[:_MOVERS]
        found.append(tuple((".".join(n.key), share) for n, share in largest))
    return found
