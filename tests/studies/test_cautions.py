"""Cautions that follow from what is done to a circuit: meters that move the motor, jumpers from supply to the low side."""

from __future__ import annotations

import math

import pytest
from click.testing import CliRunner

import circuitsim as cs
from circuitsim.cli.app import program
from circuitsim.library import circuit_names
from circuitsim.measure import Conditions, Task, meter
from circuitsim.measure.faults import with_faults
from circuitsim.report.waves import wave_text
from circuitsim.report.wiggling import wiggle_markdown, wiggle_text
from circuitsim.studies.cautions import Driven, jumper_cautions, meter_caution
from circuitsim.studies.evidence import read_findings
from circuitsim.studies.overloads import fuses_along, measured_overloads
from circuitsim.studies.waveform import waveform
from circuitsim.studies.wiggle import wiggle

M, T = "minibus-condenser-fan", "tractor-cab-fan"
AT = {"probe": "CMD:GND", "step": "1"}


def _own(chart: cs.Chart) -> tuple[str, ...]:
    """The cautions that are not the circuit file's own."""
    return tuple(c for c in chart.cautions if c not in cs.load(chart.circuit).cautions)


# Meters -------------------------------------------------------------------------------------------------------------------


def test_a_meter_on_the_command_that_moves_the_fan_is_told_once() -> None:
    """3 kΩ pull the command wire down: the motor's figures with and without it, each solved by itself."""
    (told,) = _own(cs.predict(M, meter="low-impedance", probe=["CMD:GND", "MOT-:GND"], step="1"))
    without = cs.predict(M, **AT).operating_points[0]
    assert told.startswith("This meter (3 kΩ) between CMD and GND changes what the motor does: at step 1 ")
    assert f"{without.motor_speed * 60 / math.tau:.0f} rpm with {without.motor_current:.2f} A without it." in told
    with_it = waveform(M, **AT, meter="low-impedance")
    assert f"step 1 {with_it.speed * 60 / math.tau:.0f} rpm" in told
    assert with_it.cautions == (told,)


@pytest.mark.parametrize("name", [M, T])
@pytest.mark.parametrize("tool", ["standard", "precise"])
def test_ten_megohms_move_nothing(name: str, tool: str) -> None:
    assert _own(cs.predict(name, meter=tool)) == ()
    assert waveform(name, **AT, meter=tool).cautions == ()


def test_a_lamp_on_the_command_is_told_too() -> None:
    (told,) = _own(cs.predict("harvester-cooler-fan", **AT, instrument="lamp"))
    assert told.startswith("A lamp between CMD and GND changes what the motor does: at step 1 standing with 0 A, and ")


def test_the_share_decides() -> None:
    """0.9 % is not told, 1.1 % is, of current or of speed; where the motor stands a share of nothing is no share."""
    tool, task, before = meter("basic"), Task("1", Conditions(), "voltmeter", "CMD", "GND"), Driven(5.0, 100.0)
    for now, told in ((Driven(5.045, 100.9), 0), (Driven(5.055, 100.0), 1), (Driven(5.0, 98.9), 1)):
        assert len(meter_caution(tool, {0: before}, [(task, 0, now)])) == told
    assert meter_caution(tool, {0: before, 1: Driven(0.0, 0.0)}, [(task, 1, Driven(0.004, 0.09))]) == ()
    assert meter_caution(tool, {}, [(task, 0, before)]) == ()


def test_the_title_of_a_waveform_names_a_meter_that_is_not_the_usual_one() -> None:
    title = f"{M}: CMD : GND at step 1"
    assert wave_text(waveform(M, **AT)).startswith(f"{title}\n")
    text = wave_text(waveform(M, **AT, meter="low-impedance"))
    assert text.startswith(f"{title}, multimeter on its low-impedance volts\n")
    assert text.count("\nTake care\n- This meter (3 kΩ)") == 1


# Jumpers ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "fitted", "told"),
    [
        (T, "jumper:BAT+:MOT-", 1),
        (T, "jumper:MOT-:F7.b", 1),
        (T, "jumper:X5.2:MOT+", 1),
        (T, "jumper:MOT-:GND", 0),
        (T, "jumper:BAT+:MOT+", 0),
        (T, "jumper:CMD:GND", 0),
        (T, "lamp:BAT+:MOT-", 0),  # a lamp in the motor's place
        (M, "jumper:BAT+:MOT-", 1),
        (M, "jumper:MOT-:GND", 0),
        ("coach-defroster-fan", "jumper:MOT-:F3.b", 1),
        ("coach-defroster-fan", "jumper:MOT-:GND", 0),
        ("harvester-cooler-fan", "jumper:MOT+:MOT-", 1),
    ],
)
def test_a_jumper_from_supply_to_the_low_side_has_a_line_of_its_own(name: str, fitted: str, told: int) -> None:
    """Never done: what stands between low side and ground then takes all of the battery (common practice, no source)."""
    circuit = cs.load(name)
    found = jumper_cautions(circuit, Conditions.read(circuit, fit=[fitted]))
    assert len(found) == told
    _, red, black = fitted.split(":")
    assert all(f"The jumper from {red} to {black} joins the motor's low side to supply: never do that" in c for c in found)


@pytest.mark.parametrize("fitted", ["jumper:BAT+:GND", "jumper:BAT-:F7.b", "jumper:MOT+:GND"])
def test_a_jumper_from_supply_to_ground_is_a_dead_short(fitted: str) -> None:
    """Common practice, no source."""
    circuit = cs.load(T)
    (found,) = jumper_cautions(circuit, Conditions.read(circuit, fit=[fitted]))
    assert "joins supply to ground: a dead short of the battery" in found


def test_that_line_comes_first_on_the_chart() -> None:
    chart = cs.predict(T, fit="jumper:BAT+:MOT-", step="4")
    assert chart.cautions[0].startswith("The jumper from BAT+ to MOT- joins")
    assert chart.to_dict()["cautions"][0] == chart.cautions[0]
    assert waveform(M, fit="jumper:MOT-:GND").cautions == ()


@pytest.mark.parametrize(
    "command",
    [
        ("tolerance", T, "--samples", "1", "--probe", "MOT-:GND", "--step", "1"),
        ("wiggle", T, "--at", "X4.A", "--trials", "10"),
        ("transient", T, "--until", "1s"),
    ],
    ids=lambda c: c[0],
)
@pytest.mark.parametrize("form", ["table", "json"])
def test_every_study_that_a_jumper_is_fitted_in_warns_of_it(command: tuple[str, ...], form: str) -> None:
    """As `predict` does: the same line, on a screen and in JSON, and none where no jumper is wrong."""

    def said(fitted: str) -> str:
        done = CliRunner().invoke(program, [*command, "--fit", fitted, "--format", form], catch_exceptions=False)
        assert done.exit_code in (0, 3), done.stderr
        return " ".join((done.stdout or done.stderr).split())

    told = said("jumper:BAT+:MOT-")
    assert told.count("joins the motor's low side to supply: never do that") == 1
    assert ("Take care" in told) == (form == "table" and not told.startswith("circuitsim: no reading"))
    assert "joins" not in said("jumper:F7.a:F7.b")


def test_a_meter_that_moves_the_motor_is_told_by_every_study() -> None:
    """3 kΩ on the command: tolerance and wiggle say what predict says."""
    (told,) = _own(cs.predict(M, **AT, meter="low-impedance"))
    assert cs.tolerance(M, **AT, meter="low-impedance", samples=1).cautions == (told,)
    report = wiggle(M, "X4.A", **AT, meter="low-impedance", trials=10)
    assert report.cautions[0].startswith("This meter (3 kΩ) between CMD and GND changes what the motor does")
    assert wiggle_text(report).count("\nTake care\n- This meter (3 kΩ)") == 1
    assert wiggle_markdown(report).count("## Take care\n\n- This meter (3 kΩ)") == 1


# A current above a fuse's rating ------------------------------------------------------------------------------------------

OVER = "more than its rating. Find out why; never fit a bigger fuse."


def test_a_predicted_current_above_a_fuse_is_told_at_its_worst_step() -> None:
    """A motor that drags takes more at every step; the clamp of the same chart has the figure."""
    chart = cs.predict(with_faults(cs.load(T), ["M1:dragging=0.7Nm"]))
    worst = max(chart.operating_points, key=lambda p: p.motor_current)
    assert worst.motor_current > 30
    assert _own(chart) == (f"{worst.motor_current:.1f} A on F7 (30 A) at step {worst.step}: {OVER}",)


@pytest.mark.parametrize("name", circuit_names())
def test_no_good_circuit_overloads_a_fuse(name: str) -> None:
    assert OVER not in " ".join(_own(cs.predict(name, engine="running")))


@pytest.mark.parametrize(
    ("name", "at", "fuses"),
    [
        (T, "M1", ("F7",)), (T, "X5.2", ("F7",)), (T, "F9", ("F9",)),
        (T, "W1", ()),  # the cable ahead of the fuse box carries more
        (T, "W5", ()),  # as does the ground
        (M, "W2", ("F4",)), (M, "M1", ()),  # the motor's current freewheels past the fuse
    ],
)  # fmt: skip
def test_a_fuse_carries_what_is_in_its_line(name: str, at: str, fuses: tuple[str, ...]) -> None:
    assert fuses_along(cs.load(name), at) == fuses


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ("4,M1,,31 A\n3,M1,,32.5 A\n", [f"32.5 A on F7 (30 A) at step 3: {OVER}"]),
        ("4,F9,,unstable 3-9 A\n", [f"9 A on F9 (7.5 A) at step 4: {OVER}"]),
        ("4,M1,,-31 A\n", [f"31 A on F7 (30 A) at step 4: {OVER}"]),
        ("4,M1,,29.9 A\n4,W1,,35 A\n", []),
        ("4,M1,jumper:MOT-:GND,31 A\n", []),  # the way is another
    ],
)
def test_a_clamp_above_a_fuse_is_told(rows: str, told: list[str]) -> None:
    circuit = cs.load(T)
    assert list(measured_overloads(circuit, read_findings(circuit, f"step,at,fitted,reading\n{rows}").readings)) == told
