"""What every probe point should read: the chart of a healthy circuit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from circuitsim.elements.base import Domain
from circuitsim.engine.points import Points
from circuitsim.errors import InputError, UnknownNameError, shown, with_place
from circuitsim.library import load
from circuitsim.library.circuit import Circuit, StandardReading
from circuitsim.library.functions import (
    CAPTURE,
    FUNCTIONS,
    INSTRUMENTS,
    WAVE_INSTRUMENTS,
    function_of,
    on_clamp,
    read_capture,
    unit_of,
)
from circuitsim.measure import (
    Conditions,
    Fitted,
    Measured,
    Meter,
    Task,
    fitted_supply,
    lamp_look,
    measure_with_points,
)
from circuitsim.measure import meter as find_meter
from circuitsim.measure.instruments import show_function
from circuitsim.studies.cautions import jumper_cautions, loading_cautions
from circuitsim.studies.chart import Chart, OperatingPoint, Reading
from circuitsim.studies.overloads import overloads

__all__ = ["circuit_of", "predict", "reading_plan"]

_QUANTITY = {"voltmeter": "voltage", "clamp": "current", "ohmmeter": "resistance", "lamp": "brightness"}


def predict(
    circuit: Circuit | str, *, supply: Any = None, supply_at: str = "off", ambient: Any = None, engine: str = "off",
    ignition: str = "on", since: str | float = "cold", unplug: str | Iterable[str] = (), fit: str | Iterable[str] = (),
    step: str | int | Iterable[str | int] = (), probe: str | Iterable[str] = (), instrument: str = "voltmeter",
    capture: float | str | None = None, meter: str = "standard",
) -> Chart:  # fmt: skip
    """Predict what a good circuit reads.

    Parameters
    ----------
    circuit : Circuit or str
        From `load`, or built in Python; a name or file is loaded.
    supply : float or str
        Battery voltage as measured ("12.3 V"), at the step `supply_at` (or "rest": ignition off); by default the
        circuit's own battery.
    ambient : float or str
        Temperature around, °C; 20 °C by default.
    engine, ignition : str
        "off" or "running"; "on" or "off".
    since : str or float
        "cold" (just switched on), "warm" (temperatures settled), or for how long it has been on ("2 min", or seconds):
        then everything is as it is that long after key-on at ambient.
    unplug : str or iterable of str
        Connectors that are unplugged for all readings.
    fit : str or iterable of str
        ``KIND:A:B``: a jumper or lamp put across two points.
    step : str or iterable of str
        Steps to show; all by default.
    probe : str or iterable of str
        ``RED:BLACK`` pairs, or ``at:ELEMENT`` for a clamp, in place of the circuit's standard readings.
    instrument : str
        What reads the probe pairs: voltmeter, ohmmeter, lamp, or a function that looks at the waveform (see
        `circuitsim.library.functions`): ac, ac+dc, ac-average, min, max, scope-min, scope-max, duty, frequency. With
        ``at:ELEMENT`` such a function is that of the clamp.
    capture : float or str
        Time over which each min or max is averaged; 100 ms by default.
    meter : str
        The multimeter: see `circuitsim.measure.METERS`.

    Returns
    -------
    Chart
        With readings in SI units, each with its 95 % band.

    Raises
    ------
    InputError
        (or UnknownNameError, QuantityError) for anything that is not accepted, by name.
    SolveError
        When a point does not pass the acceptance rule.
    """
    circuit = circuit_of(circuit)
    tool = find_meter(meter)
    conditions = Conditions.read(
        circuit, supply=supply, supply_at=supply_at, ambient=ambient, engine=engine, ignition=ignition, since=since,
        unplug=unplug, fit=fit,
    )  # fmt: skip
    steps = _chosen(circuit, step)
    plan = reading_plan(circuit, conditions, step, probe, instrument, waves=True, capture=capture)
    setting, known = fitted_supply(circuit, conditions, tool)
    bare = [Task(s, conditions, "voltmeter") for s in steps]
    tasks = [task for task, _ in plan]
    measured, points, every = measure_with_points(circuit, tasks, bare, tool, setting, known)
    readings = tuple(_reading(m, standard, tool) for m, (_, standard) in zip(measured, plan, strict=True))
    own = (
        *jumper_cautions(circuit, conditions), *loading_cautions(circuit, tool, [*bare, *tasks], every),
        *overloads(circuit, steps, points),
    )  # fmt: skip
    return Chart(
        circuit.name, circuit.title, conditions.record(), conditions.sentence(), tool.note(), readings,
        _operating_points(circuit, steps, points), (*own, *circuit.cautions), dict(circuit.options),
    )  # fmt: skip


def circuit_of(circuit: Circuit | str) -> Circuit:
    """Give the circuit itself, loaded when it is a name or a file; InputError for anything else."""
    if isinstance(circuit, str):
        return load(circuit)
    if not isinstance(circuit, Circuit):
        raise InputError(f"{shown(circuit)} is no circuit; give a Circuit, or the name of one", key="circuit")
    return circuit


def reading_plan(
    circuit: Circuit, conditions: Conditions, step: str | int | Iterable[str | int] = (), probe: str | Iterable[str] = (),
    instrument: str = "voltmeter", *, waves: bool = False, capture: float | str | None = None,
) -> list[tuple[Task, StandardReading]]:  # fmt: skip
    """List what is read, and for which line of a chart: the circuit's own chart, or probe pairs (see `predict`).

    waves: with readings of waveforms, and those for which a lamp is fitted; most studies follow averages of the circuit alone.
    """
    steps = _chosen(circuit, step)
    time = _capture(instrument, capture)
    found = _probe_tasks(circuit, conditions, steps, probe, _Tool(instrument, time, waves))
    return found or _standard_tasks(circuit, conditions, steps, waves=waves)


@dataclass(frozen=True)
class _Tool:
    """What reads probe pairs: its name, its capture time, s, and whether functions of a waveform are accepted."""

    name: str
    capture: float
    waves: bool

    def at(self, element: str) -> str:
        """Give the instrument for leads, or for a clamp where there is an element."""
        names = tuple(n for n in INSTRUMENTS if n != "clamp") + (tuple(FUNCTIONS) if self.waves else ())
        if not element and self.name not in names:
            raise UnknownNameError("instrument between two points", self.name, names)
        if not element or on_clamp(self.name):
            return self.name
        return f"clamp-{self.name}" if self.name in FUNCTIONS else "clamp"


def _capture(instrument: str, capture: float | str | None) -> float:
    """Read a capture time, s; 0 for what has none. Raises InputError where it would have no effect."""
    function = function_of(instrument)
    averages = function is not None and function.capture
    if capture is None:
        return CAPTURE if averages else 0.0
    if not averages:
        raise InputError("is for the instruments min and max", key="capture")
    try:
        return read_capture(capture)
    except InputError as error:
        raise with_place(error, key="capture") from None


def _chosen(circuit: Circuit, step: str | int | Iterable[str | int]) -> tuple[str, ...]:
    wanted = (str(step),) if isinstance(step, str | int) else tuple(str(s) for s in step)
    for name in wanted:
        circuit.step_index(name)
    return tuple(s for s in circuit.steps if not wanted or s in wanted)


def _standard_tasks(
    circuit: Circuit, conditions: Conditions, steps: Sequence[str], *, waves: bool
) -> list[tuple[Task, StandardReading]]:
    """The circuit's own chart under the conditions; a reading that the conditions make double is kept once."""
    found: dict[Task, StandardReading] = {}
    for r in circuit.readings or _plain_readings(circuit):
        if not waves and (r.fitted or r.instrument in WAVE_INSTRUMENTS):
            continue
        parted = tuple(sorted({*r.unplugged, *conditions.unplugged}))
        off = "off" in (r.ignition, conditions.ignition)
        lamps = [f for f in map(Fitted.read, r.fitted) if f not in conditions.fitted]
        state = conditions.but(unplugged=parted, fitted=(*conditions.fitted, *lamps))
        if off:
            state = state.but(ignition="off", engine="off")
        for s in steps:
            if (r.steps and s not in r.steps) or not _still_there(circuit, r, parted):
                continue
            found.setdefault(Task(s, state, r.instrument, r.red, r.black, r.at, r.capture), r)
    return list(found.items())


def _still_there(circuit: Circuit, r: StandardReading, parted: Sequence[str]) -> bool:
    """A clamp can't sit on a pin that is unplugged."""
    return r.at not in {pin for name in parted for pin in circuit.connectors[name].pins}


def _plain_readings(circuit: Circuit) -> list[StandardReading]:
    """A chart for a circuit that states none: every probe point against ground, and the motor's current."""
    ground = circuit.net.ground
    points = [p for p in circuit.probes if circuit.probes[p].node != ground]
    volts = [StandardReading(f"{p} against ground", "voltmeter", p, ground) for p in points]
    return [*volts, StandardReading("motor current", "clamp", at=circuit.motor)]


def _probe_tasks(
    circuit: Circuit,
    conditions: Conditions,
    steps: Sequence[str],
    probe: str | Iterable[str],
    tool: _Tool,
) -> list[tuple[Task, StandardReading]]:
    tasks = []
    for text in (probe,) if isinstance(probe, str) else probe:
        red, black, at = _leads(circuit, text)
        kind = tool.at(at)
        r = StandardReading(f"on {at}" if at else f"{red} : {black}", kind, red, black, at)
        tasks += [(Task(s, conditions, kind, red, black, at, tool.capture), r) for s in steps]
    return tasks


def _leads(circuit: Circuit, text: str) -> tuple[str, str, str]:
    """Read ``RED:BLACK`` or ``at:ELEMENT``."""
    parts = text.split(":")
    if len(parts) != 2 or not all(p.strip() for p in parts):
        raise InputError(f"{shown(text, 60)} is not RED:BLACK, such as MOT-:GND (or at:M1 for a clamp)", key="probe")
    first, second = (p.strip() for p in parts)
    if first == "at":
        return "", "", second
    if circuit.node(first) == circuit.node(second):
        named = "" if first == second else f" ({first} and {second} are the same)"
        raise InputError(f"{shown(text, 60)} has both leads on one point{named}; accepted: two points", key="probe")
    return first, second, ""


def _reading(m: Measured, standard: StandardReading, tool: Meter) -> Reading:
    t = m.task
    # A rule of thumb is for the state that it was made for.
    own = (set(standard.unplugged), standard.ignition) == (set(t.conditions.unplugged), t.conditions.ignition)
    rule = standard.rule if own and set(map(str, t.conditions.fitted)) == set(standard.fitted) else ""
    return Reading(
        step=t.step, unplugged=t.conditions.unplugged, instrument=t.instrument, red=t.red, black=t.black, at=t.at,
        quantity=_quantity(t.instrument), unit=unit_of(t.instrument), expected=m.expected, low=m.band.low, high=m.band.high,
        standard=m.band.standard, display=_display(m, tool), label=standard.label, rule=rule,
        ignition=t.conditions.ignition, engine=t.conditions.engine, fitted=tuple(str(f) for f in t.conditions.fitted),
        verdict=m.verdict, floating=m.floating, residual=m.residual, capture=t.capture,
    )  # fmt: skip


def _quantity(instrument: str) -> str:
    function = function_of(instrument)
    if function and function.unit:
        return function.name
    return _QUANTITY["clamp" if on_clamp(instrument) else "voltmeter" if function else instrument]


def _display(m: Measured, tool: Meter) -> str:
    """Give what the instrument shows at the expected value."""
    instrument = m.task.instrument
    if function := function_of(instrument):
        return show_function(function.name, m.expected, tool, "A" if on_clamp(instrument) else "V").display
    return lamp_look(m.expected) if instrument == "lamp" else tool.display(m.expected, unit_of(instrument))


def _operating_points(circuit: Circuit, steps: Sequence[str], points: Points) -> tuple[OperatingPoint, ...]:
    """Say what the motor does at each step, with no meter on the circuit."""
    motor = circuit.net.elements[circuit.motor]
    current = points.current(circuit.motor)
    speed = points.speed(motor.nodes["shaft"])
    voltage = points.voltage(motor.nodes["plus"], motor.nodes["minus"])
    hottest = _hottest(points)

    def shown_at(values: Any, k: int) -> float:
        return float(values[k]) if points.valid[k] else math.nan

    return tuple(
        OperatingPoint(
            s, shown_at(current, k), shown_at(speed, k), shown_at(voltage, k), points.verdicts[k], points.branches[k],
            float(points.residual[k]), int(points.iterations[k]), *hottest[k],
        )
        for k, s in enumerate(steps)
    )  # fmt: skip


def _hottest(points: Points) -> list[tuple[str, float]]:
    """Give the hottest body at each point, by the element that it belongs to, and its temperature in °C.

    What melts inside a fuse is no body.
    """
    nodes = points.system.net.nodes()
    inside = {e.nodes["element"] for e in points.system.net.elements.values() if e.kind == "fuse"}
    bodies = [n for n, d in nodes.items() if d is Domain.THERMAL and n not in (Domain.THERMAL.reference, *inside)]
    heat = np.where(points.accepted, points.solved.x[[points.system.index[b] for b in bodies]], np.nan)
    hottest = np.argmax(np.nan_to_num(heat, nan=-np.inf), axis=0)
    return [(bodies[b].rpartition(".")[0], float(heat[b, k])) for k, b in enumerate(hottest)]
