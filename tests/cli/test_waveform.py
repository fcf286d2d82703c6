"""The waveform command: the screen, files by their ending, bad flags."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Run = Callable[..., Result]
QUICK = ("waveform", "minibus-condenser-fan", "--step", "2")


def test_the_screen(run: Run) -> None:
    done = run(*QUICK)
    assert (done.exit_code, done.stderr) == (0, "")
    for text in ("MOT- : GND at step 2", "average", "RMS (AC+DC)", "freewheel", "true RMS, AC", "duty"):
        assert text in done.stdout


def test_the_ripple_of_the_commutator(run: Run) -> None:
    done = run(*QUICK, "--probe", "AT:m1", "--bars", "12")
    assert done.exit_code == 0
    lines = {line.split("  ")[1]: line for line in done.stdout.splitlines() if line.startswith("  ")}
    assert lines["motor"].split()[-2] == lines["speed by the frequency"].split()[-2]


@pytest.mark.parametrize("name", ["x.png", "x.svg", "x.pdf", "x.csv", "x.json", "x.txt", "x"])
def test_files_by_their_ending(run: Run, name: str) -> None:
    done = run(*QUICK, "--output", name)
    assert (done.exit_code, done.stdout, done.stderr) == (0, "", "")
    data = Path(name).read_bytes()
    marks = {".png": b"\x89PNG", ".svg": b"<?xml", ".pdf": b"%PDF", ".csv": "\ufeff".encode(), ".json": b"{"}
    assert data.startswith(marks.get(Path(name).suffix, b"minibus-condenser-fan: MOT-"))
    assert run(*QUICK, "-o", name).exit_code == 0
    assert Path(name).read_bytes() == data


def test_json_on_the_screen(run: Run) -> None:
    found = json.loads(run(*QUICK, "--format", "json", "-o", "-").stdout)
    assert (found["step"], found["unit"]) == ("2", "V")


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--step", "9"], "step"),
        (["--probe", "MOT-:NIX"], "NIX"),
        (["--probe", "MOT-"], "--probe"),
        (["--bars", "12"], "--bars: needs --probe at:M1"),
        (["--bars", "1"], "--bars"),
        (["--brushes", "no"], "--brushes"),
        (["--brushes", "3"], "--brushes: 3 brushes are no pairs; accepted: an even number from 2 to 200"),
        (["-o", "x.xlsx"], "accepted: .png, .svg, .pdf, .csv, .json, .txt"),
        (["-o", "x.png", "--format", "csv"], "is no picture"),
        (["--format", "yaml"], "--format"),
        (["--prob", "at:M1"], "--probe"),
    ],
)
def test_bad_flags_give_one_line(run: Run, words: list[str], text: str) -> None:
    done = run("waveform", "minibus-condenser-fan", *words)
    assert done.exit_code == 2
    assert text in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""
