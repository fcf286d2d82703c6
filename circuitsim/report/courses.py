"""Pictures and tables of a course in time; nothing is computed here but where on it to look."""

from __future__ import annotations

import csv
import io
import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Domain
from circuitsim.engine.transient import Course, Event
from circuitsim.errors import InputError, one_line
from circuitsim.library.circuit import Circuit
from circuitsim.quantities import format_quantity
from circuitsim.report.care import care
from circuitsim.report.facts import own_supply
from circuitsim.report.notes import AVERAGED, chops
from circuitsim.report.typeset import Line, Span, cells, clean, line, pad, plain, wrap

__all__ = [
    "course_columns", "course_csv", "course_figure", "course_lines", "course_notes", "course_rows", "course_text",
    "spread_times",
]  # fmt: skip

Array = NDArray[np.float64]
_COLOURS = ("#1b4965", "#c8553d", "#5a8f3c", "#7d5ba6", "#b8860b")  # dark enough for print, apart in grey
_BODIES = 4  # of those that warm most
_RPM = 30 / math.pi
_AFTER = 0.01  # of a step: where to look after its beginning
_APART = 0.06  # in a long step, by the logarithm of the time since the last change
_SHORT = 0.03  # of the time since the last change: a step that is shorter, and so may go across a corner
_CREEP = 1.0  # rpm
_GAP = "  "
_OPENS = {
    "the fuse opens": "fuse",
    "the fuse melts": "fuse",
    "the cutout opens": "cutout",
    "the fuse of the jumper opens": "fuse of",
}
"""What opens at the end of a course, by the end of its verdict."""
_HEAD = 11  # characters; a longer head is broken


def spread_times(course: Course) -> Array:
    """Give times at which to look: close together where a lot happens, as the steps that were taken are.

    Where a law has a corner (a current limit is reached, say), the step across it is right at its end as to currents,
    speeds and temperatures, but the slope within it, and with it the voltage of an inductance, swings far out. Steps are
    short there; of a short one only what follows its beginning is looked at.
    """
    edges = np.unique(course.steps)
    start, length = edges[:-1], np.diff(edges)
    changes = np.array([0.0, *(e.time for e in course.events if 0 < e.time < course.end)])
    changed = changes[np.searchsorted(changes, start, side="right") - 1]
    since = start - changed
    long = (length > _SHORT * since) & (since > 0)
    inner = [
        change + np.geomspace(a, a + h, math.ceil(math.log1p(h / a) / _APART), endpoint=False)[1:]
        for change, a, h in zip(changed[long].tolist(), since[long].tolist(), length[long].tolist(), strict=True)
    ]
    before = np.nextafter(changes[1:], 0.0)
    return np.unique(np.concatenate([[0.0], start + _AFTER * length, *inner, before, [course.end]]))


def course_figure(course: Course, circuit: Circuit) -> Any:
    """Draw a course: voltages at the motor, its current, its speed, and the bodies that warm most.

    What the course was asked to show (`given["probes"]`) is drawn in place of the voltages, clamps beside the motor's
    current. Time goes by decades when nothing is changed on the way: inrush takes milliseconds, heat minutes.
    """
    from matplotlib.figure import Figure

    seen = course.at(spread_times(course))
    figure = Figure(figsize=(11.2, 7.4), layout="constrained")
    stopped = next((_ending(e) for e in course.events if e.ends), "its course in time")
    said = [text for e, text in zip(course.events, _said(course), strict=True) if not e.ends]
    titles = [f"{circuit.name}: {stopped}", _sentence(course, circuit), *said, *course_notes(circuit)]
    figure.suptitle("\n".join(textwrap.fill(clean(text), 120) for text in titles if text), fontsize=11)
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
        if label.startswith("speed") and max(float(np.ptp(v)) for v in lines.values()) < _CREEP:
            axes.set_ylim(-_CREEP, 10 * _CREEP)  # a shaft that is held creeps; blown up that would look like a start
        axes.grid(color="#dddddd", linewidth=0.6)
        axes.spines[["top", "right"]].set_visible(False)
        axes.legend(fontsize=8, frameon=False)
    return figure


def _panels(course: Course, circuit: Circuit) -> dict[str, dict[str, Array]]:
    motor = circuit.net.elements[circuit.motor]
    volts, clamps = _probed(course, circuit)
    bodies = _shown(course, circuit)
    warmest = sorted(bodies, key=lambda n: -float(np.ptp(bodies[n])))[:_BODIES]
    return {
        "voltage, V": volts or (_at_the_motor(course, circuit) if not clamps else {}),
        "current, A": {f"through {circuit.motor}": course.currents[circuit.motor], **clamps},
        "speed, rpm": {motor.nodes["shaft"]: _RPM * course.nodes[motor.nodes["shaft"]]},
        "temperature, °C": {n: bodies[n] for n in warmest},
    }


def _bodies(course: Course, circuit: Circuit) -> dict[str, Array]:
    return {n: course.nodes[n] for n, d in circuit.net.nodes().items() if d is Domain.THERMAL and n in course.nodes}


def _shown(course: Course, circuit: Circuit) -> dict[str, Array]:
    """Give temperatures by the parts' names; of a fuse that opens the element's, which melts, of the others the body's."""
    ends = [place for e in course.events if (place := _opening(e)[1])]
    found = {n.removesuffix(".body"): v for n, v in _bodies(course, circuit).items() if not n.endswith(".element")}
    return {n: course.nodes.get(f"{n}.element", v) if n in ends else v for n, v in found.items()}


def _at_the_motor(course: Course, circuit: Circuit) -> dict[str, Array]:
    motor, points = circuit.net.elements[circuit.motor], course.points
    volts = {f"{p} : {circuit.net.ground}": points.voltage(circuit.node(p)) for p in ("MOT+", "MOT-") if _there(circuit, p)}
    return {**volts, "behind the motor's leads and brushes": points.voltage(motor.nodes["plus"], motor.nodes["minus"])}


def _there(circuit: Circuit, name: str) -> bool:
    return name in circuit.probes or name in circuit.net.nodes()


def _probed(course: Course, circuit: Circuit) -> tuple[dict[str, Array], dict[str, Array]]:
    """Give what was asked for: voltages between two leads, and currents under a clamp."""
    volts, clamps = {}, {}
    for name, (red, black, at) in course.given.get("probes", {}).items():
        if at:
            clamps[f"clamp {name}"] = course.points.current(at)
        else:
            volts[name] = course.points.voltage(circuit.node(red), circuit.node(black))
    return volts, clamps


def course_rows(course: Course, circuit: Circuit, times: Array | None = None) -> tuple[list[str], list[list[str]]]:
    """Give a table: heads, and one row a time: voltages at the motor, its current and speed, the hottest body.

    What the course was asked to show stands in place of the voltages at the motor.
    times: some on each side of everything that happens, by default.

    Raises
    ------
    InputError
        For times outside the course.
    """
    if times is not None and not np.size(times):
        raise InputError("no times", key="times")
    seen = course.at(_telling(course) if times is None else times)
    volts, amps, turns, temperatures = _panels(seen, circuit).values()
    heads = ["time", *volts, f"through {circuit.motor}", *list(amps)[1:], "speed", "hottest"]
    rows = []
    for k, t in enumerate(seen.times.tolist()):
        hottest = max(temperatures, key=lambda n: float(temperatures[n][k]), default="")
        heat = f"{temperatures[hottest][k]:.1f} °C {hottest}" if hottest else ""
        told = [*(f"{_figure(v[k])} V" for v in volts.values()), *(f"{_figure(i[k])} A" for i in amps.values())]
        rows.append([_time(t), *told, f"{_figure(next(iter(turns.values()))[k], 0)} rpm", heat])
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


def _figure(value: float, places: int = 2) -> str:
    """Write a figure; what rounds to nothing has no sign."""
    return f"{round(float(value), places) + 0.0:.{places}f}"


def _time(seconds: float) -> str:
    return f"{seconds:.6g} s" if seconds >= 1 else f"{1000 * seconds:.6g} ms"


def _sentence(course: Course, circuit: Circuit) -> str:
    """Say step and conditions at the beginning."""
    told = course.given.get("sentence", "")
    supply = own_supply(course.given, circuit) if told else ""
    text = ", ".join(part for part in (told, supply) if part)
    return text[:1].upper() + text[1:]


def course_notes(circuit: Circuit) -> tuple[str, ...]:
    """Say what a course leaves out: that a chopping stage is averaged, where there is one."""
    return (AVERAGED.format("The course is", "currents, speeds and temperatures are"),) if chops(circuit) else ()


def _said(course: Course) -> list[str]:
    """Say what happened on the way."""
    return [f"{_ending(e)} (the course ends)" if e.ends else f"{_time(e.time)}: {e.what}" for e in course.events]


def _ending(event: Event) -> str:
    """Say why a course ends: "fuse F4 opens at 1.2 s"; else with the verdict."""
    what, place = _opening(event)
    return f"{what} {place} opens at {_time(event.time)}" if place else f"{_time(event.time)}: {event.what}"


def _opening(event: Event) -> tuple[str, str]:
    """Give what opens at the end of a course, in words, and its name; none when nothing does."""
    place, _, verdict = event.what.removeprefix("outside validity at ").partition(": ")
    return (_OPENS[verdict], place) if event.ends and verdict in _OPENS else ("", "")


def course_lines(course: Course, circuit: Circuit, width: int | None = None) -> list[Line]:
    """Lay the table out, with conditions and what happened above it; columns that do not fit stand below the others.

    width: characters in a line, None for as many as the table needs.
    """
    heads, rows = course_rows(course, circuit)
    found = [line(text, "title") for text in wrap(clean(f"{circuit.name}, in time"), width)]
    found += [line(text, "faint") for text in wrap(clean(_sentence(course, circuit)), width, _GAP)]
    found += [line(text, "verdict") for said in _said(course) for text in wrap(clean(said), width, _GAP)]
    found += [line(text, "faint") for note in course_notes(circuit) for text in wrap(clean(note), width, _GAP)]
    columns = [_Column(head, [row[k] for row in rows]) for k, head in enumerate(heads)]
    for group in _groups(columns, width):
        found += [(), *_table(group)]
    return found + care(course.given.get("cautions", ()), width)


def course_text(course: Course, circuit: Circuit, width: int | None = None) -> str:
    """Give the table as plain text; parameters as in `course_lines`."""
    return plain(course_lines(course, circuit, width))


class _Column:
    """A column: its head, broken into lines, its cells, and how wide they are."""

    def __init__(self, head: str, texts: Sequence[str]) -> None:
        room = max(_HEAD, *(cells(text) for text in texts))
        self.head, self.texts = wrap(clean(head), room), list(texts)
        self.width = max(cells(text) for text in (*self.head, *self.texts))


def _groups(columns: Sequence[_Column], width: int | None) -> list[list[_Column]]:
    """Share the columns out to tables that fit, each with the time in front."""
    time, *others = columns
    groups = [[time]]
    for column in others:
        taken = sum(c.width + len(_GAP) for c in groups[-1]) + column.width
        if width is not None and taken > width and len(groups[-1]) > 1:
            groups.append([time])
        groups[-1].append(column)
    return groups


def _table(columns: Sequence[_Column]) -> list[Line]:
    tall = max(len(c.head) for c in columns)
    found: list[Line] = []
    for k in range(tall):  # heads stand on the first row of figures
        texts = [([""] * (tall - len(c.head)) + c.head)[k] for c in columns]
        found.append(line(_GAP.join(pad(t, c.width, ">") for t, c in zip(texts, columns, strict=True)), "step"))
    for k in range(len(columns[0].texts)):
        padded = [pad(c.texts[k], c.width, ">") for c in columns]
        found.append((Span(padded[0], "label"), *(Span(_GAP + text) for text in padded[1:])))
    return found


def course_columns(course: Course, circuit: Circuit) -> dict[str, Array]:
    """Give the columns of a file by their heads, each with its unit, at the times of the course.

    With probes asked for: those, and current and speed of the motor. Else every node against ground, every current, speed
    and temperature.
    """
    volts, clamps = _probed(course, circuit)
    motor, shaft = circuit.motor, circuit.net.elements[circuit.motor].nodes["shaft"]
    if volts or clamps:
        return {
            "time, s": course.times, **{f"{name}, V": v for name, v in volts.items()},
            f"current through {motor}, A": course.currents[motor], **{f"{name}, A": i for name, i in clamps.items()},
            f"speed of {shaft}, rpm": _RPM * course.nodes[shaft],
        }  # fmt: skip
    named = {p.node: p.name for p in reversed([*circuit.probes.values()])}
    found = {"time, s": course.times}
    domains = {n: d for n, d in circuit.net.nodes().items() if n in course.nodes}
    for node in (n for n, d in domains.items() if d is Domain.ELECTRICAL):
        found[f"{named.get(node, node)} : {circuit.net.ground}, V"] = course.nodes[node]
    found |= {f"current through {name}, A": i for name, i in course.currents.items()}
    for node in (n for n, d in domains.items() if d is Domain.ROTATIONAL):
        found[f"speed of {node}, rpm"] = _RPM * course.nodes[node]
    bodies = _bodies(course, circuit)
    return found | {f"temperature of {name.removesuffix('.body')}, °C": v for name, v in bodies.items()}


def course_csv(course: Course, circuit: Circuit) -> str:
    """Write the columns as CSV with step, conditions and what happened in comment lines on top; times: see `spread_times`."""
    out = io.StringIO()
    for key, value in _comments(course, circuit).items():
        out.write(f"# {one_line(key)}: {one_line(value)}\n")
    rows = csv.writer(out, lineterminator="\n")
    columns = course_columns(course.at(spread_times(course)), circuit)
    rows.writerow(columns)
    time, *others = (c.tolist() for c in columns.values())
    rows.writerows([t, *(f"{v:.7g}" for v in row)] for t, *row in zip(time, *others, strict=True))
    return out.getvalue()


def _comments(course: Course, circuit: Circuit) -> dict[str, str]:
    given: Mapping[str, Any] = course.given
    units = {"supply": "V", "ambient": "°C"}
    told = {"circuit": circuit.name, **{f"option {key}": value for key, value in circuit.options.items()}}
    for key, value in given.items():
        if key in ("probes", "sentence", "cautions") or value in (None, [], ""):
            continue
        quantity = format_quantity(value, units[key], 6) if key in units else ""
        told[key] = quantity or (", ".join(value) if isinstance(value, list) else str(value))
    supply = own_supply(given, circuit) if given else ""
    told |= {"supply": supply} if supply else {}
    told["end"] = _time(course.end)
    told["note"] = "; ".join(course_notes(circuit))
    told["caution"] = " ".join(given.get("cautions", ()))
    said = "; ".join(_said(course))
    return {key: value for key, value in {**told, "then": said}.items() if value}
