"""Pictures and tables of a course in time; nothing is computed here but where on it to look."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Domain
from circuitsim.engine.transient import Course
from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit

__all__ = ["course_figure", "course_rows", "course_text", "spread_times"]

Array = NDArray[np.float64]
_COLOURS = ("#1b4965", "#c8553d", "#5a8f3c", "#7d5ba6", "#b8860b")  # dark enough for print, apart in grey
_BODIES = 4  # of those that warm most
_RPM = 30 / math.pi
_POINTS = 400


def spread_times(course: Course, points: int = _POINTS) -> Array:
    """Give times at which to look: evenly spread over the steps that were taken, which are short where a lot happens."""
    steps = np.unique(course.steps)
    return np.interp(np.linspace(0, steps.size - 1, points), np.arange(steps.size), steps)


def course_figure(course: Course, circuit: Circuit) -> Any:
    """Draw a course: voltages at the motor, its current, its speed, and the bodies that warm most.

    Time goes by decades when nothing is changed on the way: inrush takes milliseconds, heat minutes.
    """
    from matplotlib.figure import Figure

    seen = course.at(spread_times(course))
    figure = Figure(figsize=(11.2, 7.2), layout="constrained")
    figure.suptitle(f"{circuit.name}: {course.stopped or 'its course in time'}", fontsize=11)
    moments = [e for e in course.events if e.time > 0]
    decades = all(e.ends for e in moments)
    for k, (label, lines) in enumerate(_panels(seen, circuit).items()):
        axes = figure.add_subplot(2, 2, k + 1)
        for j, (name, values) in enumerate(lines.items()):
            axes.plot(seen.times, values, label=name, color=_COLOURS[j % len(_COLOURS)], linewidth=1.3)
        for e in moments:
            axes.axvline(e.time, color="#888888", linewidth=0.8, linestyle=":")
        if decades:
            axes.set_xscale("log")
            axes.set_xlim(max(1e-5, course.end * 1e-6), course.end)
        axes.set_xlabel("time, s")
        axes.set_ylabel(label)
        axes.grid(color="#dddddd", linewidth=0.6)
        axes.spines[["top", "right"]].set_visible(False)
        axes.legend(fontsize=8, frameon=False)
    return figure


def _panels(course: Course, circuit: Circuit) -> dict[str, dict[str, Array]]:
    motor = circuit.net.elements[circuit.motor]
    points = course.points
    volts = {f"{p} : {circuit.net.ground}": points.voltage(circuit.node(p)) for p in ("MOT+", "MOT-") if _there(circuit, p)}
    volts |= {"behind the motor's leads and brushes": points.voltage(motor.nodes["plus"], motor.nodes["minus"])}
    bodies = {n: course.nodes[n] for n, d in circuit.net.nodes().items() if d is Domain.THERMAL and n in course.nodes}
    warmest = sorted(bodies, key=lambda n: -float(np.ptp(bodies[n])))[:_BODIES]
    return {
        "voltage, V": volts,
        "current, A": {f"through {circuit.motor}": course.currents[circuit.motor]},
        "speed, 1/min": {motor.nodes["shaft"]: _RPM * course.nodes[motor.nodes["shaft"]]},
        "temperature, °C": {n: bodies[n] for n in warmest},
    }


def _there(circuit: Circuit, name: str) -> bool:
    return name in circuit.probes or name in circuit.net.nodes()


def course_rows(course: Course, circuit: Circuit, times: Array | None = None) -> tuple[list[str], list[list[str]]]:
    """Give a table: heads, and one row a time: voltages at the motor, its current and speed, the hottest body.

    times: some on each side of everything that happens, by default.

    Raises
    ------
    InputError
        For times outside the course.
    """
    if times is not None and not np.size(times):
        raise InputError("no times", key="times")
    seen = course.at(_telling(course) if times is None else times)
    panels = list(_panels(seen, circuit).values())
    temperatures = panels[3]
    heads = ["time", *panels[0], "current", "speed", "hottest"]
    rows = []
    for k, t in enumerate(seen.times.tolist()):
        hottest = max(temperatures, key=lambda n: float(temperatures[n][k]), default="")
        heat = f"{temperatures[hottest][k]:.1f} °C {hottest}" if hottest else ""
        volts = [f"{v[k]:.2f} V" for v in panels[0].values()]
        amps, turns = (float(next(iter(p.values()))[k]) for p in panels[1:3])
        rows.append([_time(t), *volts, f"{amps + 0.0:.2f} A", f"{turns:.0f} /min", heat])
    return heads, rows


def _telling(course: Course) -> Array:
    """Give times by decades after every change."""
    starts = [0.0, *(e.time for e in course.events if e.time > 0 and not e.ends)]
    found: list[float] = []
    for start, end in zip(starts, [*starts[1:], course.end], strict=True):
        last = end - start
        marks = [m * 10.0**d for d in range(-3, 6) for m in (1, 3)]
        found += [start + m for m in marks if m < 0.999 * last] + [end if end == course.end else np.nextafter(end, 0.0)]
    return np.array(found)


def _time(seconds: float) -> str:
    return f"{seconds:.6g} s" if seconds >= 1 else f"{1000 * seconds:.6g} ms"


def course_text(course: Course, circuit: Circuit) -> str:
    """Write the table with what happened before it, as text."""
    heads, rows = course_rows(course, circuit)
    widths = [max(len(row[k]) for row in (heads, *rows)) for k in range(len(heads))]
    said = [f"{_time(e.time)}: {e.what}" + (" (the course ends)" if e.ends else "") for e in course.events]
    lines = ["  ".join(cell.rjust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in (heads, *rows)]
    return "\n".join([f"{circuit.name}, in time", *said, "", *lines, ""])
