"""The fit command: what it tells, the file that it writes, and what it refuses."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from checkout import GOOD
from click.testing import Result

import circuitsim as cs
from circuitsim.report.typeset import cells

Run = Callable[..., Result]
T = "tractor-cab-fan"


@pytest.fixture
def files(tmp_path: Path) -> Path:
    """Write a file of readings into the folder where the commands run."""
    (tmp_path / "good.csv").write_text(GOOD, "utf-8")
    return tmp_path


@pytest.mark.usefixtures("files")
def test_nothing_is_shown_that_the_meter_would_not_show(run: Run) -> None:
    """6,000 counts: 0.1 mV and 0.01 A are the last digits, whatever a model gives below them."""
    for args in (("--all",), ("--format", "markdown")):
        text = run("fit", T, "good.csv", *args).stdout
        assert not re.search(r"[0-9] [nµ][VA]", text)
        assert not re.search(r"-0(\.0+)? ", text)
        assert re.search(r"clamp on M1 at step off[ |]+0 A \(-0\.05 A…0\.05 A\)", text)


@pytest.mark.usefixtures("files")
def test_it_tells_what_is_determined_and_what_is_not(run: Run) -> None:
    done = run("fit", T, "good.csv")
    assert (done.exit_code, done.stderr) == (0, "")
    text = " ".join(done.stdout.split())
    head, _, rest = text.partition("What the readings determine")
    assert "battery measured 12.5 V (step off)" in head
    assert "misfit of 7 measured values: chi-square" in head
    told, _, rest = rest.partition("Known together only")
    assert "U1.gain 1.13" in told
    together, _, rest = rest.partition("What the readings do not determine: it keeps its tolerance")
    assert "U1.offset + U1.gain: " in together
    silent, _, rest = rest.partition("The readings")
    assert "S2.resistance at step 1: " in silent
    used, _, chart = rest.partition("The chart")
    assert "MOT- : GND at step 3 2.96 V" in used
    assert "MOT- : GND at step 3" not in chart
    assert "MOT- : GND at step 1" in chart
    assert "Mind:" not in text


def test_the_file_is_a_circuit_with_the_fitted_numbers(run: Run, files: Path) -> None:
    done = run("fit", T, "good.csv", "--format", "json", "-o", "my-fan.toml")
    assert (done.exit_code, done.stderr) == (0, "circuitsim: written: my-fan.toml\n")
    told = json.loads(done.stdout)
    circuit = cs.load(files / "my-fan.toml")
    assert (circuit.name, circuit.options) == ("my-fan", {})
    for n in told["numbers"]:
        name, _, step = n["number"].partition(" at step ")
        element, _, parameter = name.rpartition(".")
        table = circuit.step_tables.get((element, parameter))
        own = table.values[circuit.steps.index(step)] if table else circuit.net.elements[element].values[parameter]
        assert own == pytest.approx(n["after"], rel=1e-6)
    text = (files / "my-fan.toml").read_text("utf-8")
    assert "fitted to 7 measured values of a good vehicle" in text
    assert "# ---- what stands between" in text  # a comment of the circuit's own file
    shown = run("predict", "my-fan.toml", "--supply", "12.5V", "--step", "1", "--probe", "MOT-:GND", "--format", "json")
    (reading,) = json.loads(shown.stdout)["readings"]
    (wanted,) = [r for r in told["readings"] if r["at"] == "MOT- : GND at step 1"]
    assert [reading[k] for k in ("expected", "low", "high")] == pytest.approx(wanted["filed"], rel=1e-9)
    assert reading["expected"] == pytest.approx(wanted["after"][0], abs=0.05)  # the supply is fitted to, within its limit
    assert reading["high"] - reading["low"] >= 0.95 * (wanted["after"][2] - wanted["after"][1])


@pytest.mark.usefixtures("files")
def test_the_bands_printed_are_those_that_the_file_gives(run: Run) -> None:
    """To the last digit: who charts the file finds what fit has promised; what a file can't hold is said, with a figure."""
    told = " ".join(run("fit", T, "good.csv", "-o", "my-fan.toml").stdout.split())
    assert "after: what 'predict FITTED.toml --supply 12.5V' gives of the file that -o writes" in told
    assert re.search(r"bands further, at most to 0\.\d\d times \(clamp on M1 at step 4\), but a file has no place", told)
    chart = json.loads(run("predict", "my-fan.toml", "--supply", "12.5V", "--format", "json").stdout)["readings"]
    amperes = {r["step"]: r for r in chart if r["at"] == "M1"}
    for step in ("1", "2", "3", "4"):
        r = amperes[step]
        band = f"{r['expected']:.2f} A ({r['low']:.2f} A…{r['high']:.2f} A)"
        assert re.search(rf"clamp on M1 at step {step} [^)]*\) {re.escape(band)}", told), band


def test_a_generic_circuit_with_options(run: Run, files: Path) -> None:
    rows = "step,red,black,at,reading\n2,MOT-,GND,,15.1 V\n2,,,M1,3.3 A\n"
    (files / "wide.csv").write_text("# supply: 25.2 V\n" + rows, "utf-8")
    options = ("--set", "nominal=24V", "--set", "current=9A", "--set", "fuse=20A")
    assert run("fit", "generic-linear", "wide.csv", *options, "-o", "wide.toml").exit_code == 0
    text = (files / "wide.toml").read_text("utf-8")
    assert "# Everything is resolved here" in text
    circuit = cs.load(files / "wide.toml")
    assert (circuit.nominal, circuit.options) == (24.0, {})
    done = run("predict", "wide.toml", "--supply", "25.2V", "--step", "2", "--probe", "at:M1", "--format", "json")
    assert json.loads(done.stdout)["readings"][0]["expected"] == pytest.approx(3.3, abs=0.2)


@pytest.mark.usefixtures("files")
def test_json_and_markdown(run: Run) -> None:
    told = json.loads(run("fit", T, "good.csv", "--format", "json").stdout)
    assert told["misfit"]["readings"] == 7
    assert {r["at"] for r in told["readings"] if r["used"]} >= {"CMD : GND at step 2", "clamp on M1 at step 3"}
    assert sum(r["used"] for r in told["readings"]) == 6
    assert {"number", "unit", "before", "after", "shrink", "off", "share"} == set(told["numbers"][0])
    text = run("fit", T, "good.csv", "--format", "markdown").stdout
    tables = [line for line in text.splitlines() if line.startswith("|")]
    assert {line.count(" | ") for line in tables} == {3, 5}
    assert text.startswith(f"# {T}: fitted to readings\n")
    assert "## What the readings determine" in text


@pytest.mark.usefixtures("files")
def test_of_the_chart_what_has_changed_most_is_shown(run: Run) -> None:
    """60 readings filled some 120 lines, half of them with '1.00 times'."""
    short, full = (run("fit", T, "good.csv", "--width", "140", *args).stdout for args in ((), ("--all",)))
    rows = {text: re.findall(r"^  \S.* at step .* (\d\.\d\d) times$", text, flags=re.MULTILINE) for text in (short, full)}
    told = re.search(r"(\d+) more changed less, by (\d+) % of a band's width at most: --all, and --format", short)
    assert told is not None
    assert len(rows[short]) == 12
    assert len(rows[full]) == 12 + int(told[1])
    assert max(map(float, rows[short])) < 0.95
    left = list(rows[full])
    for width in rows[short]:
        left.remove(width)
    assert min(map(float, left)) >= 1 - float(told[2]) / 100 - 0.006
    assert "more changed less" not in full


@pytest.mark.usefixtures("files")
def test_a_narrow_terminal(run: Run) -> None:
    lines = run("fit", T, "good.csv", "--width", "48").stdout.splitlines()
    assert max(map(cells, lines)) <= 48


def test_a_vehicle_that_is_not_of_the_kind(run: Run, files: Path) -> None:
    (files / "bad.csv").write_text(GOOD.replace("6.2 A", "2.9 A").replace("12.4 A", "5.1 A"), "utf-8")
    told = " ".join(run("fit", T, "bad.csv").stdout.split())
    assert "Mind: these readings look like a faulty circuit: no good one of this kind gives them " in told
    done = run("fit", T, "bad.csv", "-o", "out.toml", "--anyway")
    assert (done.exit_code, done.stderr) == (0, "circuitsim: written: out.toml\n")
    assert "# Mind: these readings look like a faulty circuit" in (files / "out.toml").read_text("utf-8")


@pytest.mark.parametrize("fault", ["X5.3:corroded=50mohm", "M1:dragging=0.2Nm", "X4.A:spread"])
def test_no_file_is_made_of_a_faulty_circuit_unasked(run: Run, files: Path, fault: str) -> None:
    """A chart of it would call the fault good; the table is shown all the same, and the line says which readings are worst."""
    (files / "bad.csv").write_text(run("predict", T, "--fault", fault, "--format", "csv").stdout.replace("# faults", "# note"))
    done = run("fit", T, "bad.csv", "-o", "out.toml")
    assert done.exit_code == 2
    assert not (files / "out.toml").exists()
    (line,) = done.stderr.splitlines()
    assert line.startswith("circuitsim: out.toml: not written: these readings look like a faulty circuit: ")
    assert re.search(r"Run 'diagnose' first.*; worst: .* at step \d.* \([+-]\d+ standard dev.*--anyway writes it$", line)
    assert "The readings" in done.stdout
    assert run("fit", T, "bad.csv", "--format", "json").exit_code == 0
    assert json.loads(run("fit", T, "bad.csv", "--format", "json").stdout)["misfit"]["faulty"] is True


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["fit", T], "READINGS is missing"),
        (["fit", T, "none.csv"], "none.csv: can't be read: No such file"),
        (["fit", "tractor-cab-fn", "good.csv"], "did you mean 'tractor-cab-fan'?"),
        (["fit", T, "good.csv", "-o", "x.csv"], "x.csv: --output: a circuit file's name ends in .toml"),
        (["fit", T, "good.csv", "-o", "none/x.toml"], "none/x.toml"),
        (["fit", "own.toml", "good.csv", "-o", "own.toml"], "own.toml: --output: is the circuit's own file"),
        (["fit", T, "good.toml", "-o", "good.toml"], "good.toml: --output: is the file of readings"),
        (["fit", T, "good.csv", "--meter", "precice"], "did you mean 'precise'?"),
        (["fit", T, "good.csv", "--format", "csv"], "unknown --format value 'csv'"),
        (["fit", T, "good.csv", "--set", "nominal=24V"], "has no option 'nominal'"),
        (["fit", T, "wrong.csv"], "wrong.csv:2: red: unknown probe point of tractor-cab-fan 'MOTT'; did you mean"),
        (["fit", T, "lamp.csv"], "lamp.csv: readings: no reading in volts, amperes or ohms to fit to"),
    ],
)
def test_bad_input_is_one_line(run: Run, files: Path, args: list[str], words: str) -> None:
    (files / "wrong.csv").write_text("step,red,reading\n4,MOTT,1 V\n", "utf-8")
    (files / "lamp.csv").write_text("step,unplugged,red,black,reading\n4,X4,X4.A/harness,X4.B/harness,bright\n", "utf-8")
    (files / "good.toml").write_text(GOOD, "utf-8")
    (files / "own.toml").write_bytes(Path(cs.load(T).file).read_bytes())
    kept = {name: (files / name).read_bytes() for name in ("own.toml", "good.toml")}
    done = run(*args)
    assert (done.exit_code, done.stdout) == (2, "")
    assert words in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert {name: (files / name).read_bytes() for name in kept} == kept
