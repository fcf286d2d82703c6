"""The new command: a circuit file from what can be seen and measured, by flags or question by question."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from circuitsim.cli.commands import width_option
from circuitsim.cli.output import check_target, deliver, put, put_lines, terminal_width, write_file
from circuitsim.cli.questions import QUESTIONS, Question
from circuitsim.cli.words import Words
from circuitsim.errors import InputError, shown

if TYPE_CHECKING:
    from circuitsim.studies.newcircuit import Answers

__all__ = ["new_command"]

_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_INTRO = """\
Enter takes what stands in [ ]; '-' is: don't know; '?' says how it can be seen or measured. Quantities have units.
"""
Given = dict[str, Any]


def _flags(command: Callable[..., None]) -> Callable[..., None]:
    """Add an option for every question."""
    for q in reversed(QUESTIONS):
        command = click.option(f"--{q.option}", metavar=q.metavar, help=q.help)(command)
    return command


@click.command("new", short_help="Write a circuit file from what can be seen and measured.")
@click.option("--output", "-o", required=True, metavar="FILE.toml", help="The file to write.")
@_flags
@click.option("--name", metavar="my-fan", help="Name of the circuit; by default that of the file.")
@click.option("--title", default="", metavar="TEXT", help="A line that says what it is.")
@click.option("--meter", default="standard", metavar="NAME", help="standard (default), precise, basic or low-impedance.")
@click.option(
    "--format", "form", type=Words(["table", "json", "markdown"]), default="table", help="Of what is told; default table."
)
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@width_option
def new_command(
    output: str, name: str | None, title: str, meter: str, form: str, force: bool, width: int | None, **given: str | None
) -> None:
    """Write a circuit file for the circuit in front of you: commented, with honest, wide tolerances.

    In a terminal it asks for what is not given. With another format than table, or without a terminal, it does not: what is
    not given is not known. Then it says which readings would narrow the file most, worked out from its tolerances.
    """
    _check_file(output, force)
    name = _name(name, output)
    answers: Given = {q.option: q.read(text) for q in QUESTIONS if (text := given[q.key]) is not None}
    if form == "table" and _is_terminal():
        _ask(answers, sys.stdin.readline)
    lacking = [q for q in QUESTIONS if q.needed and answers.get(q.option) is None]
    if lacking:
        wanted = " and ".join(f"--{q.option} (such as {q.example})" for q in lacking)
        raise InputError(f"{wanted} must be given, or asked for in a terminal")
    from circuitsim.studies.newcircuit import draft

    drafted = draft(_answers(answers, name, title, meter), file=Path(output).name)
    write_file(output, drafted.text.encode("utf-8"))
    from circuitsim.report.drafted import drafted_lines, drafted_markdown

    if form == "json":
        text = json.dumps({"file": output, **drafted.to_dict()}, ensure_ascii=False, indent=1, allow_nan=False)
        deliver(text + "\n", form, None)
    elif form == "markdown":
        deliver(drafted_markdown(drafted, output), form, None)
    else:
        put_lines(drafted_lines(drafted, output, terminal_width(width)))


def _is_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _check_file(output: str, force: bool) -> None:
    check_target(output)
    if Path(output).suffix != ".toml":
        raise InputError("a circuit file's name ends in .toml", file=output, key="--output")
    if Path(output).exists() and not force:
        raise InputError("is there already; --force writes over it", file=output, key="--output")


def _name(given: str | None, output: str) -> str:
    """Give the circuit's name: the one given, or made of the file's."""
    if given is None:
        spaced = "".join(c if c.isalnum() and c.isascii() else " " for c in Path(output).stem.lower())
        return "-".join(spaced.split())[:60].strip("-") or "my-fan"
    if not _NAME.fullmatch(given) or len(given) > 60:
        told = "accepted: small letters, digits and single hyphens between, at most 60"
        raise InputError(f"{shown(given)} found; {told}", key="--name")
    return given


def _answers(known: Given, name: str, title: str, meter: str) -> Answers:
    """Put the answers together; an error names the option."""
    from circuitsim.studies.newcircuit import Answers

    wires = tuple((key.removesuffix("-wire"), *found) for key, found in known.items() if key.endswith("-wire") and found)
    return Answers(
        known["nominal"], known["kind"], known["steps"], known.get("fuse"), known.get("current"),
        known.get("motor-resistance"), wires, name, title, known.get("command") or "falling", known.get("supply"), meter,
    )  # fmt: skip


# The dialogue -----------------------------------------------------------------------------------------------------


def _ask(answers: Given, line: Callable[[], str]) -> None:
    """Ask for what is not there yet; what can't be is explained and asked again."""
    open_questions = [q for q in QUESTIONS if q.option not in answers]
    if open_questions:
        put(_INTRO)
    for q in open_questions:
        if q.fits(answers):
            answers[q.option] = _asked(q, answers, line)


def _asked(question: Question, answers: Given, line: Callable[[], str]) -> Any:
    while True:
        put(question.prompt())
        text = line()
        if not text:  # the end of what is typed
            put("\n")
            return None
        answer = text.strip() or question.default
        if answer == "?":
            put(f"  {question.how}\n")
            continue
        try:
            value = question.read(answer)
            _check_together({**answers, question.option: value})
        except InputError as error:
            put(f"  {error.message}\n")
            continue
        return value


def _check_together(known: Given) -> None:
    """Raise InputError for an answer that can't go with those before it."""
    if all(known.get(q.option) is not None for q in QUESTIONS if q.needed):
        from circuitsim.studies.answers import motor_of

        motor_of(_answers(known, "new", "", "standard"))
