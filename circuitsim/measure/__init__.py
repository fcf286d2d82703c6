"""Conditions, instruments and readings: what a person with a meter would see."""

from __future__ import annotations

from circuitsim.measure.bands import Band, Budget, Contribution, band_of
from circuitsim.measure.conditions import Bench, Conditions, Fitted, make_bench
from circuitsim.measure.meters import METERS, Meter, Range, lamp_look, meter
from circuitsim.measure.readings import INSTRUMENTS, Measured, Stand, Task, by_stand
from circuitsim.measure.supplies import fitted_supply
from circuitsim.measure.taking import measure, measure_with_points

__all__ = [
    "INSTRUMENTS", "METERS", "Band", "Bench", "Budget", "Conditions", "Contribution", "Fitted", "Measured", "Meter", "Range",
    "Stand", "Task",
    "band_of", "by_stand", "fitted_supply", "lamp_look", "make_bench", "measure", "measure_with_points", "meter",
]  # fmt: skip
