"""Where a suspect's readings would lie if they were taken again."""

from __future__ import annotations

import numpy as np
import pytest

from circuitsim.measure import Conditions, Task, meter
from circuitsim.studies.clouds import cloud_of
from circuitsim.studies.evidence import Shown, TakenReading
from circuitsim.studies.likelihood import Likelihood
from circuitsim.studies.severities import Course, Density

METER = meter("standard")
TASK = Task("on", Conditions(), "voltmeter", "MOT+", "GND")


def course_through(share: list[float], volts: list[float]) -> Course:
    """A fault whose one reading is known at some severities, with no tolerances."""
    course = Course("made up", lambda _: (), graded=True)
    course.share, course.value = np.array(share), np.array(volts)[:, None]
    course.spread, course.shared = np.zeros((len(share), 1, 1)), np.zeros((len(share), 1, 1))
    course.speed, course.blown = course.value * 0, [()] * len(share)
    return course


def about(place: float, deviation: float) -> Density:
    share = np.linspace(place - 4 * deviation, place + 4 * deviation, 161)
    return Density(share, -0.5 * ((share - place) / deviation) ** 2, np.zeros(161), np.ones(161))


@pytest.fixture
def likelihood() -> Likelihood:
    return Likelihood([TakenReading(0, TASK, Shown("number", 6.0, 0.01))], METER, 12.0)


def test_a_severity_that_is_known_less_well_spreads_the_readings(likelihood: Likelihood) -> None:
    """A straight line of 10 V from end to end, severity within ±0.1: it scatters by 1 V (15 % for nine parts)."""
    cloud = cloud_of(course_through([0.0, 0.5, 1.0], [11.0, 6.0, 1.0]), about(0.5, 0.1), likelihood)
    assert cloud.drawn.mean() == pytest.approx(6.0, abs=0.1)
    assert cloud.drawn.std() == pytest.approx(1.0, rel=0.15)


@pytest.mark.parametrize("place", [0.49, 0.51])
def test_no_vehicle_reads_as_in_between_where_the_point_jumps(likelihood: Likelihood, place: float) -> None:
    """A motor that stops at one half: 9 V below it, 2 V above it; which side it is on is known."""
    course = course_through([0.0, 0.25, 0.5, 0.5001, 0.75, 1.0], [9.0, 9.0, 9.0, 2.0, 2.0, 2.0])
    cloud = cloud_of(course, about(place, 0.001), likelihood)
    assert cloud.drawn.mean() == pytest.approx(9.0 if place < 0.5 else 2.0, abs=0.05)
    assert cloud.drawn.std() < 0.1
