"""What a scope shows between two points, or on a clamp, over a period of a chopping stage; and what meters make of it."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements import Voltmeter
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.periodic_points import Mark, PeriodicPoints
from circuitsim.engine.points import Points
from circuitsim.errors import InputError, SolveError
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Conditions, Meter, Task, fitted_supply
from circuitsim.measure import meter as find_meter
from circuitsim.measure.conditions import make_bench
from circuitsim.measure.instruments import Shown, dc_reading, meter_readings
from circuitsim.measure.readings import INSTRUMENTS, step_values
from circuitsim.measure.sampled import STEADY
from circuitsim.measure.states import points_since
from circuitsim.measure.traces import Trace, wave_trace
from circuitsim.measure.waving import UNKNOWN, Place, Waves
from circuitsim.studies.cautions import driven, jumper_cautions, meter_caution
from circuitsim.studies.commutation import Commutator, current_ripple, ripple_frequency
from circuitsim.studies.predict import circuit_of, reading_plan

__all__ = ["Ripple", "WaveformReport", "waveform"]

Array = NDArray[np.float64]
_FLAT = 1e-3  # s, of a level that nothing chops
_TURNS = (12, 48)  # of the motor that the scope looks at; the latter beside a chopping stage, whose lines must be parted
_SAME = 0.02  # of the motor's speed
_PER_HUMP = 24  # samples
_LIGHT = 3e6  # Ω
_MOST_SAMPLES = 400_000


@dataclass(frozen=True)
class Ripple:
    """Commutation ripple on a clamp.

    frequency: of the humps, Hz; swing: from peak to peak, A; speed: of the motor, rad/s; recovered: the one that the frequency
    found in the samples gives; times, samples, smooth: one turn of the current as a scope samples it, s and A, and the same
    without the chopping.
    """

    commutator: Commutator
    frequency: float
    swing: float
    speed: float
    recovered: float
    times: Array
    samples: Array
    smooth: Array

    @property
    def masked(self) -> bool:
        """Whether the frequency found in the samples is not the commutation's."""
        return not abs(self.recovered - abs(self.speed)) <= _SAME * abs(self.speed)


@dataclass(frozen=True)
class WaveformReport:
    """A waveform and what instruments show of it, SI.

    trace: over a period, its averages exact; marks: its stretches, 'on', 'freewheel', 'dead', or on a command line 'pulled low'
    and 'let go'; duty: share of the first of them, NaN where nothing chops; readings: what a meter (or a clamp) shows;
    verdict: of the operating point; unknown: why the waveform is not known and its average stands for it, else ''; cautions:
    that follow from the meter and from what is fitted.
    """

    circuit: str
    title: str
    summary: str
    step: str
    leads: str
    unit: str
    meter: str
    trace: Trace
    marks: tuple[Mark, ...]
    duty: float
    speed: float
    verdict: str
    readings: tuple[Shown, ...]
    ripple: Ripple | None
    options: Mapping[str, str]
    unknown: str = ""
    cautions: tuple[str, ...] = ()

    @property
    def period(self) -> float:
        """Of the chopping, s; NaN where nothing chops."""
        return self.trace.duration if self.marks else math.nan

    def share(self, mode: str) -> float:
        """Share of the period in a mode."""
        return sum(m.end - m.start for m in self.marks if m.mode == mode) / self.trace.duration

    def mode_at(self, time: float) -> str:
        """Name of the stretch at a time within the period; '' where nothing chops."""
        return next((m.mode for m in reversed(self.marks) if time >= m.start), "")

    def to_dict(self) -> dict[str, Any]:
        """Give everything as plain values, SI; None for what is no number."""
        f = self.trace.figures
        found = {
            "circuit": self.circuit, "options": dict(self.options), "conditions": self.summary, "step": self.step,
            "leads": self.leads, "unit": self.unit, "meter": self.meter, "verdict": self.verdict, "unknown": self.unknown,
            "average": f.mean, "rms": f.rms, "ac_rms": f.ac, "least": f.low, "largest": f.high, "duty": self.duty,
            "period": self.period, "speed": self.speed, "marks": [dict(m.__dict__) for m in self.marks],
            "readings": [_plain(r.__dict__) for r in self.readings], "cautions": list(self.cautions),
            "times": self.trace.times.tolist(), "values": self.trace.values.tolist(),
        }  # fmt: skip
        if self.ripple is not None:
            r = self.ripple
            found["commutation"] = {
                "bars": r.commutator.bars, "brushes": r.commutator.brushes, "humps": r.commutator.humps,
                "frequency": r.frequency, "swing": r.swing, "recovered_speed": r.recovered, "masked": r.masked,
            }  # fmt: skip
        return _plain(found)

    def to_csv(self) -> str:
        """Give CSV text: time in s, the value in its SI unit, and the stretch of the period."""
        out = io.StringIO()
        rows = csv.writer(out, lineterminator="\n")
        rows.writerow(["time, s", f"{self.leads}, {self.unit}", "stretch"])
        middles = np.append((self.trace.times[1:] + self.trace.times[:-1]) / 2, self.trace.times[-1])
        for t, v, inside in zip(self.trace.times, self.trace.values, middles, strict=True):
            rows.writerow([f"{t:.9g}", f"{v:.6g}", self.mode_at(float(inside if inside > t else t - 1e-15))])
        return out.getvalue()


def _plain(found: Mapping[str, Any]) -> dict[str, Any]:
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in found.items()}


def waveform(
    circuit: Circuit | str, *, step: str | int | None = None, probe: str | None = None, meter: str = "standard",
    bars: int | None = None, brushes: int = 2, **conditions: Any,
) -> WaveformReport:  # fmt: skip
    """Give the waveform at one place.

    Parameters
    ----------
    circuit : Circuit or str
        A circuit, or the name of one.
    step : str
        The last one by default.
    probe : str
        ``RED:BLACK``, or ``at:ELEMENT`` for a clamp; by default the motor's low side against ground (MOT-:GND), or the motor's
        current where there is no such point.
    meter : str
        Loads the circuit; its readings come with the waveform.
    bars, brushes : int
        Of the motor: adds its commutation ripple to the current of a clamp on the motor.
    **conditions
        As for `predict`: supply, supply_at, ambient, engine, ignition, since, unplug, fit.

    Raises
    ------
    InputError
        For what is not accepted, by name; bars without a clamp on the motor.
    SolveError
        No operating point.
    """
    circuit, tool = circuit_of(circuit), find_meter(meter)
    state = Conditions.read(circuit, **conditions)
    chosen = circuit.steps[-1] if step is None else str(step)
    leads = probe or ("MOT-:GND" if "MOT-" in circuit.probes else f"at:{circuit.motor}")
    task = reading_plan(circuit, state, chosen, leads)[0][0]
    if bars is not None and task.at != circuit.motor:
        raise InputError(f"needs --probe at:{circuit.motor}: the ripple is on the motor's current", key="bars")
    setting, _ = fitted_supply(circuit, state, tool)
    points = _solved(circuit, task, tool.input_resistance, setting)
    trace, marks, duty = _looked(circuit, points, task)
    unit = INSTRUMENTS[task.instrument]
    readings = meter_readings(trace, tool, unit) if trace.figures.low < trace.figures.high else (dc_reading(trace, tool, unit),)
    speed = float(points.speed(circuit.net.elements[circuit.motor].nodes["shaft"])[0])
    ripple = None if bars is None else _rippled(circuit, points, trace, Commutator(bars, brushes), speed, bool(marks))
    named = f"clamp on {task.at}" if task.at else f"{task.red} : {task.black}"
    return WaveformReport(
        circuit.name, circuit.title, state.sentence(), chosen, named, unit, tool.note(), trace, marks,
        duty, speed, points.verdicts[0], readings, ripple, dict(circuit.options), _unknown(points, marks),
        (*jumper_cautions(circuit, state), *_loading(circuit, task, tool, setting, points)),
    )  # fmt: skip


def _loading(
    circuit: Circuit, task: Task, tool: Meter, setting: Mapping[tuple[str, str], Any], points: Points
) -> tuple[str, ...]:
    """Say whether the meter moves the motor; one of a few megohms or more is taken to move none."""
    if task.at or tool.input_resistance > _LIGHT:
        return ()
    (now,), (before,) = driven(circuit, points), driven(circuit, _solved(circuit, task, math.inf, setting))
    return meter_caution(tool, {0: before}, [(task, 0, now)]) if now and before else ()


def _solved(circuit: Circuit, task: Task, ohms: float, setting: Mapping[tuple[str, str], Any]) -> Points:
    state = task.conditions
    tools = []
    if task.red and math.isfinite(ohms):
        tools.append(Voltmeter("meter-at-probe", circuit.node(task.red), circuit.node(task.black), conductance=1 / ohms))
    bench = make_bench(circuit, state.unplugged, state.fitted, tools)
    values = {**step_values(circuit, [(task.step, state)]), **setting}
    values = {key: v for key, v in values.items() if key[0] in bench.net.elements}
    compiled = compile_netlist(bench.net)
    points = points_since(compiled, values, state.since, ambient=state.ambient, size=1)
    points.require(state.sentence())
    if not points.valid[0]:
        raise SolveError(f"no waveform at step {task.step}: {points.verdicts[0]}", circuit=circuit.name)
    return points


def _looked(circuit: Circuit, points: Points, task: Task) -> tuple[Trace, tuple[Mark, ...], float]:
    """Give the trace, its marks and the duty; a level where nothing chops."""
    nodes = () if task.at else (circuit.node(task.red), circuit.node(task.black))
    waves, place = Waves(points), Place(*(nodes or ("", "")), task.at)
    if line := waves.line(place, 0):
        duty, period = float(line.duty[0]), 1 / float(line.frequency[0])
        marks: tuple[Mark, ...] = (Mark("pulled low", 0.0, duty * period), Mark("let go", duty * period, period))
        return waves.at(place).trace(0), marks, duty
    if not isinstance(points, PeriodicPoints) or not points.periodic[0] or waves.at(place).steady[0]:
        level = float((points.current(task.at) if task.at else points.voltage(*nodes))[0])
        level = 0.0 if abs(level) <= STEADY else level
        return Trace([0.0, _FLAT], [level, level], periodic=True), (), math.nan
    wave = points.currents(task.at) if task.at else points.voltages(*nodes)
    marks = points.marks(0)
    return wave_trace(wave, [0.0, *(m.end for m in marks)]), marks, float(points.duty[0])


def _unknown(points: Points, marks: tuple[Mark, ...]) -> str:
    """Say why what chops is not known; a command line's pulses are."""
    return UNKNOWN if isinstance(points, PeriodicPoints) and points.limited[0] and not marks else ""


def _rippled(circuit: Circuit, points: Points, trace: Trace, commutator: Commutator, speed: float, chopped: bool) -> Ripple:
    motor = circuit.net.elements[circuit.motor]
    emf = float(points.output(circuit.motor, "back emf")[0])
    ripple = current_ripple(commutator, speed, emf, motor.values["resistance"], motor.values["inductance"])
    frequency = commutator.frequency(speed)
    # Fast enough for the chopping, and no simple share of either period; each sample is the average since the one before.
    interval, turns = 1 / (frequency * (_PER_HUMP + 0.318)), _TURNS[chopped]
    if chopped:
        interval = max(min(interval, trace.duration / 4.318), turns * math.tau / abs(speed) / _MOST_SAMPLES)
    edges = interval * np.arange(math.ceil(turns * commutator.humps / frequency / interval) + 1)
    times = (edges[1:] + edges[:-1]) / 2
    samples = np.diff(trace.integral(edges)) / interval + ripple.at(times)
    found = commutator.speed(ripple_frequency(samples, interval, 1 / trace.duration if chopped else 0.0))
    shown = times <= math.tau / abs(speed)
    swing = ripple.figures.high - ripple.figures.low
    smooth = trace.figures.mean + ripple.at(times[shown])
    return Ripple(commutator, frequency, swing, speed, found, times[shown], samples[shown], smooth)
