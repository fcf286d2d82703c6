"""faults, --fault, compare, testability, diagnose, verify and fit, as a user types them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from small_circuits import BENCH_FAN

import circuitsim as cs
from circuitsim.measure.faults import find_faults
from circuitsim.studies.priors import Prior, read_prior

Run = Callable[..., Result]

READINGS = """# supply: 12.6 V
step,red,black,reading,at
4,MOT-,GND,0.214 V,
4,MOT+,GND,12.20 V,
4,X4.A/harness,X4.A/part,1.24 V,
4,,,15.3 A,M1
"""


@pytest.fixture
def readings(tmp_path: Path) -> str:
    path = tmp_path / "readings.csv"
    path.write_text(READINGS, encoding="utf-8")
    return str(path)


def test_faults_as_json(run: Run) -> None:
    found = json.loads(run("faults", "tractor-cab-fan", "--format", "json").output)["faults"]
    assert {"fault", "severity", "unit", "signs"} <= set(found[0])
    names = {f["fault"] for f in found}
    assert {"X4.A:corroded", "U1:output-shorted", "S2:missing-step-3", "F7:blown", "M1:seized"} <= names
    assert len(names) == len(found)


def test_why_other_commands_count_fewer_faults(run: Run) -> None:
    """A joint that comes and goes shows in no reading at a time, so tests are not judged by it."""
    known = find_faults(cs.load("tractor-cab-fan")).values()
    loose = sum(f.kind.intermittent for f in known)
    listed = run("faults", "tractor-cab-fan", "--width", "200").stdout
    assert f"{len(known)} faults that its parts can have\n" in listed
    assert f"  {loose} of them are joints that come and go: 'compare' and 'testability' leave these out\n" in listed
    assert "come and go:" not in run("faults", "tractor-cab-fan", "--site", "F7", "--kind", "blown").stdout
    for command in ("compare", "testability"):
        text = run(command, "tractor-cab-fan", "--probe", "MOT-:GND", "--step", "4", "--width", "200").stdout
        assert f" of {len(known) - loose} faults show" in text
        assert "joints that come and go, which 'faults' counts too, are left out\n" in text


@pytest.mark.parametrize("form", ["table", "csv", "markdown"])
def test_faults_of_one_site(run: Run, form: str) -> None:
    result = run("faults", "tractor-cab-fan", "--site", "x4.a", "--format", form)
    assert result.exit_code == 0
    assert "corroded" in result.output
    assert "W7" not in result.output


@pytest.mark.parametrize(
    ("args", "told"),
    [
        (("faults", "tractor-cab-fan", "--site", "X4.C"), "did you mean 'X4.A'"),
        (("predict", "tractor-cab-fan", "--fault", "X4.A:corodded"), "did you mean 'corroded'"),
        (("predict", "tractor-cab-fan", "--fault", "X4.A"), "is not SITE:KIND"),
        (("predict", "tractor-cab-fan", "--fault", "W7:open=5ohm"), "has no severity"),
        (("predict", "tractor-cab-fan", "--fault", "X4.A:corroded=5V"), "is a voltage"),
        (("predict", "tractor-cab-fan", "--fault", "X4.A:corroded=1Gohm"), "out of range"),
        (("compare", "tractor-cab-fan", "--fault", "X4.A:open", "--severity", "low"), "for all faults at once"),
        (("diagnose", "tractor-cab-fan"), "needs a file of readings"),
        (("diagnose", "tractor-cab-fan", "none.csv"), "none.csv: can't be read"),
        (("diagnose", "tractor-cab-fan", "head.csv"), "head.csv: has no readings and no observations"),
        (("diagnose", BENCH_FAN, "one.csv", "--cannot", "X11"), "did you mean 'X1'"),
        (("diagnose", BENCH_FAN, "one.csv", "--cannot", ""), "--cannot: names no test"),
        (("verify", "tractor-cab-fan", "-", "-"), "can come from standard input"),
        (("fit", "tractor-cab-fan", "none.csv", "-o", "x.txt"), "ends in .toml"),
    ],
)  # fmt: skip
def test_bad_input_is_one_line(run: Run, tmp_path: Path, args: tuple[str, ...], told: str) -> None:
    (tmp_path / "head.csv").write_text("step,red,black,reading\n", encoding="utf-8")
    (tmp_path / "one.csv").write_text("step,red,black,reading\n2,MOT-,GND,0.21 V\n", encoding="utf-8")
    result = run(*args)
    assert result.exit_code == 2
    assert told in result.stderr
    assert result.stderr.count("\n") == 1
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize("circuit", ["tractor-cab-fan", "generic-pack"])
def test_weights_to_start_from(run: Run, tmp_path: Path, circuit: str) -> None:
    """What `faults -o weights.toml` writes are the weights that hold without it."""
    assert run("faults", circuit, "-o", "weights.toml").exit_code == 0
    faults = find_faults(cs.load(circuit))
    found, own = read_prior(tmp_path / "weights.toml", faults), Prior()
    assert (found.healthy, found.other) == (own.healthy, own.other)
    assert {name: found.weight(f) for name, f in faults.items()} == {name: own.weight(f) for name, f in faults.items()}
    assert run("faults", circuit, "--format", "weights").stdout == (tmp_path / "weights.toml").read_text("utf-8")


def test_a_fault_in_every_study(run: Run) -> None:
    """predict, tolerance, transient and waveform take --fault, and say which one is in."""
    options = ("--fault", "X4.A:corroded=80mohm", "--step", "4")
    studies = (
        ("predict", "--probe", "at:M1"),
        ("tolerance", "--probe", "at:M1", "--samples", "1"),
        ("transient", "--until", "5ms"),
    )
    for args in studies:
        result = run(args[0], "tractor-cab-fan", *args[1:], *options)
        assert result.exit_code == 0, result.stderr
        assert "X4.A:corroded=80 mΩ" in result.output.replace("\n", " ")
    chart = json.loads(run("predict", "tractor-cab-fan", "--probe", "at:M1", "--format", "json", *options).output)
    assert chart["conditions"]["faults"] == ["X4.A:corroded=80 mΩ"]


def test_an_overloaded_fuse_is_no_reading(run: Run) -> None:
    result = run("predict", "tractor-cab-fan", "--fault", "W2:chafed-to-ground=60mohm", "--step", "4", "--probe", "MOT+:GND")
    assert "the fuse opens" in result.output


def test_compare_two_vehicles(run: Run) -> None:
    result = run("compare", "tractor-cab-fan", "--fault", "M1:dragging=200mN*m", "--step", "2", "--format", "json")
    rows = json.loads(result.output)["readings"]
    by_place = {(r["red"], r["at"], tuple(r["unplugged"])): r for r in rows}
    assert by_place["", "M1", ()]["tells"]  # current shows it
    assert not by_place["MOT+", "", ()]["tells"]  # the feed does not


def test_which_tests_show_which_faults(run: Run, tmp_path: Path) -> None:
    result = run(
        "compare", "tractor-cab-fan", "--probe", "MOT-:GND", "--probe", "at:M1", "--picture", "heat.png", "--format", "json"
    )
    found = json.loads(result.output)
    assert len(found["overlap"]) == len(found["faults"])
    assert len(found["overlap"][0]) == len(found["tests"]) == 10
    assert any(f.startswith("M1:reversed") for f in found["unseen"])  # nothing electrical shows it
    assert (tmp_path / "heat.png").read_bytes().startswith(b"\x89PNG")


def test_testability(run: Run) -> None:
    result = run("testability", "tractor-cab-fan", "--probe", "MOT-:GND", "--probe", "at:M1", "--step", "4", "--format", "json")
    found = json.loads(result.output)
    assert 0 < found["isolated"] < found["detected"] < 1
    assert found["mean_group_size"] > 1
    more = json.loads(run("testability", "tractor-cab-fan", "--probe", "MOT-:GND", "--probe", "at:M1", "--probe", "MOT+:GND",
                          "--probe", "CMD:GND", "--step", "4", "--format", "json").output)  # fmt: skip
    assert more["isolated"] >= found["isolated"]  # more tests never tell less


def test_testability_on_a_screen_is_short_and_says_how_to_see_all(run: Run) -> None:
    """The figures of every fault are in JSON, in Markdown, and with --all."""
    args = ("testability", "tractor-cab-fan", "--probe", "MOT-:GND", "--probe", "at:M1", "--step", "4", "--width", "100")
    short, whole = run(*args).output, run(*args, "--all").output
    faults = json.loads(run(*args, "--format", "json").output)["faults"]
    shown = [f["fault"] for f in faults if f["shown"] > 0]
    assert len(short.splitlines()) < 80 < len(faults)
    assert f"and {len(shown) - 20} more that show" in short
    assert f"{len(faults) - len(shown)} do not show: " in short
    assert f"--all gives a row for each of the {len(faults)} faults" in short.replace("\n", " ")
    best = max(faults, key=lambda f: f["isolated"])["fault"]
    assert any(text.startswith(best) for text in short.splitlines())
    assert {f["fault"] for f in faults} <= {text.split(" ")[0] for text in whole.splitlines()}
    assert "--all" not in whole


def test_diagnose_as_json(run: Run, readings: str) -> None:
    found = json.loads(run("diagnose", "tractor-cab-fan", readings, "--format", "json").output)
    first = found["suspects"][0]
    assert set(first["faults"]) == {"X4.A:corroded", "X4.A:spread", "X4.A:loose-crimp"}
    assert first["severity"] == pytest.approx(0.0815, rel=0.05)  # 1.24 V over 15.3 A, less the joint's own
    assert found["enough"] is True
    assert found["next_test"] is None
    assert sum(s["probability"] for s in found["suspects"]) <= 1.0001


def test_a_chart_is_a_file_of_readings(run: Run, tmp_path: Path) -> None:
    """What predict writes as CSV can be diagnosed as it is: a good circuit's chart is healthy."""
    run("predict", BENCH_FAN, "-o", "chart.csv")
    found = json.loads(run("diagnose", BENCH_FAN, "chart.csv", "--format", "json").output)
    assert found["suspects"][0]["faults"][0] == "healthy"


def test_one_by_one(run: Run) -> None:
    from click.testing import CliRunner

    from circuitsim.cli.app import program

    typed = "2 MOT-:GND 0.40V\nsaw slow 2\nnonsense\nlist\ndone\n"
    result = CliRunner().invoke(program, ["diagnose", BENCH_FAN, "--interactive"], input=typed, catch_exceptions=False)
    assert result.exit_code == 0
    assert "Next test" in result.output
    assert "saw slow 2" in result.output  # listed
    assert "X1.A:corroded" in result.output
    assert "type STEP RED:BLACK READING" in result.stderr or "is not a number" in result.stderr


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("4 fan slow", "'4 fan slow': is what was seen; type it as: saw slow 4"),
        ("Fan  always FULL", "type it as: saw always full"),
        ("step off fan fast", "type it as: saw fast off"),
        ("4 fan off", "type it as: saw off 4"),
        ("saw 3 slow", "'3 slow': is what was seen; type it as: saw slow 3"),
        ("saw slwo 3", "did you mean 'slow'?"),
    ],
)
def test_what_was_seen_in_free_words_points_to_saw(run: Run, typed: str, told: str) -> None:
    from click.testing import CliRunner

    from circuitsim.cli.app import program

    result = CliRunner().invoke(program, ["diagnose", "tractor-cab-fan", "--interactive"], input=f"{typed}\ndone\n")
    assert result.exit_code == 0
    assert told in result.stderr
    assert result.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("4 MOT-:GND .184v", "reading: '.184v' has a unit that is not written so; did you mean 0.184 V?"),
        ("4 MOT-:GND 300", "reading: '300' has no unit; did you mean 300 mV?"),  # no circuit of 12 V has 300 V
        ("4 MOT-:GND -12.3", "reading: '-12.3' has no unit; did you mean -12.3 V?"),
        ("4 MOT-:GND 0,3 V", "reading: '0,3 V' is no quantity; did you mean 0.3 V?"),
        ("4 MOT-:GND 184m", "reading: '184m' has a unit that is not written so; did you mean 184 mV?"),
        ("4 at:M1 18.2", "reading: '18.2' has no unit; did you mean 18.2 A?"),
        ("4 at:M1 18.2ma", "did you mean 18.2 mA?"),
        (".184v", "'.184v': is a reading without its place, and no test was asked for yet; type STEP RED:BLACK READING"),
    ],
)
def test_a_unit_that_is_missing_or_small_is_hinted_at(run: Run, typed: str, told: str) -> None:
    """One line, with what to type; what is written as it should be gets none."""
    from click.testing import CliRunner

    from circuitsim.cli.app import program

    result = CliRunner().invoke(program, ["diagnose", "tractor-cab-fan", "--interactive"], input=f"{typed}\ndone\n")
    assert result.exit_code == 0
    assert told in result.stderr
    assert result.stderr.count("\n") == 1


def test_verify(run: Run, readings: str, tmp_path: Path) -> None:
    leads = ("--probe", "MOT-:GND", "--probe", "MOT+:GND", "--probe", "at:M1", "--probe", "X4.A/harness:X4.A/part")
    run("predict", "tractor-cab-fan", "--step", "4", *leads, "-o", "after.csv")
    result = run("verify", "tractor-cab-fan", readings, "after.csv")
    assert result.exit_code == 0
    bad = run("verify", "tractor-cab-fan", "after.csv", readings, "--format", "json")
    assert bad.exit_code == 1
    assert json.loads(bad.output)["passed"] is False


def test_fit_writes_a_circuit(run: Run, tmp_path: Path) -> None:
    (tmp_path / "good.csv").write_text("step,red,black,reading,at\n3,MOT-,GND,2.95 V,\n3,,,12.9 A,M1\n", encoding="utf-8")
    result = run("fit", "tractor-cab-fan", "good.csv", "-o", "fitted.toml")
    assert result.exit_code == 0
    chart = cs.predict(str(tmp_path / "fitted.toml"), step="3", probe=["MOT-:GND", "at:M1"])
    assert chart.at(step="3", red="MOT-").expected == pytest.approx(2.95, abs=0.03)  # the meter's own limit is 17 mV
    assert chart.at(step="3", at="M1").expected == pytest.approx(12.9, abs=0.31)  # clamp ±(2 % + 5 digits)
