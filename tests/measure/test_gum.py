"""GUM example H.2 (JCGM 100): correlated inputs, through our bands and through an independent library."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties
from uncertainties import umath

from circuitsim.measure.bands import Contribution, band_of
from circuitsim.quantities import Tolerance

# Five observations each of voltage (V), current (A) and phase (rad), as given in the example (text from memory).
V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
I = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
PHI = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
MEANS = np.array([V.mean(), I.mean(), PHI.mean()])
COVARIANCE = np.cov([V, I, PHI]) / 5
ONE = Tolerance("normal", 1.959963984540054)  # standard uncertainty 1


def slopes(quantity: str) -> tuple[float, np.ndarray]:
    v, i, phi = MEANS
    z = v / i
    c, s = math.cos(phi), math.sin(phi)
    return {
        "R": (z * c, np.array([c / i, -z * c / i, -z * s])),
        "X": (z * s, np.array([s / i, -z * s / i, z * c])),
        "Z": (z, np.array([1 / i, -z / i, 0.0])),
    }[quantity]


@pytest.mark.parametrize(("quantity", "value", "u"), [("R", 127.732, 0.071), ("X", 219.847, 0.2956), ("Z", 254.260, 0.236)])
def test_resistance_reactance_impedance(quantity, value, u):
    """Printed: R 127.732 (71), X 219.847 (295), Z 254.260 (236) Ω; u(X) is 0.2956, cut to 0.295 in print."""
    expected, by_input = slopes(quantity)
    # Correlated inputs as independent ones: columns of the covariance's root.
    root = np.linalg.cholesky(COVARIANCE)
    parts = [Contribution(f"x{k}", 0.0, ONE, float(by_input @ root[:, k])) for k in range(3)]
    band = band_of(expected, parts)
    assert expected == pytest.approx(value, abs=0.0006)  # the printed digits
    assert band.standard == pytest.approx(u, abs=0.0006)
    v, i, phi = uncertainties.correlated_values(MEANS, COVARIANCE)
    reference = {"R": v / i * umath.cos(phi), "X": v / i * umath.sin(phi), "Z": v / i}[quantity]
    # Two implementations of one formula: rounding.
    assert band.standard == pytest.approx(reference.std_dev, rel=1e-9)
