"""The tolerance command: formats, files, bad flags, the progress line on a terminal only, and Ctrl-C."""

from __future__ import annotations

import csv
import io
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

Run = Callable[..., Result]
Process = Callable[..., Any]

QUICK = ("tolerance", "tractor-cab-fan", "--samples", "1", "--step", "2", "--probe", "MOT-:GND", "--probe", "at:M1")
STATES = ("tolerance", "tractor-cab-fan", "--samples", "1", "--step", "2", "--rows", "low side")
POSIX = pytest.mark.skipif(os.name == "nt", reason="needs a pseudo-terminal")


@pytest.mark.parametrize("form", ["table", "json", "csv", "markdown"])
def test_formats(run: Run, form: str) -> None:
    done = run(*STATES, "--format", form)
    assert done.exit_code == 0
    if form == "json":
        found = json.loads(done.stdout)
        assert (found["samples"], found["seed"], found["complete"]) == (4096, 1, True)
        assert {s["step"] for s in found["spreads"]} == {"2"}
        assert [s["unplugged"] for s in found["spreads"]] == [[], ["X4"], ["X5"]]
        assert found["spreads"][0]["shares"][0].keys() == {"what", "share"}
    elif form == "csv":
        rows = list(csv.DictReader(io.StringIO(done.stdout)))
        assert [r["unplugged"] for r in rows] == ["", "X4", "X5"]
        assert float(rows[0]["low"]) < float(rows[0]["median"]) < float(rows[0]["high"])
    else:
        assert "95 % of vehicles" in done.stdout
        assert "X4 (motor connector) unplugged" in done.stdout


def test_the_format_follows_the_ending_of_the_file(run: Run) -> None:
    assert run(*QUICK, "-o", "out.json").exit_code == 0
    assert json.loads(Path("out.json").read_text(encoding="utf-8"))["circuit"] == "tractor-cab-fan"
    assert run(*QUICK, "-o", "out.md").exit_code == 0
    assert Path("out.md").read_text(encoding="utf-8").startswith("# tractor-cab-fan: spread")


@pytest.mark.parametrize("width", [80, 132])
def test_lines_fit(run: Run, width: int) -> None:
    """At 80 columns what moves a reading stands below it, at 132 beside it."""
    lines = run(*QUICK, "--width", str(width)).stdout.splitlines()
    assert max(len(text) for text in lines) <= width
    assert any("moved by (share of variance)" in text for text in lines) == (width == 132)
    assert any(text.startswith("      moved by") for text in lines) == (width == 80)


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--samples", "none"], "--samples"),
        (["--samples", "0"], "--samples"),
        (["--seed", "-1"], "--seed"),
        (["--threads", "0"], "--threads"),
        (["--rows", "zzz"], "no row has 'zzz'"),
        (["--unplug", "X9"], "X9"),
        (["--meter", "golden"], "golden"),
        (["--sampels", "5"], "--samples"),
        (["--supply-at", "2"], "--supply-at"),
        (["--instrument", "lamp"], "--instrument"),
        (["--format", "yaml"], "--format"),
        (["-o", "out.xlsx"], "out.xlsx"),
    ],
)
def test_bad_flags_give_one_line(run: Run, words: list[str], text: str) -> None:
    done = run("tolerance", "tractor-cab-fan", *words)
    assert done.exit_code == 2
    assert text in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


def test_nothing_on_standard_error_where_that_is_no_terminal(process: Process) -> None:
    done = process(*QUICK)
    assert (done.returncode, done.stderr) == (0, b"")


def _on_a_terminal(command: str, *args: str, until: bytes = b"", then: int = 0) -> tuple[int, str, str]:
    """Run with standard error on a terminal; send a signal when `until` shows there. Gives code, output, messages."""
    import pty

    ours, theirs = pty.openpty()
    child = subprocess.Popen([command, *args], stdout=subprocess.PIPE, stderr=theirs, stdin=subprocess.DEVNULL)
    os.close(theirs)
    shown = b""
    try:
        while True:
            try:
                piece = os.read(ours, 4096)
            except OSError:  # the other end is closed
                break
            if not piece:
                break
            shown += piece
            if until and until in shown:
                child.send_signal(then)
                until = b""
        output, _ = child.communicate(timeout=120)
    finally:
        child.kill()
        os.close(ours)
    return child.returncode, output.decode(), shown.decode()


@POSIX
def test_a_progress_line_on_a_terminal(command: str) -> None:
    code, output, shown = _on_a_terminal(command, *QUICK, "--samples", "8192")
    assert code == 0
    assert "vehicles (seed 1)" in output
    lines = shown.split("\r")
    assert "4,096 of 8,192 vehicles" in shown
    assert lines[-2].rstrip().endswith("] 8,192 of 8,192 vehicles")
    assert max(len(text) for text in lines) < 80


@POSIX
def test_ctrl_c_gives_what_was_finished(command: str) -> None:
    args = [*QUICK, "--samples", "4000000", "--format", "json"]
    code, output, shown = _on_a_terminal(command, *args, until=b"vehicles", then=signal.SIGINT)
    found = json.loads(output)
    assert not found["complete"]
    assert 4096 <= found["samples"] < 4_000_000
    assert found["spreads"][0]["count"] == found["samples"]
    assert f"interrupted after {found['samples']:,} of 4,000,000 vehicles" in shown
    assert "Traceback" not in shown
    assert code == 130


@POSIX
def test_ctrl_c_before_anything_was_finished(command: str) -> None:
    child = subprocess.Popen(
        [sys.executable, "-c", _SLOW], stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL
    )
    assert child.stdout is not None
    child.stdout.readline()
    child.send_signal(signal.SIGINT)
    output, messages = child.communicate(timeout=120)
    assert (child.returncode, messages.strip()) == (130, b"circuitsim: interrupted")
    assert set(output.splitlines()) <= {b"begun"}


_SLOW = """
import sys, time
import circuitsim.studies.tolerance as study
from circuitsim.cli.app import program

def slow(job, chunk):
    print("begun", flush=True)
    time.sleep(2)
    raise AssertionError("not reached in time")

study._Job.run = slow
study._Job.make_ready = lambda job: None
program(["tolerance", "tractor-cab-fan", "--probe", "MOT-:GND", "--step", "2", "--samples", "99999"])
"""
