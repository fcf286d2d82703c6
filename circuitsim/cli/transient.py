"""The transient command."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from circuitsim.cli.commands import circuit_options, load_circuit, read_conditions, width_option
from circuitsim.cli.naming import as_spelled, pointing_to_show, spelled
from circuitsim.cli.output import check_ending, check_target, deliver, put_lines, spare, terminal_width, write_file
from circuitsim.cli.words import Words
from circuitsim.errors import InputError, UnknownNameError, nearest, shown

if TYPE_CHECKING:
    from circuitsim.library import Circuit
    from circuitsim.studies.transient import Course

__all__ = ["transient_command"]

_SUFFIXES = {".json": "json", ".csv": "csv"}
_WORDS = ("step", "ignition", "engine", "unplug")


@click.command("transient", short_help="How it starts, stops and warms: a course in time.")
@click.option("--until", default="10s", metavar="10s", help="When to end, up to 100h; default 10s.")
@click.option("--step", metavar="4", help="At the beginning; the last one by default.")
@click.option(
    "--start", type=Words(["rest", "cold", "warm"]), default="rest", help="rest: switched on at 0 (default); or settled."
)
@click.option("--then", multiple=True, metavar="5s:step=off", help="A change: of step, ignition, unplug=X4 or K1.closed=0.")
@click.option("--probe", multiple=True, metavar="RED:BLACK", help="Show these leads; at:M1 is a clamp; may be repeated.")
@click.option("--supply", metavar="12.3V", help="Battery voltage as measured; the circuit's own battery by default.")
@click.option("--supply-at", metavar="STEP", help="Step at which it was measured, or 'rest' for ignition off; default off.")
@click.option("--ambient", metavar="20degC", help="Temperature around; 20 °C by default.")
@click.option("--engine", type=Words(["off", "running"]), default="off", help="off (default) or running; a charger counts.")
@click.option("--ignition", type=Words(["on", "off"]), default="on", help="on (default) or off.")
@click.option("--unplug", multiple=True, metavar="X4", help="A connector that is unplugged; may be repeated.")
@click.option("--fit", multiple=True, metavar="KIND:A:B", help="A jumper or lamp across two points; may be repeated.")
@click.option(
    "--format", "form", type=Words(["table", "json", "csv"]),
    help="table, json or csv; files have all nodes and currents, or the probes; by default as the ending of FILE says.",
)  # fmt: skip
@click.option("--picture", metavar="FILE", help="Draw it as well, as .png, .svg or .pdf.")
@click.option("--output", "-o", metavar="FILE", help="Write to a file in place of the screen; '-' is the screen.")
@width_option
@circuit_options
def transient_command(
    circuit: str, pairs: tuple[str, ...], until: str, step: str | None, start: str, then: tuple[str, ...], form: str | None,
    picture: str | None, output: str | None, width: int | None, nominal: str | None, steps: str | None, fuse: str | None,
    current: str | None, **conditions: Any,
) -> None:  # fmt: skip
    """Follow a circuit in time: inrush, spin-up, warming; what happens when something is switched or pulled.

    CIRCUIT is a name out of 'circuitsim list', or a .toml file. Every quantity has its unit.
    """
    check_target(output)
    check_ending(output)
    if picture is not None:
        from circuitsim.report.plots import check_suffix

        check_target(picture, "--picture")
        check_suffix(Path(picture).suffix)
    kind = form or next((k for end, k in _SUFFIXES.items() if output and output.lower().endswith(end)), "table")
    found = load_circuit(circuit, pairs, {"nominal": nominal, "steps": steps, "fuse": fuse, "current": current})
    spare(found.file, output)
    spare(found.file, picture, "--picture")
    given = read_conditions(instrument=None, step=(step,) if step is not None else (), since="cold", **conditions)
    named = as_spelled(found, given)
    first = found.steps[found.step_index(named["step"][0])] if named["step"] else ""
    kept = {k: v for k, v in named.items() if k not in ("step", "instrument", "since")}
    from circuitsim.studies.transient import transient

    with pointing_to_show(circuit):
        course = transient(found, until, step=first, start=start, then=[_change(found, t) for t in then], **kept)
    if picture is not None:
        from circuitsim.report.courses import course_figure
        from circuitsim.report.plots import figure_bytes

        write_file(picture, figure_bytes(course_figure(course, found), Path(picture).suffix), "--picture")
    if kind == "table" and output in (None, "-"):
        from circuitsim.report.courses import course_lines

        put_lines(course_lines(course, found, terminal_width(width)))
    else:
        deliver(_written(course, found, kind, width), kind, output)


def _change(circuit: Circuit, text: str) -> tuple[str, dict[str, Any]]:
    """Read ``TIME:NAME=VALUE``, names in any case."""
    time, colon, rest = text.partition(":")
    name, equals, value = (part.strip() for part in rest.partition("="))
    if not (colon and equals and time.strip() and name and value):
        what = "such as 5s:step=off, 5s:unplug=X4 or 5s:K1.closed=0"
        raise InputError(f"{shown(text)} is not TIME:NAME=VALUE, {what}", key="--then")
    word = name.lower()
    if word == "unplug":
        return time.strip(), {word: tuple(spelled(part.strip(), circuit.connectors) for part in value.split(","))}
    if word in _WORDS:
        return time.strip(), {word: spelled(value, circuit.steps) if word == "step" else value.lower()}
    if "." not in name:
        words = (*_WORDS, "a part's value as PART.NAME, such as K1.closed")
        raise UnknownNameError("thing to change", name, words, suggestion=nearest(name, _WORDS), key="--then")
    element, _, parameter = name.rpartition(".")
    element = spelled(element, circuit.net.elements)
    unit = circuit.net.element(element).parameter(parameter).unit
    return time.strip(), {"values": {f"{element}.{parameter}": float(value) if unit == "1" and _is_number(value) else value}}


def _is_number(text: str) -> bool:
    return text.replace(".", "", 1).isdigit()


def _written(course: Course, circuit: Circuit, kind: str, width: int | None) -> str:
    from circuitsim.report.courses import course_csv, course_notes, course_text, spread_times

    if kind != "json":
        return course_csv(course, circuit) if kind == "csv" else course_text(course, circuit, width)
    course = course.at(spread_times(course))
    events = [{"time": e.time, "what": e.what, "ends": e.ends} for e in course.events]
    probes = course.given["probes"]
    apart = ("probes", "sentence", "step", "start", "cautions")
    given = {key: value for key, value in course.given.items() if key not in apart}
    found = {
        "circuit": circuit.name, "step": course.given["step"], "start": course.given["start"], "conditions": given,
        "end": course.end, "stopped": course.stopped, "events": events, "notes": list(course_notes(circuit)),
        "cautions": course.given["cautions"],
        "course": course.records(),
        "probes": {name: _probed(course, circuit, *leads) for name, leads in probes.items()},
    }  # fmt: skip
    return json.dumps(found, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _probed(course: Course, circuit: Circuit, red: str, black: str, at: str) -> list[float]:
    points = course.points
    values = points.current(at) if at else points.voltage(circuit.node(red), circuit.node(black))
    return [float(v) for v in values]
