"""What the trade knows of the command wire: where its pull-up sits, which way it goes, what a load on it does.

Where a docstring says so, the fact is common practice with no source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.engine.points import Points

Load = Callable[[str], cs.Circuit]
Variant = Callable[..., cs.Circuit]
Solve = Callable[..., Points]

FALLING = ("tractor-cab-fan", "generic-linear", "minibus-condenser-fan", "generic-pwm")
RISING = ("harvester-cooler-fan",)
CONTROLLED = FALLING + RISING
# A meter of 6,000 counts shows 10 mV a digit from 6 V up: two digits are what a person calls 'the same'.
SAME = 0.02


def volts(circuit: cs.Circuit, probe: str, **conditions: object) -> list[float]:
    """What a 10 MΩ meter reads between two points, step by step."""
    return [r.expected for r in cs.predict(circuit, probe=probe, **conditions).readings]


@pytest.mark.parametrize("name", FALLING)
def test_controller_unplugged_the_command_wire_is_dead_when_the_pull_up_is_inside(name: str, load: Load) -> None:
    """The pull-up left with the controller: 0 V at every step. Common practice, no source."""
    assert volts(load(name), "X5.5/harness:GND", unplug="X5") == pytest.approx([0.0] * len(load(name).steps), abs=1e-4)


def with_panel_pull_up(circuit: cs.Circuit, variant: Variant) -> cs.Circuit:
    """The same circuit with the pull-up moved from the controller to the panel."""
    ohms = circuit.net.elements["U1"].values["pull_up"]
    pull_up = cs.Resistor("R.pull", "X2.2/part", "CMD.panel", resistance=ohms)
    return variant(circuit, {("U1", "pull_up"): 1e9}, add=[pull_up])


def test_controller_unplugged_the_command_wire_keeps_supply_when_the_pull_up_is_in_the_panel(
    load: Load, variant: Variant
) -> None:
    """Off it reads nearly supply; at a step, supply divided by pull-up and rung. Common practice, no source."""
    circuit = with_panel_pull_up(load("tractor-cab-fan"), variant)
    found = volts(circuit, "X5.5/harness:GND", unplug="X5")
    supply = volts(circuit, "X2.2/part:GND", unplug="X5")
    rungs = np.array(circuit.step_tables["S2", "resistance"].values)
    ohms = circuit.net.elements["R.pull"].values["resistance"]
    loaded = 1 / (1 / rungs + 1e-7)  # beside the meter's 10 MΩ
    # Wires and pins add a fraction of an ohm to kilohms.
    assert found == pytest.approx(supply * loaded / (loaded + ohms), rel=1e-3)
    assert found[0] == pytest.approx(supply[0], abs=SAME)


def test_plugged_nobody_sees_where_the_pull_up_sits(load: Load, variant: Variant) -> None:
    """The same command and speed at every step, wherever the pull-up is. Plain physics."""
    circuit = load("tractor-cab-fan")
    other = with_panel_pull_up(circuit, variant)
    inside, panel = (cs.predict(c, probe="CMD:GND") for c in (circuit, other))
    for a, b in zip(inside.readings, panel.readings, strict=True):
        assert b.expected == pytest.approx(a.expected, abs=SAME)
    for p, q in zip(inside.operating_points, panel.operating_points, strict=True):
        assert q.motor_speed == pytest.approx(p.motor_speed, rel=1e-3)  # millivolts of the panel's own supply wire


@pytest.mark.parametrize("name", CONTROLLED)
def test_command_falls_or_rises_with_speed_as_the_circuit_has_it(name: str, load: Load) -> None:
    """A convention, not a law: both kinds speed up from step to step. Common practice, no source."""
    chart = cs.predict(load(name), probe="CMD:GND")
    sign = 1 if name in RISING else -1
    assert (sign * np.diff([r.expected for r in chart.readings]) > 0).all()
    assert (np.diff([p.motor_speed for p in chart.operating_points]) > 0).all()


@pytest.mark.parametrize("name", CONTROLLED)
def test_open_command_wire_is_off(name: str, load: Load) -> None:
    """Panel unplugged: pulled up on a falling command, pulled to ground by the input on a rising one; off on both.

    Common practice, no source.
    """
    chart = cs.predict(load(name), unplug="X6", probe="MOT-:GND")
    assert {p.verdict for p in chart.operating_points} == {"at rest"}


@pytest.mark.parametrize("name", FALLING)
def test_falling_command_shorted_to_ground_is_full_speed_at_every_step(name: str, load: Load, solve: Solve) -> None:
    """Even off. Common practice, no source."""
    circuit = load(name)
    shorted, full = solve(circuit, fit=["jumper:CMD:GND"]).speed("FAN"), solve(circuit).speed("FAN")[-1]
    # The top step of the falling circuits is full drive, or a few percent below it.
    assert shorted == pytest.approx(np.full(len(circuit.steps), full), rel=0.05)


def test_rising_command_shorted_to_ground_is_off_at_every_step(load: Load, solve: Solve) -> None:
    """The other convention. Common practice, no source."""
    points = solve(load("harvester-cooler-fan"), fit=["jumper:CMD:GND"])
    assert set(points.verdicts) == {"at rest"}


@pytest.mark.parametrize("name", FALLING)
def test_filament_lamp_on_the_command_wire_sets_full_speed(name: str, load: Load, solve: Solve) -> None:
    """Cold, it is a few ohms: it pulls a falling command to ground, and the fan runs flat out, off or not.

    A caution and a lesson. Common practice, no source.
    """
    circuit = load(name)
    plain, lit = solve(circuit), solve(circuit, fit=["lamp:CMD:GND"])
    assert (lit.speed("FAN")[:-1] > 1.1 * plain.speed("FAN")[:-1]).all()
    assert lit.speed("FAN")[0] > 0.95 * plain.speed("FAN")[-1]


def test_low_impedance_meter_on_the_command_wire_changes_the_speed(load: Load, solve: Solve) -> None:
    """3 kΩ beside a rung of kilohms is a faster step; 10 MΩ is not. Common practice, no source."""
    circuit = load("tractor-cab-fan")
    alone = solve(circuit).speed("FAN")

    def with_meter(ohms: float) -> np.ndarray:
        meter = cs.Voltmeter("VM", circuit.node("CMD"), "GND", conductance=1 / ohms)
        return solve(circuit, extra=[meter]).speed("FAN")

    assert (with_meter(3e3)[:4] > 1.05 * alone[:4]).all()
    assert with_meter(1e7) == pytest.approx(alone, rel=1e-3)  # kilohms over megohms


def test_low_impedance_meter_reads_its_own_effect_on_the_command(load: Load) -> None:
    """It shows the command that it makes: volts below what is there without it. Common practice, no source."""
    circuit = load("tractor-cab-fan")
    good, heavy = (volts(circuit, "CMD:GND", meter=m) for m in ("standard", "low-impedance"))
    for k in (0, 1, 2):
        assert heavy[k] < good[k] - 1.0
    assert heavy[4] == pytest.approx(good[4], rel=0.1)  # a rung of 130 Ω hardly feels 3 kΩ
