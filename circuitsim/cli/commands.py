"""The commands. Everything heavy is imported inside the functions that need it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from circuitsim.cli.naming import as_spelled, pointing_to_show, spelled
from circuitsim.cli.output import (
    check_ending,
    check_target,
    deliver,
    leave_without_reading,
    put,
    put_lines,
    spare,
    terminal_width,
    write_file,
)
from circuitsim.cli.words import Width, Words, read_pairs
from circuitsim.errors import InputError, UnknownNameError, shown, with_place

if TYPE_CHECKING:
    from circuitsim.library import Circuit
    from circuitsim.studies import Chart

__all__ = [
    "FUNCTIONS", "SUFFIXES", "circuit_options", "condition_options", "list_command", "load_circuit", "predict_command",
    "read_conditions", "show_command", "width_option",
]  # fmt: skip

Command = Callable[..., None]
_TOOLS = ("voltmeter", "ohmmeter", "lamp")
FUNCTIONS = ("ac", "ac+dc", "ac-average", "min", "max", "scope-min", "scope-max", "duty", "frequency")
"""Functions of `circuitsim.library.functions`, which is not loaded for a help text."""
_PLAIN_OPTIONS = ("nominal", "steps", "fuse", "current")
SUFFIXES = {".json": "json", ".csv": "csv", ".md": "markdown", ".markdown": "markdown"}
"""Formats by the ending of a file."""


def circuit_options(command: Command) -> Command:
    """Add CIRCUIT and the options that a generic circuit is built with."""
    for name, example, text in reversed(
        (
            ("nominal", "24V", "Nominal voltage of a generic circuit."),
            ("steps", "3", "Number of steps of a generic circuit, without 'off'."),
            ("fuse", "20A", "Fuse rating of a generic circuit."),
            ("current", "9A", "Rough current at full speed of a generic circuit."),
        )
    ):
        command = click.option(f"--{name}", metavar=example, help=text)(command)
    pairs = click.option("--set", "pairs", multiple=True, metavar="OPTION=VALUE", help="Any option of a generic circuit.")
    faults = click.option(
        "--fault", multiple=True, metavar="SITE:KIND[=SEVERITY]", expose_value=False, callback=_keep_faults,
        help="A fault in the circuit, see 'circuitsim faults'; may be repeated.",
    )  # fmt: skip
    return click.argument("circuit")(faults(pairs(command)))


def _keep_faults(ctx: click.Context, _param: click.Parameter, given: tuple[str, ...]) -> None:
    ctx.meta["circuitsim.faults"] = given


def condition_options(command: Command) -> Command:
    """Add what is read, with what, and under which conditions; `read_conditions` turns them into arguments."""
    option = click.option
    options = (
        option("--supply", metavar="12.3V", help="Battery voltage as measured; the circuit's own battery by default."),
        option("--supply-at", metavar="STEP", help="Step at which it was measured, or 'rest' for ignition off; default off."),
        option("--ambient", metavar="20degC", help="Temperature around; 20 °C by default."),
        option("--engine", type=Words(["off", "running"]), default="off", help="off (default) or running; a charger counts."),
        option("--ignition", type=Words(["on", "off"]), default="on", help="on (default) or off."),
        option("--since", default="cold", metavar="2min", help="cold: just switched on (default); a time on; or warm."),
        option("--unplug", multiple=True, metavar="X4", help="A connector that is unplugged; may be repeated."),
        option("--fit", multiple=True, metavar="KIND:A:B", help="A jumper or lamp across two points; may be repeated."),
        option("--step", multiple=True, metavar="2", help="Only this step; may be repeated."),
        option("--probe", multiple=True, metavar="RED:BLACK", help="These leads in place of the chart's; at:M1 is a clamp."),
        option(
            "--instrument",
            type=Words([*_TOOLS, *FUNCTIONS]),
            metavar="TOOL",
            help="What reads --probe RED:BLACK: voltmeter (default), ohmmeter, lamp; predict takes ac, ac+dc, ac-average, min, "
            "max, scope-min, scope-max, duty and frequency as well, on a clamp too.",
        ),
        option("--meter", default="standard", metavar="NAME", help="standard (default), precise, basic or low-impedance."),
    )
    for add in reversed(options):
        command = add(command)
    return command


def load_circuit(circuit: str, pairs: tuple[str, ...], plain: dict[str, str | None]) -> Circuit:
    """Load a circuit by name or file with its options: those of --set, and `plain` ones, None where not given."""
    from circuitsim.library import circuit_names, load

    options = read_pairs(pairs, "--set")
    for name, value in plain.items():
        if value is not None:
            if name in options:
                raise InputError(f"--{name} and --set {name} are both given", key="--set")
            options[name] = value
    if "circuit" in options:  # it would name the function's own argument
        raise InputError("no circuit has an option 'circuit'", key="--set")
    try:
        return _with_faults(load(spelled(circuit, circuit_names()), **options))
    except UnknownNameError as error:
        if error.accepted or error.found not in options:
            raise
        text = f"{shown(circuit)} has no option {shown(error.found)}, and no other; generic circuits have options"
        raise InputError(text) from None


def _with_faults(circuit: Circuit) -> Circuit:
    """Put in the faults of --fault."""
    given = click.get_current_context().meta.get("circuitsim.faults", ())
    if not given:
        return circuit
    from circuitsim.measure.faults import with_faults

    try:
        return with_faults(circuit, given)
    except InputError as error:
        if len(getattr(error, "accepted", ())) <= 12:
            raise
        text = f"{error.message.partition('accepted:')[0].rstrip()} see 'circuitsim faults {circuit.name}'"
        raise InputError(text, key="--fault") from None


width_option = click.option("--width", type=Width(), metavar="N", help="Lay out for lines of N characters.")
_output = click.option("--output", "-o", metavar="FILE", help="Write to a file in place of the screen; '-' is the screen.")


@click.command("list", short_help="List the circuits and parts by name.")
@click.option("--long", is_flag=True, help="Circuits with voltage and steps, and all parts.")
@click.option("--format", "form", type=Words(["table", "json"]), default="table", help="table (default) or json.")
def list_command(form: str, *, long: bool) -> None:
    """List the circuits that the package knows, a line each; with --long the parts too."""
    from circuitsim.library import circuit_names, load, parts

    circuits = [load(name) for name in circuit_names()]
    if form == "json":
        found = {
            "circuits": [{"name": c.name, "title": c.title, "nominal": c.nominal, "steps": list(c.steps)} for c in circuits],
            "parts": [{"name": p.name, "kind": p.kind, "title": p.title} for _, p in sorted(parts().items())],
        }
        deliver(json.dumps(found, ensure_ascii=False, indent=1) + "\n", "json", None)
        return
    from circuitsim.report.listing import listing, long_title

    if not long:
        put_lines(listing({"Circuits": [(c.name, c.title) for c in circuits]}, terminal_width(None), cut=True))
        put(f"\n{len(parts())} parts, and more of each circuit: circuitsim list --long\n")
        return
    rows = [(c.name, long_title(c)) for c in circuits]
    put_lines(listing({"Circuits": rows, "Parts": [(n, p.title) for n, p in sorted(parts().items())]}, terminal_width(None)))


@click.command("show", short_help="Show what is in a circuit, and what can be reached.")
@click.option("--format", "form", type=Words(["text", "json"]), default="text", help="text (default) or json.")
@width_option
@circuit_options
def show_command(circuit: str, pairs: tuple[str, ...], form: str, width: int | None, **plain: str | None) -> None:
    """Show what is in a circuit: first in short, then current path, probe points, connectors, parts.

    CIRCUIT is a name out of 'circuitsim list', or a .toml file.
    """
    found = load_circuit(circuit, pairs, plain)
    from circuitsim.report.show import circuit_lines, circuit_record

    if form == "json":
        text = json.dumps(circuit_record(found), ensure_ascii=False, indent=1, allow_nan=False)
        deliver(text + "\n", "json", None)
    else:
        put_lines(circuit_lines(found, terminal_width(width)))


@click.command("predict", short_help="Predict what a good circuit reads.")
@condition_options
@click.option("--rows", multiple=True, metavar="TEXT", help="Only rows with TEXT in their label or leads; may be repeated.")
@click.option("--capture", metavar="1ms", help="Time over which each min or max is averaged; 100 ms by default.")
@click.option(
    "--format", "form", type=Words(["table", "json", "csv", "markdown"]),
    help="table, json, csv or markdown; by default as the ending of FILE says, else table.",
)  # fmt: skip
@click.option("--picture", metavar="FILE", help="Draw the chart as well, as .png, .svg or .pdf.")
@_output
@width_option
@circuit_options
def predict_command(
    circuit: str, pairs: tuple[str, ...], form: str | None, output: str | None, width: int | None,
    picture: str | None, rows: tuple[str, ...], capture: str | None, nominal: str | None, steps: str | None,
    fuse: str | None, current: str | None, **conditions: Any,
) -> None:  # fmt: skip
    """Predict what a good circuit reads: the chart of expected readings.

    CIRCUIT is a name out of 'circuitsim list', or a .toml file. Every quantity has its unit: 12.3V, 75degF.
    """
    check_target(output)
    check_ending(output)
    _check_picture(picture)
    kind = form or next((k for end, k in SUFFIXES.items() if output and output.lower().endswith(end)), "table")
    found = load_circuit(circuit, pairs, dict(zip(_PLAIN_OPTIONS, (nominal, steps, fuse, current), strict=True)))
    spare(found.file, output)
    spare(found.file, picture, "--picture")
    given = read_conditions(**conditions)
    from circuitsim.studies import predict

    with pointing_to_show(circuit):
        chart = _only(replace(predict(found, capture=capture, **as_spelled(found, given)), options=found.options), rows)
    if picture is not None:  # before the table: a chart with nothing to draw is refused with nothing printed
        write_file(picture, _drawn(chart, found, picture), "--picture")
    if kind == "table" and output in (None, "-"):
        from circuitsim.report import chart_lines

        put_lines(chart_lines(chart, found, terminal_width(width)))
    else:
        deliver(_written(chart, found, kind, width), kind, output)
    leave_without_reading((r.expected, r.verdict) for r in chart.readings)


def _drawn(chart: Chart, circuit: Circuit, picture: str) -> bytes:
    from circuitsim.report.plots import chart_figure, figure_bytes

    return figure_bytes(chart_figure(chart, circuit), Path(picture).suffix)


def _check_picture(picture: str | None) -> None:
    if picture is not None:
        from circuitsim.report.plots import check_suffix

        check_target(picture, "--picture")
        check_suffix(Path(picture).suffix)


def read_conditions(
    supply: str | None, supply_at: str | None, ambient: str | None, probe: tuple[str, ...], instrument: str | None,
    **others: Any,
) -> dict[str, Any]:  # fmt: skip
    """Turn the options into arguments of `predict`, and refuse those that would have no effect."""
    if supply_at is not None and supply is None:
        raise InputError("needs --supply, the voltage that was measured then", key="--supply-at")
    if instrument is not None and not probe:
        raise InputError("needs --probe, the leads that it is for", key="--instrument")
    if instrument in _TOOLS and all(text.partition(":")[0].strip().lower() == "at" for text in probe):
        raise InputError(f"at: is a clamp; {shown(instrument)} needs --probe RED:BLACK", key="--instrument")
    return {
        "supply": _quantity("--supply", supply, "V"), "supply_at": supply_at or "off",
        "ambient": _quantity("--ambient", ambient, "°C"), "probe": probe, "instrument": instrument or "voltmeter",
        **others,
    }  # fmt: skip


def _quantity(option: str, text: str | None, unit: str) -> float | None:
    """Read the quantity given for an option, in SI; None where it was not given. Errors name the option."""
    from circuitsim.quantities import parse

    if text is None:
        return None
    try:
        return parse(text, unit)
    except InputError as error:
        raise with_place(error, key=option) from None


def _only(chart: Chart, rows: tuple[str, ...]) -> Chart:
    """Leave the readings that have one of the texts in their label or leads."""
    from circuitsim.studies.rows import rows_with

    kept = rows_with(rows, [(r.label, r.leads) for r in chart.readings])
    return replace(chart, readings=tuple(r for r, keep in zip(chart.readings, kept, strict=True) if keep))


def _written(chart: Chart, circuit: Circuit, kind: str, width: int | None) -> str:
    from circuitsim.report import chart_markdown, chart_text

    if kind == "json":
        return chart.to_json() + "\n"
    if kind == "csv":
        return chart.to_csv()
    return chart_markdown(chart, circuit) if kind == "markdown" else chart_text(chart, circuit, width)
