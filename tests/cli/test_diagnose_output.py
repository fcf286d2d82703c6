"""How an answer of diagnose is laid out: what matters first and in few lines, on a screen and in a dialogue."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result
from small_circuits import BENCH_FAN

import circuitsim as cs
from circuitsim.cli.app import program
from circuitsim.measure.faults import with_faults
from circuitsim.report.diagnosing import diagnosis_brief, diagnosis_lines, diagnosis_markdown, diagnosis_text
from circuitsim.report.typeset import plain
from circuitsim.studies.diagnose import diagnose
from circuitsim.studies.diagnosis import HEALTHY, Compared, Diagnosis, Member, Suspect
from circuitsim.studies.evidence import read_findings
from circuitsim.studies.telling import pairs_tried

Run = Callable[..., Result]
HEAD = "step,red,black,at,reading\n"
LOW_SIDE = f"{HEAD}2,MOT-,GND,,0.9 V\n"
PIN = "2 X1.A/harness:X1.A/part 6 V"


@cache
def bench() -> cs.Circuit:
    return cs.load(BENCH_FAN)


@cache
def found(text: str, pairs: bool = False) -> Diagnosis:
    return diagnose(bench(), read_findings(bench(), text), pairs=pairs)


def typed(*lines: str) -> str:
    """What a dialogue about a fan on a bench writes, on a screen of 80 characters; it ends with its input."""
    words = ["diagnose", BENCH_FAN, "--interactive", "--width", "80"]
    done = CliRunner().invoke(program, words, input="\n".join((*lines, "")), catch_exceptions=False)
    assert done.exit_code == 0
    return done.stdout


def many(*offs: float, good: float = 0.0, other: float = 0.0) -> Suspect:
    """A suspect with a reading for each off, all others as good."""
    return Suspect(
        (Member("A:open", 0.8, float("nan"), "", "clean A", 10.0),), 0.8, "open",
        tuple(Compared(f"place {k}", "1 V", "1 V", off, "1 V", off + good) for k, off in enumerate(offs)),
    )  # fmt: skip


# What is to be read first -----------------------------------------------------------------------------------------


def test_a_chart_that_nobody_measured_is_told_before_all_else() -> None:
    """At the end of 100 lines nobody read that the numbers may prove nothing."""
    probes = ["MOT+:GND", "MOT-:GND", "at:M1", "MOT+:MOT-"]
    result = found(cs.predict(bench(), probe=probes).to_csv())
    for text in (diagnosis_text(result), diagnosis_markdown(result), plain(diagnosis_brief(result))):
        flat = " ".join(text.split())
        assert flat.count("to the last digit: if nobody measured them, they prove nothing") == 1
        assert flat.index("Mind: all ") < flat.index("%")
    assert any("to the last digit" in note for note in result.to_dict()["notes"])


def test_whose_weights_hold_is_said_on_top(run: Run, tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text(LOW_SIDE, encoding="utf-8")
    (tmp_path / "mine.toml").write_text("[weights]\ncorroded = 7\n", encoding="utf-8")
    head = run("diagnose", BENCH_FAN, "r.csv", "--prior", "mine.toml").stdout.partition("Suspects")[0]
    assert "  weights of faults beforehand from mine.toml\n" in head
    assert "weights" not in run("diagnose", BENCH_FAN, "r.csv").stdout.partition("Suspects")[0]
    told = json.loads(run("diagnose", BENCH_FAN, "r.csv", "--prior", "mine.toml", "--format", "json").stdout)
    assert told["prior"]["file"] == "mine.toml"


# Readings beside what a suspect predicts --------------------------------------------------------------------------


def test_only_readings_that_tell_something_have_a_row() -> None:
    """Of 40 readings the one that is off, and the one that a good circuit would not show; all with --all, and in Markdown."""
    offs = [0.0] * 40
    offs[17] = 2.0
    readings = list(many(*offs).readings)
    readings[30] = replace(readings[30], good="9 V", good_off=8.0)
    suspect = replace(many(*offs), readings=tuple(readings))
    result = replace(found(LOW_SIDE), suspects=(suspect,))
    text = diagnosis_text(result, 80)
    places = re.findall(r"^place (\d+)", text, flags=re.MULTILINE)
    assert {"17", "30"} <= set(places)
    assert len(places) == 3
    assert "37 more agree, each within 1 sd: --all, and --format json or markdown, give all" in text
    assert len(re.findall(r"^place ", diagnosis_text(result, 80, every=True), flags=re.MULTILINE)) == 40
    assert diagnosis_markdown(result).count("| place ") == 40
    assert len(result.to_dict()["suspects"][0]["readings"]) == 40


def test_no_more_than_a_dozen_rows_and_the_rest_is_not_belittled() -> None:
    text = diagnosis_text(replace(found(LOW_SIDE), suspects=(many(*[1.5] * 30, 4.0),)), 80)
    assert len(re.findall(r"^place ", text, flags=re.MULTILINE)) == 12
    assert "19 more agree, up to 1.5 sd off" in text


def test_a_reading_that_a_suspect_does_not_explain_has_a_row_whatever_tells_it_from_a_good_circuit() -> None:
    """Twenty readings far from a good circuit's filled the table, and what spoke against the suspect 'agreed'."""
    suspect = many(*[0.0] * 20, good=30.0)
    odd = Compared("place x", "1 V", "2 V", -4.0, "2 V", -4.0)
    text = diagnosis_text(replace(found(LOW_SIDE), suspects=(replace(suspect, readings=(*suspect.readings, odd)),)), 80)
    assert "\nplace x " in text
    assert "9 more agree, each within 1 sd" in text
    assert "18 more, up to 2.5 sd off" in diagnosis_text(replace(found(LOW_SIDE), suspects=(many(*[2.5] * 30),)), 80)


def test_a_reading_that_tells_the_next_suspect_apart_has_a_row() -> None:
    first = many(*[0.0] * 30)
    other = replace(many(*[0.0] * 12, 7.0, *[0.0] * 17), probability=0.15)
    assert [k for k, n in enumerate(first.matter(other)) if n] == [12]
    assert "\nplace 12 " in diagnosis_text(replace(found(LOW_SIDE), suspects=(first, other)), 80)


def test_a_table_says_whose_it_is_and_an_unlikely_suspect_has_none() -> None:
    """The readings of a suspect of 1 % stood there as if they were the answer."""
    good = Suspect((Member(HEALTHY, 0.98, float("nan"), "", "", 0.0),), 0.98, "fine")
    rare, likely = (replace(many(0.0), probability=p) for p in (0.01, 0.3))
    result = found(LOW_SIDE)
    assert "If it is" not in diagnosis_text(replace(result, suspects=(good, rare)))
    assert "If it is" not in diagnosis_markdown(replace(result, suspects=(good, rare)))
    assert "If it is A:open (30 %)\n" in diagnosis_text(replace(result, suspects=(good, likely)))
    members = (*likely.members, Member("B:open", 0.1, float("nan"), "", "clean B", 10.0))
    both = replace(likely, members=members)
    assert "If it is A:open (likeliest of 2 that have 30 %)\n" in diagnosis_text(replace(result, suspects=(both,)))


def test_all_is_an_option_of_the_command(run: Run, tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text(cs.predict(with_faults(bench(), ["F1:hot=1ohm"])).to_csv(), encoding="utf-8")
    assert "if good" in run("diagnose", BENCH_FAN, "r.csv", "--all").stdout


@pytest.mark.parametrize("width", [80, 120])
def test_no_line_is_wider_than_the_screen(width: int) -> None:
    for lines in (diagnosis_lines(found(LOW_SIDE), width), diagnosis_brief(found(LOW_SIDE), width)):
        assert max(map(len, plain(lines).splitlines())) <= width


# One or several ---------------------------------------------------------------------------------------------------


def test_one_is_not_told_as_several() -> None:
    result = found(LOW_SIDE)
    six = [replace(many(0.0), probability=p) for p in (0.5, 0.2, 0.1, 0.08, 0.07, 0.05)]
    assert "  5 %  1 other\n" in diagnosis_text(replace(result, suspects=tuple(six)))
    assert "2 others\n" in diagnosis_text(replace(result, suspects=(*six, six[-1])))
    members = tuple(Member(n, 0.4, float("nan"), "", "clean A", 10.0) for n in ("A:open", "B:open"))
    assert "the other: B:open\n" in diagnosis_text(replace(result, suspects=(Suspect(members, 0.8, "open"),)))
    good = Suspect((Member(HEALTHY, 0.5, float("nan"), "", "", 0.0), members[0]), 0.9, "fine")
    text = diagnosis_text(replace(result, suspects=(good,)))
    assert "healthy (50 %), or A:open that these readings would not show\n" in text


# The next test ----------------------------------------------------------------------------------------------------


def test_tests_stand_in_the_order_of_the_figures_printed() -> None:
    """0.65 min was rounded to 0.7, so that the order did not go with what was printed."""
    result = found(LOW_SIDE)
    told = re.findall(r"\((\S+) min, (\S+) bits: (\S+) a minute\)", " ".join(diagnosis_text(result).split()))
    rates = [float(rate) for _, _, rate in told]
    assert len(rates) == 1 + len(result.alternatives) + (result.look is not None) > 2
    assert rates == sorted(rates, reverse=True)
    for minutes, bits, rate in told:
        assert float(bits) / float(minutes) == pytest.approx(float(rate), abs=0.01 + 0.006 / float(minutes))
    assert result.next_test is not None
    assert result.next_test.record()["bits_a_minute"] == result.next_test.rate


# Two faults at once -----------------------------------------------------------------------------------------------


def test_pairs_that_do_not_win_leave_a_trace() -> None:
    """A second fault beside the first is always possible; that it explains no more is said."""
    result = found(LOW_SIDE, pairs=True)
    assert " + " not in result.suspects[0].leader.fault
    pairs = [s for s in result.suspects if " + " in s.leader.fault]
    assert pairs
    assert all(s.why.endswith("alone explains the readings as well") for s in pairs)
    assert sum(s.probability for s in pairs) < 0.15


def test_pairs_that_come_nowhere_near_are_told_of() -> None:
    work: Any = SimpleNamespace(both=True, pairs=[])
    assert pairs_tried(work, {}, []) == ["two faults at once were weighed: none come near these readings"]
    work.both = False
    assert pairs_tried(work, {}, []) == []


def test_a_pair_has_both_severities_and_says_what_one_fault_does_not_explain() -> None:
    """Made with 0.25 Ω in a pin and a dragging motor; which of two pins it is nothing here shows."""
    faulty = with_faults(bench(), ["M1:dragging", "X1.A:corroded=0.3ohm"])
    result = found(cs.predict(faulty).to_csv(), pairs=True)
    pair = result.suspects[0]
    assert {"M1:dragging + X1.A:corroded", "M1:dragging + X1.B:corroded"} < {m.fault for m in pair.members}
    names, severities = zip(*pair.leader.parts, strict=True)
    assert " + ".join(names) == pair.leader.fault
    assert severities[0].endswith("N·m")
    assert severities[1].endswith("Ω")
    assert pair.leader.text == f"{names[0]}={severities[0]} + {names[1]}={severities[1]}"
    head = f"{names[0]}, about {severities[0]}, and {names[1]}, about {severities[1]}"
    assert head in diagnosis_text(result, 120)
    quoted = re.search(r"; ([^;]+) shows ([^;,]+), both together ([^;,]+), (\S+) alone ([^;,]+)", pair.why)
    assert quoted is not None
    assert quoted[3] != quoted[5]
    assert pair.record()["severities"] == [{"fault": n, "severity": s} for n, s in pair.leader.parts]
    assert not any("two faults at once" in n for n in result.notes)


# Typed one by one -------------------------------------------------------------------------------------------------


def test_an_answer_of_a_dialogue_is_short_and_more_gives_all_of_it() -> None:
    """Some 40 lines for each reading hid the next test; conditions stand once."""
    told = typed("2 MOT-:GND 0.9V", "1 MOT-:GND 7.5V", "more")
    _, first, second, more, *_ = told.split("> ")
    assert len(second.strip().splitlines()) <= 18
    for part in ("%  ", "shows ", "Next test: ", "it would read:", "repair: "):
        assert part in second
    assert "the other" not in second
    assert "the other" in more
    assert "Suspects\n" in more
    assert first.count("workshop multimeter") == 1
    assert "workshop multimeter" not in second


def test_a_dialogue_begins_with_the_cautions() -> None:
    """They stood under the first answer of a file, and nowhere where readings are typed."""
    told = CliRunner().invoke(program, ["diagnose", "tractor-cab-fan", "--interactive"], input="saw slow 4\n").stdout
    assert told.count("Take care") == 1
    assert told.index("Never fit a bigger fuse") < told.index("> ")


def test_a_dialogue_goes_on_when_enough_is_known() -> None:
    told = typed(PIN, "1 X1.A/harness:X1.A/part 4 V", "list")
    assert "Enough: clean or renew the terminal X1.A" in told
    assert "(listening on: " in told
    assert "  2 X1.A/harness:X1.A/part 6 V\n  1 X1.A/harness:X1.A/part 4 V\n" in told


def test_the_list_is_as_typed() -> None:
    told = typed("2 MOT-:GND 8.4V", "2 at:M1 4.60 A", "off X1.A/harness:GND 412 mV unplug X1", "saw slow", "list")
    lines = ("2 MOT-:GND 8.4 V", "2 at:M1 4.60 A", "off X1.A/harness:GND 412 mV unplug X1", "saw slow")
    assert "".join(f"  {text}\n" for text in lines) in told


def test_more_before_any_answer_is_told() -> None:
    done = CliRunner().invoke(program, ["diagnose", BENCH_FAN, "--interactive"], input="more\n")
    assert done.stderr == "circuitsim: more: there is no answer yet; type a reading, or '?' for how\n"
