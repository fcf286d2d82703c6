"""Commutation ripple: its shape and frequency, and the speed that comes back from samples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from circuitsim.errors import InputError
from circuitsim.studies.commutation import Commutator, current_ripple, ripple_frequency


@pytest.mark.parametrize(("bars", "brushes", "humps"), [(12, 2, 12), (11, 2, 22), (8, 2, 8), (10, 4, 20)])
def test_humps_of_a_turn(bars: int, brushes: int, humps: int) -> None:
    """An even number of bars under two brushes commutates at both at once, an odd one by turns (mathematics)."""
    assert Commutator(bars, brushes).humps == humps


def test_speed_and_frequency() -> None:
    """3000 rpm is 50 turns a second: 12 bars give 600 Hz (arithmetic)."""
    speed = 3000 / 60 * math.tau
    assert Commutator(12).frequency(speed) == pytest.approx(600.0)
    assert Commutator(12).speed(600.0) == pytest.approx(speed)


def test_a_slow_motor_has_the_ripple_of_its_back_emf() -> None:
    """With no inductance to speak of: peak to peak E/R·(1 - cos(π/p))/mean, mean = sin(π/p)/(π/p) (rectified sines)."""
    half = math.pi / 12
    ripple = current_ripple(Commutator(12), 10.0, 6.0, 0.5, 1e-9)
    wanted = 6.0 / 0.5 * (1 - math.cos(half)) / (math.sin(half) / half)
    assert ripple.figures.high - ripple.figures.low == pytest.approx(wanted, rel=2e-3)  # 32 chords for an arc
    assert ripple.figures.mean == pytest.approx(0.0, abs=1e-6 * wanted)


def test_inductance_takes_the_first_harmonic_by_its_impedance() -> None:
    """Far above R/L the ripple's first harmonic is E₁/(ω·L); that of the humps of p is 2/(p² - 1) of the mean (Fourier)."""
    emf, inductance, commutator = 6.0, 1e-2, Commutator(12)
    speed = 300.0
    ripple = current_ripple(commutator, speed, emf, 0.1, inductance)
    t = np.linspace(0, ripple.duration, 4097)[:-1]
    first = 2 * abs(np.mean(ripple.at(t) * np.exp(-2j * math.pi * t / ripple.duration)))
    omega = 2 * math.pi * commutator.frequency(speed)
    assert first == pytest.approx(2 / (12**2 - 1) * emf / math.hypot(0.1, omega * inductance), rel=5e-3)  # 32 chords


@given(st.floats(50, 400), st.integers(5, 30), st.floats(0.0, 0.2))
def test_speed_comes_back_from_samples(speed: float, bars: int, noise: float) -> None:
    """Twelve turns of a sine with noise: a line is a twelfth of a turn's, found to a hundredth of it or so."""
    commutator = Commutator(bars)
    interval = 1 / (commutator.frequency(speed) * 24.318)
    t = interval * np.arange(int(12 * commutator.humps * 24.318))
    rng = np.random.default_rng(1)
    samples = 5 + np.sin(2 * math.pi * commutator.frequency(speed) * t + 0.3) + noise * rng.normal(size=t.size)
    assert commutator.speed(ripple_frequency(samples, interval)) == pytest.approx(speed, rel=2e-3)


def test_a_chopping_stage_is_looked_away_from() -> None:
    """A strong line of 1 kHz and its multiples, and a weak ripple of 347 Hz: the ripple is found."""
    interval = 1 / 24_318.0
    t = interval * np.arange(12_000)
    square = np.where(np.mod(1000 * t, 1) < 0.4, 1.0, -1.0)
    samples = 3 + square + 0.1 * np.sin(2 * math.pi * 347 * t)
    assert ripple_frequency(samples, interval, 1000.0) == pytest.approx(347, rel=1e-3)
    assert ripple_frequency(samples, interval) == pytest.approx(1000, rel=1e-3)


def test_a_line_ten_thousand_times_as_strong_does_not_hide_the_ripple() -> None:
    """Sidelobes of a Hann window at a distance of k lines fall as 1/k³; those of four-term Blackman-Harris lie 92 dB down."""
    interval = 1 / 24_318.0
    t = interval * np.arange(48_000)
    samples = 3 + np.sin(2 * math.pi * 1000.3 * t) + 1e-4 * np.sin(2 * math.pi * 1013 * t)
    assert ripple_frequency(samples, interval, 1000.3) == pytest.approx(1013, rel=1e-4)


def test_a_slope_is_no_line() -> None:
    """What falls away from a line that is looked away from has no top of its own: nothing stands out, or noise far below."""
    t = 1e-4 * np.arange(4000)
    assert math.isnan(ripple_frequency(np.cos(2 * math.pi * 1000 * t), 1e-4, 1000.0))


def test_nothing_stands_out_of_a_level() -> None:
    assert math.isnan(ripple_frequency(np.full(500, 4.0), 1e-4))


@pytest.mark.parametrize(("bars", "brushes", "key"), [(2, 2, "bars"), (500, 2, "bars"), (12, 1, "brushes")])
def test_what_is_no_commutator(bars: int, brushes: int, key: str) -> None:
    with pytest.raises(InputError) as caught:
        Commutator(bars, brushes)
    assert caught.value.key == key


def test_a_motor_that_stands() -> None:
    with pytest.raises(InputError, match="stands"):
        current_ripple(Commutator(12), 0.0, 0.0, 0.5, 1e-4)
