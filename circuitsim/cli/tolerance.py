"""The tolerance command."""

from __future__ import annotations

import json
import os
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import click

from circuitsim.cli.commands import circuit_options, load_circuit, quantity
from circuitsim.cli.output import check_ending, check_target, deliver, spare
from circuitsim.cli.words import Words
from circuitsim.errors import InputError

if TYPE_CHECKING:
    from circuitsim.studies.tolerance import ToleranceReport

__all__ = ["tolerance_command"]


@click.command("tolerance", short_help="Spread of the readings over production tolerances.")
@click.option("--samples", type=click.IntRange(min=1), default=8192, metavar="N", help="Vehicles; default 8192.")
@click.option("--seed", type=click.IntRange(min=0), default=1, metavar="S", help="Same seed, same numbers; default 1.")
@click.option("--threads", type=click.IntRange(min=1), metavar="N", help="By default one a processor.")
@click.option("--supply", metavar="12.3V", help="Battery voltage as measured, with the step at off.")
@click.option("--ambient", metavar="20degC", help="Temperature around; 20 °C by default.")
@click.option("--engine", type=Words(["off", "running"]), default="off", help="off (default) or running.")
@click.option("--since", type=Words(["cold", "warm"]), default="cold", help="cold (default) or warm.")
@click.option("--rows", multiple=True, metavar="TEXT", help="Only readings with TEXT in their label; may be repeated.")
@click.option("--format", "form", type=Words(["table", "json", "csv"]), default="table", help="table, json or csv.")
@click.option("--output", "-o", metavar="FILE", help="Write to a file in place of the screen.")
@circuit_options
def tolerance_command(
    circuit: str, pairs: tuple[str, ...], samples: int, seed: int, threads: int | None, form: str, output: str | None,
    supply: str | None, ambient: str | None, nominal: str | None, steps: str | None, fuse: str | None,
    current: str | None, **conditions: Any,
) -> None:  # fmt: skip
    """Work out how far good readings spread over production tolerances: Monte Carlo over whole vehicles.

    CIRCUIT is a name out of 'circuitsim list', or a .toml file. Ctrl-C gives what was finished by then.
    """
    check_target(output)
    check_ending(output)
    found = load_circuit(circuit, pairs, {"nominal": nominal, "steps": steps, "fuse": fuse, "current": current})
    spare(found.file, output)
    conditions |= {"supply": quantity("--supply", supply, "V"), "ambient": quantity("--ambient", ambient, "°C")}
    from circuitsim.studies.tolerance import tolerance

    bar = _Bar(samples)
    with ThreadPoolExecutor(threads or os.cpu_count() or 1) as pool:
        report = tolerance(found, samples=samples, seed=seed, executor=pool, progress=bar.show, **conditions)
    bar.end()
    deliver(_written(report, form), form, output)


class _Bar:
    """A progress line on standard error, when that is a terminal."""

    def __init__(self, total: int) -> None:
        self.total = total
        self.seen = sys.stderr is not None and sys.stderr.isatty()

    def show(self, done: int) -> None:
        if self.seen:
            share = min(done / self.total, 1.0)
            bar = "#" * round(30 * share)
            click.echo(f"\r[{bar:<30}] {min(done, self.total):,} of {self.total:,} vehicles", err=True, nl=False)

    def end(self) -> None:
        if self.seen:
            click.echo("", err=True)


def _written(report: ToleranceReport, form: str) -> str:
    if not report.spreads:
        raise InputError("nothing was finished")
    if form == "json":
        return json.dumps(_no_nan(report.to_dict()), ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    from circuitsim.report.spreads import spreads_csv, spreads_text

    return spreads_csv(report) if form == "csv" else spreads_text(report)


def _no_nan(value: Any) -> Any:
    """Give null for what is no number."""
    if isinstance(value, dict):
        return {k: _no_nan(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_no_nan(v) for v in value]
    return None if isinstance(value, float) and value != value else value
