"""The wiggle command: formats, files, bad flags."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from circuitsim.cli.app import program
from circuitsim.cli.wiggle import _rate

Run = Callable[..., Result]
QUICK = ("wiggle", "tractor-cab-fan", "--at", "X4.A", "--trials", "20", "--for", "2s")


@pytest.fixture(scope="module")
def quick() -> list[str]:
    """The lines of one quick study, for all who only read them."""
    return CliRunner().invoke(program, QUICK).stdout.rstrip().splitlines()


@pytest.mark.parametrize("form", ["table", "json", "markdown"])
def test_formats(run: Run, form: str) -> None:
    done = run(*QUICK, "--format", form)
    assert (done.exit_code, done.stderr) == (0, "")
    if form == "json":
        found = json.loads(done.stdout)
        assert (found["site"], found["step"], found["trials"]) == ("X4.A", "4", 20)
    else:
        assert "X4.A opens and closes at random, step 4" in done.stdout
        assert "min/max in peak mode, 1 ms" in done.stdout
        assert "Wiggle at step 4 with min/max in peak mode on" in done.stdout


def test_the_last_line_is_the_lesson(quick: list[str]) -> None:
    last = quick[-1]
    assert last.startswith("Wiggle at step 4 with min/max in peak mode on: ")
    assert "at step 1" in last


def test_the_lesson_does_not_hide_the_step_at_which_a_display_catches_all(quick: list[str], run: Run) -> None:
    """At off an open shows by leakage, a bad joint does not; a stack of both tables and the last line must agree."""
    off = next(line for line in quick if line.startswith("  off "))
    assert off.split()[7] == "100"
    assert "At step off hardly any current flows, and the DC display alone catches it (100 %): leakage moves" in quick[-1]
    assert "At step off" not in run(*QUICK, "--depth", "1ohm").stdout.rstrip().splitlines()[-1]


def test_it_says_why_trials_and_formula_differ(run: Run) -> None:
    """Ten opens of 5 ms a second: two or three in the capture time of a minimum move it where none does alone.

    Across the ends of the contact itself each one is enough, and trials and formula agree.
    """
    why = "The two-state formula takes one open at a time, at one speed; in the trials opens close together add up"
    fast = ("--rate-open", "10/s", "--open-time", "5ms", "--trials", "100")
    motor = run("wiggle", "tractor-cab-fan", "--at", "X4.A", "--step", "4", *fast).stdout
    assert why in motor
    row = next(line for line in motor.splitlines() if line.startswith("  min/max, 100 ms"))
    trials, formula = (int(text) for text in re.findall(r"(\d+) %", row))
    assert trials > formula + 10
    across = run("wiggle", "tractor-cab-fan", "--at", "X4.A", "--probe", "X4.A/harness:X4.A/part", "--trials", "100").stdout
    assert "two-state formula" in across
    assert "The two-state formula" not in across


def test_a_speed_is_told_in_rpm(quick: list[str]) -> None:
    text = "\n".join(quick)
    assert re.search(r"the shaft slows by \d+ rpm each second it is open", text)
    assert "rad/s" not in text


def test_leads_that_show_nothing_say_so(run: Run) -> None:
    """A bad contact in the feed of the fuse box does not move the voltage between two grounds by any digit."""
    done = run(*QUICK, "--probe", "BAT-:GND", "--depth", "20mohm", "--step", "1")
    assert done.exit_code == 0
    assert "With these leads no meter catches it at any step: probe across X4.A" in done.stdout


def test_names_and_words_in_any_case(run: Run) -> None:
    one = run(*QUICK, "--probe", "x4.a/HARNESS:x4.a/part", "--depth", "Open", "--step", "3")
    assert (one.exit_code, one.stderr) == (0, "")
    assert "X4.A/harness : X4.A/part at step 3" in one.stdout


def test_same_seed_same_bytes(run: Run) -> None:
    first, second, other = (run(*QUICK, "--seed", s, "--format", "json").stdout for s in ("5", "5", "6"))
    assert first == second
    assert first != other


@pytest.mark.parametrize("width", [60, 120])
def test_lines_fit(run: Run, width: int) -> None:
    lines = run(*QUICK, "--width", str(width)).stdout.splitlines()
    assert max(len(text) for text in lines) <= width


def test_files_and_pictures(run: Run) -> None:
    done = run(*QUICK, "--picture", "strip.svg", "-o", "out.json")
    assert (done.exit_code, done.stdout, done.stderr) == (0, "", "")
    assert json.loads(Path("out.json").read_text(encoding="utf-8"))["circuit"] == "tractor-cab-fan"
    first = Path("strip.svg").read_bytes()
    assert run(*QUICK, "--picture", "strip.svg").exit_code == 0
    assert Path("strip.svg").read_bytes() == first
    assert run(*QUICK, "--probe", "at:M1", "--picture", "clamp.png").exit_code == 0
    assert Path("clamp.png").stat().st_size > 20_000


@pytest.mark.parametrize("rate", ["2/s", "2 / s", "120/min", "2Hz", "7200/h"])
def test_rates_as_people_write_them(rate: str) -> None:
    assert _rate(rate) == pytest.approx(2.0)


def test_a_rate_reaches_the_study(run: Run) -> None:
    assert json.loads(run(*QUICK, "--rate-open", "180/min", "--format", "json").stdout)["rate_open"] == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--at", "X4.Z"], "did you mean 'X4.A'"),
        (["--at", "M1"], "unknown place for a bad contact"),
        (["--rate-open", "0/s"], "--rate-open: 0 Hz is out of range"),
        (["--rate-open", "2"], "--rate-open"),
        (["--rate-open", "2 V"], "--rate-open"),
        (["--open-time", "9h"], "--open-time"),
        (["--for", "1h"], "--for: 3600 s is out of range"),
        (["--depth", "5"], "--depth"),
        (["--depth", "5V"], "--depth"),
        (["--step", "9"], "step"),
        (["--probe", "MOT+"], "--probe"),
        (["--probe", "MOT+:NIX"], "NIX"),
        (["--trials", "0"], "--trials"),
        (["--seed", "-1"], "--seed"),
        (["--meter", "golden"], "golden"),
        (["--picture", "a.gif"], "--picture"),
        (["-o", "out.xlsx"], "out.xlsx"),
        (["--format", "csv"], "--format"),
        (["--rate", "2/s"], "--rate-open"),
        (["--supply-at", "2"], "--supply-at"),
    ],
)
def test_bad_flags_give_one_line(run: Run, words: list[str], text: str) -> None:
    at = [] if "--at" in words else ["--at", "X4.A"]
    done = run("wiggle", "tractor-cab-fan", *at, *words)
    assert done.exit_code == 2
    assert text in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


def test_a_place_must_be_given(run: Run) -> None:
    done = run("wiggle", "tractor-cab-fan")
    assert done.exit_code == 2
    assert "--at" in done.stderr
