"""The fit command."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from circuitsim.cli.commands import load_circuit, width_option
from circuitsim.cli.naming import pointing_to_show, spelled
from circuitsim.cli.output import check_target, deliver, put_lines, say, spare, terminal_width, write_file
from circuitsim.cli.words import Words
from circuitsim.errors import InputError

if TYPE_CHECKING:
    from circuitsim.library import Circuit
    from circuitsim.library.rewriting import Rewritten
    from circuitsim.studies.fit import Fitted

__all__ = ["fit_command"]


@click.command("fit", short_help="Calibrate a circuit to readings from a good vehicle.")
@click.argument("circuit")
@click.argument("readings")
@click.option("--output", "-o", metavar="FITTED.toml", help="Write the fitted circuit to this file.")
@click.option("--anyway", is_flag=True, help="Write the file though the readings look like a faulty circuit's.")
@click.option("--meter", default="standard", metavar="NAME", help="standard (default), precise, basic or low-impedance.")
@click.option(
    "--format", "form", type=Words(["table", "json", "markdown"]), default="table", help="Of what is told; default table."
)
@click.option("--all", "every", is_flag=True, help="The whole chart after it, and not just what has changed most.")
@click.option("--set", "pairs", multiple=True, metavar="OPTION=VALUE", help="Any option of a generic circuit.")
@width_option
def fit_command(
    circuit: str, readings: str, output: str | None, anyway: bool, meter: str, form: str, pairs: tuple[str, ...],
    width: int | None, every: bool,
) -> None:  # fmt: skip
    """Calibrate CIRCUIT to READINGS from a vehicle that is known to be good.

    READINGS is a CSV file as 'diagnose' takes it; only numbers count. It says which numbers the readings determine, which they
    do not (those keep their tolerance), and what the rest of the chart should then read.

    -o writes the fitted circuit as a file that every command takes: CIRCUIT's own with the new values put in. Of a circuit
    with options it has everything resolved: options and parts have become plain values. Where the readings look like those of a
    faulty circuit no file is written (exit code 2) but with --anyway: its chart would call the fault good.
    """
    if output is not None:
        check_target(output)
        if Path(output).suffix != ".toml":
            raise InputError("a circuit file's name ends in .toml", file=output, key="--output")
    found = load_circuit(circuit, pairs, {})
    spare(found.file, output)
    _spare_readings(readings, output)
    from circuitsim.measure import METERS
    from circuitsim.report.fitted import fitted_lines, fitted_markdown, fitted_text
    from circuitsim.studies.evidence import load_findings
    from circuitsim.studies.fit import as_filed, fit

    with pointing_to_show(circuit):
        findings, tool = load_findings(found, readings), spelled(meter, METERS)
        result = fit(found, findings, tool)
    made = _rewritten(found, result, output)
    result = as_filed(result, made.circuit(), findings, tool)
    refused = bool(result.unfit) and not anyway
    if output is not None and not refused:
        write_file(output, made.text.encode("utf-8"))
    if form == "json":
        deliver(json.dumps(result.to_dict(), ensure_ascii=False, indent=1, allow_nan=False) + "\n", form, None)
    elif form == "markdown":
        deliver(fitted_markdown(result), form, None)
    elif terminal_width(width) is None:
        deliver(fitted_text(result, every=every), form, None)
    else:
        put_lines(fitted_lines(result, terminal_width(width), every=every))
    if output is not None and refused:
        raise InputError(f"not written: {result.unfit}. --anyway writes it", file=output)
    if output is not None:
        say(f"written: {output}")


def _rewritten(found: Circuit, result: Fitted, output: str | None) -> Rewritten:
    """Make the file of a fitted circuit, whether it is wanted or not: what it reads back as is what is told."""
    from circuitsim.library.rewriting import rewritten

    head = [
        f"{found.name}, fitted to {result.freedom} measured values of a good vehicle ({result.summary}).",
        "Tolerances are what is left of each number's uncertainty by itself: what was learnt of sums alone is not in them.",
        "'predict' gives of this file the bands that fit has printed, under the conditions named above.",
        *(f"Mind: {note}" for note in result.notes),
    ]
    name = _name(Path(output).stem, found.name) if output else found.name
    return rewritten(found, result.circuit, name=name, title=f"{found.title}, fitted", head=head)


def _spare_readings(readings: str, output: str | None) -> None:
    """Raise InputError when what is to be written is the file of readings."""
    with suppress(OSError):  # no such file: told where it is read
        if output is not None and readings != "-" and Path(output).samefile(readings):
            raise InputError("is the file of readings; give another name", file=output, key="--output")


def _name(stem: str, fallback: str) -> str:
    """Make a circuit's name of a file's."""
    plain = "-".join(
        part for part in "".join(c if c.isalnum() and c.isascii() else "-" for c in stem.lower()).split("-") if part
    )
    return plain[:60].strip("-") or fallback
