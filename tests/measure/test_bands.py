"""Bands against published rows of the GUM and its first supplement, and against Monte Carlo on whole circuits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuitsim.measure.bands import Contribution, band_of, deviations
from circuitsim.quantities import Tolerance

UNIT = Tolerance("uniform", math.sqrt(3.0))  # standard uncertainty 1


def _sum_of(standards: list[float]) -> list[Contribution]:
    return [Contribution(f"x{k}", 0.0, Tolerance("uniform", math.sqrt(3.0) * u), 1.0) for k, u in enumerate(standards)]


def test_four_equal_rectangles():
    """JCGM 101, 9.2.3: sum of four rectangular inputs of u = 1: u 2.00, 95 % ±3.88 (text from memory, recomputed)."""
    band = band_of(0.0, _sum_of([1, 1, 1, 1]))
    assert band.standard == pytest.approx(2.0, abs=1e-12)  # arithmetic only
    # 4,096 stratified points: a quantile of a smooth sum is good to about 1 %.
    assert band.high == pytest.approx(3.88, rel=0.01)
    assert band.low == pytest.approx(-3.88, rel=0.01)


def test_one_dominant_rectangle():
    """JCGM 101, 9.2.4: as before with one u = 10: u 10.1, 95 % ±17.0, where the law of propagation says ±19.9."""
    band = band_of(0.0, _sum_of([1, 1, 1, 10]))
    assert band.standard == pytest.approx(10.149, abs=5e-4)  # printed 10.1
    assert band.high == pytest.approx(17.0, rel=0.01)
    assert band.high < 0.9 * 1.96 * band.standard  # the normal approximation would say 19.9


def test_a_voltmeter_limit_is_a_rectangle():
    """GUM 4.3.7: limit 14e-6 of the reading 0.928571 V and 2e-6 of the 1 V range gives u 8.7 µV (text from memory)."""
    limit = 14e-6 * 0.928571 + 2e-6 * 1.0
    band = band_of(0.928571, [], meter_limit=limit)
    assert band.standard == pytest.approx(8.7e-6, abs=0.05e-6)  # the printed digits
    assert band.high - 0.928571 == pytest.approx(0.95 * limit, rel=0.002)  # 95 % of a rectangle, 1/4096 of a step


def test_voltmeter_with_scatter():
    """GUM 5.1.5: with a type A part of 12 µV the combined standard uncertainty is 15 µV."""
    scatter = Contribution("scatter", 0.0, Tolerance("normal", 1.959963984540054 * 12e-6), 1.0)
    band = band_of(0.928571, [scatter], meter_limit=14e-6 * 0.928571 + 2e-6)
    assert band.standard == pytest.approx(15e-6, abs=0.5e-6)  # the printed digits


def test_normal_and_lognormal_quantiles():
    """95 % of a normal lies within its stated half width; of a log-normal within its factor (their definitions)."""
    normal = band_of(10.0, [Contribution("x", 10.0, Tolerance("normal", 0.5), 2.0)])
    assert (normal.low, normal.high) == (pytest.approx(9.0, abs=0.005), pytest.approx(11.0, abs=0.005))
    skewed = band_of(3.0, [Contribution("r", 3.0, Tolerance("lognormal", 2.0), 1.0)])
    # First order in the physics, exact in the distribution; 4,096 points resolve a 2.5 % quantile to 0.2 %.
    assert (skewed.low, skewed.high) == (pytest.approx(1.5, rel=0.005), pytest.approx(6.0, rel=0.005))


def test_many_small_terms_add_in_squares():
    """A hundred equal normal terms: u grows tenfold, and merging the small ones moves the band by less than 2 %."""
    one = Contribution("x", 1.0, Tolerance("normal", 1.959963984540054), 1.0)
    band = band_of(0.0, [one] * 100)
    assert band.standard == pytest.approx(10.0)
    assert band.high == pytest.approx(19.6, rel=0.02)


def test_streams_are_independent():
    """Two parameters of one kind must not rise together: their correlation is that of chance at 4,096 points."""
    a, b = (deviations(1.0, Tolerance("uniform", 1.0), k) for k in (0, 1))
    assert abs(float(np.corrcoef(a, b)[0, 1])) < 0.05  # 3 standard deviations of chance, 3/sqrt(4096)


def test_nothing_uncertain_gives_a_point():
    """No tolerance, no meter: the band is the value."""
    band = band_of(1.25, [])
    assert (band.low, band.high, band.standard) == (1.25, 1.25, 0.0)
