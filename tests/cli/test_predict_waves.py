"""Functions of a waveform on the command line: what may be asked for, and what is refused in one line."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from circuitsim.cli.commands import FUNCTIONS
from circuitsim.library import functions, load
from circuitsim.studies.evidence import load_findings

Run = Callable[..., Result]
MINIBUS = "minibus-condenser-fan"


def test_the_words_are_those_of_the_library() -> None:
    """They are written down twice, since a help text loads no library."""
    assert tuple(functions.FUNCTIONS) == FUNCTIONS


def test_a_duty_in_the_table(run: Run) -> None:
    shown = run("predict", MINIBUS, "--probe", "MOT-:GND", "--instrument", "duty", "--step", "1", "--step", "3")
    assert shown.exit_code == 0
    (line,) = (text for text in shown.output.splitlines() if text.startswith("duty MOT- : GND"))
    assert line.split()[-2:] == ["%", "–"]  # full on there is nothing to count


@pytest.mark.parametrize("fault", ["X5.1:open", "W4:open", "X5.1:corroded=1kohm"])
def test_a_stage_without_its_supply_is_asleep_and_reads(run: Run, fault: str) -> None:
    """Its wire is open: the motor's low side lies at battery, through the motor. Kirchhoff; a level, so no ripple."""
    args = ("predict", MINIBUS, "--fault", fault, "--probe", "MOT-:GND", "--step", "2", "--format", "json")
    (dc,), (ac,) = (json.loads(run(*args, *more).stdout)["readings"] for more in ((), ("--instrument", "ac")))
    assert 12.3 < dc["expected"] < 12.7
    assert ac["expected"] == 0.0


def test_a_meter_that_loads_the_command_reads_what_its_waveform_shows(run: Run) -> None:
    """3 kΩ beside a pull-up of 2.2 kΩ to the controller's supply, 15.1 Ω pulled low: the divider's two levels, by the duty."""
    args = (MINIBUS, "--meter", "low-impedance", "--probe", "CMD:GND", "--step", "1", "--format", "json")
    (reading,) = json.loads(run("predict", *args).stdout)["readings"]
    shown = json.loads(run("waveform", *args).stdout)
    supply = shown["largest"] * (1 + 2200 / 3000)
    assert 12.4 < supply < 12.6, "the battery less what its feed drops"
    low, high = (supply / (1 + 2200 * (1 / 3000 + siemens)) for siemens in (1 / 15.1, 0.0))
    assert reading["expected"] == pytest.approx(0.45 * low + 0.55 * high, rel=1e-3)
    assert shown["average"] == pytest.approx(reading["expected"], abs=1e-6)


def test_a_clamp_and_a_capture_time_as_json(run: Run) -> None:
    shown = run(
        "predict", MINIBUS, "--probe", "at:M1", "--instrument", "MAX", "--capture", "5us", "--step", "1", "--format", "json"
    )
    (record,) = json.loads(shown.output)["readings"]
    assert (record["instrument"], record["capture"], record["unit"]) == ("clamp-max", 5e-6, "A")
    assert record["low"] < record["expected"] < record["high"]


def test_a_chart_as_csv_says_over_what_time_min_and_max_are_averaged(run: Run, tmp_path: Path) -> None:
    """With its unit, as the column `capture` of a file of readings takes it; empty for what has none."""
    leads = ("--probe", "CMD:GND", "--step", "1")
    run("predict", MINIBUS, *leads, "--instrument", "max", "--capture", "1ms", "-o", "max.csv")
    (row,) = _rows((tmp_path / "max.csv").read_text("utf-8-sig"))
    assert (row["instrument"], row["capture"], row["at"]) == ("max", "1 ms", "")
    (found,) = load_findings(load(MINIBUS), tmp_path / "max.csv").readings
    assert found.task.capture == 1e-3
    (row,) = _rows(run("predict", MINIBUS, *leads, "--instrument", "duty", "--format", "csv").stdout)
    assert row["capture"] == ""


def _rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


def test_a_chart_as_csv_has_a_row_for_each(run: Run) -> None:
    shown = run("predict", MINIBUS, "--step", "2", "--rows", "duty", "--format", "csv")
    rows = [text for text in shown.output.splitlines() if not text.startswith(("#", "step,"))]
    assert len(rows) == 4  # command, low side, unplugged, lamp in the motor's place
    assert all(",duty," in row for row in rows)
    assert sum("lamp:X4.A/harness:X4.B/harness" in row for row in rows) == 1


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--probe", "MOT-:GND", "--instrument", "dutty"), "did you mean 'duty'"),
        (("--probe", "MOT-:GND", "--capture", "1ms"), "--capture: is for the instruments min and max"),
        (("--probe", "MOT-:GND", "--instrument", "max", "--capture", "1"), "--capture: '1' has no unit"),
        (("--probe", "MOT-:GND", "--instrument", "max", "--capture", "1h"), "accepted: 1 µs to 10 s"),
        (("--instrument", "duty"), "--instrument: needs --probe"),
        (("--probe", "at:M1", "--instrument", "lamp"), "at: is a clamp"),
    ],
)
def test_what_is_refused(args: tuple[str, ...], said: str, run: Run) -> None:
    done = run("predict", MINIBUS, *args)
    assert done.exit_code == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


def test_where_nothing_is_to_be_counted_the_exit_code_says_so(run: Run) -> None:
    done = run("predict", MINIBUS, "--probe", "BAT+:GND", "--instrument", "duty", "--step", "2")
    assert done.exit_code == 3
    assert "nothing here is a reading: nothing to count" in done.stderr


def test_a_chart_with_the_controller_unplugged(run: Run) -> None:
    """It once found no operating point with the ignition off."""
    shown = run("predict", MINIBUS, "--unplug", "X5")
    assert shown.exit_code == 0
    assert "X5 (controller connector) unplugged, ignition off" in shown.output


def test_the_waveform_of_a_command_wire(run: Run) -> None:
    shown = run("waveform", MINIBUS, "--step", "1", "--probe", "CMD:GND")
    assert "45.0 %, the share of the period for which the line is pulled low" in shown.output
    assert "pulled low 45.0 %, let go 55.0 %" in shown.output
    assert "100 Hz" in shown.output
