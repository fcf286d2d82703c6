"""The transient command, and times after key-on on the command line."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from circuitsim.cli.app import program

T = "generic-pack"
SHORT = ["transient", T, "--until", "20ms"]


def run(*words: str) -> Result:
    return CliRunner().invoke(program, list(words))


def test_a_course_as_a_table() -> None:
    done = run("transient", T, "--until", "2s", "--then", "1s:step=off", "--then", "1.5s:unplug=X4", "--step", "2")
    assert done.exit_code == 0, done.output
    lines = done.output.splitlines()
    assert lines[:3] == ["generic-pack, in time", "1 s: step off", "1.5 s: unplug X4"]
    assert lines[4].split()[0] == "time"
    assert [line.split()[:2] for line in lines[5:8]] == [["1", "ms"], ["3", "ms"], ["10", "ms"]]
    assert any(line.split()[:2] == ["1.001", "s"] for line in lines)
    assert all("A" in line and "/min" in line for line in lines[5:])


def test_a_course_in_files(tmp_path: Path) -> None:
    table, whole, picture = tmp_path / "c.csv", tmp_path / "c.json", tmp_path / "c.png"
    assert run(*SHORT, "--output", str(table), "--picture", str(picture)).exit_code == 0
    rows = list(csv.DictReader(table.read_text(encoding="utf-8-sig").splitlines()))
    assert float(rows[-1]["time"]) == 0.02
    assert float(rows[-1]["I(M1)"]) > 1
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert run(*SHORT, "--output", str(whole)).exit_code == 0
    found = json.loads(whole.read_text(encoding="utf-8"))
    assert (found["circuit"], found["end"], found["stopped"], found["events"]) == (T, 0.02, "", [])
    assert len(found["course"]) == len(rows)


def test_parts_can_be_changed_on_the_way() -> None:
    done = run(*SHORT, "--then", "10ms:K1.closed=0", "--then", "15ms:M1.resistance=2ohm")
    assert done.exit_code == 0, done.output
    assert "K1.closed = 0" in done.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--then", "5s"], "--then: '5s' is not TIME:NAME=VALUE"), (["--then", "5ms:foo=1"], "'foo' can't be changed"),
        (["--then", "5ms:step=9"], "unknown step"), (["--then", "5ms:K1.clo=0"], "did you mean 'closed'"),
        (["--then", "20s:step=1"], "--then: changes follow each other"), (["--until", "0s"], "--until: 0 s is out of range"),
        (["--until", "soon"], "--until: 'soon' is no time"), (["--start", "hot"], "accepted: rest, cold, warm"),
        (["--then", "5ms:K9.closed=0"], "unknown element"), (["--supply", "99V"], "--supply"), (["--format", "xml"], "csv"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused_in_a_line(words: list[str], said: str) -> None:
    done = run(*SHORT, *words)
    assert done.exit_code == 2
    assert said in done.output
    assert len(done.output.splitlines()) == 1


def test_a_fuse_that_opens_ends_the_course() -> None:
    done = run("transient", T, "--until", "10min", "--then", "1s:M1.friction=20 N*m")
    assert done.exit_code == 0, done.output
    assert "(the course ends)" in done.output


def test_a_chart_two_minutes_after_key_on() -> None:
    done = run("predict", T, "--since", "2min", "--step", "2", "--probe", "at:M1", "--format", "json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["conditions"]["since"] == 120.0


@pytest.mark.parametrize(
    ("given", "said"),
    [("hot", "accepted: cold, warm, a time such as 10s"), ("5", "--since: '5' has no unit"), ("2minutes", "did you mean 'min'"),
     ("-1s", "--since: -1 s is out of range"), ("9V", "--since: '9 V' is a voltage")],
)  # fmt: skip
def test_times_that_are_none(given: str, said: str) -> None:
    done = run("predict", T, "--since", given)
    assert done.exit_code == 2
    assert said.replace("9 V", "9V") in done.output
    assert len(done.output.splitlines()) == 1


@pytest.mark.parametrize(
    "words", [["wiggle", "tractor-cab-fan", "--at", "X4.A", "--step", "2"], ["waveform", "generic-pwm", "--step", "2"]]
)
def test_other_studies_take_a_time_on(words: list[str]) -> None:
    done = run(*words, "--since", "2min")
    assert done.exit_code == 0, done.output
    assert run(*words, "--since", "soon").exit_code == 2
