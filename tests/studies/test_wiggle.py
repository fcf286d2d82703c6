"""Intermittents: what the circuit does with a contact open, who catches it, and why to wiggle at full load."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.errors import InputError, UnknownNameError
from circuitsim.measure import Conditions, Task, meter
from circuitsim.measure.instruments import TIMING, dc_record
from circuitsim.studies.loose import OPEN, States, loosened, sites, states_by_step
from circuitsim.studies.telegraph import chance_of_open, draw_switchings
from circuitsim.studies.wiggle import WiggleReport, wiggle
from circuitsim.studies.wiggling import follow

Load = Callable[[str], cs.Circuit]
Solve = Callable[..., Any]
TRACTOR = "tractor-cab-fan"


@cache
def _report(site: str = "X4.A", **options: Any) -> WiggleReport:
    return wiggle(TRACTOR, site, **options)


@cache
def _states(probe: str = "MOT+:MOT-", ohms: float = OPEN, since: str = "cold") -> list[States]:
    circuit = cs.load(TRACTOR)
    state = Conditions.read(circuit, since=since)
    red, _, black = probe.partition(":")
    task = Task("off", state, "clamp", at=black) if red == "at" else Task("off", state, "voltmeter", red, black)
    return states_by_step(circuit, "X4.A", ohms, state, circuit.steps, task, meter("standard"), {})


# The circuit with its contact closed and open -------------------------------------------------------------------


@pytest.mark.parametrize("since", ["cold", "warm"])
def test_the_contact_closed_is_the_healthy_circuit(since: str, load: Load) -> None:
    chart = cs.predict(load(TRACTOR), since=since, probe="MOT+:MOT-")
    for r, s in zip(chart.readings, _states(since=since), strict=True):
        # 1 µΩ more at 18 A is 18 µV; the interpolation has the speed itself among its points.
        assert s.reading_at(0, s.running) == pytest.approx(r.expected, abs=3e-5)
        assert s.verdict == r.verdict


def test_a_settled_shaft_does_not_speed_up(load: Load) -> None:
    for s in _states()[1:]:
        k = int(np.argmin(np.abs(s.speeds - s.running)))
        assert abs(s.acceleration[0, k]) < 1e-6 * abs(s.acceleration[1, k])
        assert s.acceleration[1, k] < 0  # without current it slows down


def test_a_coasting_shaft_is_slowed_by_fan_and_friction_alone(load: Load) -> None:
    """J·dω/dt = -(fan torque + friction), by hand from the parts (the plain laws; no current)."""
    circuit = load(TRACTOR)
    motor, fan = circuit.net.elements["M1"].values, circuit.net.elements["FAN1"].values
    s = _states()[-1]
    free = 1 / fan["free_delivery"] ** 2
    share = fan["shutoff_torque"] + (1 - fan["shutoff_torque"]) / math.sqrt(free + fan["restriction"] * (1 - free))
    density = fan["density"] / 1.2
    torque = (
        fan["torque"] * density * share * (s.running / fan["speed"]) ** 2 + motor["friction"] + motor["viscous"] * s.running
    )
    slowing = torque / (motor["inertia"] + fan["inertia"])
    k = int(np.argmin(np.abs(s.speeds - s.running)))
    assert -s.acceleration[1, k] == pytest.approx(slowing, rel=1e-4)  # friction bends over 0.02 rad/s; leakage currents


def test_a_coasting_motor_holds_up_its_own_end(load: Load) -> None:
    """Across an open contact in the feed stands the supply less the back-EMF, and more as the fan slows (common practice)."""
    circuit = load(TRACTOR)
    s = _states("X4.A/harness:X4.A/part")[-1]
    constant = circuit.net.elements["M1"].values["constant"]
    just_open = s.reading_at(1, s.running)
    assert 2.0 < just_open < 5.0
    slower = 0.8 * s.running
    assert s.reading_at(1, slower) - just_open == pytest.approx(constant * 0.2 * s.running, rel=0.01)  # a 10 MΩ meter's share
    assert s.reading_at(1, 0.0) == pytest.approx(12.6, abs=0.1)  # all of the battery when it stands


def test_a_clamp_sees_no_current_while_it_is_open() -> None:
    s = _states("at:M1")[-1]
    assert s.lamp is None
    assert s.reading_at(0, s.running) > 15
    assert abs(s.reading_at(1, s.running)) < 1e-3


def test_ohms_in_place_of_an_open(load: Load) -> None:
    """5 Ω in series with a coasting motor: (supply - EMF - brushes)/(5 Ω + the rest), by hand from the open contact."""
    motor = load(TRACTOR).net.elements["M1"].values
    wide, five = _states("X4.A/harness:X4.A/part")[-1], _states("X4.A/harness:X4.A/part", 5.0)[-1]
    gap = wide.reading_at(1, wide.running)
    through = five.through_at(1, five.running)
    assert five.reading_at(1, five.running) == pytest.approx(5 * through, rel=0.01)
    brushes = motor["brush_drop"] * math.tanh(through / motor["brush_onset"])
    # The rest of the loop, wires, joints, fuse and stage, is a tenth of an ohm or less beside the armature.
    assert through == pytest.approx((gap - brushes) / (5 + motor["resistance"]), rel=0.03)


def test_places_for_a_bad_contact(load: Load) -> None:
    circuit = load(TRACTOR)
    plugged = sites(circuit, Conditions.read(circuit))
    assert {"X4.A", "F7", "W2", "K1"} <= {*plugged}
    assert not {"M1", "U1", "BAT"} & {*plugged}
    assert "X4.A" not in sites(circuit, Conditions.read(circuit, unplug="X4"))
    assert "X4.A.loose" in loosened(circuit, "X4.A", Conditions.read(circuit)).net.nodes()
    assert "X4.A.loose" not in circuit.net.nodes()  # the healthy one is left alone
    with pytest.raises(UnknownNameError, match=r"did you mean 'X4\.A'"):
        loosened(circuit, "X4.C", Conditions.read(circuit))


# Following it in time -------------------------------------------------------------------------------------------


def test_speed_over_one_long_open_against_a_solver() -> None:
    """J·dω/dt over a second of coasting and two of running up, against scipy's solve_ivp on the same table."""
    from scipy.integrate import solve_ivp

    s = _states("X4.A/harness:X4.A/part")[-1]
    switchings = np.array([[0.5, 1.5, 4.0]])
    record = follow(s, switchings, 4.0)
    speed = s.running
    for begin, end, state in ((0.5, 1.5, 1), (1.5, 4.0, 0)):
        found = solve_ivp(
            lambda _, w, k=state: [np.interp(w[0], s.speeds, s.acceleration[k])],
            (begin, end),
            [speed],
            rtol=1e-8,
            max_step=0.01,
        )
        speed = float(found.y[0, -1])
        trace = record.trace(0)
        just_before = float(trace.at(end - 1e-9))
        # Pieces of a tenth of the time constant: (0.1)²/2 of what is left to go, a hundredth of some volts.
        assert just_before == pytest.approx(s.reading_at(state, speed), abs=0.02)


def test_a_held_speed_gives_two_levels() -> None:
    s = _states()[-1]
    switchings = draw_switchings(2.0, 0.03, 5.0, 3, np.random.default_rng(1))
    record = follow(s, switchings, 5.0, held=True)
    levels = {round(v, 9) for v in np.unique(record.first)} | {round(v, 9) for v in np.unique(record.last)}
    assert levels == {round(s.reading_at(k, s.running), 9) for k in (0, 1)}
    assert record.opens.tolist() == [(row[::2] < 5.0).sum() for row in switchings]


def test_readings_of_many_are_those_of_each_alone() -> None:
    s = _states()[-1]
    record = follow(s, draw_switchings(3.0, 0.05, 4.0, 5, np.random.default_rng(2)), 4.0)
    for k in range(5):
        assert record.readings()[:, k].tolist() == pytest.approx(dc_record(record.trace(k))[1].tolist(), abs=1e-9)
        length = record.trace(k).longest(12.1, above=True)
        assert float(record.longest_outside(-1e9, 12.1)[k]) == pytest.approx(length, abs=1e-12)


@pytest.mark.parametrize(("rate", "open_time", "hold"), [(2.0, 0.03, 0.1), (2.0, 0.03, 0.05), (1.0, 0.1, 0.3)])
def test_catching_with_the_speed_held_is_the_closed_form(rate: float, open_time: float, hold: float) -> None:
    """A level held for `hold` seconds: Monte Carlo on the circuit's two levels against the two-state formula."""
    trials, duration = 4000, 5.0
    s = _states()[-1]
    closed, opened = (s.reading_at(k, s.running) for k in (0, 1))
    drawn = draw_switchings(rate, open_time, duration, trials, np.random.default_rng(11))
    caught = follow(s, drawn, duration, held=True).longest_outside(-1e9, (closed + opened) / 2) >= hold
    chance = chance_of_open(rate, open_time, hold, duration)
    assert abs(caught.mean() - chance) < 4 * math.sqrt(chance * (1 - chance) / trials)  # standard errors; the seed is fixed


# The study ------------------------------------------------------------------------------------------------------


def test_wiggle_at_full_load_with_min_max_on() -> None:
    """The lesson: at low steps nothing shows across the motor; at full load a fast minimum catches what a display misses."""
    report = _report()
    low, full = report.steps[1], report.steps[-1]
    assert report.chosen is full
    assert [c.chance for c in low.catches] == [0.0] * 5
    assert full.moves > 8 * low.moves
    assert full.chance("peak") > 0.99
    assert full.chance("DC") < 0.4
    assert full.chance("DC") < full.chance("min/max") <= full.chance("peak")
    assert full.chance("lamp") == 0.0  # a lamp across the motor hardly changes


@pytest.mark.parametrize("probe", ["MOT+:MOT-", "at:M1"])
@pytest.mark.parametrize("open_time", [0.005, 0.01, 0.03])
def test_a_minimum_catches_what_the_display_of_the_same_meter_does(probe: str, open_time: float) -> None:
    """Both average, the minimum over a shorter time and wherever it begins: it can't catch less."""
    for s in _report(probe=probe, open_time=open_time, trials=100).steps:
        assert s.chance("DC") <= s.chance("min/max") <= s.chance("peak")


def test_a_slow_minimum_needs_an_open_of_a_part_of_its_capture_time() -> None:
    """An average over 100 ms is outside once the open has the share of it that the limit has of the whole step."""
    (c,) = [c for c in _report(open_time=0.01).chosen.catches if c.instrument == "min/max"]
    step = _report(open_time=0.01).chosen
    assert c.hold == pytest.approx(TIMING.capture * (c.high - step.closed) / (step.opened - step.closed))
    assert c.two_state == pytest.approx(chance_of_open(2.0, 0.01, c.hold, 10.0))
    assert 0.2 < c.two_state < 0.8
    assert abs(c.chance - c.two_state) < 4 * c.error  # here the speed hardly matters, nor do two opens in 100 ms


def test_a_clamp_has_no_lamp() -> None:
    assert {c.instrument for c in _report(probe="at:M1").chosen.catches} == {"DC", "min/max", "peak", "scope"}


def test_a_lamp_across_the_contact_itself_flickers() -> None:
    """Dark on a good joint, it lights while the contact is open, at full load most."""
    report = _report(probe="X4.A/harness:X4.A/part")
    chances = [s.chance("lamp") for s in report.steps]
    assert chances[1] < 0.05
    assert chances[-1] > 0.9


def test_a_bad_joint_that_never_opens_shows_only_under_load() -> None:
    """50 mΩ for moments: a scope across it sees it at full load and not at step 1 (drop = current times ohms)."""
    report = _report(probe="X4.A/harness:X4.A/part", depth="50 mΩ", open_time=0.005)
    first, full = report.steps[1], report.steps[-1]
    assert full.opened / first.opened == pytest.approx(full.through_open / first.through_open, rel=0.05)
    assert first.chance("scope") == 0.0
    assert full.chance("scope") > 0.99


def test_nothing_shows_where_nothing_flows() -> None:
    """With 5 Ω for moments and the motor off there is no drop to see."""
    off = _report(depth="5 Ω").steps[0]
    assert off.moves < 1e-3
    assert [c.chance for c in off.catches] == [0.0] * 5


def test_the_other_stages_have_it_too() -> None:
    for name in ("minibus-condenser-fan", "coach-defroster-fan"):
        full = wiggle(name, "X4.B", trials=50, probe="at:M1", duration=3.0).chosen
        assert full.through_open == pytest.approx(0.0, abs=1e-3)
        assert full.chance("peak") > 0.9


def test_same_seed_same_numbers() -> None:
    one, two, other = (wiggle(TRACTOR, "X4.A", trials=40, seed=k, duration=2.0) for k in (3, 3, 4))
    assert json.dumps(one.to_dict()) == json.dumps(two.to_dict())
    assert json.dumps(one.to_dict()) != json.dumps(other.to_dict())


def test_plain_values_are_strict_json() -> None:
    found = json.loads(json.dumps(_report().to_dict(), allow_nan=False))
    assert found["site"] == "X4.A"
    assert [s["step"] for s in found["steps"]] == ["off", "1", "2", "3", "4"]
    assert found["steps"][4]["catches"][0]["two_state"] is None
    assert len(found["strip"]["readings"]) == 30


def test_the_strip_has_an_open_where_any_trial_has() -> None:
    report = _report(rate_open=0.02, trials=300)
    assert report.strip.opens > 0


@pytest.mark.parametrize(
    ("options", "key"),
    [
        ({"at": "X9"}, "at"),
        ({"at": "M1"}, "at"),
        ({"rate_open": 0.0}, "rate_open"),
        ({"open_time": "2 h"}, "open_time"),
        ({"duration": 0.1}, "duration"),
        ({"depth": "-3 Ω"}, "depth"),
        ({"trials": 0}, "trials"),
        ({"seed": -1}, "seed"),
    ],
)
def test_what_is_not_accepted(options: dict[str, Any], key: str) -> None:
    with pytest.raises(InputError) as caught:
        wiggle(TRACTOR, **{"at": "X4.A", **options})
    assert caught.value.key == key


def test_an_unknown_step_and_an_unplugged_place() -> None:
    with pytest.raises(UnknownNameError, match="step"):
        wiggle(TRACTOR, "X4.A", step="9")
    with pytest.raises(UnknownNameError, match="place for a bad contact"):
        wiggle(TRACTOR, "X4.A", unplug="X4")
