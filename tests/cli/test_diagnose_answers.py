"""What diagnose says of the next test and of what was seen, and what it makes of pairs typed without a colon."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from small_circuits import BENCH_FAN

from circuitsim.cli.app import program
from circuitsim.library import load
from circuitsim.quantities import parse
from circuitsim.report.diagnosing import diagnosis_markdown, diagnosis_text
from circuitsim.studies.diagnose import diagnose
from circuitsim.studies.diagnosis import Diagnosis
from circuitsim.studies.evidence import read_findings

Run = Callable[..., Result]

T = "tractor-cab-fan"
HEAD = "step,red,black,at,reading,observe,value\n"
LOW_SIDE = HEAD + "2,MOT-,GND,,8.4 V,,\n"
MOTOR_OR_PLUG = HEAD + "2,MOT-,GND,,0.56 V,,\n2,MOT+,GND,,12.4 V,,\n2,,,M1,4.6 A,,\n2,X1.A/harness,X1.A/part,,0.01 V,,\n"


@pytest.fixture(scope="module")
def low_side() -> Diagnosis:
    """A low side that is far too high at one step, with two things that were seen."""
    circuit = load(T)
    return diagnose(circuit, read_findings(circuit, LOW_SIDE + "4,,,,,fan,slow\n4,,,,,noisy,no\n"))


def typed(*lines: str) -> Result:
    """Type lines into a dialogue about a fan on a bench."""
    text = "\n".join((*lines, "done", ""))
    return CliRunner().invoke(program, ["diagnose", BENCH_FAN, "--interactive"], input=text, catch_exceptions=False)


def ranges_of(found: Diagnosis) -> list[list[str]]:
    """Give what the next test would read, with the suspects under which it would."""
    block = diagnosis_text(found, 200).partition("it would read:\n")[2].partition("\nor: ")[0].splitlines()
    return [re.split(r"\s{2,}", text.strip()) for text in block]


def test_what_a_healthy_circuit_would_read_is_said_to_be_of_the_one_at_hand() -> None:
    circuit = load(BENCH_FAN)
    found = diagnose(circuit, read_findings(circuit, HEAD + "2,MOT-,GND,,0.56 V,,\n"))
    assert found.probability("healthy") > 1e-3
    (names,) = [names for _, names in ranges_of(found) if "healthy" in names]
    assert names.split(", ")[:2] == ["if healthy", "given what you read so far"]


def test_suspects_that_predict_the_same_share_a_line(low_side: Diagnosis) -> None:
    """Every range stands once, from low to high; a circuit that is ruled out has none."""
    ranges = ranges_of(low_side)
    assert len({r for r, _ in ranges}) == len(ranges) >= 3
    assert low_side.probability("healthy") < 1e-3
    assert not any("healthy" in names for _, names in ranges)
    assert any(names.count(",") >= 2 for _, names in ranges)
    for text, _ in ranges:
        low, _, high = text.partition(" to ")
        assert not high or parse(low, "V") < parse(high, "V"), text
    told = {name for _, names in ranges for name in names.split(", ") if ":" in name}
    expected = low_side.to_dict()["next_test"]["expected"]
    assert told == {e["suspect"] for e in expected if e["suspect"] != "healthy"}


def test_the_red_lead_goes_where_a_good_circuit_is_higher() -> None:
    """Current leaves the motor at X1.B: its half of the pin is the higher one, so that is where red goes."""
    circuit = load(BENCH_FAN)
    found = diagnose(circuit, read_findings(circuit, MOTOR_OR_PLUG))
    every = [t for t in (found.next_test, *found.alternatives) if t is not None]
    (pin,) = [t for t in every if "X1.B/harness" in (t.task.red, t.task.black)]
    assert (pin.asked.red, pin.asked.black) == ("X1.B/part", "X1.B/harness")
    assert pin.placed.startswith("X1.B/part : X1.B/harness at step")
    assert pin.record()["red"] == "X1.B/part"
    assert not any(text.startswith("-") for t in every for _, text in t.expected)


def test_a_bare_reading_is_of_the_leads_as_asked(tmp_path: Path) -> None:
    """Typed with no place it is of the test as printed; either way round it is the same test, which is not asked for again."""
    (tmp_path / "r.csv").write_text(MOTOR_OR_PLUG, encoding="utf-8")
    args = ["diagnose", BENCH_FAN, str(tmp_path / "r.csv"), "--interactive", "--cannot", "X1.A", "--width", "200"]
    done = CliRunner().invoke(program, args, input="3.6 mV\nlist\ndone\n", catch_exceptions=False)
    asked = re.findall(r"^Next test: .*, (X1\.B/part : X1\.B/harness at step (\S+)) \(", done.stdout, flags=re.MULTILINE)
    assert asked
    assert f"  {asked[0][1]} X1.B/part:X1.B/harness 3.6 mV\n" in done.stdout
    assert len(set(asked)) == len(asked)


def test_what_was_seen_is_named_with_what_was_made_of_it(run: Run, tmp_path: Path, low_side: Diagnosis) -> None:
    """Who hears a fan at its usual speed speaks against a pin that leaves it half of the voltage."""
    told = " ".join(diagnosis_text(low_side).split())
    assert re.search(r"What was seen slow at step 4: speaks for X5\.2:corroded \(\d+ % would say so with it, [\d.]+ % of", told)
    assert "not noisy at step 4: tells little of X5.2:corroded" in told
    assert "## What was seen\n\n- slow at step 4: speaks for" in diagnosis_markdown(low_side)
    assert len(low_side.to_dict()["seen"]) == 2
    (tmp_path / "r.csv").write_text(HEAD + "2,X1.A/harness,X1.A/part,,6 V,,\n2,,,,,fan,normal\n", encoding="utf-8")
    told = " ".join(run("diagnose", BENCH_FAN, "r.csv").stdout.split())
    assert re.search(r"normal at step 2: speaks against \S+ \([\d.]+ % would say so with it, \d+ % of a good circuit\)", told)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("2 mot+ gnd 12.4V", "read as 2 mot+:gnd 12.4V (a pair is written mot+:gnd)"),
        ("2 MOT+ 12.4V", "'2 MOT+ 12.4V': names one lead; a pair is written RED:BLACK, such as MOT+:GND"),
        ("2 M1 15 A", "'2 M1 15 A': a clamp on M1 is written at:M1"),
        ("2 at M1 15 A", "a clamp on M1 is written at:M1"),
    ],
)
def test_a_pair_without_its_colon(line: str, told: str) -> None:
    """Two points are a pair; what is not is told how to write it. The list has what was taken."""
    done = typed(line, "list")
    assert done.exit_code == 0
    assert done.stderr == f"circuitsim: {told}\n" or (told in done.stderr and done.stderr.count("\n") == 1)
    assert ("  2 MOT+:GND 12.4 V\n" in done.stdout) == told.startswith("read as")
