"""The compare command."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import click

from circuitsim.cli.commands import circuit_options, condition_options, load_circuit, read_conditions, width_option
from circuitsim.cli.naming import as_spelled, pointing_to_show
from circuitsim.cli.output import check_ending, check_target, deliver, put_lines, spare, terminal_width, write_file
from circuitsim.cli.words import Words
from circuitsim.errors import InputError

__all__ = ["compare_command"]

_SUFFIXES = {".json": "json", ".csv": "csv", ".md": "markdown", ".markdown": "markdown"}


@click.command("compare", short_help="Healthy beside faulty; or which tests show which faults.")
@condition_options
@click.option(
    "--severity", type=Words(["low", "usual", "high"]), help="Of all faults, where no --fault is given; default usual."
)
@click.option("--format", "form", type=Words(["table", "json", "csv", "markdown"]), help="table, json, csv or markdown.")
@click.option(
    "--picture",
    metavar="FILE",
    help="Draw healthy beside faulty, or which tests show which faults: a page as .png or .svg, all pages as .pdf.",
)
@click.option("--output", "-o", metavar="FILE", help="Write to a file in place of the screen; '-' is the screen.")
@width_option
@circuit_options
def compare_command(
    circuit: str, pairs: tuple[str, ...], severity: str | None, form: str | None, picture: str | None, output: str | None,
    width: int | None, nominal: str | None, steps: str | None, fuse: str | None, current: str | None, **conditions: Any,
) -> None:  # fmt: skip
    """Compare a healthy circuit with one that has the faults of --fault, reading by reading, with who could tell them apart.

    Without --fault: every fault that the circuit can have against every test of its chart. CIRCUIT is a name out of
    'circuitsim list', or a .toml file.
    """
    check_target(output)
    check_ending(output)
    _check_picture(picture)
    kind = form or next((k for end, k in _SUFFIXES.items() if output and output.lower().endswith(end)), "table")
    context = click.get_current_context()
    faults = context.meta.pop("circuitsim.faults", ())
    found = load_circuit(circuit, pairs, {"nominal": nominal, "steps": steps, "fuse": fuse, "current": current})
    spare(found.file, output)
    named = as_spelled(found, read_conditions(**conditions))
    with pointing_to_show(circuit):
        if faults:
            if severity is not None:
                raise InputError("is for all faults at once; leave --fault out", key="--severity")
            result, lay_out = _pair(found, faults, named)
        else:
            result, lay_out = _matrix(found, severity or "usual", named)
    if picture is not None:
        write_file(picture, _drawn(result, Path(picture).suffix, one=bool(faults)), "--picture")
    _put(result, lay_out, kind, output, width)


def _pair(found: Any, faults: tuple[str, ...], named: dict[str, Any]) -> tuple[Any, tuple[Any, Any, Any]]:
    from circuitsim.report.comparing import comparison_lines, comparison_markdown, comparison_text
    from circuitsim.studies.compare import compare

    return compare(found, faults, **named), (comparison_lines, comparison_text, comparison_markdown)


def _matrix(found: Any, severity: str, named: dict[str, Any]) -> tuple[Any, tuple[Any, Any, Any]]:
    from circuitsim.report.comparing import detectability_lines, detectability_markdown, detectability_text
    from circuitsim.studies.compare import detectability

    if named.pop("instrument") not in (None, "voltmeter"):
        raise InputError("needs --fault", key="--instrument")
    result = detectability(found, severity=severity, **named)
    return result, (detectability_lines, detectability_text, detectability_markdown)


def _drawn(result: Any, suffix: str, *, one: bool) -> bytes:
    """Draw what fits on a page; as .pdf everything, on pages. one: healthy beside faulty, else all faults."""
    from circuitsim.report.beside import comparison_figure, comparison_pages
    from circuitsim.report.comparing import detectability_figure, detectability_pages
    from circuitsim.report.plots import figure_bytes, pages_bytes

    page, pages = (comparison_figure, comparison_pages) if one else (detectability_figure, detectability_pages)
    if suffix.lower() == ".pdf":
        return pages_bytes(pages(result))
    return figure_bytes(page(result), suffix)


def _check_picture(picture: str | None) -> None:
    if picture is not None:
        from circuitsim.report.plots import check_suffix

        check_target(picture, "--picture")
        check_suffix(Path(picture).suffix)


def _put(result: Any, lay_out: tuple[Any, Any, Any], kind: str, output: str | None, width: int | None) -> None:
    lines, text, markdown = lay_out
    if kind == "json":
        deliver(json.dumps(result.to_dict(), ensure_ascii=False, indent=1, allow_nan=False) + "\n", kind, output)
    elif kind == "csv":
        out = io.StringIO()
        rows = csv.DictWriter(out, list(result.records()[0]), lineterminator="\n")
        rows.writeheader()
        rows.writerows(result.records())
        deliver(out.getvalue(), kind, output)
    elif kind == "markdown":
        deliver(markdown(result), kind, output)
    elif output in (None, "-"):
        put_lines(lines(result, terminal_width(width)))
    else:
        deliver(text(result, width), kind, output)
