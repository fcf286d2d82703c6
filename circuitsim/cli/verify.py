"""The verify command."""

from __future__ import annotations

import json
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from circuitsim.cli.commands import SUFFIXES, load_circuit, width_option
from circuitsim.cli.naming import pointing_to_show, spelled
from circuitsim.cli.output import check_ending, check_target, deliver, put_lines, spare, terminal_width
from circuitsim.cli.words import Words
from circuitsim.errors import InputError

if TYPE_CHECKING:
    from circuitsim.studies.verify import Verification

__all__ = ["LEFT_OVER", "verify_command"]

LEFT_OVER = 1
"""Exit code where something is left over."""


@click.command(
    "verify",
    short_help="Say whether a repair brought every reading into its band.",
    epilog="Exit codes: 0 nothing is left over, 1 something is left over or nothing could be judged, 2 bad input.",
)
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

    BEFORE and AFTER are CSV files as 'diagnose' takes them; each says on top under which conditions it was taken, such as
    '# supply: 12.3 V'. The exit code is 0 when every reading taken after is in its band and nothing is seen any more, 1 when
    something is left over: a reading outside, or something that is still seen. What was not repeated is named; it is not
    proved, but not left over either.
    """
    check_target(output)
    check_ending(output)
    if before == after == "-":
        raise InputError("only one of BEFORE and AFTER can come from standard input", key="AFTER")
    kind = form or next((k for end, k in SUFFIXES.items() if output and output.lower().endswith(end)), "table")
    found = load_circuit(circuit, pairs, {})
    spare(found.file, output)
    _spare_readings((before, after), output)
    from circuitsim.measure import METERS
    from circuitsim.studies.evidence import load_findings
    from circuitsim.studies.verify import verify

    with pointing_to_show(circuit):
        old, new = (load_findings(found, path) for path in (before, after))
        result = verify(found, old, new, spelled(meter, METERS))
    if kind == "table" and output in (None, "-"):
        from circuitsim.report.verifying import verification_lines

        put_lines(verification_lines(result, terminal_width(width)))
    else:
        deliver(_written(result, kind, width), kind, output)
    if result.left_over:
        raise click.exceptions.Exit(LEFT_OVER)


def _spare_readings(files: Iterable[str], output: str | None) -> None:
    """Raise InputError when what is to be written is a file of readings."""
    for file in files:
        with suppress(OSError):  # no such file: told where it is read
            if output not in (None, "-") and file != "-" and Path(str(output)).samefile(file):
                raise InputError("is a file of readings; give another name", file=output, key="--output")


def _written(result: Verification, kind: str, width: int | None) -> str:
    from circuitsim.report.verifying import verification_markdown, verification_text

    if kind == "json":
        return json.dumps(result.to_dict(), ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    if kind == "csv":
        return result.to_csv()
    return verification_markdown(result) if kind == "markdown" else verification_text(result, width)
