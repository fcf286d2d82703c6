"""The waveform command."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from circuitsim.cli.commands import circuit_options, load_circuit, read_conditions, width_option
from circuitsim.cli.naming import as_spelled, pointing_to_show
from circuitsim.cli.output import check_target, deliver, put_lines, spare, terminal_width, write_file
from circuitsim.cli.words import Words
from circuitsim.errors import InputError

if TYPE_CHECKING:
    from circuitsim.studies.waveform import WaveformReport

__all__ = ["waveform_command"]

_PICTURES = (".png", ".svg", ".pdf")
_TEXTS = {".csv": "csv", ".json": "json", ".txt": "table", "": "table"}


@click.command("waveform", short_help="What a scope shows at one place.")
@click.option("--step", metavar="3", help="The last one by default.")
@click.option("--probe", metavar="RED:BLACK", help="Leads, MOT-:GND by default; at:M1 is a clamp.")
@click.option("--bars", type=click.IntRange(3, 200), metavar="N", help="Bars of the commutator: adds its ripple to at:M1.")
@click.option("--brushes", type=click.IntRange(2, 200), default=2, metavar="N", help="Brushes, an even number; default 2.")
@click.option("--supply", metavar="12.3V", help="Battery voltage as measured; the circuit's own battery by default.")
@click.option("--supply-at", metavar="STEP", help="Step at which it was measured, or 'rest' for ignition off; default off.")
@click.option("--ambient", metavar="20degC", help="Temperature around; 20 °C by default.")
@click.option("--engine", type=Words(["off", "running"]), default="off", help="off (default) or running; a charger counts.")
@click.option("--ignition", type=Words(["on", "off"]), default="on", help="on (default) or off.")
@click.option("--since", default="cold", metavar="2min", help="cold: just switched on (default); a time on; or warm.")
@click.option("--unplug", multiple=True, metavar="X4", help="A connector that is unplugged; may be repeated.")
@click.option("--fit", multiple=True, metavar="KIND:A:B", help="A jumper or lamp across two points; may be repeated.")
@click.option("--meter", default="standard", metavar="NAME", help="standard (default), precise, basic or low-impedance.")
@click.option("--format", "form", type=Words(["table", "json", "csv"]), help="table, json or csv; else as FILE ends.")
@click.option("--output", "-o", metavar="FILE", help="A picture (.png, .svg, .pdf), .csv, .json or text; '-' is the screen.")
@width_option
@circuit_options
def waveform_command(
    circuit: str, pairs: tuple[str, ...], step: str | None, probe: str | None, bars: int | None, brushes: int,
    form: str | None, output: str | None, width: int | None, nominal: str | None, steps: str | None, fuse: str | None,
    current: str | None, **conditions: Any,
) -> None:  # fmt: skip
    """Show what a scope shows at one place over a period of a chopping stage, and what meters make of it.

    CIRCUIT is a name out of 'circuitsim list', or a .toml file. Average, RMS, least and largest value are exact for the
    switch, its diode and the winding's inductance.
    """
    check_target(output)
    if brushes % 2:
        raise InputError(f"{brushes} brushes are no pairs; accepted: an even number from 2 to 200", key="--brushes")
    kind = _kind(form, output)
    found = load_circuit(circuit, pairs, {"nominal": nominal, "steps": steps, "fuse": fuse, "current": current})
    spare(found.file, output)
    given = read_conditions(probe=(probe,) if probe else (), instrument=None, step=(step,) if step else (), **conditions)
    named = as_spelled(found, given)
    named.pop("instrument")
    chosen: dict[str, Any] = {key: next(iter(named.pop(key)), None) for key in ("step", "probe")}
    from circuitsim.studies.waveform import waveform

    with pointing_to_show(circuit):
        report = waveform(found, bars=bars, brushes=brushes, **chosen, **named)
    if kind == "picture":
        write_file(str(output), _drawn(report, Path(str(output)).suffix))
    elif kind == "table" and output in (None, "-"):
        from circuitsim.report.waves import wave_lines

        put_lines(wave_lines(report, terminal_width(width)))
    else:
        deliver(_written(report, kind, width), kind, output)


def _kind(form: str | None, output: str | None) -> str:
    """Say what is to be written: as --format says, or as the file ends."""
    ending = Path(output).suffix.lower() if output and output != "-" else ""
    if ending in _PICTURES:
        if form is not None:
            raise InputError(f"--format {form} is no picture; give FILE another ending", file=output, key="--output")
        return "picture"
    if form is None and ending not in _TEXTS:
        accepted = ", ".join([*_PICTURES, ".csv", ".json", ".txt"])
        raise InputError(f"no waveform is written as {ending}, accepted: {accepted} or no ending", file=output, key="--output")
    return form or _TEXTS[ending]


def _drawn(report: WaveformReport, suffix: str) -> bytes:
    from circuitsim.report.plots import figure_bytes
    from circuitsim.report.waves import wave_figure

    return figure_bytes(wave_figure(report), suffix)


def _written(report: WaveformReport, kind: str, width: int | None) -> str:
    from circuitsim.report.waves import wave_text

    if kind == "json":
        return json.dumps(report.to_dict(), ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    return report.to_csv() if kind == "csv" else wave_text(report, width)
