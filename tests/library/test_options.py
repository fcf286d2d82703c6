"""Options of the generic circuits: scaling, another number of steps, and what is not accepted."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from circuitsim.engine.points import solve_batch
from circuitsim.errors import InputError, QuantityError, UnknownNameError
from circuitsim.library import Circuit, load
from circuitsim.library.circuit import StepTable
from circuitsim.library.options import respaced
from circuitsim.studies.tolerance import tolerance

Read = Callable[..., Circuit]
GENERIC = ("generic-linear", "generic-pwm", "generic-pack")


@pytest.mark.parametrize("name", GENERIC)
def test_without_options_a_circuit_says_its_defaults(name: str) -> None:
    assert dict(load(name).options) == {"nominal": "12 V", "current": "18 A", "fuse": "30 A", "steps": "4"}


@pytest.mark.parametrize("name", GENERIC)
def test_options_given_are_shown_and_used(name: str) -> None:
    circuit = load(name, nominal="24 V", fuse="20 A", current=9.0, steps=3)
    assert dict(circuit.options) == {"nominal": "24 V", "current": "9 A", "fuse": "20 A", "steps": "3"}
    assert circuit.nominal == 24.0
    assert circuit.steps == ("off", "1", "2", "3")
    elements, plain = circuit.net.elements, load(name).net.elements
    assert elements["BAT"].values["emf"] == 2 * plain["BAT"].values["emf"]
    assert elements["F1"].values["rating"] == 20.0
    # A motor for twice the voltage and half the current, at the same speed: 4 times the ohms, twice the constant.
    assert elements["M1"].values["resistance"] == pytest.approx(4 * plain["M1"].values["resistance"], rel=1e-12)
    assert elements["M1"].values["constant"] == 2 * plain["M1"].values["constant"]
    assert elements["FAN1"].values["torque"] == plain["FAN1"].values["torque"]  # same power, same speed


def test_a_share_as_tolerance_stays_the_same_share_and_an_absolute_one_grows() -> None:
    plain, scaled = load("generic-linear").net.elements, load("generic-linear", nominal="24 V").net.elements
    assert scaled["M1"].tolerances["constant"] == plain["M1"].tolerances["constant"]
    assert scaled["U1"].values["offset"] == 2 * plain["U1"].values["offset"]


@pytest.mark.parametrize("name", GENERIC)
@pytest.mark.parametrize(
    "options",
    [{}, {"nominal": "24 V"}, {"nominal": "24 V", "current": "9 A", "fuse": "15 A"}, {"current": "6 A", "fuse": "10 A"},
     {"current": "40 A", "fuse": "60 A"}, {"nominal": "48 V", "current": "10 A", "fuse": "15 A"}],
    ids=str,
)  # fmt: skip
def test_the_motor_draws_about_the_current_asked_for(name: str, options: dict[str, str]) -> None:
    circuit = load(name, **options)
    current = full_speed(circuit)
    wanted = float(circuit.options["current"].split()[0])
    # A rough current is all that is asked for; 20 % is well inside the band of ±25 % on the fan's torque alone.
    assert current == pytest.approx(wanted, rel=0.20)


@pytest.mark.parametrize("name", GENERIC)
def test_what_the_description_says_of_bands_and_samples_is_so(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    text = load(name).description
    number = r"([\d.]+) to ([\d.]+) A"
    found = re.search(rf"motor current at step 1 before options: band {number}; 95 % of 4,096 samples {number}", text)
    assert found is not None
    # Vehicles whose stage chops take milliseconds each: a quarter of them, whose upper end scatters by twice as much.
    vehicles, scatter = (1024, 0.2) if name == "generic-pwm" else (4096, 0.1)
    monkeypatch.setattr("circuitsim.studies.tolerance.CHUNK", vehicles)
    report = tolerance(load(name), samples=vehicles, rows=["motor current"], step="1")
    first = next(s for s in report.spreads if s.label == "motor current" and s.step == "1")
    told = [float(n) for n in found.groups()]
    # Half of the last digit printed, and as much again for the scatter of a seed.
    assert [first.first_order.low, first.first_order.high] == pytest.approx(told[:2], abs=0.1)
    assert [first.low, first.high] == pytest.approx(told[2:], abs=scatter)
    assert "'circuitsim tolerance' gives the full spread" in text


def posts(circuit: Circuit, ambient: float, engine: float) -> float:
    values: dict[tuple[str, str], object] = {k: t.values[0] for k, t in circuit.step_tables.items()}
    values.update({k: engine if word == "engine" else 0.0 for k, word in circuit.switched.items()})
    points = solve_batch(circuit.net, values, ambient=ambient, frozen=False, size=1)
    points.require("ignition off")
    return float(points.voltage("BAT+", "BAT-")[0])


@pytest.mark.parametrize("engine", [0.0, 1.0])
@pytest.mark.parametrize("name", GENERIC)
def test_the_posts_drift_with_temperature_doubles_at_24_volts(name: str, engine: float) -> None:
    drifts = [
        (posts(load(name, nominal=nominal), 35.0, engine) - posts(load(name, nominal=nominal), 15.0, engine)) / 20
        for nominal in ("12 V", "24 V")
    ]
    # With the engine running the battery, which drifts the other way, takes charge and pulls by a tenth at 12 V and by
    # half as much at 24 V, for its own resistance doubles there and the cable's does not. At rest only leakage flows.
    assert drifts[1] == pytest.approx(2 * drifts[0], rel=0.06 if engine else 0.01)
    # 0.2 mV/K a cell, from memory: 1.2 mV/K for six. Common practice, no source: a regulator falls by some mV/K.
    assert drifts[0] == pytest.approx(-0.008 if engine else 0.0012, rel=0.1 if engine else 0.01)


@pytest.mark.parametrize(("small", "large"), [("coach-defroster-fan", "tractor-cab-fan")])
def test_sources_of_24_volts_drift_twice_as_far(small: str, large: str) -> None:
    twice, once = load(small).net.elements, load(large).net.elements
    for source in ("BAT", "ALT"):
        drift = once[source].values["temperature_coefficient"]
        # Exact but for the rounding of the two numbers read.
        assert twice[source].values["temperature_coefficient"] == pytest.approx(2 * drift, rel=1e-12)


@pytest.mark.parametrize("name", GENERIC)
@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"current": "25 A", "fuse": "20 A"}, "current: 25 A is above the fuse, 20 A"),
        ({"current": 25.0, "fuse": 20.0}, "current: 25 A is above the fuse, 20 A"),
        ({"current": "40A"}, "current: 40A is above the fuse, 30 A; 30 A is the default: give the fuse too"),
        ({"fuse": "15 A"}, "current: 18 A is above the fuse, 15 A; 18 A is the default: give the current too"),
    ],
)
def test_a_current_above_the_fuse_is_refused(name: str, options: dict[str, object], says: str) -> None:
    with pytest.raises(InputError) as caught:
        load(name, **options)
    assert str(caught.value) == says


def test_a_current_of_the_fuses_rating_is_taken() -> None:
    assert load("generic-linear", current="20 A", fuse="20 A").net.elements["F1"].values["rating"] == 20.0


def full_speed(circuit: Circuit) -> float:
    count = len(circuit.steps)
    values: dict[tuple[str, str], object] = {k: np.array(t.values) for k, t in circuit.step_tables.items()}
    values.update({key: float(word == "ignition") for key, word in circuit.switched.items()})
    points = solve_batch(circuit.net, values, frozen=True, size=count)
    points.require("every step")
    return float(points.current(circuit.motor)[-1])


@pytest.mark.parametrize("count", range(1, 10))
@pytest.mark.parametrize("name", GENERIC)
def test_every_number_of_steps_runs_faster_step_by_step(name: str, count: int) -> None:
    if name == "generic-pack" and count == 1:
        with pytest.raises(InputError, match="a whole number from 2 to 9"):
            load(name, steps=count)
        return
    circuit = load(name, steps=count)
    assert circuit.steps == ("off", *(str(k) for k in range(1, count + 1)))
    values: dict[tuple[str, str], object] = {k: np.array(t.values) for k, t in circuit.step_tables.items()}
    values.update({key: float(word == "ignition") for key, word in circuit.switched.items()})
    for frozen in (True, False):
        points = solve_batch(circuit.net, values, frozen=frozen, size=count + 1)
        points.require("every step")
        speed = points.speed("FAN")
        assert speed[0] == 0.0
        assert (np.diff(speed) > 0).all()
        assert points.verdicts == ("at rest", *["running"] * count)


@pytest.mark.parametrize("name", GENERIC)
def test_first_and_last_step_do_not_depend_on_the_number_of_steps(name: str) -> None:
    for (element, parameter), table in load(name).step_tables.items():
        for count in (2, 3, 7):
            other = load(name, steps=count)
            if element in other.net.elements and parameter != "closed":
                assert other.step_tables[element, parameter].values[1] == pytest.approx(table.values[1], rel=1e-12)
                assert other.step_tables[element, parameter].values[-1] == pytest.approx(table.values[-1], rel=1e-12)


def test_the_sections_of_a_pack_are_divided_anew_and_their_sum_stays() -> None:
    for count in (2, 4, 9):
        elements = load("generic-pack", steps=count).net.elements
        sections = [elements[f"R{k}"] for k in range(1, count)]
        for key in ("resistance", "still_cooling", "forced_cooling"):
            wanted = {"resistance": 3.2, "still_cooling": 0.3, "forced_cooling": 0.75}[key]  # sums in the file
            assert math.fsum(s.values[key] for s in sections) == pytest.approx(wanted, rel=1e-12)  # rounding only
        assert f"R{count}" not in elements
        assert set(load("generic-pack", steps=count).connectors["X6"].pins) == {
            "X6.in", *(f"X6.{k}" for k in range(1, count))
        }  # fmt: skip


def test_in_between_by_ratio_and_by_difference() -> None:
    table = StepTable((9.0, 100.0, 1.0), (None, None, None))
    assert respaced(table, 3, ratio=True).values == pytest.approx((9.0, 100.0, 10.0, 1.0), rel=1e-12)
    assert respaced(table, 3, ratio=False).values == pytest.approx((9.0, 100.0, 50.5, 1.0), rel=1e-12)
    assert respaced(table, 1, ratio=True).values == (9.0, 1.0)
    assert respaced(table, 2, ratio=True) is table


def test_a_value_of_nothing_is_not_filled_in_by_ratio() -> None:
    table = StepTable((0.0, 0.0, 4.0), (None, None, None))
    assert respaced(table, 3, ratio=True).values == (0.0, 0.0, 2.0, 4.0)


@pytest.mark.parametrize(
    ("options", "kind", "says"),
    [
        ({"curent": "9 A"}, UnknownNameError, "option of generic-linear 'curent'; did you mean 'current'"),
        ({"nominal": "24 A"}, QuantityError, "nominal: '24 A' is a current"),
        ({"nominal": "24"}, QuantityError, "nominal: '24' has no unit"),
        ({"nominal": None}, QuantityError, "nominal: None is not a quantity"),
        ({"nominal": "-12 V"}, InputError, "nominal: '-12 V' is out of range, accepted: 6 V to 48 V"),
        ({"fuse": "0 A"}, InputError, "fuse: '0 A' is out of range"),
        ({"fuse": "20V"}, QuantityError, "fuse: '20V' is a voltage"),
        ({"circuit": "x"}, UnknownNameError, "option of generic-linear 'circuit'"),
        ({"current": float("nan")}, QuantityError, "current: nan is not a finite number"),
        ({"steps": 0}, InputError, "steps: 0 found, accepted: a whole number from 1 to 9"),
        ({"steps": 10}, InputError, "steps: 10 found"),
        ({"steps": "three"}, InputError, "steps: 'three' found"),
        ({"steps": 2.5}, InputError, "steps: 2.5 found"),
        ({"steps": True}, InputError, "steps: True found"),
        ({"steps": "9" * 5000}, InputError, "steps: '999"),
    ],
)
def test_what_is_not_accepted(options: dict[str, object], kind: type[InputError], says: str) -> None:
    with pytest.raises(kind, match=says):
        load("generic-linear", **options)


def test_a_circuit_without_options_takes_none() -> None:
    with pytest.raises(UnknownNameError, match="option of tractor-cab-fan 'nominal'; none is defined"):
        load("tractor-cab-fan", nominal="24 V")


OPTION = """
[options.fuse]
title = "fuse"
unit = "A"
default = "10 A"
least = "1 A"
most = "30 A"
scales = { "F1.rating" = 1 }
"""


def test_an_option_may_have_any_name(read: Read, tmp_path: Path) -> None:
    read(more=OPTION.replace("options.fuse", "options.circuit"))
    assert load(tmp_path / "bench.toml", circuit="20 A").net.elements["F1"].values["rating"] == 20.0


def test_an_option_of_ones_own(read: Read) -> None:
    assert read(more=OPTION, fuse="20 A").net.elements["F1"].values["rating"] == 20.0


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('default = "10 A"', 'default = "10 V"', r"options\.fuse\.default: '10 V' is a voltage"),
        ('least = "1 A"', 'least = "0 A"', r"options\.fuse\.least: '0 A' is not above zero"),
        ('unit = "A"', 'unit = "parsec"', r"options\.fuse\.default: .*'parsec'"),
        ('"F1.rating"', '"F2.rating"', r"unknown element 'F2'; accepted: F1"),
        ('"F1.rating"', '"F1.ratting"', r"parameter of F1 'ratting'; did you mean 'rating'"),
        ('title = "fuse"\n', "", r"options\.fuse: needs the key 'title'"),
        ("= 1 }", '= "1" }', r"accepted: a number"),
        ('unit = "A"', 'unit = "A"\nat_most = "volts"', r"options\.fuse\.at_most: .*'volts'; none is defined"),
        ("F1.rating", "F1.resistance", r"F1 has its default resistance, which nothing scales"),
    ],
)
def test_a_mistake_in_an_option_is_told_with_its_line(read: Read, old: str, new: str, says: str) -> None:
    assert OPTION.count(old) == 1
    with pytest.raises(InputError, match=r"bench\.toml:\d+: .*" + says):
        read(more=OPTION.replace(old, new))
