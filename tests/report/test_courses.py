"""Where on a course in time one looks, and what does not come of looking there."""

from __future__ import annotations

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.engine.transient import Course
from circuitsim.report.courses import course_columns, course_csv, course_lines, spread_times
from circuitsim.report.typeset import plain


@pytest.fixture(scope="module")
def key_on() -> tuple[Course, cs.Circuit]:
    circuit = cs.load("tractor-cab-fan")
    return cs.transient(circuit, "1 s"), circuit


def test_no_spike_where_the_current_limit_is_reached(key_on: tuple[Course, cs.Circuit]) -> None:
    """The motor's voltage falls from 9.2 to 5.9 V there, L·di/dt being gone (150 µH · 21.8 A/ms = 3.3 V), and no further.

    Inside the step that goes across the corner it swings down to some 2.5 V, which is no part of the circuit.
    """
    course, circuit = key_on
    seen = course.at(spread_times(course))
    motor = circuit.net.elements["M1"].nodes
    volts = seen.points.voltage(motor["plus"], motor["minus"])
    first = int(np.argmax(seen.currents["M1"] > 59.99))
    reached = seen.times[first]
    across = course.at(np.linspace(reached - 2e-6, reached + 2e-6, 400)).points.voltage(motor["plus"], motor["minus"])
    assert across.min() < 5.5, "the step across the corner swings out no longer: simplify spread_times"
    assert volts[first - 3 : first + 5].min() > 5.9
    turns = np.diff(np.sign(np.diff(volts[(seen.times > 1e-6) & (seen.times < 0.1)])))
    assert np.count_nonzero(turns) == 1, "it falls until the limit is reached, then rises as the fan runs up"


def test_times_are_close_where_a_lot_happens(key_on: tuple[Course, cs.Circuit]) -> None:
    course, _ = key_on
    times = spread_times(course)
    assert (np.diff(times) > 0).all()
    assert (times[0], times[-1]) == (0.0, 1.0)
    assert np.diff(np.log(times[times > 1e-4])).max() < 0.15, "a course by decades has no corners of its own"


def test_changes_are_looked_at_from_both_sides() -> None:
    course = cs.transient("generic-pack", "40 ms", step="2", then=[("10 ms", {"step": "off"}), ("25 ms", {"step": "1"})])
    times = spread_times(course)
    for change in (0.010, 0.025):
        before, after = times[times < change][-1], times[times >= change][0]
        assert 0 < change - before < 1e-12
        assert after - change < 1e-6


def test_heads_are_told_apart_and_have_units(key_on: tuple[Course, cs.Circuit]) -> None:
    course, circuit = key_on
    columns = course_columns(course, circuit)
    assert len({*columns}) == len(columns)
    assert all(values.shape == course.times.shape for values in columns.values())
    rpm = columns["speed of FAN, rpm"]
    assert rpm == pytest.approx(course.nodes["FAN"] * 60 / (2 * np.pi), rel=1e-12)
    assert columns["CMD : GND, V"] == pytest.approx(course.points.voltage(circuit.node("CMD"), "GND"), abs=1e-12)


def test_names_from_outside_break_no_line(key_on: tuple[Course, cs.Circuit]) -> None:
    course, circuit = key_on
    hostile = circuit.__class__(**{**circuit.__dict__, "name": "a\nb", "options": {"x\ny": "1\r2"}})
    lines = course_csv(course, hostile).splitlines()
    assert lines[0] == "# circuit: a\\nb"
    assert lines[1] == "# option x\\ny: 1\\r2"
    assert plain(course_lines(course, hostile)).splitlines()[0].startswith("a b")
