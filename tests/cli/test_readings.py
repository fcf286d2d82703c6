"""What the commands that take a file of readings say of it: what can't be, what was assumed, and who is to blame."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from small_circuits import BENCH_FAN

from circuitsim.library import load
from circuitsim.studies.evidence import read_findings

Run = Callable[..., Result]

T = "tractor-cab-fan"
FEED = "step,red,black,reading\n4,MOT+,GND,12.2 V\n"


@pytest.fixture
def written(tmp_path: Path) -> Callable[[str], str]:
    """Write a file of readings into the folder that the command runs in, and give its name."""

    def write(text: str, name: str = "r.csv") -> str:
        (tmp_path / name).write_text(text, encoding="utf-8")
        return name

    return write


# Readings that can't be ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["diagnose", "fit", "verify"])
def test_a_voltage_that_no_such_vehicle_has_is_refused(run: Run, written: Callable[..., str], command: str) -> None:
    """47 V in a 12 V circuit: file, line and column are named, and what could be."""
    name = written(FEED + "4,MOT-,GND,47 V\n")
    done = run(command, T, *([written(FEED, "before.csv")] if command == "verify" else []), name)
    assert done.exit_code == 2
    assert done.stderr.startswith("circuitsim: r.csv:3: reading: '47 V' is more than any point of this circuit can show; ")
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("reading", ["-47 V", "unstable 3-47 V"])
def test_the_other_way_round_and_jumping_too(run: Run, written: Callable[..., str], reading: str) -> None:
    done = run("diagnose", T, written(FEED + f"4,MOT-,GND,{reading}\n"))
    assert (done.exit_code, "r.csv:3: reading: " in done.stderr) == (2, True)


def test_what_a_charger_gone_wrong_could_give_is_taken() -> None:
    """20 V where 13.6-14.2 V are set (TM 9-2330-356-14) is far off, but a regulator that is stuck gives it."""
    (found,) = read_findings(load(T), "step,red,black,reading\n4,BAT+,BAT-,20 V\n").readings
    assert found.shown.value == 20.0


def test_the_kick_of_a_winding_is_taken() -> None:
    """What min and max held while a plug was parted is no DC voltage."""
    (found,) = read_findings(load(T), "step,red,black,reading,min,max\n4,MOT-,GND,0.21 V,0.20 V,60 V\n").readings
    assert found.shown.high == 60.0


# What was assumed ---------------------------------------------------------------------------------------------------------


def test_a_black_lead_that_is_not_given_is_told_once(run: Run, written: Callable[..., str]) -> None:
    """Of rows that were measured, by the lines of the file."""
    head = "step,red,black,at,reading\n"
    name = written(f"{head}2,MOT+,,,12.36 V\n2,MOT-,GND,,0.56 V\n2,,,M1,5.6 A\n1,MOT-,,,\n1,MOT-,-,,6.6 V\n")
    told = "lack lead not given: GND taken in lines 2, 6"
    assert run("diagnose", BENCH_FAN, name).stdout.count(f"B{told}.") == 1
    before = written("step,red,black,reading\n2,MOT+,GND,12.36 V\n", "before.csv")
    assert f"In r.csv: b{told}" in run("verify", BENCH_FAN, before, name).stdout


def test_fit_tells_what_was_assumed_too(run: Run, written: Callable[..., str]) -> None:
    done = run("fit", T, written("step,red,at,reading\n3,MOT-,,2.95 V\n3,,M1,12.9 A\n"), "--format", "json")
    assert json.loads(done.stdout)["notes"] == ["black lead not given: GND taken in line 2"]


def test_of_many_rows_some_are_named() -> None:
    rows = "".join(f"{step},MOT+,12.3 V\n" for step in "1234" * 4)
    found = read_findings(load(T), "step,red,reading\n" + rows)
    assert found.notes == ("black lead not given: GND taken in lines 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13 and 4 more",)


# Who is to blame ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--supply", "24V"), "--supply: 24 V is out of range, accepted: 6 V to 18 V"),
        (("--supply", "12.3"), "--supply: '12.3' has no unit"),
        (("--supply", "12.3V", "--supply-at", "9"), "--supply-at: unknown step of tractor-cab-fan '9'"),
        (("--ambient", "12V"), "--ambient: '12V' is a voltage"),
        (("--since", "sold"), "--since: unknown time on 'sold'; did you mean 'cold'?"),
        (("--engine", "running"), "--engine: the engine does not run with the ignition off; all else is as r.csv has it"),
    ],
)
def test_an_option_that_is_wrong_is_named_and_not_the_file(
    run: Run, written: Callable[..., str], options: tuple[str, ...], told: str
) -> None:
    done = run("diagnose", T, written("# supply: 12.6 V\n# ignition: off\n" + FEED), *options)
    assert done.exit_code == 2
    assert done.stderr.startswith(f"circuitsim: {told}")
    assert done.stderr.count("\n") == 1


def test_a_file_that_is_wrong_is_named_though_options_are_right(run: Run, written: Callable[..., str]) -> None:
    done = run("diagnose", T, written("# ignition: off\n# engine: running\n" + FEED), "--supply", "12.3V")
    assert done.stderr == "circuitsim: r.csv: ignition: the engine does not run with the ignition off\n"


def test_an_option_that_goes_before_the_file_is_told() -> None:
    text = "# supply: 12.6 V\n# ambient: 20 degC\n" + FEED
    found = read_findings(load(T), text, supply="12.3V", ambient="68degF")
    assert found.conditions.supply == 12.3
    assert found.notes == ("supply 12.3V as given goes before the 12.6 V of the file",)  # 68 °F are 20 °C


# What was seen ------------------------------------------------------------------------------------------------------------


def test_what_was_seen_tells_apart_what_the_readings_do_not(run: Run, written: Callable[..., str]) -> None:
    """The command is good at step 1, and the fan is off at 4: with a motor that drags or worn brushes it would turn, slower.

    So those leave the group of what is open (common practice, no source), and the good circuit's loses what stands still.
    """
    text = "step,red,black,reading,observe,value\n1,BAT+,BAT-,12.6 V,,\n1,CMD,GND,8.46 V,,\n4,,,,fan,off\n"
    found = json.loads(run("diagnose", T, written(text), "--format", "json").stdout)
    groups = [set(s["faults"]) for s in found["suspects"]]
    still = {"F7:blown", "X4.A:open", "X5.4:corroded"}
    turning = {"M1:dragging", "M1:worn-brushes", "FAN1:blocked-filter"}
    assert still <= groups[0]
    assert not turning & groups[0]
    (good,) = (s for s in found["suspects"] if s["faults"][0] == "healthy")
    assert not still & set(good["faults"])
    assert good["why"].endswith("what was seen speaks against it")
    assert "speaks against" not in found["suspects"][0]["why"]
