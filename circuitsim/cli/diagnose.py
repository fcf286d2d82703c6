"""The diagnose command."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from circuitsim.cli.commands import load_circuit, width_option
from circuitsim.cli.naming import points_of, spelled
from circuitsim.cli.output import check_ending, check_target, deliver, put, put_lines, say, spare, terminal_width, working
from circuitsim.cli.words import Words
from circuitsim.errors import CircuitsimError, InputError, shown

if TYPE_CHECKING:
    from circuitsim.library import Circuit
    from circuitsim.studies.diagnosis import Diagnosis
    from circuitsim.studies.evidence import Findings

__all__ = ["diagnose_command"]

_SUFFIXES = {".json": "json", ".md": "markdown", ".markdown": "markdown"}
_HELP = """Type a reading as  STEP RED:BLACK READING  (2 MOT-:GND 8.4V), with a clamp  STEP at:M1 READING,
 with a plug parted  STEP RED:BLACK READING unplug X4.  Or just the reading of the test that was asked for (8.4V).
 saw WORD [STEP]   such as  saw slow 3      cannot TEST   such as  cannot X5
 list   what was taken      undo   take the last back      done   end"""


@click.command("diagnose", short_help="Rank the suspects behind readings, and pick the next test.")
@click.argument("circuit")
@click.argument("readings", required=False)
@click.option("--interactive", is_flag=True, help="Type readings one by one; an answer after each.")
@click.option("--supply", metavar="12.3V", help="Battery voltage as measured; goes before what the file says.")
@click.option("--supply-at", metavar="STEP", help="Step at which it was measured, or 'rest' for ignition off; default off.")
@click.option("--ambient", metavar="20degC", help="Temperature around.")
@click.option("--engine", type=Words(["off", "running"]), help="off (default) or running; a charger counts.")
@click.option("--since", metavar="cold", help="cold (default), warm, or a time on.")
@click.option("--meter", default="standard", metavar="NAME", help="standard (default), precise, basic or low-impedance.")
@click.option("--prior", metavar="FILE", help="Weights of faults beforehand, as 'faults CIRCUIT -o FILE.toml' writes them.")
@click.option("--cannot", multiple=True, metavar="TEST", help="Can't be made: a plug, lead, RED:BLACK, at:M1; may be repeated.")
@click.option("--intermittent", is_flag=True, help="Count joints that come and go among the suspects.")
@click.option("--pairs", is_flag=True, help="Weigh two faults at once as well.")
@click.option(
    "--sure", type=click.FloatRange(0.5, 0.9999), default=0.9, metavar="P", help="Enough from this chance on; default 0.9."
)
@click.option("--format", "form", type=Words(["table", "json", "markdown"]), help="table, json or markdown.")
@click.option("--output", "-o", metavar="FILE", help="Write to a file in place of the screen; '-' is the screen.")
@click.option("--set", "pairs_set", multiple=True, metavar="OPTION=VALUE", help="Any option of a generic circuit.")
@width_option
def diagnose_command(
    circuit: str, readings: str | None, pairs_set: tuple[str, ...], interactive: bool, form: str | None, output: str | None,
    width: int | None, prior: str | None, cannot: tuple[str, ...], intermittent: bool, pairs: bool, sure: float, meter: str,
    **conditions: Any,
) -> None:  # fmt: skip
    """Rank the suspects behind readings and observations, say how sure that is, and pick the next test.

    READINGS is a CSV file with the columns step, unplugged, red, black, reading (8.48 V, OL, unstable 3-9 V), or rows step,
    observe, value (slow, surges, …); '-' is standard input. The chart that 'predict' writes as CSV is such a file. The
    vehicle maker's service information comes first; a suspect is no proof.
    """
    check_target(output)
    check_ending(output)
    kind = form or next((k for end, k in _SUFFIXES.items() if output and output.lower().endswith(end)), "table")
    if readings is None and not interactive:
        raise InputError("needs a file of readings, or --interactive", key="READINGS")
    found = load_circuit(circuit, pairs_set, {})
    spare(found.file, output)
    from circuitsim.measure import meter as find_meter
    from circuitsim.studies.evidence import load_findings, read_findings

    given = {key: value for key, value in conditions.items() if value is not None}
    options: dict[str, Any] = {
        "meter": find_meter(meter).name, "prior": _prior(prior, found), "sure": sure, "intermittent": intermittent,
        "pairs": pairs,
    }  # fmt: skip
    findings = load_findings(found, readings, **given) if readings else read_findings(found, "step\n", **given)
    if interactive:
        _converse(found, findings, list(cannot), options, width)
        return
    if not findings.readings and not findings.observations:
        raise InputError("has no readings and no observations", file=readings)
    from circuitsim.studies.diagnose import diagnose

    with working():
        result = diagnose(found, findings, cannot=cannot, **options)
    _show(result, kind, output, width)


def _prior(path: str | None, circuit: Circuit) -> Any:
    if path is None:
        return None
    from circuitsim.measure.faults import find_faults
    from circuitsim.studies.priors import read_prior

    return read_prior(path, find_faults(circuit))


def _show(result: Diagnosis, kind: str, output: str | None, width: int | None) -> None:
    from circuitsim.report.diagnosing import diagnosis_lines, diagnosis_markdown, diagnosis_text

    if kind == "json":
        deliver(json.dumps(result.to_dict(), ensure_ascii=False, indent=1, allow_nan=False) + "\n", kind, output)
    elif kind == "markdown":
        deliver(diagnosis_markdown(result), kind, output)
    elif output in (None, "-"):
        put_lines(diagnosis_lines(result, terminal_width(width)))
    else:
        deliver(diagnosis_text(result, width), kind, output)


# One by one -------------------------------------------------------------------------------------------------------


def _lines() -> Iterator[str]:
    while True:
        put("> ")
        line = sys.stdin.readline()
        if not line:
            return
        yield line.strip()


def _converse(circuit: Circuit, findings: Findings, cannot: list[str], options: dict[str, Any], width: int | None) -> None:
    """Take readings one by one, and answer after each."""
    from circuitsim.studies.diagnose import diagnose

    put(_HELP + "\n")
    result: Diagnosis | None = None
    if findings.readings or findings.observations:
        with working():
            result = diagnose(circuit, findings, cannot=cannot, **options)
        _show(result, "table", None, width)
    for text in _lines():
        word = text.partition(" ")[0].lower()
        if word in ("done", "quit", "exit"):
            break
        try:
            if word == "list":
                put("".join(_taken(findings)))
                continue
            if word == "undo":
                findings = replace(findings, readings=findings.readings[:-1])
            elif word == "cannot":
                cannot.append(text.partition(" ")[2].strip())
            elif word in ("help", "?", ""):
                put(_HELP + "\n")
                continue
            else:
                findings = _added(circuit, findings, text, result)
            with working():
                result = diagnose(circuit, findings, cannot=cannot, table=result.table if result else None, **options)
        except CircuitsimError as error:
            say(str(error))
            if word == "cannot":
                cannot.pop()
            continue
        # The circuit's own were said at the start; a current above a fuse's rating was not.
        own = tuple(c for c in result.cautions if c not in circuit.cautions)
        _show(replace(result, cautions=own), "table", None, width)
        if result.enough:
            break


def _taken(findings: Findings) -> Iterator[str]:
    for r in findings.readings:
        leads = f"at:{r.task.at}" if r.task.at else f"{r.task.red}:{r.task.black}"
        value = r.shown.look or ("OL" if r.shown.kind == "overload" else f"{r.shown.value:g}")
        yield f"  {r.task.step} {leads} {value}\n"
    for seen in findings.observations:
        yield f"  saw {seen.word} {seen.step}\n"


def _added(circuit: Circuit, findings: Findings, text: str, result: Diagnosis | None) -> Findings:
    """Read one typed line and add it."""
    from circuitsim.studies.evidence import OBSERVATIONS, Observation, TakenReading, read_row

    if text.lower().startswith("saw "):
        said = " ".join(text[4:].split())
        word = next((w for w in sorted(OBSERVATIONS, key=len, reverse=True) if said.lower().startswith(w)), "")
        if not word:
            _point_to_saw(circuit, said)
        row = {"observe": word or said, "value": "", "step": said[len(word) :].strip() if word else ""}
    else:
        if ":" not in text:
            _point_to_saw(circuit, text)
            text = _paired(circuit, text)
        row = _row(text, result)
        _check_unit(circuit, row, findings)
    found = read_row(circuit, row, findings.conditions)
    if isinstance(found, Observation):
        return replace(findings, observations=(*findings.observations, found))
    if not isinstance(found, TakenReading):
        raise InputError("has no reading in it; type '?' for how")
    return replace(findings, readings=(*findings.readings, found))


def _point_to_saw(circuit: Circuit, text: str) -> None:
    """Raise InputError for a line that says in free words what was seen, with the line to type; pass all others over."""
    from circuitsim.studies.evidence import OBSERVATIONS

    said = f" {' '.join(text.lower().split())} "
    word = next((w for w in sorted(OBSERVATIONS, key=len, reverse=True) if f" {w} " in said), None)
    if word is None:
        return
    rest = said.replace(f" {word} ", " ", 1).split()
    step = next((s for s in circuit.steps if s.lower() in rest), "")
    raise InputError(f"is what was seen; type it as: saw {word} {step}".rstrip(), key=shown(text))


def _paired(circuit: Circuit, text: str) -> str:
    """Put the colon between two leads that were typed without one, and say so; other text is left alone.

    Raises InputError for one lead alone, or a part in place of leads, with how a pair or a clamp is written.
    """
    step, *words = text.split()
    if len(words) < 2 or spelled(step, circuit.steps) not in circuit.steps:
        return text
    points = points_of(circuit)
    known = [spelled(word, points) in points for word in words[:2]]
    if all(known) and len(words) > 2:
        joined = " ".join([step, ":".join(words[:2]), *words[2:]])
        say(f"read as {joined} (a pair is written {words[0]}:{words[1]})")
        return joined
    if known[0]:
        ground = circuit.net.ground
        raise InputError(f"names one lead; a pair is written RED:BLACK, such as {words[0]}:{ground}", key=repr(text))
    part = words[1] if words[0].lower() == "at" else words[0]
    if spelled(part, circuit.net.elements) in circuit.net.elements:
        raise InputError(f"a clamp on {part} is written at:{part}", key=repr(text))
    return text


def _number(text: str) -> re.Match[str] | None:
    """Read a number, its decimals after a dot or a comma, and the letters behind it."""
    from circuitsim.studies.displays import NUMBER

    return re.fullmatch(rf"({NUMBER})\s*([a-zA-Z]*)", text.replace(",", "."))


def _check_unit(circuit: Circuit, row: dict[str, str], findings: Findings) -> None:
    """Raise InputError, with what was likely meant, for a number with no unit, or with one in small letters."""
    match = _number(row["reading"])
    if match is None or row.get("instrument", "") not in ("", "voltmeter", "clamp"):
        return
    from circuitsim.studies.plausible import most_volts

    number, unit, comma = float(match[1]), match[2], "," in row["reading"]
    own = "A" if row.get("at") else "V"
    if unit in ("V", "mV", "A", "mA") and not comma:
        return
    if not unit:
        small = own == "V" and abs(number) > most_volts(circuit, findings.conditions.supply)
        unit, what = f"{'m' * small}{own}", "has no unit"
    elif unit.lower() in ("m", "v", "mv", "a", "ma"):
        what = "is no quantity" if comma else "has a unit that is not written so"
        unit = f"m{own}" if unit.lower() == "m" else unit[:-1].lower() + unit[-1].upper()
    else:
        return
    raise InputError(f"{shown(row['reading'])} {what}; did you mean {number:.6g} {unit}?", key="reading")


def _row(text: str, result: Diagnosis | None) -> dict[str, str]:
    """Turn a typed reading into a row: with its place, or of the test that was asked for."""
    body, _, plugs = text.partition(" unplug ")
    step, _, rest = body.partition(" ")
    leads, _, reading = rest.strip().partition(" ")
    if ":" in leads and reading:
        red, _, black = leads.partition(":")
        where = {"at": black} if red.lower() == "at" else {"red": red, "black": black}
        return {"step": step, **where, "reading": reading.strip(), "unplugged": plugs.strip()}
    if result is None or result.next_test is None:
        if _number(text):
            told = "is a reading without its place, and no test was asked for yet; type STEP RED:BLACK READING"
            raise InputError(f"{told}, such as 2 MOT-:GND 8.4V", key=repr(text))
        raise InputError("is no reading; type STEP RED:BLACK READING, such as 2 MOT-:GND 8.4V, or '?' for help", key=repr(text))
    t = result.next_test.asked
    return {
        "step": t.step, "red": t.red, "black": t.black, "at": t.at, "reading": body, "instrument": t.instrument,
        "unplugged": " ".join(t.conditions.unplugged), "ignition": t.conditions.ignition, "engine": t.conditions.engine,
    }  # fmt: skip
