"""Conditions, instruments and readings: what a person with a meter would see."""

from __future__ import annotations

from circuitsim.measure.bands import Band, Contribution, band_of
from circuitsim.measure.conditions import Bench, Conditions, Fitted, make_bench
from circuitsim.measure.meters import METERS, Meter, Range, lamp_look, meter
from circuitsim.measure.readings import INSTRUMENTS, Measured, Task, measure
from circuitsim.measure.supplies import fitted_supply

__all__ = [
    "INSTRUMENTS", "METERS", "Band", "Bench", "Conditions", "Contribution", "Fitted", "Measured", "Meter", "Range",
    "Task",
    "band_of", "fitted_supply", "lamp_look", "make_bench", "measure", "meter",
]  # fmt: skip
