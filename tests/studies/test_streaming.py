"""Streamed quantiles and moments against those of the stored sample; the promised width of a bin holds."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from circuitsim.studies.streaming import BINS, QUANTILES, Streamed

Array = NDArray[np.float64]
Draw = Callable[[np.random.Generator, int], Array]

SHAPES: dict[str, Draw] = {
    "normal": lambda rng, n: rng.normal(12.6, 0.07, n),
    "narrow about a large value": lambda rng, n: 1e6 + 1e-3 * rng.normal(size=n),
    "log-normal, ×/÷ 10": lambda rng, n: np.exp(rng.normal(size=n) * np.log(10) / 1.96),
    "two humps": lambda rng, n: np.where(rng.random(n) < 0.3, 1e-3, 12.0) + 1e-4 * rng.normal(size=n),
    "one per cent far away": lambda rng, n: np.where(rng.random(n) < 0.01, 1e4, rng.random(n)),
    "a few numbers only": lambda rng, n: rng.integers(0, 3, n).astype(float),
    "all the same": lambda _, n: np.full(n, 3.3),
    "all zero": lambda _, n: np.zeros(n),
    "near zero": lambda rng, n: 1e-9 * rng.normal(size=n),
}


def streamed(chunks: list[Array]) -> Streamed:
    found = Streamed()
    for values in chunks:
        found.add(values[None], np.zeros((1, values.size)))
    return found


def exact(values: Array) -> Array:
    """The number at ⌈share × count⌉ of the sorted sample."""
    return np.quantile(values, QUANTILES, method="inverted_cdf")


@pytest.mark.parametrize("shape", list(SHAPES))
@pytest.mark.parametrize("chunks", [1, 7])
def test_quantiles_are_within_a_bin(shape: str, chunks: int) -> None:
    rng = np.random.default_rng(3)
    parts = [SHAPES[shape](rng, 4096) for _ in range(chunks)]
    *found, width = streamed(parts).quantiles(0)
    every = np.concatenate(parts)
    rounding = 4 * np.spacing(np.abs(every).max())
    assert np.abs(found - exact(every)).max() <= width + rounding
    # A bin is 1/2048 of the way between the 0.5 and 99.5 % quantiles of the first chunk.
    outer = np.quantile(parts[0], (0.005, 0.995))
    assert width <= (outer[1] - outer[0]) / BINS * 1.001 + rounding


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), moves=st.lists(st.floats(-30, 30), min_size=1, max_size=5), gone=st.floats(0, 0.9))
def test_the_promise_holds_whatever_comes_later(seed: int, moves: list[float], gone: float) -> None:
    """Later chunks that lie elsewhere make bins wide, and the promised width says so; NaN count for nothing."""
    rng = np.random.default_rng(seed)
    parts = [move + rng.standard_t(2, 500) for move in (0.0, *moves)]
    for part in parts:
        part[rng.random(part.size) < gone] = np.nan
    found = streamed(parts)
    every = np.concatenate(parts)
    every = every[np.isfinite(every)]
    assert found.count[0] == every.size
    if every.size:
        *quantiles, width = found.quantiles(0)
        assert np.abs(quantiles - exact(every)).max() <= width + 1e-12
        assert (found.minimum[0], found.maximum[0]) == (every.min(), every.max())


def test_a_bin_is_needed() -> None:
    """The bound bites: quantiles of a tenth of the sample do not keep it."""
    values = SHAPES["normal"](np.random.default_rng(5), 40_960)
    *_, width = streamed(list(values.reshape(10, -1))).quantiles(0)
    assert np.abs(exact(values[:4096]) - exact(values)).max() > width


def test_moments_and_covariances_are_those_of_the_stored_sample() -> None:
    rng = np.random.default_rng(1)
    z = rng.normal(size=(3, 4000))
    y = np.array([5.0 + 2.0 * z[0] - z[1] + 0.1 * rng.normal(size=4000), z[2] ** 2])
    y[1, ::7] = np.nan
    found = Streamed()
    for k in range(0, 4000, 1000):
        found.add(y[:, k : k + 1000], z[:, k : k + 1000])
    known = np.isfinite(y[1])
    # Sums of a few thousand numbers of order 1 to 10: rounding is far below 1e-12.
    assert found.mean == pytest.approx([y[0].mean(), y[1][known].mean()], rel=1e-12)
    assert found.variance == pytest.approx([y[0].var(), y[1][known].var()], rel=1e-12)
    expected = [[np.cov(v[k], d[k], bias=True)[0, 1] for d in z] for v, k in ((y[0], slice(None)), (y[1], known))]
    assert found.covariance == pytest.approx(np.array(expected), rel=1e-9, abs=1e-12)


def test_a_row_with_nothing_in_it() -> None:
    found = streamed([np.full(100, np.nan), np.full(100, np.nan)])
    assert np.isnan(found.quantiles(0)).all()
    assert np.isnan(found.mean[0])
