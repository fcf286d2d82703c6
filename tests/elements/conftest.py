"""Random but plausible states of any element kind, made from nothing but what the kind declares."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pytest
from numpy.typing import NDArray

from circuitsim.elements import Domain, Element, Parameter

Array = NDArray[np.float64]
Values = dict[str, Array]
Sample = Callable[..., Values]

# A plausible value where a kind has none of its own: for parameters that must be given, and for zeros that mean 'none'.
REQUIRED = {
    "Ω": 0.5, "m²": 2.5e-6, "m": 1.5, "V": 12.0, "A": 10.0, "N·m": 0.2, "rad/s": 300.0, "W": 21.0, "V·s/rad": 0.03,
    "K/W": 5.0, "1": 0.5, "F": 1e-5, "H": 1e-4,
}  # fmt: skip
IF_ZERO = {"Ω": 0.05, "V": 0.8, "S": 50.0, "N·m": 0.02, "N·m·s/rad": 1e-5, "1": 0.5, "A": 1.0, "W": 1.0}


def log_uniform(rng: np.random.Generator, size: int, low: float, high: float) -> Array:
    """Either sign, a size anywhere between 10^low and 10^high."""
    return rng.choice([-1.0, 1.0], size) * 10 ** rng.uniform(low, high, size)


def parameter_values(p: Parameter, nominal: float, rng: np.random.Generator, size: int) -> Array:
    """Within a factor of three of nominal; modes are 0 or 1; what is zero is zero in half of the samples."""
    if p.state:
        return rng.integers(0, 2, size).astype(float)
    if nominal == 0:
        found = rng.integers(0, 2, size) * rng.uniform(0, IF_ZERO[p.unit], size)
    else:
        found = nominal * 3 ** rng.uniform(-1, 1, size)
    return np.clip(found, p.low, p.high)


def across_values(domain: Domain, rng: np.random.Generator, size: int) -> Array:
    """Voltages to ±50 V and speeds to ±400 rad/s over decades, so that corners are met; temperatures of service."""
    if domain is Domain.THERMAL:
        return rng.uniform(-60.0, 200.0, size)
    return log_uniform(rng, size, -4, 1.7 if domain is Domain.ELECTRICAL else 2.6)


@pytest.fixture
def sample() -> Sample:
    """Give `size` random states of a kind: every input of its kernels, by name."""

    def draw(kind: type[Element], size: int, seed: int = 0, **fixed: float) -> Values:
        rng = np.random.default_rng([seed, *kind.__name__.encode()])
        required = {p.name: REQUIRED[p.unit] for p in kind.parameters if p.default is None}
        nominal: Mapping[str, float] = kind("E1", *(t.name for t in kind.terminals), **required).values
        found = {t.name: across_values(t.domain, rng, size) for t in kind.terminals}
        found |= {u.name: log_uniform(rng, size, -4, 2) for u in kind.unknowns}
        found |= {p.name: parameter_values(p, nominal[p.name], rng, size) for p in kind.parameters}
        found["smooth"] = np.ones(size)
        return found | {name: np.full(size, value) for name, value in fixed.items()}

    return draw


@pytest.fixture
def rows_of() -> Callable[[type[Element], Values], Values]:
    """Evaluate the rows of a kind's law: a flow for each terminal that carries one, a balance for each unknown."""
    from circuitsim.engine.statement import statement_of

    def evaluate(kind: type[Element], inputs: Values) -> Values:
        statement = statement_of(kind)
        shape = np.broadcast_shapes(*(np.shape(value) for value in inputs.values()))
        out = np.empty((len(statement.rows), *shape))
        statement.residual([inputs[name] for name in statement.inputs], out)
        return dict(zip(statement.rows, out, strict=True))

    return evaluate
