"""Looking at the fan, proposed as a test: ranked by bits a minute as all others are, and typed as what was seen."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from small_circuits import BENCH_FAN

import circuitsim as cs
from circuitsim.cli.app import program
from circuitsim.measure import Conditions, Task
from circuitsim.report.diagnosing import diagnosis_brief, diagnosis_markdown, diagnosis_text
from circuitsim.report.typeset import plain
from circuitsim.studies.diagnose import diagnose
from circuitsim.studies.diagnosis import Diagnosis
from circuitsim.studies.evidence import read_findings
from circuitsim.studies.looking import WORDS, _bits
from circuitsim.studies.next_test import Minutes, look_at

Run = Callable[..., Result]
NOISY = "step,observe\n,noisy\n"


def _found(text: str, **options: object) -> Diagnosis:
    circuit = cs.load(BENCH_FAN)
    return diagnose(circuit, read_findings(circuit, text), **options)  # type: ignore[arg-type]


def test_what_a_look_tells_is_counted_in_bits() -> None:
    """Two vehicles, as likely, with repairs of their own: a word for each is 1 bit, the same word for both none."""
    apart, alike = np.array([[1.0, 0.0], [0.0, 1.0]]), np.array([[0.5, 0.5], [0.5, 0.5]])
    weight = np.array([0.5, 0.5])
    assert _bits(apart, weight, ["a", "b"]) == pytest.approx(1.0)
    assert _bits(apart, weight, ["a", "a"]) == pytest.approx(0.0)
    assert _bits(alike, weight, ["a", "b"]) == pytest.approx(0.0)
    # 1 bit less the entropy of a coin that falls one way in nine of ten: 1 - 0.469 (any table of it)
    assert _bits(np.array([[0.9, 0.1], [0.1, 0.9]]), weight, ["a", "b"]) == pytest.approx(1 - 0.469, abs=5e-4)


def test_a_look_costs_the_reading_and_what_selecting_the_step_costs() -> None:
    minutes, here = Minutes(), Conditions()
    last = Task("3", here, "voltmeter", "MOT-", "GND")
    assert minutes.look(last, look_at("3", here)) == pytest.approx(0.1)
    assert minutes.look(last, look_at("2", here)) == pytest.approx(0.15)
    assert minutes.look(None, look_at("2", here)) == pytest.approx(0.15)
    apart = Task("3", here.but(unplugged=("X1",)), "voltmeter", "MOT-", "GND")
    assert minutes.look(apart, look_at("3", here)) == pytest.approx(2.1)


def test_it_is_proposed_in_the_order_of_what_all_tests_tell_a_minute() -> None:
    found = _found(NOISY)
    assert found.look is not None
    assert found.look.rate > min(t.rate for t in found.alternatives)
    assert found.look_first == (found.look.rate > found.next_test.rate)  # type: ignore[union-attr]
    told = dict(found.look.expected)
    assert told["healthy"] == "as usual"
    assert set(" or ".join(told.values()).split(" or ")) <= set(WORDS.values())


def test_what_is_seen_tells_what_was_promised() -> None:
    """Who says what a suspect was told to look like makes it likelier; the same step is not asked for again."""
    found = _found(NOISY)
    assert found.look is not None
    after = _found(f"{NOISY}{found.look.step},slow\n")
    assert after.look is None or after.look.step != found.look.step
    slow = [name for name, text in found.look.expected if text == "slow"]
    for name in slow:
        assert after.probability(name) > found.probability(name)
    assert after.probability("healthy") < found.probability("healthy")


def test_nobody_is_sent_to_look_twice_or_where_nothing_turns() -> None:
    assert _found("step,observe\n,slow\n").look is None
    assert _found("# unplugged: X1\nstep,observe\n,noisy\n").look is None
    assert _found(NOISY, cannot=["look"]).look is None


def test_readers_that_expect_leads_find_them(run: Run, tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text(NOISY, encoding="utf-8")
    done = run("diagnose", BENCH_FAN, "r.csv", "--format", "json")
    told = json.loads(done.stdout)
    assert told["next_test"]["red"] or told["next_test"]["at"]
    assert told["look"]["typed"] == [f"saw {word} {told['look']['step']}" for word in WORDS]
    assert {"test", "label", "step", "bits", "minutes", "expected", "first"} <= set(told["look"])


def test_where_it_tells_most_a_minute_it_comes_first() -> None:
    """With leads that are hard to get at."""
    found = _found(NOISY, minutes=Minutes(leads=5.0, clamp=5.0))
    assert found.look_first
    lines = [line.strip() for line in diagnosis_text(found, 300).splitlines()]
    look = next(k for k, line in enumerate(lines) if line.startswith("First look at the fan at step "))
    assert lines[look + 1] == "It would be seen:"
    assert any(re.fullmatch(r"as usual +if healthy, .*", line) for line in lines[look:])
    assert look < next(k for k, line in enumerate(lines) if line.startswith("Next test: "))
    assert "First look at the fan at step " in diagnosis_markdown(found)
    assert "First look at the fan at step " in plain(diagnosis_brief(found, 300))


def test_it_is_said_with_what_to_type(run: Run, tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text(NOISY, encoding="utf-8")
    for form in ("table", "markdown"):
        text = run("diagnose", BENCH_FAN, "r.csv", "--width", "300", "--format", form).stdout
        assert re.search(r"or: look at the fan at step (\d) \(.* a minute\), and type saw off \1, saw slow \1, ", text)
    typed = CliRunner().invoke(
        program, ["diagnose", str(BENCH_FAN), "--interactive", "--width", "300"], input="saw noisy\nsaw slow 2\ndone\n"
    )
    assert typed.exit_code == 0
    assert re.search(r"\nor: look at the fan at step (\d) \(0\.15 min\), and type saw off \1, ", typed.stdout)
    assert "slow at step 2: " in typed.stdout
