"""The tolerance command."""

from __future__ import annotations

import json
import math
import os
import sys
from typing import TYPE_CHECKING, Any

import click

from circuitsim.cli.commands import SUFFIXES, circuit_options, condition_options, load_circuit, read_conditions, width_option
from circuitsim.cli.naming import as_spelled, pointing_to_show
from circuitsim.cli.output import (
    check_ending,
    check_target,
    deliver,
    leave_without_reading,
    put_lines,
    say,
    spare,
    terminal_width,
)
from circuitsim.cli.words import Words

if TYPE_CHECKING:
    from circuitsim.library import Circuit
    from circuitsim.studies.tolerance import ToleranceReport

__all__ = ["tolerance_command"]

_INTERRUPTED = 130


@click.command("tolerance", short_help="Spread of the readings over production tolerances.")
@click.option("--samples", type=click.IntRange(min=1), default=8192, metavar="N", help="Vehicles, by 4,096; default 8192.")
@click.option("--seed", type=click.IntRange(min=0), default=1, metavar="S", help="Same seed, same numbers; default 1.")
@click.option("--threads", type=click.IntRange(min=1), metavar="N", help="By default one a processor.")
@condition_options
@click.option("--rows", multiple=True, metavar="TEXT", help="Only rows with TEXT in their label or leads; may be repeated.")
@click.option(
    "--format", "form", type=Words(["table", "json", "csv", "markdown"]),
    help="table, json, csv or markdown; by default as the ending of FILE says, else table.",
)  # fmt: skip
@click.option("--output", "-o", metavar="FILE", help="Write to a file in place of the screen; '-' is the screen.")
@width_option
@circuit_options
def tolerance_command(
    circuit: str, pairs: tuple[str, ...], samples: int, seed: int, threads: int | None, form: str | None,
    output: str | None, width: int | None, rows: tuple[str, ...], nominal: str | None, steps: str | None, fuse: str | None,
    current: str | None, **conditions: Any,
) -> None:  # fmt: skip
    """Work out how far good readings spread over production tolerances: Monte Carlo over whole vehicles.

    CIRCUIT is a name out of 'circuitsim list', or a .toml file. Every quantity has its unit: 12.3V, 75degF. N is
    rounded up to whole chunks of 4096. Ctrl-C gives what was finished by then.
    """
    check_target(output)
    check_ending(output)
    kind = form or next((k for end, k in SUFFIXES.items() if output and output.lower().endswith(end)), "table")
    found = load_circuit(circuit, pairs, {"nominal": nominal, "steps": steps, "fuse": fuse, "current": current})
    spare(found.file, output)
    given = as_spelled(found, read_conditions(**conditions))
    with pointing_to_show(circuit):
        report = _run(found, samples, threads or os.cpu_count() or 1, seed=seed, rows=rows, **given)
    if kind == "table" and output in (None, "-"):
        from circuitsim.report.spreads import spreads_lines

        put_lines(spreads_lines(report, found, terminal_width(width)))
    else:
        deliver(_written(report, found, kind, width), kind, output)
    if not report.complete:
        say(f"interrupted after {report.samples:,} of {samples:,} vehicles")
        raise click.exceptions.Exit(_INTERRUPTED)
    leave_without_reading((s.median, "" if math.isfinite(s.median) else s.verdict) for s in report.spreads)


def _run(circuit: Circuit, samples: int, threads: int, **options: Any) -> ToleranceReport:
    from concurrent.futures import ThreadPoolExecutor

    from circuitsim.studies.tolerance import tolerance

    bar = _Bar(samples)
    try:
        with ThreadPoolExecutor(threads) as pool:
            return tolerance(
                circuit, samples=samples, executor=pool, ahead=max(8, 2 * threads), progress=bar.show, **options
            )  # fmt: skip
    finally:
        bar.end()


class _Bar:
    """A progress line on standard error, when that is a terminal."""

    def __init__(self, total: int) -> None:
        self.total = total
        self.seen = sys.stderr is not None and sys.stderr.isatty()
        self.begun = False

    def show(self, done: int) -> None:
        """Draw the line anew."""
        if self.seen:
            share = min(done / self.total, 1.0)
            bar = "#" * math.floor(30 * share)
            click.echo(f"\r[{bar:<30}] {min(done, self.total):,} of {self.total:,} vehicles", err=True, nl=False)
            self.begun = True

    def end(self) -> None:
        """Leave the line, so that what comes next begins on one of its own."""
        if self.begun:
            click.echo("", err=True)


def _written(report: ToleranceReport, circuit: Circuit, kind: str, width: int | None) -> str:
    from circuitsim.report.spreads import spreads_csv, spreads_markdown, spreads_text

    if kind == "json":
        return json.dumps(_no_nan(report.to_dict()), ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    if kind == "csv":
        return spreads_csv(report)
    return spreads_markdown(report, circuit) if kind == "markdown" else spreads_text(report, circuit, width)


def _no_nan(value: Any) -> Any:
    """Give null for what is no number."""
    if isinstance(value, dict):
        return {k: _no_nan(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_no_nan(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
