"""Starting: what loads, the help, the version, and the ways to be left early."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from importlib.metadata import entry_points
from pathlib import Path

import click
import pytest
from click.testing import Result

import circuitsim as cs
from circuitsim.cli.app import program
from circuitsim.errors import SolveError
from circuitsim.measure import INSTRUMENTS, METERS

Run = Callable[..., Result]
Process = Callable[..., subprocess.CompletedProcess[bytes]]

HEAVY = {"numpy", "scipy", "sympy", "networkx", "matplotlib", "pydantic", "rich", "jinja2", "tomllib"}
LOADED = """
import json, sys
from circuitsim.cli import main
try:
    main()
finally:
    sys.stderr.write(json.dumps(sorted(sys.modules)))
"""


@pytest.mark.parametrize("args", [["--help"], ["--version"], ["predict", "--help"], ["prdict"], []])
def test_nothing_heavy_loads_before_there_is_work(args: list[str], tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-c", LOADED, *args], capture_output=True, text=True, check=False, cwd=tmp_path)
    loaded = set(json.loads(done.stderr[done.stderr.index("[") :]))
    assert "click" in loaded
    assert loaded & HEAVY == set()


def test_the_check_of_loaded_modules_bites(tmp_path: Path) -> None:
    environment = {**os.environ, "CIRCUITSIM_CACHE": "off"}
    done = subprocess.run(
        [sys.executable, "-c", LOADED, "list"], capture_output=True, text=True, check=False, cwd=tmp_path, env=environment
    )  # fmt: skip
    assert {"numpy", "pydantic"} <= set(json.loads(done.stderr[done.stderr.index("[") :]))


def test_the_command_is_installed_under_its_name() -> None:
    (entry,) = (e for e in entry_points(group="console_scripts") if e.name == "circuitsim")
    assert entry.value == "circuitsim.cli:main"


def test_the_version_is_the_package_s(process: Process, module: list[str]) -> None:
    done = process("--version")
    assert (done.returncode, done.stdout.decode().split(), done.stderr) == (0, ["circuitsim", cs.__version__], b"")
    again = subprocess.run([*module, "--version"], capture_output=True, check=True)
    assert again.stdout == done.stdout


def test_the_version_is_that_of_the_project_file() -> None:
    project = Path(__file__).resolve().parents[2] / "pyproject.toml"
    assert tomllib.loads(project.read_text(encoding="utf-8"))["project"]["version"] == cs.__version__


def test_no_arguments_at_all_give_the_help(run: Run) -> None:
    bare, asked, short = run(), run("--help"), run("-h")
    assert bare.exit_code == asked.exit_code == short.exit_code == 0
    assert bare.output == asked.output == short.output
    assert "service information" in bare.output
    assert {"list", "show", "predict"} <= set(bare.output.split())


@pytest.mark.parametrize("name", ["list", "show", "predict"])
def test_every_option_is_explained(name: str, run: Run) -> None:
    command = program.commands[name]
    assert run(name, "--help").exit_code == 0
    assert [p.name for p in command.params if isinstance(p, click.Option) and not p.help] == []


def test_the_help_names_every_meter_and_instrument(run: Run) -> None:
    text = " ".join(run("predict", "--help").output.replace("low-\n", "low-").split()).replace("low- ", "low-")
    assert [m for m in METERS if m not in text] == []
    assert [i for i in INSTRUMENTS if i not in text and i != "clamp"] == []


def fails_with(error: BaseException, run: Run, monkeypatch: pytest.MonkeyPatch) -> Result:
    def load(*_args: object, **_options: object) -> None:
        raise error

    monkeypatch.setattr("circuitsim.library.load", load)
    return run("show", "tractor-cab-fan")


def test_no_operating_point_has_an_exit_code_of_its_own(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    result = fails_with(SolveError("no operating point", circuit="c", residual=0.5), run, monkeypatch)
    assert result.exit_code == 3
    assert result.stderr.startswith("circuitsim: no operating point, in circuit 'c'")
    assert result.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "verdict"),
    [
        (["predict", "--probe", "MOT-:GND", "--fit", "jumper:MOT+:MOT-"], "outside validity at jumper-1: the fuse of the"),
        (["predict", "--probe", "MOT+:GND", "--instrument", "ohmmeter", "--format", "csv"], "live: no ohms reading"),
        (["tolerance", "--probe", "MOT+:GND", "--instrument", "ohmmeter", "--samples", "1"], "live: no ohms reading"),
    ],
)
def test_a_chart_without_a_reading_has_it_too(run: Run, words: list[str], verdict: str) -> None:
    """The chart is there and says why; a script sees it by the code."""
    done = run(words[0], "tractor-cab-fan", "--step", "2", *words[1:])
    assert done.exit_code == 3
    assert verdict in done.stdout
    assert done.stderr.startswith(f"circuitsim: nothing here is a reading: {verdict}")
    assert done.stderr.count("\n") == 1


def test_one_reading_in_a_chart_is_enough(run: Run) -> None:
    assert run("predict", "tractor-cab-fan", "--rows", "low side", "--fit", "jumper:MOT+:MOT-").exit_code == 0


def test_an_error_that_nobody_foresaw_keeps_its_traceback(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ZeroDivisionError):
        fails_with(ZeroDivisionError(), run, monkeypatch)


def test_an_interrupt_ends_with_its_code(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    result = fails_with(KeyboardInterrupt(), run, monkeypatch)
    assert result.exit_code == 130
    assert result.stderr.strip() == "circuitsim: interrupted"


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGINT for a single process")
def test_ctrl_c_ends_a_running_command(module: list[str]) -> None:
    environment = {**os.environ, "CIRCUITSIM_CACHE": "off"}
    with subprocess.Popen(
        [*module, "predict", "tractor-cab-fan"], stdout=-1, stderr=-1, text=True, env=environment
    ) as started:  # fmt: skip
        time.sleep(0.8)  # in the middle of loading and solving, which takes more than two seconds without a cache
        started.send_signal(signal.SIGINT)
        out, err = started.communicate(timeout=60)
    assert started.returncode == 130
    assert (out, err.strip()) == ("", "circuitsim: interrupted")
