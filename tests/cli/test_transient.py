"""The transient command, and times after key-on on the command line."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from small_circuits import BENCH_FAN

import circuitsim as cs
from circuitsim.cli.app import program

T = "generic-pack"
SHORT = ["transient", T, "--until", "20ms"]
# Where it is of words and files, a circuit of eight parts will do.
BENCH = ["transient", BENCH_FAN, "--until", "20ms"]


def run(*words: str) -> Result:
    return CliRunner().invoke(program, list(words))


def test_a_course_as_a_table() -> None:
    done = run("transient", T, "--until", "2s", "--then", "1s:step=OFF", "--then", "1.5s:unplug=x4", "--step", "2")
    assert done.exit_code == 0, done.output
    lines = done.output.splitlines()
    told = (
        "Step 2, ignition on, engine off, 20 °C around, switched on at 0 s, all at rest, battery at 12.6 V, the circuit's own"
    )
    assert lines[:4] == ["generic-pack, in time", told, "1 s: step off", "1.5 s: unplug X4"]
    first = next(k for k, line in enumerate(lines) if line.split()[:2] == ["1", "ms"])
    assert lines[first - 1].split()[0] == "time"
    assert [line.split()[:2] for line in lines[first : first + 3]] == [["1", "ms"], ["3", "ms"], ["10", "ms"]]
    assert any(line.split()[:2] == ["1.001", "s"] for line in lines)
    assert all(" A " in line and " rpm " in line for line in lines[first:])


@pytest.mark.parametrize("width", [40, 60, 100])
def test_columns_that_do_not_fit_stand_below(width: int) -> None:
    lines = run(*BENCH, "--width", str(width)).output.splitlines()
    assert max(len(line) for line in lines) <= width
    assert sum(line.split()[:1] == ["time"] for line in lines) == (1 if width == 100 else 2 if width == 60 else 3)
    assert sum("rpm" in line for line in lines) == 4


def test_probes_stand_in_place_of_the_voltages(tmp_path: Path) -> None:
    words = [*BENCH, "--probe", "mot-:GND", "--probe", "at:F1"]
    done = run(*words)
    head = next(line for line in done.output.splitlines() if line.startswith(" time"))
    assert re.split(r"\s{2,}", head.strip()) == ["time", "MOT- : GND", "through M1", "clamp on F1", "speed", "hottest"]
    table, whole = tmp_path / "c.csv", tmp_path / "c.json"
    assert run(*words, "--output", str(table), "--picture", str(tmp_path / "c.svg")).exit_code == 0
    (columns, *rows), _ = parts_of(table)
    assert columns == ["time, s", "MOT- : GND, V", "current through M1, A", "clamp on F1, A", "speed of FAN, rpm"]
    assert "clamp on F1" in (tmp_path / "c.svg").read_text(encoding="utf-8")
    assert run(*words, "--output", str(whole)).exit_code == 0
    found = json.loads(whole.read_text(encoding="utf-8"))
    assert [float(row[1]) for row in rows] == pytest.approx(found["probes"]["MOT- : GND"], rel=1e-6, abs=1e-12)
    assert [float(row[3]) for row in rows] == pytest.approx(found["probes"]["on F1"], rel=1e-6, abs=1e-12)
    assert run(*BENCH, "--probe", "at:F11").output.startswith("circuitsim: unknown element of bench-fan 'F11'")
    assert "both leads on one point" in run(*BENCH, "--probe", "MOT-:mot-").output


def parts_of(table: Path) -> tuple[list[list[str]], dict[str, str]]:
    """Give the rows of a CSV file, its heads first, and what its comment lines say."""
    lines = table.read_text(encoding="utf-8-sig").splitlines()
    told = dict(line[2:].split(": ", 1) for line in lines if line.startswith("# "))
    return list(csv.reader(line for line in lines if not line.startswith("# "))), told


def test_a_course_in_files(tmp_path: Path) -> None:
    """Heads with units and names that a person knows; step, conditions and changes on top."""
    table, whole, picture = tmp_path / "c.csv", tmp_path / "c.json", tmp_path / "c.svg"
    words = (*BENCH, "--step", "2", "--ambient", "77degF", "--then", "10ms:step=off")
    assert run(*words, "--output", str(table), "--picture", str(picture)).exit_code == 0
    (columns, *rows), told = parts_of(table)
    assert {
        "circuit": "bench-fan",
        "step": "2",
        "start": "rest",
        "ignition": "on",
        "engine": "off",
        "ambient": "25 °C",
    }.items() <= told.items()
    assert (told["end"], told["then"]) == ("20 ms", "10 ms: step off")
    assert columns[0] == "time, s"
    assert all(head.endswith((", s", " : GND, V", ", A", ", rpm", ", °C")) for head in columns)
    assert not any(".body" in head or "M1:" in head for head in columns)
    assert {"MOT- : GND, V", "current through M1, A", "speed of FAN, rpm", "temperature of M1.winding, °C"} <= {*columns}
    values = dict(zip(columns, rows[-1], strict=True))
    assert float(values["time, s"]) == 0.02
    assert float(values["temperature of M1.winding, °C"]) == pytest.approx(25.0, abs=1.0)
    drawn = picture.read_text(encoding="utf-8")
    assert "Step 2, ignition on, engine off, 25 °C around, switched on at 0 s" in drawn
    assert "10 ms: step off" in drawn
    assert run(*words, "--output", str(whole)).exit_code == 0
    found = json.loads(whole.read_text(encoding="utf-8"))
    assert (found["circuit"], found["step"], found["start"], found["end"], found["stopped"]) == (
        "bench-fan",
        "2",
        "rest",
        0.02,
        "",
    )
    assert found["conditions"]["ambient"] == pytest.approx(25.0)
    assert found["events"] == [{"time": 0.01, "what": "step off", "ends": False}]
    assert len(found["course"]) == len(rows)


def test_parts_can_be_changed_on_the_way() -> None:
    done = run(*SHORT, "--then", "10ms:K1.closed=0", "--then", "15ms:M1.resistance=2ohm", "--format", "csv")
    assert done.exit_code == 0, done.output
    assert "K1.closed = 0" in done.output
    assert "# option nominal: 12 V\n" in done.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--then", "5s"], "--then: '5s' is not TIME:NAME=VALUE, such as 5s:step=off"),
        (["--then", "5ms:foo=1"], "--then: unknown thing to change 'foo'; accepted: step, ignition, engine, unplug, a part's"),
        (["--then", "5ms:stpe=1"], "did you mean 'step'?"),
        (["--then", "5ms:step=9"], "--then: unknown step of generic-pack '9'; accepted: off, 1"),
        (["--then", "5ms:ignition=of"], "--then: unknown ignition 'of'; did you mean 'off'?"),
        (["--then", "5ms:K1.clo=0"], "did you mean 'closed'"),
        (["--then", "5ms:K1.closed=yes"], "--then: 'yes' found for K1.closed; accepted: 0 or 1"),
        (["--then", "5ms:M1.resistance=2"], "--then: M1.resistance: '2' has no unit; write e.g. '2 Ω'"),
        (["--then", "5ms:M1.resistance=-2ohm"], "--then: motor M1: resistance is -2 Ω, accepted: from 1 µΩ"),
        (["--then", "20s:step=1"], "--then: the change at 20 s must come before the end at 20 ms; give an earlier one, or"),
        (["--then", "5ms:step=1", "--then", "3ms:step=2"], "the change at 3 ms must come after the one at 5 ms"),
        (["--then", "soon:step=1"], "--then: 'soon' is no time; accepted: a time with its unit, such as 10s, 2min or 1h"),
        (["--then", "5:step=1"], "--then: '5' has no unit; write e.g. '5 s'; accepted: a time with its unit"),
        (["--until", "0s"], "'0s' is out of range; accepted: a time with its unit, such as 10s, 2min or 1h, above 0 and up to"),
        (["--until", "1000h"], "--until: '1000h' is out of range; accepted: a time with its unit, such as 10s, 2min or 1h"),
        (["--until", "soon"], "--until: 'soon' is no time; accepted: a time with its unit"),
        (["--start", "hot"], "accepted: rest, cold, warm"), (["--step", ""], "unknown step of generic-pack ''"),
        (["--then", "5ms:K9.closed=0"], "unknown element"), (["--supply", "99V"], "--supply"), (["--format", "xml"], "csv"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused_in_a_line(words: list[str], said: str) -> None:
    done = run(*SHORT, *words)
    assert done.exit_code == 2
    assert said in done.output
    assert len(done.output.splitlines()) == 1


def test_a_fuse_that_opens_ends_the_course() -> None:
    """Seized, it takes 45 A of a 20 A fuse: 0.15 to 5 s at twice the rating (ISO 8820-3, second-hand)."""
    done = run("transient", "minibus-condenser-fan", "--until", "1min", "--fault", "M1:seized")
    assert done.exit_code == 0, done.output
    found = re.search(r"^ *fuse F4 opens at ([\d.]+) s \(the course ends\)$", done.output, re.MULTILINE)
    assert found
    assert 0.15 < float(found[1]) < 5.0
    assert "F4.element" not in done.output


def test_nothing_has_a_sign_when_it_rounds_to_nothing() -> None:
    done = run("transient", "minibus-condenser-fan", "--until", "3s", "--then", "1s:step=off")
    assert done.exit_code == 0, done.output
    assert " 0.00 A" in done.output
    assert not re.search(r"-0\.?0* (A|V|rpm)", done.output)


@pytest.mark.parametrize(("name", "chops"), [("minibus-condenser-fan", True), (BENCH_FAN, False)], ids=["chops", "does not"])
def test_that_a_chopping_stage_is_averaged_is_told(name: str, chops: bool, tmp_path: Path) -> None:
    said, drawn = "chopping stage averaged", tmp_path / "x.svg"
    words = ["transient", name, "--until", "2ms"]
    assert (said in run(*words, "--picture", str(drawn)).output) == chops
    assert (said in drawn.read_text(encoding="utf-8")) == chops
    assert [said in note for note in json.loads(run(*words, "--format", "json").output)["notes"]] == [True] * chops
    assert (said in run(*words, "--format", "csv").output) == chops
    chart = ["predict", name, "--step", "1", "--probe", "at:M1"]
    assert (said in run(*chart, "--since", "2ms").output) == chops
    assert said not in run(*chart).output


def test_a_course_is_too_low_where_the_current_is_discontinuous() -> None:
    """What the note says, against the periodic steady state, which is exact: at 400 Hz the diode stops within the period."""
    circuit = cs.load("minibus-condenser-fan")
    net = circuit.net.copy()
    net.elements["U1"] = net.elements["U1"].replaced(frequency=400.0)
    slow = replace(circuit, net=net)
    (exact,) = cs.predict(slow, step="1", probe="at:M1").operating_points
    course = cs.transient(slow, "20 s", step="1")  # it has run up by then
    assert course.currents["M1"][-1] < 0.9 * exact.motor_current
    assert course.nodes["FAN"][-1] < 0.9 * exact.motor_speed


def test_a_chart_two_minutes_after_key_on() -> None:
    done = run("predict", BENCH_FAN, "--since", "2min", "--step", "2", "--probe", "at:M1", "--format", "json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["conditions"]["since"] == 120.0


@pytest.mark.parametrize(
    ("given", "said"),
    [("hot", "accepted: cold, warm, a time such as 10s"), ("5", "--since: '5' has no unit"), ("2minutes", "did you mean 'min'"),
     ("-1s", "--since: '-1s' is out of range; accepted: cold, warm, or a time from 1 ms to 100 h"),
     ("1000h", "'1000h' is out of range; accepted: cold, warm, or"), ("9V", "--since: '9 V' is a voltage")],
)  # fmt: skip
def test_times_that_are_none(given: str, said: str) -> None:
    done = run("predict", T, "--since", given)
    assert done.exit_code == 2
    assert said.replace("9 V", "9V") in done.output
    assert len(done.output.splitlines()) == 1


@pytest.mark.parametrize(
    "words",
    [["wiggle", BENCH_FAN, "--at", "X1.A", "--probe", "MOT-:GND", "--step", "2"], ["waveform", "generic-pwm", "--step", "2"]],
    ids=["wiggle", "waveform"],
)
def test_other_studies_take_a_time_on(words: list[str]) -> None:
    done = run(*words, "--since", "100ms")
    assert done.exit_code == 0, done.output
    assert run(*words, "--since", "soon").exit_code == 2
