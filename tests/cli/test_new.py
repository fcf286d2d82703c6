"""The new command: flags, the dialogue, what it writes and what it says; mistakes in one line."""

from __future__ import annotations

import json
import os
import re
import select
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from circuitsim.cli import new
from circuitsim.cli.app import program
from circuitsim.cli.questions import QUESTIONS
from circuitsim.library import load

from .conftest import Run

FLAGS = ["--nominal", "12V", "--kind", "linear", "--steps", "3"]
KNOWN = ["--fuse", "20A", "--current", "11A", "--supply", "12.4V", "--feed-wire", "2.5mm2 3m", "--low-wire", "14 AWG"]


def talk(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, typed: str, *args: str) -> Result:
    """Run the command as in a terminal, with lines typed."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(new, "_is_terminal", lambda: True)
    return CliRunner().invoke(program, ["new", "-o", "my-fan.toml", *args], input=typed, catch_exceptions=False)


# By flags ----------------------------------------------------------------------------------------------------------


def test_flags_write_a_file_that_the_other_commands_take(run: Run) -> None:
    done = run("new", "-o", "my-fan.toml", *FLAGS, *KNOWN)
    assert (done.exit_code, done.stderr) == (0, "")
    text = Path("my-fan.toml").read_text(encoding="utf-8")
    assert text.startswith("# 12 V fan, linear stage on the ground side, 3 steps\n")
    assert "circuitsim fit my-fan.toml READINGS.csv" in text
    circuit = load("./my-fan.toml")
    assert (circuit.name, circuit.steps) == ("my-fan", ("off", "1", "2", "3"))
    assert circuit.net.elements["W3"].values["area"] == pytest.approx(2.081e-6, rel=1e-3)  # 14 AWG, ASTM B258
    for command in ("show", "predict", "faults"):
        after = run(command, "my-fan.toml")
        assert (after.exit_code, after.stderr) == (0, ""), command


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ("4 mm2", "feed wire: area 4 mm² ±5 %, length 2 m ×/÷ 2 (section read off by you, length assumed; give both, such as "),
        ("3m", "feed wire: area 4 mm² ×/÷ 1.5, length 3 m ×/÷ 1.3 (section by the fuse's rating, length estimated by you; "),
        ("4mm2 3m", ""),
    ],
)
def test_what_is_assumed_of_a_wire_half_told_is_said(run: Run, given: str, told: str) -> None:
    """On the screen, in the file and in JSON; of a wire told whole, or not at all, nothing."""
    flags = [*FLAGS, "--fuse", "30A", "--feed-wire", given]
    shown = run("new", "-o", "my-fan.toml", *flags, "--width", "200").stdout
    assert told in shown
    assert ("such as --feed-wire '4mm2 2m')\n" in shown) == bool(told)
    assert ("low wire: " in shown, "ground wire: " in shown) == (False, False)
    text = Path("my-fan.toml").read_text(encoding="utf-8")
    assert ("(fuse box to motor); taken: area 4 mm² " in text) == bool(told)
    found = json.loads(run("new", "-o", "my-fan.toml", *flags, "--force", "--format", "json").stdout)
    assert [w["wire"] for w in found["half_told"]] == ["feed"] * bool(told)


@pytest.mark.slow
def test_the_file_can_be_varied_within_its_tolerances(run: Run) -> None:
    assert run("new", "-o", "my-fan.toml", *FLAGS, *KNOWN).exit_code == 0
    done = run("tolerance", "my-fan.toml", "--samples", "64")
    assert (done.exit_code, done.stderr) == (0, "")


def test_what_it_says_can_be_filled_in_and_fitted(run: Run) -> None:
    """The lines that are printed are a file of readings once the readings stand behind them."""
    found = json.loads(run("new", "-o", "my-fan.toml", *FLAGS, *KNOWN, "--format", "json").stdout)
    told = run("new", "-o", "my-fan.toml", *FLAGS, *KNOWN, "--force").stdout
    lines = told[told.index("# supply") :].partition("\n\n")[0].split("\n")
    rows = [line.strip() for line in lines]
    assert len(rows) == 2 + len(found["readings"]) == 5
    units = [f"{r['expected']:.3f} {r['unit']}" for r in found["readings"]]
    Path("r.csv").write_text("\n".join([*rows[:2], *map("".join, zip(rows[2:], units, strict=True))]), encoding="utf-8")
    done = run("fit", "my-fan.toml", "r.csv", "-o", "my-fan-fitted.toml")
    assert done.exit_code == 0, done.stderr
    assert load("./my-fan-fitted.toml").steps == ("off", "1", "2", "3")


def test_the_report_says_where_and_how_much(run: Run) -> None:
    told = run("new", "-o", "my-fan.toml", *FLAGS, *KNOWN, "--width", "100").stdout
    shares = [int(text) for text in re.findall(r": (\d+) %$", told, re.MULTILINE)]
    assert len(shares) == 4
    assert shares == sorted(shares, reverse=True)
    assert shares[0] < 100
    assert "red on " in told or "clamp round" in told
    assert "circuitsim fit my-fan.toml READINGS.csv -o my-fan-fitted.toml" in " ".join(told.split())
    assert max(map(len, told.splitlines())) <= 100


def test_json_and_markdown(run: Run) -> None:
    found = json.loads(run("new", "-o", "a.toml", *FLAGS, "--name", "cab-fan", "--format", "json").stdout)
    assert (found["file"], found["circuit"]) == ("a.toml", "cab-fan")
    assert found["answers"]["current"] is None
    assert (found["fuse"], found["current"]) == (30.0, pytest.approx(19.5))
    shares = [found["supply"]["left"], *(r["left"] for r in found["readings"])]
    assert all(0 < share < 1 for share in shares)
    text = run("new", "-o", "a.toml", *FLAGS, "--force", "--format", "markdown").stdout
    assert "| reading | where | expected | bands left | narrows most |" in text
    assert "```csv\n# supply: 12.6 V\nstep,red,black,at,reading\n" in text


def test_don_t_know_is_an_answer(run: Run) -> None:
    unknown = ["--fuse", "-", "--current", "unknown", "--feed-wire", "don't know"]
    assert run("new", "-o", "a.toml", *FLAGS, *unknown, "--low-wire", "0.7m", "--ground-wire", "2 mm²").exit_code == 0
    circuit = load("./a.toml")
    assert circuit.net.elements["W3"].values["length"] == pytest.approx(0.7)
    assert circuit.net.elements["W5"].values["area"] == pytest.approx(2e-6)


def test_a_file_that_is_there_stays_unless_forced(run: Run) -> None:
    Path("a.toml").write_text("mine", encoding="utf-8")
    done = run("new", "-o", "a.toml", *FLAGS)
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr == "circuitsim: a.toml: --output: is there already; --force writes over it\n"
    assert Path("a.toml").read_text(encoding="utf-8") == "mine"
    assert run("new", "-o", "a.toml", *FLAGS, "--force").exit_code == 0
    assert Path("a.toml").read_text(encoding="utf-8") != "mine"


@pytest.mark.parametrize(
    ("words", "text"),
    [
        ([], "--nominal (such as 24V) and --kind (such as linear) and --steps (such as 3) must be given"),
        (["--nominal", "12V", "--steps", "3"], "--kind (such as linear) must be given"),
        ([*FLAGS, "--nominal", "unknown"], "--nominal: this one is needed"),
        ([*FLAGS, "--nominal", "12"], "--nominal: '12' has no unit; write e.g. '12 V'"),
        ([*FLAGS, "--nominal", "120V"], "--nominal: '120V' is out of range, accepted: 6 V to 48 V"),
        ([*FLAGS, "--kind", "linar"], "did you mean 'linear'"),
        ([*FLAGS, "--steps", "10"], "accepted: 1 to 9"),
        ([*FLAGS, "--steps", "three"], "accepted: 1 to 9"),
        ([*FLAGS, "--command", "risng"], "--command: unknown direction 'risng'; did you mean 'rising'?"),
        ([*FLAGS, "--fuse", "30V"], "--fuse"),
        ([*FLAGS, "--fuse", "500A"], "--fuse: '500A' is out of range, accepted: 2 A to 100 A"),
        ([*FLAGS, "--fuse", "10A", "--current", "14A"], "--current: 14 A at full speed is above the fuse's rating of 10 A"),
        ([*FLAGS, "--current", "nan A"], "--current"),
        ([*FLAGS, "--supply", "12V"], "--supply: is the voltage at which the current was measured"),
        ([*FLAGS, "--current", "9A", "--supply", "30V"], "--supply: 30 V is out of range, accepted: 9 V to 16.2 V"),
        ([*FLAGS, "--current", "14A", "--motor-resistance", "0.9ohm"], "--motor-resistance: 900 mΩ with 14 A takes 12.6 V"),
        ([*FLAGS, "--feed-wire", "thick"], "--feed-wire: 'thick' is no wire; write section and length such as '4mm2 2m'"),
        ([*FLAGS, "--feed-wire", "4mm2 2"], "--feed-wire"),
        ([*FLAGS, "--feed-wire", "4mm2 200m"], "--feed-wire: '4mm2 200m' is out of range"),
        ([*FLAGS, "--feed-wire", "4mm2 2kg"], "--feed-wire"),
        ([*FLAGS, "--current", "14A", "--feed-wire", "0.5mm2 20m"], "--current: 1.4 V are left for the motor at 14 A"),
        ([*FLAGS, "--name", "My Fan"], "--name: 'My Fan' found; accepted: small letters"),
        ([*FLAGS, "--meter", "golden"], "unknown meter 'golden'"),
        ([*FLAGS, "--format", "csv"], "--format"),
        ([*FLAGS, "--fused", "30A"], "did you mean '--fuse'?"),
    ],
)
def test_mistakes_give_one_line_and_no_file(run: Run, words: list[str], text: str) -> None:
    done = run("new", "-o", "a.toml", *words)
    assert done.exit_code == 2
    assert text in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""
    assert not Path("a.toml").exists()


@pytest.mark.parametrize(("name", "text"), [("a.txt", "ends in .toml"), ("none/a.toml", "no such folder"), (".", "directory")])
def test_a_file_that_can_t_be_is_told_before_anything_is_asked(run: Run, name: str, text: str) -> None:
    done = run("new", "-o", name)
    assert done.exit_code == 2
    assert text in done.stderr
    assert done.stderr.count("\n") == 1


# The dialogue -------------------------------------------------------------------------------------------------------


def test_enter_takes_every_default(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    done = talk(monkeypatch, tmp_path, "\n" * len(QUESTIONS))
    assert done.exit_code == 0, done.stderr
    asked = [q for q in QUESTIONS if f"{q.text} (" in done.stdout]
    assert [q.option for q in QUESTIONS if q not in asked] == ["supply"]  # no current, so no voltage to it
    for q in asked:
        assert q.prompt().endswith(f"[{q.default}]: " if q.default else "[don't know]: ")
    circuit = load(tmp_path / "my-fan.toml")
    assert (circuit.nominal, circuit.steps[-1]) == (12.0, "4")


def test_a_wrong_answer_is_explained_and_asked_again(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    typed = ["24", "?", "24V", "lnear", "pack", "0", "3", "20A", "25A", "11A", "17V", "-", "9ohm", "-", "x", "2m"]
    done = talk(monkeypatch, tmp_path, "\n".join(typed) + "\n")
    assert done.exit_code == 0, done.stderr
    for text in (
        "'24' has no unit; write e.g. '24 V'\n", "two of them in series 24 V", "did you mean 'linear'?",
        "'0' is no number of steps, accepted: 1 to 9", "25 A at full speed is above the fuse's rating of 20 A",
        "17 V is out of range, accepted: 18 V to 32.4 V", "9 Ω with 11 A takes 99 V of the 24 V", "'x' is no wire",
    ):  # fmt: skip
        assert text in done.stdout
    assert "command's voltage" not in done.stdout  # a pack has none
    circuit = load(tmp_path / "my-fan.toml")
    assert (circuit.nominal, circuit.steps[-1], circuit.net.elements["F1"].values["rating"]) == (24.0, "3", 20.0)
    assert circuit.net.elements["W2"].values["length"] == pytest.approx(2.0)


def test_nothing_is_asked_for_what_is_given(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    done = talk(monkeypatch, tmp_path, "\n" * 9, *FLAGS, *KNOWN)
    assert done.exit_code == 0, done.stderr
    for q in QUESTIONS:
        given = f"--{q.option}" in (*FLAGS, *KNOWN)
        assert (q.text in done.stdout) is not given, q.option


def test_the_end_of_what_is_typed_is_don_t_know(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    assert talk(monkeypatch, tmp_path, "24V\nlinear\n3\n").exit_code == 0
    done = talk(monkeypatch, tmp_path, "24V\n", "--force")
    assert done.exit_code == 2
    assert "--kind (such as linear) and --steps (such as 3) must be given" in done.stderr


def test_no_needed_answer_is_don_t_know(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    done = talk(monkeypatch, tmp_path, "-\n12V\ndon't know\npack\n-\n2\n")
    assert done.exit_code == 0, done.stderr
    assert done.stdout.count("this one is needed") == 3


@pytest.mark.parametrize("question", QUESTIONS, ids=lambda q: q.option)
def test_every_question_can_be_answered_by_its_own_example(question: object) -> None:
    q = next(one for one in QUESTIONS if one is question)
    assert q.read(q.example) is not None
    assert not q.default or q.read(q.default) is not None
    assert len(q.how) > 20


@pytest.mark.skipif(os.name == "nt", reason="Windows has no pseudo terminals")
def test_in_a_real_terminal(command: str, tmp_path: Path) -> None:
    """Typed on a pseudo terminal: it asks, takes answers, and leaves with the file written."""
    import pty

    child, terminal = pty.fork()
    if child == 0:
        os.chdir(tmp_path)
        os.execv(sys.executable, [sys.executable, command, "new", "-o", "cab.toml", "--nominal", "12V", "--steps", "2"])
    told, end = b"", time.monotonic() + 120
    try:
        os.write(terminal, b"pack\n" + b"\n" * 7)
        while time.monotonic() < end:
            if not select.select([terminal], [], [], 1.0)[0]:
                continue
            try:
                part = os.read(terminal, 65536)
            except OSError:  # Linux: the other side has closed it
                part = b""
            if not part:
                break
            told += part
    finally:
        os.close(terminal)
        status = os.waitpid(child, 0)[1]
    assert os.waitstatus_to_exitcode(status) == 0, told
    assert b"What sets the speed on the ground side (linear, pwm, pack) [linear]:" in told
    assert load(tmp_path / "cab.toml").steps == ("off", "1", "2")
