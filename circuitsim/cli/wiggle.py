"""The wiggle command."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from circuitsim.cli.commands import circuit_options, load_circuit, read_conditions, width_option
from circuitsim.cli.naming import as_spelled, pointing_to_show, spelled
from circuitsim.cli.output import check_ending, check_target, deliver, put_lines, spare, terminal_width, write_file
from circuitsim.cli.words import Words
from circuitsim.errors import InputError, with_place

if TYPE_CHECKING:
    from circuitsim.studies.wiggle import WiggleReport

__all__ = ["wiggle_command"]

_SUFFIXES = {".json": "json", ".md": "markdown", ".markdown": "markdown"}


@click.command("wiggle", short_help="Who catches a contact that opens and closes at random.")
@click.option("--at", required=True, metavar="X4.A", help="Where the contact is bad: a joint, pin, switch, wire or fuse.")
@click.option("--step", metavar="4", help="At which the circuit runs; the last one by default.")
@click.option("--probe", metavar="RED:BLACK", help="Leads; at:M1 is a clamp. Across the motor by default.")
@click.option("--rate-open", default="2/s", metavar="2/s", help="How often it opens while closed; default 2/s.")
@click.option("--open-time", default="30ms", metavar="30ms", help="How long it stays open on average; default 30ms.")
@click.option("--depth", default="open", metavar="open|5ohm", help="What it is then: open (default), or its resistance.")
@click.option("--for", "duration", default="10s", metavar="10s", help="How long somebody wiggles; default 10s.")
@click.option("--trials", type=click.IntRange(10, 20000), default=400, metavar="N", help="Random trials; default 400.")
@click.option("--seed", type=click.IntRange(min=0), default=1, metavar="S", help="Same seed, same numbers; default 1.")
@click.option("--supply", metavar="12.3V", help="Battery voltage as measured; the circuit's own battery by default.")
@click.option("--supply-at", metavar="STEP", help="Step at which it was measured, or 'rest' for ignition off; default off.")
@click.option("--ambient", metavar="20degC", help="Temperature around; 20 °C by default.")
@click.option("--engine", type=Words(["off", "running"]), default="off", help="off (default) or running; a charger counts.")
@click.option("--since", default="cold", metavar="2min", help="cold: just switched on (default); a time on; or warm.")
@click.option("--fit", multiple=True, metavar="KIND:A:B", help="A jumper or lamp across two points; may be repeated.")
@click.option("--meter", default="standard", metavar="NAME", help="standard (default), precise, basic or low-impedance.")
@click.option(
    "--format", "form", type=Words(["table", "json", "markdown"]),
    help="table, json or markdown; by default as the ending of FILE says, else table.",
)  # fmt: skip
@click.option("--picture", metavar="FILE", help="Draw one wiggle as well, as .png, .svg or .pdf.")
@click.option("--output", "-o", metavar="FILE", help="Write to a file in place of the screen; '-' is the screen.")
@width_option
@circuit_options
def wiggle_command(
    circuit: str, pairs: tuple[str, ...], at: str, step: str | None, probe: str | None, rate_open: str, open_time: str,
    depth: str, duration: str, trials: int, seed: int, form: str | None, picture: str | None, output: str | None,
    width: int | None, nominal: str | None, steps: str | None, fuse: str | None, current: str | None, **conditions: Any,
) -> None:  # fmt: skip
    """Work out who catches a contact that opens and closes at random: DC display, min/max, lamp, scope.

    CIRCUIT is a name out of 'circuitsim list', or a .toml file. The contact is as in a two-state Markov process: while
    closed it opens at a rate, while open it closes after a while, whatever went before. Every quantity has its unit.
    """
    check_target(output)
    check_ending(output)
    _check_pictures(picture)
    kind = form or next((k for end, k in _SUFFIXES.items() if output and output.lower().endswith(end)), "table")
    found = load_circuit(circuit, pairs, {"nominal": nominal, "steps": steps, "fuse": fuse, "current": current})
    spare(found.file, output)
    spare(found.file, picture, "--picture")
    process: dict[str, Any] = {
        "rate_open": _rate(rate_open), "open_time": _quantity(open_time, "s", "--open-time"),
        "duration": _quantity(duration, "s", "--for"),
        "depth": depth if depth.lower() == "open" else _quantity(depth, "Ω", "--depth"),
    }  # fmt: skip
    given = read_conditions(
        probe=() if probe is None else (probe,), instrument=None, step=() if step is None else (step,), **_usual(conditions)
    )
    named = as_spelled(found, given)
    named.pop("instrument")
    chosen: dict[str, Any] = {key: next(iter(named.pop(key)), None) for key in ("step", "probe")}
    from circuitsim.studies.wiggle import wiggle

    with pointing_to_show(circuit), _duration_as_typed():
        report = wiggle(found, spelled(at, found.net.elements), trials=trials, seed=seed, **process, **chosen, **named)
    if picture is not None:
        write_file(picture, _drawn(report, picture), "--picture")
    if kind == "table" and output in (None, "-"):
        from circuitsim.report.wiggling import wiggle_lines

        put_lines(wiggle_lines(report, terminal_width(width)))
    else:
        deliver(_written(report, kind, width), kind, output)


@contextmanager
def _duration_as_typed() -> Iterator[None]:
    """Let an error about the duration speak of --for."""
    try:
        yield
    except InputError as error:
        if error.key == "duration":
            raise InputError(error.message, key="--for") from None
        raise


def _usual(conditions: dict[str, Any]) -> dict[str, Any]:
    return {**conditions, "ignition": "on", "unplug": ()}


def _rate(text: str) -> float:
    """Read a rate such as ``2/s``, ``120/min`` or ``2Hz``, in 1/s."""
    number, slash, unit = text.partition("/")
    if slash and unit.strip() in ("s", "min", "h"):
        return _quantity(f"{number.strip()} 1/{unit.strip()}", "Hz", "--rate-open")
    return _quantity(text, "Hz", "--rate-open")


def _quantity(text: str, unit: str, option: str) -> float:
    from circuitsim.quantities import parse

    try:
        return parse(text, unit)
    except InputError as error:
        raise with_place(error, key=option) from None


def _check_pictures(picture: str | None) -> None:
    if picture is not None:
        from circuitsim.report.plots import check_suffix

        check_target(picture, "--picture")
        check_suffix(Path(picture).suffix)


def _drawn(report: WiggleReport, picture: str) -> bytes:
    from circuitsim.report.plots import figure_bytes
    from circuitsim.report.wiggling import wiggle_figure

    return figure_bytes(wiggle_figure(report), Path(picture).suffix)


def _written(report: WiggleReport, kind: str, width: int | None) -> str:
    from circuitsim.report.wiggling import wiggle_markdown, wiggle_text

    if kind == "json":
        return json.dumps(report.to_dict(), ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    return wiggle_markdown(report) if kind == "markdown" else wiggle_text(report, width)
