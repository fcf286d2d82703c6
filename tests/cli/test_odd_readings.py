"""Readings that can hardly be what was there: too many amperes, the wrong sign, a chart handed back as it was printed."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from small_circuits import BENCH_FAN

import circuitsim as cs
from circuitsim.cli.app import program
from circuitsim.errors import InputError
from circuitsim.library import circuit_names, load
from circuitsim.measure import Conditions, Task
from circuitsim.measure.faults import find_faults
from circuitsim.studies.advice import afterthought
from circuitsim.studies.diagnosis import HEALTHY, OTHER, Compared, Member, Suspect
from circuitsim.studies.evidence import read_findings
from circuitsim.studies.plausible import most_amperes

Run = Callable[..., Result]

T = "tractor-cab-fan"


@pytest.fixture
def diagnosed(run: Run, tmp_path: Path) -> Callable[..., Result]:
    """Write readings to r.csv, and diagnose the fan on the bench by them, in long lines: good are 12.36 V, 0.56 V, 5.63 A."""

    def diagnose(text: str, *options: str) -> Result:
        (tmp_path / "r.csv").write_text(text, encoding="utf-8")
        return run("diagnose", BENCH_FAN, "r.csv", "--width", "400", *options)

    return diagnose


# Amperes ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("reading", ["400 A", "-400 A", "unstable 3-400 A"])
def test_a_current_that_would_have_opened_the_fuse_is_refused(diagnosed: Callable[..., Result], reading: str) -> None:
    """At 6 times its rating a blade fuse opens within 0.1 s (ISO 8820-3, from memory): no display has settled by then."""
    done = diagnosed(f"step,at,reading\n2,M1,5.6 A\n2,M1,{reading}\n")
    assert done.exit_code == 2
    assert done.stderr == (
        f"circuitsim: r.csv:3: reading: '{reading}' is more than M1 can carry for as long as a display takes; "
        "accepted: up to 60 A of DC either way (6 times fuse F1)\n"
    )


@pytest.mark.parametrize(
    ("row", "refused"),
    [
        ("4,M1,,170 A,", False),  # a motor that stands draws 12.6 V over 0.1 Ω at most
        ("4,X0.1,,400 A,", False),  # ahead of the fuse a short takes what the battery gives
        ("4,X0.1,,4 kA,", True),  # 12.6 V over 7 mΩ, and 90 A of charger: 13.9 V counts
        ("4,M1,jumper:BAT+:MOT+,400 A,", False),  # past the fuse
        ("4,M1,,18.2 A,400 A", False),  # a peak is no steady current
    ],
)
def test_where_no_fuse_limits_it_the_battery_does(row: str, refused: bool) -> None:
    text = f"step,at,fitted,reading,max\n{row}\n"
    if refused:
        with pytest.raises(InputError, match=r"accepted: up to 2\.08 kA of DC either way \(a dead short of the battery\)"):
            read_findings(load(T), text)
    else:
        assert len(read_findings(load(T), text).readings) == 1


@pytest.mark.parametrize("name", circuit_names())
def test_what_starts_a_motor_is_never_refused(name: str) -> None:
    """What a motor that stands draws at 1.5 times the nominal voltage is less than any limit, whatever the circuit."""
    circuit = cs.load(name)
    standing = 1.5 * circuit.nominal / circuit.net.elements[circuit.motor].values["resistance"]
    most, why = most_amperes(circuit, Task(circuit.steps[-1], Conditions(), "clamp", at=circuit.motor))
    assert "times fuse F" in why
    assert most > standing or most >= 6 * 15  # the coach's 15 A


# The wrong sign -----------------------------------------------------------------------------------------------------------

ROUND = "step,red,black,at,reading\n"


def test_swapped_leads_are_named(diagnosed: Callable[..., Result]) -> None:
    """12.3 V is a good feed under load (common practice, no source); -12.3 V is no fault."""
    done = diagnosed(ROUND + "2,MOT+,GND,,-12.3 V\n2,MOT-,GND,,0.56 V\n2,,,M1,5.6 A\n")
    assert "Measure again: MOT+ : GND at step 2: -12.30 V (leads swapped? +12.30 V would fit)\n" in done.stdout
    assert done.stdout.count("swapped?") == 1
    marked = diagnosed(ROUND + "2,MOT+,GND,,-12.3 V\n2,MOT-,,,0.56 V\n", "--format", "markdown").stdout
    assert "\n- Measure again: MOT+ : GND at step 2: -12.30 V (leads swapped? +12.30 V would fit)\n" in marked
    assert "\n- Black lead not given: GND taken in line 3.\n" in marked
    assert "--pairs" not in done.stdout


def test_a_clamp_the_other_way_round_is_named(diagnosed: Callable[..., Result]) -> None:
    done = diagnosed(ROUND + "2,MOT+,GND,,12.36 V\n2,MOT-,GND,,0.56 V\n2,,,M1,-5.6 A\n")
    assert "clamp on M1 at step 2: -5.60 A (clamp the other way round? +5.60 A would fit)" in done.stdout


def test_a_drop_that_only_a_fault_explains_is_named_too(diagnosed: Callable[..., Result]) -> None:
    done = diagnosed(ROUND + "2,X1.A/harness,X1.A/part,,-1.25 V\n")
    assert "(leads swapped? +1.250 V would fit)" in done.stdout


@pytest.mark.parametrize(
    "rows",
    [
        "2,MOT+,GND,,12.36 V\n2,MOT-,GND,,0.56 V\n2,,,M1,5.6 A\n",
        "2,BAT-,MOT+,,-12.36 V\n2,MOT-,GND,,0.56 V\n",  # rightly negative
        "2,MOT+,GND,,12.58 V\n2,MOT-,GND,,-0.002 V\n2,,,M1,0.00 A\n",  # nothing either way
        "2,MOT+,GND,,6.1 V\n2,MOT-,GND,,3.1 V\n",  # wrong, but neither way right
    ],
)
def test_nothing_is_said_of_other_readings(diagnosed: Callable[..., Result], rows: str) -> None:
    assert "would fit)" not in diagnosed(ROUND + rows).stdout


# The wrong half of a plug ------------------------------------------------------------------------------------------------

PARTED = "step,unplugged,red,black,reading\n"
FED = "2,,MOT+,GND,12.36 V\n2,,MOT-,GND,0.56 V\n"


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        (FED + "2,X1,X1.A/harness,GND,0.0 mV\n", "unplugged: 0.0 mV (wrong half of the plug? on X1.A/part it would fit)\n"),
        (FED + "2,X1,X1.A/harness,GND,12 mV\n", "on X1.A/part it would fit)"),  # a dead pin picks something up
        (FED + "2,X1,X1.A/part,GND,12.58 V\n", "12.58 V (wrong half of the plug? on X1.A/harness it would fit)"),
        (FED + "2,X1,GND,X1.A/part,-12.58 V\n", "-12.58 V (wrong half of the plug? on X1.A/harness it would fit)"),
    ],
)  # fmt: skip
def test_the_wrong_half_of_a_plug_is_named(diagnosed: Callable[..., Result], rows: str, told: str) -> None:
    """With the plug parted its motor's half is dead, and the feed's has battery: plain physics."""
    done = diagnosed(PARTED + rows)
    assert told in done.stdout
    assert "but first measure again" in done.stdout or "measure on" in done.stdout


@pytest.mark.parametrize(
    "rows",
    [
        FED + "2,X1,X1.A/harness,GND,12.58 V\n2,X1,X1.A/part,GND,0.0 mV\n",  # as it should be
        "2,X1,X1.A/harness,GND,0.0 mV\n2,,MOT+,GND,0.0 mV\n",  # an open feed reads so
        FED + "2,X1,X1.A/harness,GND,6.0 V\n",  # neither half
        FED + "2,,X1.A/harness,GND,3.0 V\n",  # a plug that is on has no wrong half
    ],
)
def test_no_half_is_doubted_where_it_reads_right(diagnosed: Callable[..., Result], rows: str) -> None:
    assert "wrong half" not in diagnosed(PARTED + rows).stdout


# One place, several values ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        (
            "2,MOT-,GND,,0.56 V\n2,MOT-,GND,,2.1 V\n",
            "; then write it as one reading, 'unstable 0.56-2.10 V'",
        ),
        ("2,MOT-,GND,,0.56 V\n2,MOT-,GND,,2.1 V\n", "read twice: 0.56 V and 2.1 V: one of them is wrong, or something comes"),
        ("2,MOT-,GND,,0.56 V\n2,GND,MOT-,,-2.1 V\n", "read twice: "),  # the same place
        ("2,,,M1,5.6 A\n2,,,M1,0.0 A\n2,,,M1,5.6 A\n", "read 3 times: 5.6 A and 0.0 A: one of them"),
        ("2,MOT+,GND,,OL\n2,MOT+,GND,,12.36 V\n", "read twice: OL and 12.36 V: one of them is wrong, or something comes and"),
    ],
)
def test_one_place_with_several_values_is_told(diagnosed: Callable[..., Result], rows: str, told: str) -> None:
    done = diagnosed(ROUND + "2,MOT+,GND,,12.36 V\n" * ("OL" not in rows) + rows)
    assert done.stdout.count("Measure again: ") == 1
    assert told in done.stdout


@pytest.mark.parametrize(
    "rows",
    [
        "2,MOT-,GND,,0.56 V\n2,MOT-,GND,,0.57 V\n2,MOT+,GND,,12.36 V\n2,MOT+,GND,,12.28 V\n",  # it sags, and warms
        "1,MOT-,GND,,8.1 V\n2,MOT-,GND,,0.56 V\n",  # another step
        "2,MOT-,GND,,0.56 V\n2,MOT-,GND,,unstable 0.5-2.1 V\n",  # written as what it is
        "2,,,M1,5.6 A\n2,,,M1,5.8 A\n",
    ],
)
def test_one_place_read_twice_alike_is_nothing_to_tell(diagnosed: Callable[..., Result], rows: str) -> None:
    assert "read twice" not in diagnosed(ROUND + rows).stdout


_ELSE = ", or the vehicle is not as its file says: longer wires, another motor"
_BADLY = f"; even the best single suspect fits badly: two at once may fit better (--pairs weighs these){_ELSE}"


def test_no_half_is_proposed_where_there_is_nothing_to_read(diagnosed: Callable[..., Result]) -> None:
    """Across a parted plug are 3.6e14 Ω, give or take 1.9e17: 1.2 Ω was said to fit there."""
    head = "step,unplugged,red,black,instrument,reading\n"
    row = "off,X1,X1.A/part,X1.B/part,ohmmeter,"
    told = diagnosed(f"{head}{row}OL\n{row}1.2 ohm\n")
    assert told.exit_code == 0
    assert "read twice" in told.stdout
    assert "wrong half" not in told.stdout


def test_one_place_read_twice_with_swapped_leads_is_told_of_both(diagnosed: Callable[..., Result]) -> None:
    """Of the same reading one doubt was put in the other's place."""
    told = diagnosed("step,red,black,reading\n2,MOT-,GND,-0.9 V\n2,GND,MOT-,0.2 V\n").stdout
    assert "read twice" in told
    assert "leads swapped?" in told


def test_a_lamp_that_no_suspect_explains_is_told(diagnosed: Callable[..., Result]) -> None:
    """A lamp that is dark at 12.36 V was said to agree with every suspect."""
    head = "step,red,black,instrument,reading\n"
    told = diagnosed(f"{head}2,MOT+,GND,lamp,dark\n2,MOT+,GND,,12.36 V\n2,MOT-,GND,,0.56 V\n").stdout
    assert "neither explains MOT+ : GND at step 2" in told
    assert "every reading agrees with it" not in told


def test_weights_that_leave_no_fault_are_an_answer_too(diagnosed: Callable[..., Result], tmp_path: Path) -> None:
    """It ended with a traceback."""
    kinds = dict.fromkeys(f.kind.name for f in find_faults(load(BENCH_FAN)).values())
    rows = "\n".join(f'"{kind}" = 0' for kind in kinds)
    (tmp_path / "none.toml").write_text(f"[weights]\n{rows}\n", encoding="utf-8")
    done = diagnosed("step,red,black,reading\n2,MOT-,GND,0.9 V\n", "--prior", "none.toml")
    assert done.exit_code == 0
    assert "something else" in done.stdout


# What the advice adds -----------------------------------------------------------------------------------------------------


def _suspect(fault: str, off: float) -> Suspect:
    return Suspect((Member(fault, 0.9, float("nan"), "", "", 1.0),), 0.9, "", (Compared("here", "1 V", "1 V", off),))


@pytest.mark.parametrize(
    ("fault", "off", "both", "again", "told"),
    [
        (OTHER, 0.0, False, False, f"; two faults at once may explain them (--pairs weighs these){_ELSE}"),
        ("A:open", -4.0, False, False, _BADLY),
        ("A:open", 1.0, False, False, ""),
        (HEALTHY, 0.0, False, False, ""),
        (OTHER, 0.0, True, False, ""),
        ("A:open", 4.0, True, False, f"; even two faults at once fit badly: {_ELSE.removeprefix(', or ')}"),
        (OTHER, 0.0, False, True, "; but first measure again what is named above"),
        ("A:open", 1.0, False, True, ""),
    ],
)  # fmt: skip
def test_two_faults_are_pointed_to_where_one_does_not_do(fault: str, off: float, both: bool, again: bool, told: str) -> None:
    assert afterthought([_suspect(fault, off)], both=both, again=again) == told
    assert afterthought([], both=both, again=again) == ""


def test_the_command_points_to_pairs_unless_they_were_weighed(diagnosed: Callable[..., Result]) -> None:
    """Neither the feed nor the low side is right, each by itself beyond one fault."""
    rows = ROUND + "2,MOT+,GND,,9.1 V\n2,MOT-,GND,,3.9 V\n2,,,M1,2.1 A\n"
    assert "(--pairs weighs these), or the vehicle is not as its file says" in " ".join(diagnosed(rows).stdout.split())
    assert "--pairs" not in diagnosed(rows, "--pairs").stdout


def test_what_a_next_test_would_read_is_told_as_given_what_was_read(diagnosed: Callable[..., Result]) -> None:
    rows = ROUND + "2,MOT+,GND,,12.36 V\n"
    assert diagnosed(rows).stdout.count("Given the readings so far it would read:\n") == 1
    assert diagnosed(rows, "--format", "markdown").stdout.count("What it would read, given the readings so far:\n\n|") == 1


# More than a fuse's rating ------------------------------------------------------------------------------------------------


def test_a_current_above_the_fuse_is_a_caution(diagnosed: Callable[..., Result]) -> None:
    done = diagnosed(ROUND + "2,,,M1,12.4 A\n2,MOT+,GND,,12.1 V\n")
    told = "- 12.4 A on F1 (10 A) at step 2: more than its rating. Find out why; never fit a bigger fuse.\n"
    assert f"Take care\n{told}" in done.stdout
    found = diagnosed(ROUND + "2,,,M1,12.4 A\n2,MOT+,GND,,12.1 V\n", "--format", "json").stdout
    assert json.loads(found)["cautions"][0].startswith("12.4 A on F1 (10 A)")


def test_a_suspect_that_overloads_the_fuse_is_a_caution(diagnosed: Callable[..., Result]) -> None:
    """Nobody has clamped it, but only a motor that stands, and takes ten amperes and more, reads so: 11 V over 0.5 Ω."""
    done = diagnosed(ROUND + "2,MOT-,GND,,1.82 V\n2,MOT+,GND,,11.65 V\n1,MOT-,GND,,10.7 V\n")
    assert "A on F1 (10 A) at step 2, if it is " in done.stdout


def test_a_dialogue_says_it_once_it_is_known() -> None:
    args = ["diagnose", str(BENCH_FAN), "--interactive", "--width", "200"]
    done = CliRunner().invoke(program, args, input="2 at:M1 12.4 A\ndone\n", catch_exceptions=False)
    assert "- 12.4 A on F1 (10 A) at step 2: more than its rating." in done.stdout
