"""Tolerance studies: wide and narrow bands, constant memory, stopping early, draws, what is not accepted."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from small_circuits import sources

import circuitsim as cs
from circuitsim.engine.native import available
from circuitsim.errors import InputError, UnknownNameError
from circuitsim.quantities import Tolerance
from circuitsim.studies.sampling import Uncertain, corner, draw
from circuitsim.studies.streaming import Streamed
from circuitsim.studies.tolerance import CHUNK, tolerance

FOUR = (1.0, 1.0, 1.0, 1.0)


@pytest.mark.parametrize("name", ["tractor-cab-fan", "coach-defroster-fan"])
def test_first_order_bands_agree_with_monte_carlo(name: str) -> None:
    """Where tolerances are a few per cent and joints ×/÷ 2, the two differ by at most 15 % of the band's width."""
    report = tolerance(cs.load(name), samples=CHUNK, since="warm", step=["2", "4"], rows=["motor", "drop"])
    assert report.refused == 0
    for s in report.spreads:
        if s.high - s.low > 1e-4:
            assert s.differs < 0.15, f"{s.label} at {s.step}"
            assert s.minimum <= s.low <= s.median <= s.high <= s.maximum
            assert sum(share for _, share in s.shares) < 1.05


def peaks(chunks: int) -> list[int]:
    """Give the peak of traced memory in each chunk of a study."""
    found = []

    def note(_done: int) -> None:
        found.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.reset_peak()

    tracemalloc.start()
    tolerance(sources(FOUR), samples=chunks * CHUNK, progress=note)
    tracemalloc.stop()
    return found


def test_memory_does_not_grow_with_the_number_of_vehicles(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is kept between chunks has one size: ten chunks more add less than a quarter of one chunk's readings (33 kB)."""
    tolerance(sources(FOUR), samples=CHUNK)  # what is made once is made now
    found = peaks(12)
    assert found[11] - found[1] < 2 * CHUNK
    # The test bites: a study that kept every vehicle's reading would fail it.
    kept = []
    add = Streamed.add
    monkeypatch.setattr(Streamed, "add", lambda self, values, deviates: (kept.append(values), add(self, values, deviates))[1])
    found = peaks(12)
    assert found[11] - found[1] > 10 * 8 * CHUNK - 2 * CHUNK


def test_stopping_early_gives_what_was_finished() -> None:
    def stop(done: int) -> None:
        if done >= 2 * CHUNK:
            raise KeyboardInterrupt

    report = tolerance(sources(FOUR), samples=50 * CHUNK, progress=stop)
    assert not report.complete
    assert report.samples == 2 * CHUNK


def test_draws_are_balanced_and_seeded() -> None:
    numbers = tuple(
        Uncertain(("R", "resistance"), None, 10.0, Tolerance(kind, size), 1e-6, np.inf)
        for kind, size in (("uniform", 1.0), ("normal", 1.0), ("lognormal", 2.0))
    )
    z = draw(numbers, CHUNK, 3, 0)
    assert np.abs(z.mean(axis=1)).max() < 1e-3  # a balanced set, far closer than chance (1/64)
    assert z.std(axis=1) == pytest.approx([1.0, 1.0, 1.0], abs=2e-3)
    assert (draw(numbers, CHUNK, 3, 0) == z).all()
    assert (draw(numbers, CHUNK, 3, 1) != z).any()
    assert corner(numbers[0], 1.0) == pytest.approx(11.0)
    assert corner(numbers[2], -1.0) == pytest.approx(5.0)


def test_it_is_there_from_the_package_root() -> None:
    assert cs.tolerance is tolerance


def test_a_circuit_without_a_chart_has_a_plain_one() -> None:
    """As in `predict`: every probe point against ground and the motor's current; here, no probe points."""
    report = tolerance(replace(sources(FOUR), readings=()), samples=1)
    assert [s.label for s in report.spreads] == ["motor current"]


@pytest.mark.parametrize(
    ("options", "error", "text"),
    [
        ({"samples": 0}, InputError, "0 samples; accepted: 1 or more"),
        ({"ahead": 0}, InputError, "0 ahead; accepted: 1 or more"),
        ({"rows": "sun"}, InputError, "did you mean 'sum'"),
        ({"rows": ["sum", " "]}, InputError, "no row has"),
        ({"step": "5"}, UnknownNameError, "step of four"),
        ({"unplug": "X4"}, UnknownNameError, "connector of four"),
        ({"meter": "golden"}, UnknownNameError, "meter"),
        ({"engine": "on"}, UnknownNameError, "engine"),
    ],
)
def test_what_is_not_accepted(options: dict[str, Any], error: type[Exception], text: str) -> None:
    with pytest.raises(error, match=text):
        tolerance(sources(FOUR), **options)


@pytest.mark.skipif(not available(), reason="llvmlite is not installed")
def test_compiled_programs_and_numpy_give_the_same_spread() -> None:
    """They differ by rounding: 1e-12 of a value moves a quantile by far less than a bin of its histogram."""
    circuit = cs.load("tractor-cab-fan")
    fast, plain = (cs.tolerance(circuit, samples=4096, rows="low side", step="2", native=way) for way in (True, False))
    for a, b in zip(fast.spreads, plain.spreads, strict=True):
        assert abs(a.low - b.low) <= 2 * a.resolution
        assert a.mean == pytest.approx(b.mean, rel=1e-9)
