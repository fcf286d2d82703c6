"""Draws of a circuit's uncertain numbers: scrambled Sobol points, one vehicle a point, seeded chunk by chunk."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.library.circuit import Circuit
from circuitsim.network import Netlist
from circuitsim.quantities import Tolerance

__all__ = ["Uncertain", "corner", "draw", "uncertain_numbers"]

Array = NDArray[np.float64]
Key = tuple[str, str]


@dataclass(frozen=True)
class Uncertain:
    """One uncertain number of a vehicle: a parameter, at one step only where it belongs to that step (a rung, say)."""

    key: Key
    step: int | None
    nominal: float
    tolerance: Tolerance
    low: float
    high: float

    @property
    def name(self) -> str:
        """What it is, such as ``X4.A.resistance`` or ``S2.resistance at step 2``; the step counts from 0."""
        return ".".join(self.key) if self.step is None else f"{'.'.join(self.key)}[{self.step}]"

    def at(self, standard: Any) -> Any:
        """Give the value at a standardised deviate: uniform in ±√3, or normal with deviation 1."""
        t = self.tolerance
        moved = (
            self.nominal * np.exp(t.log_sigma * standard)
            if t.kind == "lognormal"
            else self.nominal + t.standard(self.nominal) * standard
        )
        return np.clip(moved, self.low, self.high)


def uncertain_numbers(circuit: Circuit, net: Netlist, known: Mapping[Key, tuple[float, Tolerance]]) -> tuple[Uncertain, ...]:
    """List every number with a tolerance on a bench; `known` replaces nominal value and tolerance of some."""
    found: list[Uncertain] = []
    for e in net.elements.values():
        for p in e.parameters:
            key = (e.name, p.name)
            if key in known:
                found.append(Uncertain(key, None, *known[key], p.low, p.high))
            elif key in circuit.step_tables:
                table = circuit.step_tables[key]
                found += [
                    Uncertain(key, k, v, t, p.low, p.high)
                    for k, (v, t) in enumerate(zip(table.values, table.tolerances, strict=True))
                    if t is not None
                ]
            elif p.name in e.tolerances:
                found.append(Uncertain(key, None, e.values[p.name], e.tolerances[p.name], p.low, p.high))
    return tuple(u for u in found if u.tolerance.standard(u.nominal) > 0)


def draw(numbers: tuple[Uncertain, ...], size: int, seed: int, chunk: int) -> Array:
    """Give standardised deviates, (numbers, size): a Sobol set of its own for each chunk, scrambled by seed and chunk.

    size: a power of two, so that the set is balanced.
    """
    from scipy.special import ndtri
    from scipy.stats import qmc

    if not numbers:
        return np.zeros((0, size))
    sobol = qmc.Sobol(len(numbers), scramble=True, rng=np.random.default_rng([seed, chunk]))
    points = sobol.random(size).T
    normal = np.array([u.tolerance.kind != "uniform" for u in numbers])
    out = np.sqrt(12.0) * (points - 0.5)
    out[normal] = ndtri(np.clip(points[normal], 1e-12, 1 - 1e-12))
    return np.ascontiguousarray(out)


def corner(number: Uncertain, sign: float) -> float:
    """Give the value at the end of a number's range: the limit of a uniform one, else the end of its 95 % interval."""
    reach = np.sqrt(3.0) if number.tolerance.kind == "uniform" else 1.959963984540054
    return float(number.at(sign * reach))
