"""The faults command."""

from __future__ import annotations

import csv
import io
import json

import click

from circuitsim.cli.commands import circuit_options, load_circuit, width_option
from circuitsim.cli.naming import spelled
from circuitsim.cli.output import check_ending, check_target, deliver, put_lines, spare, terminal_width
from circuitsim.cli.words import Words
from circuitsim.errors import UnknownNameError

__all__ = ["faults_command"]

_SUFFIXES = {".json": "json", ".csv": "csv", ".md": "markdown", ".markdown": "markdown", ".toml": "weights"}


@click.command("faults", short_help="List the faults that a circuit can have, and their signs.")
@click.option("--site", multiple=True, metavar="X4.A", help="Only at this element; may be repeated.")
@click.option("--kind", "kinds", multiple=True, metavar="corroded", help="Only of this kind; may be repeated.")
@click.option(
    "--format", "form", type=Words(["table", "json", "csv", "markdown", "weights"]),
    help="table, json, csv, markdown, or weights: a file to change for 'diagnose --prior', as -o FILE.toml gives too.",
)  # fmt: skip
@click.option("--output", "-o", metavar="FILE", help="Write to a file in place of the screen; '-' is the screen.")
@width_option
@circuit_options
def faults_command(
    circuit: str, pairs: tuple[str, ...], site: tuple[str, ...], kinds: tuple[str, ...], form: str | None,
    output: str | None, width: int | None, nominal: str | None, steps: str | None, fuse: str | None, current: str | None,
) -> None:  # fmt: skip
    """List the faults that follow from the parts of a circuit: SITE:KIND, plausible severity, signs, repair.

    CIRCUIT is a name out of 'circuitsim list', or a .toml file. 'predict --fault SITE:KIND=SEVERITY' shows what one does.
    """
    check_target(output)
    kind = form or next((k for end, k in _SUFFIXES.items() if output and output.lower().endswith(end)), "table")
    if kind != "weights":  # a .toml file is for nothing else
        check_ending(output)
    found = load_circuit(circuit, pairs, {"nominal": nominal, "steps": steps, "fuse": fuse, "current": current})
    spare(found.file, output)
    from circuitsim.measure.faults import find_faults
    from circuitsim.report.faulting import faults_lines, faults_markdown, faults_text

    known = list(find_faults(found).values())
    for given, option, names in ((site, "--site", [f.site for f in known]), (kinds, "--kind", [f.kind.name for f in known])):
        accepted = list(dict.fromkeys(names))
        wanted = {spelled(name, accepted) for name in given}
        for name in wanted - set(accepted):
            raise UnknownNameError(f"{option[2:]} of faults in {found.name}", name, accepted, key=option)
        known = [f for f in known if not wanted or (f.site if option == "--site" else f.kind.name) in wanted]
    if kind == "json":
        text = json.dumps({"faults": [f.record() for f in known]}, ensure_ascii=False, indent=1, allow_nan=False)
        deliver(text + "\n", kind, output)
    elif kind == "csv":
        out = io.StringIO()
        rows = csv.DictWriter(out, list(known[0].record()) if known else ["fault"], lineterminator="\n")
        rows.writeheader()
        rows.writerows(f.record() for f in known)
        deliver(out.getvalue(), kind, output)
    elif kind == "weights":
        from circuitsim.studies.priors import prior_text

        deliver(prior_text({f.name: f for f in known}, found.name), kind, output)
    elif kind == "markdown":
        deliver(faults_markdown(found, known), kind, output)
    elif output in (None, "-"):
        put_lines(faults_lines(found, known, terminal_width(width)))
    else:
        deliver(faults_text(found, known, width), kind, output)
