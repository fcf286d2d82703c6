"""The testability command."""

from __future__ import annotations

import json
from typing import Any

import click

from circuitsim.cli.commands import circuit_options, load_circuit, read_conditions, width_option
from circuitsim.cli.naming import as_spelled, pointing_to_show
from circuitsim.cli.output import check_ending, check_target, deliver, put_lines, spare, terminal_width
from circuitsim.cli.words import Words

__all__ = ["testability_command"]

_SUFFIXES = {".json": "json", ".md": "markdown", ".markdown": "markdown"}


@click.command("testability", short_help="Which faults some probe points can find, and tell apart.")
@click.option("--probe", multiple=True, metavar="RED:BLACK", help="Leads; at:M1 is a clamp. The chart's by default.")
@click.option("--step", multiple=True, metavar="2", help="Only this step; may be repeated.")
@click.option("--one-more", is_flag=True, help="Try what one more probe point would buy (about a minute).")
@click.option("--supply", metavar="12.3V", help="Battery voltage as measured.")
@click.option("--supply-at", metavar="STEP", help="Step at which it was measured, or 'rest' for ignition off; default off.")
@click.option("--ambient", metavar="20degC", help="Temperature around; 20 °C by default.")
@click.option("--engine", type=Words(["off", "running"]), default="off", help="off (default) or running; a charger counts.")
@click.option("--since", default="cold", metavar="warm", help="cold: just switched on (default); or warm.")
@click.option("--meter", default="standard", metavar="NAME", help="standard (default), precise, basic or low-impedance.")
@click.option("--all", "every", is_flag=True, help="Show a row for every fault, and not just those told apart best.")
@click.option("--format", "form", type=Words(["table", "json", "markdown"]), help="table, json or markdown.")
@click.option("--output", "-o", metavar="FILE", help="Write to a file in place of the screen; '-' is the screen.")
@width_option
@circuit_options
def testability_command(
    circuit: str, pairs: tuple[str, ...], one_more: bool, form: str | None, output: str | None, width: int | None,
    every: bool, nominal: str | None, steps: str | None, fuse: str | None, current: str | None, **conditions: Any,
) -> None:  # fmt: skip
    """Say which faults some tests can find, which they isolate to one repair, and what one more probe point would buy.

    CIRCUIT is a name out of 'circuitsim list', or a .toml file.
    """
    check_target(output)
    check_ending(output)
    kind = form or next((k for end, k in _SUFFIXES.items() if output and output.lower().endswith(end)), "table")
    found = load_circuit(circuit, pairs, {"nominal": nominal, "steps": steps, "fuse": fuse, "current": current})
    spare(found.file, output)
    given = read_conditions(instrument=None, ignition="on", unplug=(), fit=(), **conditions)
    named = as_spelled(found, given)
    named.pop("instrument")
    from circuitsim.report.testable import figures_lines, figures_markdown, figures_text
    from circuitsim.studies.testability import assess

    with pointing_to_show(circuit):
        result = assess(found, one_more=one_more, **named)
    if kind == "json":
        deliver(json.dumps(result.to_dict(), ensure_ascii=False, indent=1, allow_nan=False) + "\n", kind, output)
    elif kind == "markdown":
        deliver(figures_markdown(result), kind, output)
    elif output in (None, "-"):
        put_lines(figures_lines(result, terminal_width(width), every=every))
    else:
        deliver(figures_text(result, width), kind, output)
