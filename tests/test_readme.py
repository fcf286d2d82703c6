"""Everything that the README and DEVELOPERS.md tell people to type, and every example, is run here."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from circuitsim.cli.app import program
from circuitsim.library import load
from circuitsim.measure.faults import find_faults
from circuitsim.studies.priors import Prior, read_prior

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
# In a checkout that is tested without an install of its own, the package is found from the tests' own path.
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)


COMMANDS = [
    line
    for block in blocks(README, "sh")
    for line in block.splitlines()
    if line.startswith("circuitsim ")
] + re.findall(r"`(circuitsim predict [^`\n]+)`", README)  # fmt: skip


(PRIOR,) = (block for block in blocks(README, "toml") if "[weights]" in block)


def test_there_is_something_to_run() -> None:
    assert len(COMMANDS) > 12
    assert len(blocks(README, "python")) == 2
    assert len(blocks(DEVELOPERS, "python")) == 1


@pytest.mark.parametrize("command", [c for c in COMMANDS if "my-fan" not in c])
def test_commands_of_the_readme(command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All in this process, so that they share what is loaded and compiled; below one is run as a user does."""
    words = shlex.split(command)[1:]
    monkeypatch.chdir(tmp_path)
    shutil.copytree(ROOT / "examples" / "readings", tmp_path / "examples" / "readings")
    if "--prior" in words:
        (tmp_path / words[words.index("--prior") + 1]).write_text(PRIOR, encoding="utf-8")
    done = CliRunner().invoke(program, words, catch_exceptions=False)
    assert (done.exit_code, done.stderr) == (0, "")
    wanted = [w for w in words if Path(w).suffix in (".csv", ".json", ".png", ".toml")]
    assert all((tmp_path / w).stat().st_size > 100 for w in wanted)
    assert wanted or done.stdout


def test_the_chart_shown_is_the_one_printed() -> None:
    (shown,) = blocks(README, "text")
    words = ["predict", "tractor-cab-fan", "--rows", "CMD : GND", "--rows", "motor low side", "--rows", "motor current"]
    done = subprocess.run(
        [sys.executable, "-m", "circuitsim", *words],
        env=ENVIRONMENT, capture_output=True, text=True, encoding="utf-8", check=True,
    )  # fmt: skip
    printed = [line.split() for line in done.stdout.splitlines()]
    for line in shown.splitlines():
        # The rule of thumb at the end of a printed line is left out in the README.
        assert any(found[: len(line.split())] == line.split() for found in printed), line


def test_the_two_commands_are_those_of_ci() -> None:
    section = README.split("## Two commands")[1].split("\n## ")[0]
    first, second = blocks(section, "sh")
    assert "circuitsim predict tractor-cab-fan" in first
    assert "pytest" in second
    assert all(b.startswith("python3 -m venv .venv && ") for b in (first, second))


def test_it_says_how_plain_commands_are_found() -> None:
    """What follows the two commands is typed without a path: the environment must be active, which is said before."""
    before, _, after = README.partition("`. .venv/bin/activate`")
    assert not any(line.startswith("circuitsim ") for block in blocks(before, "sh") for line in block.splitlines())
    assert any(line.startswith("circuitsim ") for block in blocks(after, "sh") for line in block.splitlines())
    assert "Two commands" in before.rpartition("\n## ")[2]


@pytest.mark.parametrize("snippet", blocks(README, "python"))
def test_snippets_of_the_readme(snippet: str, tmp_path: Path) -> None:
    script = tmp_path / "snippet.py"
    script.write_text(snippet, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(script)], env=ENVIRONMENT, capture_output=True, text=True, encoding="utf-8", check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.strip()


def test_the_file_shown_in_the_readme_is_read(tmp_path: Path) -> None:
    """The TOML lines stand in a whole file: a copy of a circuit, with this run in place of its own."""
    (run,) = (block for block in blocks(README, "toml") if block != PRIOR)
    original = (ROOT / "models" / "circuits" / "tractor-cab-fan.toml").read_text(encoding="utf-8")
    before, rest = original.split('[[run]]\nname = "motor feed"', maxsplit=1)
    target = tmp_path / "my-fan.toml"
    target.write_text(f"{before}{run}\n{rest[rest.index('[[run]]') :]}", encoding="utf-8")
    circuit = load(str(target))
    assert circuit.net.elements["W2"].values["length"] == 2.4
    assert circuit.net.elements["F7.out"].tolerances["resistance"].kind == "lognormal"


def test_the_weights_shown_in_the_readme_are_read(tmp_path: Path) -> None:
    """Each says what its comment says; what is not named keeps its weight."""
    faults = find_faults(load("tractor-cab-fan"))
    (tmp_path / "weights.toml").write_text(PRIOR, encoding="utf-8")
    prior, own = read_prior(tmp_path / "weights.toml", faults), Prior()
    assert (prior.healthy, prior.other) == (0.1, 0.05)
    assert prior.weight(faults["X2.1:corroded"]) == 8
    assert prior.weight(faults["X4.A:corroded"]) == 24
    assert prior.weight(faults["M1:worn-brushes"]) == 0.5
    assert prior.weight(faults["F7:blown"]) == 0
    assert prior.weight(faults["W7:open"]) == own.weight(faults["W7:open"])


def test_the_element_of_the_developers_page() -> None:
    (snippet,) = blocks(DEVELOPERS, "python")
    scope: dict[str, object] = {"__name__": "snippet"}
    exec(snippet, scope)  # our own page
    import circuitsim as cs

    net = cs.Netlist("diode")
    net.chain("GND", cs.VoltageSource("V", emf=5.0), "a", cs.Resistor("R", resistance=100.0), "k")
    net.add(scope["Diode"]("D1", "k", "GND"))  # type: ignore[operator]
    point = cs.solve(net)
    # By hand: i = (5 - v)/100 and v = 0.05·ln(i/1e-9 + 1) meet at 0.877 V, 41.2 mA.
    assert point.voltage("k") == pytest.approx(0.877, abs=0.001)
    assert point.current("D1") == pytest.approx(0.0412, abs=0.0001)


@pytest.mark.parametrize("example", sorted((ROOT / "examples").glob("*.py")), ids=lambda p: p.stem)
def test_examples(example: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(example)],
        cwd=tmp_path, env=ENVIRONMENT, capture_output=True, text=True, encoding="utf-8", check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert len(done.stdout.splitlines()) > 3


def test_pictures_of_the_readme_are_there() -> None:
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert pictures
    assert all((ROOT / p).stat().st_size > 1000 for p in pictures)
