"""Where the circuit is linear: first-order bands agree with Monte Carlo, and worst corners enclose it."""

from __future__ import annotations

import numpy as np
import pytest
from small_circuits import divider, ladder, narrowed, sources

import circuitsim as cs
from circuitsim.studies import tolerance as module
from circuitsim.studies.tolerance import CHUNK, tolerance


@pytest.mark.parametrize(
    ("widths", "u", "half"),
    [
        ((1.0, 1.0, 1.0, 1.0), 2.0, 3.88),  # JCGM 101, 9.2.3: u 2.00, 95 % ±3.88
        ((1.0, 1.0, 1.0, 10.0), 10.149, 17.0),  # JCGM 101, 9.2.4: u 10.1, 95 % ±17.0
    ],
)
def test_sums_of_rectangles(widths: tuple[float, ...], u: float, half: float) -> None:
    (spread,) = tolerance(sources(widths), samples=4 * CHUNK).spreads
    # 16,384 scrambled Sobol vehicles: a standard deviation to 0.2 %, a 2.5 % quantile to under 1 %.
    assert spread.deviation == pytest.approx(u, rel=0.005)
    assert (spread.high - spread.low) / 2 == pytest.approx(half, rel=0.01)
    assert (spread.first_order.high - spread.first_order.low) / 2 == pytest.approx(half, rel=0.01)
    assert spread.median == pytest.approx(100.0, abs=0.05 * u)
    shares = dict(spread.shares)
    assert shares["V3.emf"] == pytest.approx((widths[3] / u) ** 2, abs=0.01)
    # Corners: every rectangle at its end.
    assert spread.corner_high == pytest.approx(100 + sum(widths) * 3**0.5, rel=1e-6)


def test_a_divider_of_close_parts() -> None:
    """y = V·b/(a + b): (u(y)/y)² = w²/3·(1 + 2(a/(a + b))²) for rectangles of ± w (own derivation, GUM 5.1.2)."""
    share, upper, lower, volts = 1e-3, 1000.0, 3000.0, 12.0
    (spread,) = tolerance(divider(share, upper, lower, volts), samples=4 * CHUNK).spreads
    y, part = volts * lower / (upper + lower), upper / (upper + lower)
    # 16,384 Sobol vehicles: u to 0.2 %; what is not linear is w² ≈ 1e-6 of y, 1e-3 of u; the meter's 10 MΩ as much.
    assert spread.deviation == pytest.approx(y * share * np.sqrt((1 + 2 * part**2) / 3), rel=0.005)
    assert spread.differs < 0.01  # both bands are sampled, to half a per cent of their width
    # The corners in closed form, with the 10 MΩ meter across the lower part.
    for sign, corner in ((1.0, spread.corner_high), (-1.0, spread.corner_low)):
        a, b = upper * (1 - sign * share), 1 / (1 / (lower * (1 + sign * share)) + 1e-7)
        assert corner == pytest.approx(volts * (1 + sign * share) * b / (a + b), rel=1e-9)


@pytest.mark.parametrize(
    ("name", "steps", "vehicles", "deviation", "width"),
    [("tractor-cab-fan", (), CHUNK, 0.01, 0.035), ("minibus-condenser-fan", ("1",), 512, 0.02, 0.08)],
)
def test_a_circuit_with_a_hundredth_of_its_tolerances(
    name: str, steps: tuple[str, ...], vehicles: int, deviation: float, width: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hundredth of the width is a hundredth of the curvature: what differs then is sampling.

    Standard deviations: exact on the first-order side, to half a per cent over 4,096 vehicles. Quantiles: the
    first-order band is sampled at 4,096 points, 1.1 % of the width (one deviation of a 2.5 % quantile of a normal
    sample); the worst of some 140 lies at about three of those. At full width they differ by up to 15 %. Readings
    within the solver's own noise are left out. Where a stage chops each vehicle takes milliseconds: 512 of them, whose
    deviations come to 1 %, whose quantiles (3 % of the width, one deviation) to 5 %.
    """
    monkeypatch.setattr(module, "CHUNK", min(vehicles, CHUNK))
    circuit = cs.load(name)
    report = tolerance(narrowed(circuit, 0.01), samples=vehicles, step=steps or circuit.steps)
    assert (report.samples, report.refused) == (vehicles, 0)
    compared = [s for s in report.spreads if s.high - s.low > 1e-8 * max(abs(s.expected), 1e-3)]
    assert len(compared) > 10 * len(steps or circuit.steps)
    off = max(compared, key=lambda s: abs(s.deviation / s.first_order.standard - 1))
    assert off.deviation == pytest.approx(off.first_order.standard, rel=deviation), f"{off.label} at {off.step}"
    worst = max(compared, key=lambda s: s.differs)
    assert worst.differs < width, f"{worst.label} at {worst.step}: {worst.differs}"


@pytest.mark.parametrize("seed", range(4))
def test_corners_enclose_a_monotone_circuit(seed: int) -> None:
    """A node of a ladder rises or falls with each resistor over its whole range: no vehicle can lie outside."""
    rng = np.random.default_rng(seed)
    ohms = np.exp(rng.uniform(np.log(10.0), np.log(1e4), (int(rng.integers(1, 4)), 2)))
    report = tolerance(ladder([(a, b) for a, b in ohms], percent=float(rng.uniform(1, 30))), samples=CHUNK, seed=seed)
    for s in report.spreads:
        assert s.corner_low <= s.minimum <= s.low <= s.high <= s.maximum <= s.corner_high
        assert s.corner_low <= s.first_order.low + 0.1 * (s.high - s.low)
        # and the corners are reached for, not merely far away: of 4,096 vehicles with 2 to 6 numbers, some come near.
        assert s.maximum - s.minimum > 0.5 * (s.corner_high - s.corner_low)
