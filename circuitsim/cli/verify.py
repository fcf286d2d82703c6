"""The verify command."""

from __future__ import annotations

import csv
import io
import json
import sys

import click

from circuitsim.cli.commands import load_circuit, width_option
from circuitsim.cli.output import check_ending, check_target, deliver, put_lines, spare, terminal_width
from circuitsim.cli.words import Words
from circuitsim.errors import InputError

__all__ = ["verify_command"]

_SUFFIXES = {".json": "json", ".csv": "csv", ".md": "markdown", ".markdown": "markdown"}
_LEFT_OVER = 1


@click.command("verify", short_help="Say whether a repair brought every reading into its band.")
@click.argument("circuit")
@click.argument("before")
@click.argument("after")
@click.option("--meter", default="standard", metavar="NAME", help="standard (default), precise, basic or low-impedance.")
@click.option("--format", "form", type=Words(["table", "json", "csv", "markdown"]), help="table, json, csv or markdown.")
@click.option("--output", "-o", metavar="FILE", help="Write to a file in place of the screen; '-' is the screen.")
@click.option("--set", "pairs", multiple=True, metavar="OPTION=VALUE", help="Any option of a generic circuit.")
@width_option
def verify_command(
    circuit: str, before: str, after: str, meter: str, form: str | None, output: str | None, pairs: tuple[str, ...],
    width: int | None,
) -> None:  # fmt: skip
    """Compare the readings BEFORE and AFTER a repair with a good circuit's bands, and say what is left over.

    BEFORE and AFTER are CSV files as 'diagnose' takes them. Leaves with 0 when every reading taken after is in its band and
    nothing seen is left, with 1 when something is left over.
    """
    check_target(output)
    check_ending(output)
    if before == after == "-":
        raise InputError("both can't come from standard input", key="AFTER")
    kind = form or next((k for end, k in _SUFFIXES.items() if output and output.lower().endswith(end)), "table")
    found = load_circuit(circuit, pairs, {})
    spare(found.file, output)
    from circuitsim.report.verifying import verification_lines, verification_markdown, verification_text
    from circuitsim.studies.evidence import load_findings
    from circuitsim.studies.verify import verify

    result = verify(found, load_findings(found, before), load_findings(found, after), meter=meter)
    if kind == "json":
        deliver(json.dumps(result.to_dict(), ensure_ascii=False, indent=1, allow_nan=False) + "\n", kind, output)
    elif kind == "csv":
        out = io.StringIO()
        rows = csv.DictWriter(out, list(result.records()[0]) if result.readings else ["placed"], lineterminator="\n")
        rows.writeheader()
        rows.writerows(result.records())
        deliver(out.getvalue(), kind, output)
    elif kind == "markdown":
        deliver(verification_markdown(result), kind, output)
    elif output in (None, "-"):
        put_lines(verification_lines(result, terminal_width(width)))
    else:
        deliver(verification_text(result, width), kind, output)
    if not result.passed:
        sys.exit(_LEFT_OVER)
