"""How wide is good over production tolerances: Monte Carlo bands of the whole chart, in constant memory.

One sample is one vehicle, with a value for every uncertain number, measured at every step. Chunks of vehicles are drawn,
solved and reduced to histograms and sums on their own, and joined in order: the result depends on the seed and the
number of samples, not on who computed which chunk.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.anchored import Anchored
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.points import Points
from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit, StandardReading
from circuitsim.measure import Band, Conditions, Measured, Task, band_of, fitted_supply, make_bench, measure
from circuitsim.measure import meter as find_meter
from circuitsim.measure.readings import INSTRUMENTS, step_values
from circuitsim.quantities import Tolerance
from circuitsim.studies.sampling import Key, Uncertain, corner, draw, uncertain_numbers

__all__ = ["CHUNK", "Spread", "ToleranceReport", "tolerance"]

Array = NDArray[np.float64]
CHUNK = 4096
"""Vehicles a chunk; a power of two, as Sobol sets want it."""
_BINS = 2048
_REACH = 8.0  # half range of the histograms, in half widths of the first-order band
_IN_FLIGHT = 8  # chunks handed to an executor ahead of the one that is waited for


@dataclass(frozen=True)
class Spread:
    """One reading at one step over all vehicles, SI units.

    low, median, high: 2.5, 50, 97.5 % quantiles; first_order: the band from slopes; corner_low, corner_high: all
    numbers at the ends of their ranges, on the side that lowers or raises it; shares: what moves it, by share of its
    variance (first-order, from the correlation with each number), largest first. No meter error is in any of them.
    """

    label: str
    step: str
    instrument: str
    red: str
    black: str
    at: str
    unit: str
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
    shares: tuple[tuple[str, float], ...]

    @property
    def differs(self) -> float:
        """How far the first-order band lies off the Monte Carlo one, as a share of that one's width."""
        width = self.high - self.low
        off = max(abs(self.first_order.low - self.low), abs(self.first_order.high - self.high))
        return off / width if width > 0 else 0.0


@dataclass(frozen=True)
class ToleranceReport:
    """Spreads of a circuit's readings; `complete` is False when it was stopped early.

    samples: vehicles; refused: points (vehicle × step) that were no reading, such as one that runs away.
    """

    circuit: str
    summary: str
    samples: int
    seed: int
    refused: int
    complete: bool
    spreads: tuple[Spread, ...]

    def records(self) -> list[dict[str, Any]]:
        """Give the spreads as plain dicts, SI units."""
        return [
            {
                **{k: v for k, v in s.__dict__.items() if k not in ("first_order", "shares")},
                "first_order_low": s.first_order.low, "first_order_high": s.first_order.high,
                "shares": [{"what": what, "share": share} for what, share in s.shares],
            }
            for s in self.spreads
        ]  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Give everything as plain values."""
        return {
            "circuit": self.circuit, "conditions": self.summary, "samples": self.samples, "seed": self.seed,
            "refused": self.refused, "complete": self.complete, "spreads": self.records(),
        }  # fmt: skip


@dataclass(frozen=True)
class _Job:
    """Everything a chunk needs; picklable, so that any process can run it."""

    circuit: Circuit
    conditions: Conditions
    readings: tuple[StandardReading, ...]
    setting: tuple[tuple[Key, float], ...]
    numbers: tuple[Uncertain, ...]
    centres: Array
    halves: Array
    seed: int

    @cached_property
    def anchored(self) -> Anchored:
        """The circuit with no meter on it, about the nominal vehicle at each step."""
        net = make_bench(self.circuit).net
        frozen = self.conditions.since == "cold"
        count = len(self.circuit.steps)
        return Anchored(compile_netlist(net), self.modes, count, ambient=self.conditions.ambient, frozen=frozen)

    @cached_property
    def loading(self) -> Array:
        """What its own meter adds to each nominal reading, (readings, steps); taken as the same for all vehicles."""
        bare = Points(self.anchored.nominal)
        added: Array = self.centres - np.array([_values(bare, r) for r in self.readings])
        return added

    @cached_property
    def modes(self) -> dict[Key, Array]:
        """Parameters of the nominal vehicle, one entry a step."""
        steps = [(s, self.conditions) for s in self.circuit.steps]
        count = len(self.circuit.steps)
        values: dict[Key, Array] = {k: np.asarray(v) for k, v in step_values(self.circuit, steps).items()}
        return values | {k: np.full(count, v) for k, v in self.setting}


@dataclass
class _Sums:
    """What is kept of the vehicles so far: histograms, extremes, sums; all of one size, whatever their number."""

    counts: NDArray[np.int64]
    lowest: Array
    highest: Array
    total: Array
    squares: Array
    products: Array
    valid: NDArray[np.int64]
    refused: int

    def add(self, other: _Sums) -> None:
        """Join another chunk's."""
        self.counts += other.counts
        self.lowest, self.highest = np.minimum(self.lowest, other.lowest), np.maximum(self.highest, other.highest)
        self.total += other.total
        self.squares += other.squares
        self.products += other.products
        self.valid += other.valid
        self.refused += other.refused


def tolerance(
    circuit: Circuit, *, samples: int = 4096, seed: int = 1, executor: Executor | None = None,
    progress: Callable[[int], None] | None = None, rows: Iterable[str] = (), meter: str = "standard", **conditions: Any,
) -> ToleranceReport:  # fmt: skip
    """Spread of the circuit's plugged readings over its tolerances, by Monte Carlo.

    Parameters
    ----------
    samples : int
        Vehicles, rounded up to whole chunks of 4,096.
    seed : int
        Same seed and samples, same numbers, on any executor.
    executor : concurrent.futures.Executor
        Computes the chunks: threads, processes, or that of a distributed engine. None computes them here.
    progress : callable
        Called with the number of vehicles done after each chunk.
    rows : iterable of str
        Only readings with one of these texts in their label.
    **conditions
        As for `predict`: supply, ambient, engine, since.

    Returns
    -------
    ToleranceReport
        With what was finished when it is interrupted by Ctrl-C.

    Raises
    ------
    InputError
        For conditions that are not accepted, no readings, or a number of samples that is none.
    """
    if samples < 1:
        raise InputError(f"{samples} samples; accepted: 1 or more", key="samples")
    tool = find_meter(meter)
    state = Conditions.read(circuit, **conditions)
    if state.unplugged or state.fitted:
        raise InputError("tolerance reads the circuit plugged, with nothing fitted", key="unplug")
    readings = _chosen(circuit, tuple(rows))
    setting, known = fitted_supply(circuit, state, tool)
    nominal = measure(circuit, _tasks(circuit, readings, state), tool, setting, known)
    job = _job(circuit, state, readings, setting, known, nominal, seed)
    chunks = -(-samples // CHUNK)
    sums: _Sums | None = None
    complete = False
    try:
        for k, part in enumerate(_in_order(executor, job, chunks)):
            if sums is None:
                sums = part
            else:
                sums.add(part)
            if progress is not None:
                progress((k + 1) * CHUNK)
        complete = True
    except KeyboardInterrupt:
        if sums is None:
            raise
    if sums is None:
        raise InputError("no chunk was computed", key="samples")
    return _report(job, sums, nominal, complete, state)


def _chosen(circuit: Circuit, rows: tuple[str, ...]) -> tuple[StandardReading, ...]:
    found = tuple(
        r for r in circuit.readings
        if not r.unplugged and r.ignition == "on" and r.instrument in ("voltmeter", "clamp")
        and (not rows or any(text.casefold() in r.label.casefold() for text in rows))
    )  # fmt: skip
    if not found:
        raise InputError(f"{circuit.name} has no such plugged reading", key="rows")
    return found


def _tasks(circuit: Circuit, readings: tuple[StandardReading, ...], state: Conditions) -> list[Task]:
    return [Task(s, state, r.instrument, r.red, r.black, r.at) for r in readings for s in circuit.steps]


def _job(
    circuit: Circuit, state: Conditions, readings: tuple[StandardReading, ...], setting: dict[Key, float],
    known: dict[Key, Tolerance], nominal: list[Measured], seed: int,
) -> _Job:  # fmt: skip
    placed = _on_nodes(circuit, readings)
    net = make_bench(circuit).net
    numbers = uncertain_numbers(circuit, net, {k: (setting[k], t) for k, t in known.items()})
    bands = [band_of(m.expected, m.contributions) for m in nominal]
    halves = [max(b.high - m.expected, m.expected - b.low, 1e-6) for b, m in zip(bands, nominal, strict=True)]
    shape = (len(readings), len(circuit.steps))
    centres = np.array([m.expected for m in nominal]).reshape(shape)
    return _Job(
        circuit, state, placed, tuple(setting.items()), numbers, centres, np.array(halves).reshape(shape), seed
    )  # fmt: skip


def _on_nodes(circuit: Circuit, readings: tuple[StandardReading, ...]) -> tuple[StandardReading, ...]:
    """Give the readings with the nodes of their probe points in place of the names."""
    from dataclasses import replace

    return tuple(r if r.at else replace(r, red=circuit.node(r.red), black=circuit.node(r.black)) for r in readings)


_JOBS: dict[bytes, _Job] = {}


def _in_order(executor: Executor | None, job: _Job, chunks: int) -> Iterator[_Sums]:
    """Run the chunks and give their sums in order, a few ahead at the most."""
    if executor is None:
        yield from (_chunk(job, k) for k in range(chunks))
        return
    import pickle

    packed = pickle.dumps(job)
    waiting: deque[Future[_Sums]] = deque()
    try:
        for k in range(chunks):
            waiting.append(executor.submit(_packed_chunk, packed, k))
            if len(waiting) >= _IN_FLIGHT:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for future in waiting:
            future.cancel()


def _packed_chunk(packed: bytes, k: int) -> _Sums:
    """Run a chunk where the job may be new: each process unpacks and compiles it once."""
    import pickle

    if packed not in _JOBS:
        _JOBS.clear()
        _JOBS[packed] = pickle.loads(packed)  # our own bytes, made by _in_order
    return _chunk(_JOBS[packed], k)


def _chunk(job: _Job, chunk: int) -> _Sums:
    """Draw, solve and reduce one chunk of vehicles."""
    standard = draw(job.numbers, CHUNK, job.seed, chunk)
    steps = len(job.circuit.steps)
    labels = np.repeat(np.arange(steps), CHUNK)
    values: dict[Key, Any] = {k: v[0] if np.ptp(v) == 0 else v[labels] for k, v in job.modes.items()}
    for number, z in zip(job.numbers, standard, strict=True):
        drawn = number.at(z)
        if number.step is None:
            values[number.key] = np.tile(drawn, steps)
        else:
            values[number.key] = (
                np.array(values[number.key], copy=True)
                if np.ndim(values[number.key])
                else np.full(labels.size, values[number.key])
            )
            values[number.key][number.step * CHUNK : (number.step + 1) * CHUNK] = drawn
    return _reduced(job, Points(job.anchored.solve(labels, values)), standard)


def _reduced(job: _Job, points: Points, standard: Array) -> _Sums:
    readings, steps = job.centres.shape
    y = np.array([_values(points, r) for r in job.readings]).reshape(readings, steps, CHUNK) + job.loading[:, :, None]
    valid = np.broadcast_to(points.sound.reshape(steps, CHUNK), y.shape)
    off = np.where(valid, y - job.centres[:, :, None], 0.0)
    place = np.floor((off / (_REACH * job.halves[:, :, None]) + 1.0) * (_BINS / 2)).astype(np.int64)
    place = np.clip(place, -1, _BINS) + 1
    base = np.arange(readings * steps)[:, None] * (_BINS + 2)
    flat = (place.reshape(readings * steps, CHUNK) + base)[valid.reshape(readings * steps, CHUNK)]
    counts = np.bincount(flat, minlength=readings * steps * (_BINS + 2)).reshape(readings, steps, _BINS + 2)
    return _Sums(
        counts, np.where(valid, y, np.inf).min(axis=2), np.where(valid, y, -np.inf).max(axis=2),
        off.sum(axis=2), (off**2).sum(axis=2), off @ standard.T, valid.sum(axis=2), int((~points.sound).sum()),
    )  # fmt: skip


def _values(points: Points, r: StandardReading) -> Array:
    return points.current(r.at) if r.at else points.voltage(r.red, r.black)


def _report(job: _Job, sums: _Sums, nominal: list[Measured], complete: bool, state: Conditions) -> ToleranceReport:
    corners = _corners(job, nominal)
    spreads = []
    steps = job.circuit.steps
    for i, m in enumerate(nominal):
        row, step = divmod(i, len(steps))
        n = int(sums.valid[row, step])
        mean = sums.total[row, step] / max(n, 1)
        variance = max(sums.squares[row, step] / max(n, 1) - mean**2, 0.0)
        low, median, high = _quantiles(sums.counts[row, step], job.centres[row, step], job.halves[row, step])
        first = band_of(m.expected, m.contributions)
        spreads.append(
            Spread(
                job.readings[row].label, steps[step], m.task.instrument, m.task.red, m.task.black,
                m.task.at, INSTRUMENTS[m.task.instrument], m.expected, job.centres[row, step] + mean,
                float(np.sqrt(variance)), low, median, high, float(sums.lowest[row, step]),
                float(sums.highest[row, step]), first, *corners[i], _shares(job, sums.products[row, step], n, variance),
            )
        )  # fmt: skip
    samples = int(sums.counts.sum(axis=2).max(initial=0))
    return ToleranceReport(
        job.circuit.name, state.sentence(), samples, job.seed, sums.refused, complete, tuple(spreads)
    )  # fmt: skip


def _quantiles(counts: NDArray[np.int64], centre: float, half: float) -> tuple[float, float, float]:
    """Read quantiles off a histogram, straight within a bin; a bin is 1/128 of the first-order band's half width."""
    edges = centre + _REACH * half * np.linspace(-1.0, 1.0, _BINS + 1)
    below = np.concatenate([[0], np.cumsum(counts)])[1:-1]
    total = counts.sum()
    low, median, high = np.interp(np.array([0.025, 0.5, 0.975]) * total, below, edges)
    return float(low), float(median), float(high)


def _shares(job: _Job, products: Array, n: int, variance: float) -> tuple[tuple[str, float], ...]:
    """Square of the correlation with each number: its first-order share of the variance."""
    if n == 0 or variance <= 0:
        return ()
    share = (products / n) ** 2 / variance
    largest = np.argsort(-share, kind="stable")[:5]
    return tuple((job.numbers[k].name, float(share[k])) for k in largest if share[k] > 0.01)


def _corners(job: _Job, nominal: list[Measured]) -> list[tuple[float, float]]:
    """Solve each reading with every number at the end of its range that lowers, or raises, it to first order."""
    steps = job.circuit.steps
    tasks = [(steps[i % len(steps)], job.conditions) for i in range(len(nominal)) for _ in (0, 1)]
    values: dict[Key, Any] = {k: np.asarray(v) for k, v in step_values(job.circuit, tasks).items()}
    values |= {k: np.full(len(tasks), v) for k, v in job.setting}
    for number in job.numbers:
        base = values.get(number.key, np.full(len(tasks), number.nominal))
        values[number.key] = np.array(base, dtype=float)
    for i, m in enumerate(nominal):
        slopes = {c.what: c.slope for c in m.contributions}
        for number in job.numbers:
            if number.step in (None, i % len(steps)):
                slope = slopes.get(".".join(number.key), 0.0)
                for side in (0, 1):
                    sign = (1.0 if side else -1.0) * float(np.sign(slope))
                    if sign:
                        values[number.key][2 * i + side] = corner(number, sign)
    frozen = job.conditions.since == "cold"
    points = Points(job.anchored.compiled.solve(values, ambient=job.conditions.ambient, frozen=frozen, size=len(tasks)))
    found = []
    for i, _ in enumerate(nominal):
        y = _values(points, job.readings[i // len(steps)]) + job.loading[divmod(i, len(steps))]
        pair = [float(y[k]) if points.sound[k] else float("nan") for k in (2 * i, 2 * i + 1)]
        found.append((pair[0], pair[1]))
    return found
