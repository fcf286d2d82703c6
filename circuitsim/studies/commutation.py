"""Commutation ripple on a brushed motor's current: its size, its frequency, and the speed that a clamp and a scope give.

As the bars of the commutator pass under the brushes the back-EMF has a hump a bar: e = E·(cos θ/mean - 1) with θ from -π/p to
π/p, p = lcm(bars, brushes) humps a turn (mathematics of rectified sines; real commutators add spikes). Its current is what the
winding's R-L lets through. So speed = 60·f/p in rpm, f from the largest line in the spectrum (common practice with a clamp and
a scope: count the humps of one turn).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.errors import InputError
from circuitsim.measure.traces import Trace

__all__ = ["Commutator", "current_ripple", "ripple_frequency"]

Array = NDArray[np.float64]
_POINTS = 33  # in one hump
_LOBE = 6  # lines beside a strong one that are its own: the window's main lobe is four on either side
_MULTIPLES = 200  # of a chopping frequency that are looked away from
_WORTH = 4.0  # times the median of the spectrum: what stands out


@dataclass(frozen=True)
class Commutator:
    """Bars and brushes; two brushes or more.

    Raises InputError for fewer than three bars or two brushes, or numbers past 200.
    """

    bars: int
    brushes: int = 2

    def __post_init__(self) -> None:
        for key, number, least in (("bars", self.bars, 3), ("brushes", self.brushes, 2)):
            if not (isinstance(number, int) and least <= number <= 200):
                raise InputError(f"{number} {key}; accepted: {least} to 200", key=key)

    @property
    def humps(self) -> int:
        """Humps of the current in one turn."""
        return math.lcm(self.bars, self.brushes)

    def frequency(self, speed: float) -> float:
        """Humps a second at a speed, rad/s."""
        return self.humps * abs(speed) / math.tau

    def speed(self, frequency: float) -> float:
        """Speed at so many humps a second, rad/s."""
        return math.tau * frequency / self.humps


def current_ripple(commutator: Commutator, speed: float, back_emf: float, resistance: float, inductance: float) -> Trace:
    """Give the current that the humps of the back-EMF drive, A, with no average, over one hump.

    speed: rad/s, above zero; back_emf: its average, V; resistance, inductance: of the winding, the rest of the loop left out,
    so that the ripple is rather larger than in the vehicle.

    Raises InputError when the motor stands.
    """
    if not abs(speed) > 0:
        raise InputError("a motor that stands has no commutation ripple", key="bars")
    half = math.pi / commutator.humps
    angle = np.linspace(-half, half, _POINTS)
    period = 1 / commutator.frequency(speed)
    shape = np.cos(angle)
    plain = Trace(np.linspace(0, period, _POINTS), shape, periodic=True)
    drive = -back_emf * (shape / plain.figures.mean - 1) / resistance
    humps = Trace(plain.times, drive, periodic=True)
    return Trace(humps.times, humps.filtered(inductance / resistance), periodic=True)


def ripple_frequency(samples: Array, interval: float, avoid: float = 0.0) -> float:
    """Find the frequency of the strongest ripple in samples, Hz; NaN where nothing stands out.

    Four-term Blackman-Harris window, whose sidelobes lie 92 dB down (F. J. Harris, Proc. IEEE 66 (1978) 51): next to a chopping
    line a thousand times as strong, those of a Hann window hide the ripple. The largest line that is higher than its
    neighbours, refined by the parabola through the logarithms of the three (good to some hundredths of a line). avoid: a
    frequency, with its multiples and what the sampling makes of them, that is no ripple of the commutator: that of a chopping
    stage.
    """
    from scipy.signal.windows import blackmanharris

    n = samples.size
    lines = np.abs(np.fft.rfft((samples - samples.mean()) * blackmanharris(n, sym=False)))
    frequency: Array = np.fft.rfftfreq(n, interval).astype(float)
    width = _LOBE * (frequency[1] - frequency[0])
    usable = frequency > width
    if avoid > 0:
        usable &= _apart(frequency, avoid, interval) > width
    if not usable.any():
        return math.nan
    peak = np.zeros(lines.size, bool)
    peak[1:-1] = (lines[1:-1] > lines[:-2]) & (lines[1:-1] >= lines[2:])
    seen = np.where(usable & peak, lines, 0.0)
    k = int(np.argmax(seen))
    size = max(float(np.abs(samples).max()), 1e-12) * n
    if seen[k] < 1e-9 * size or seen[k] < _WORTH * float(np.median(lines[usable])):
        return math.nan
    a, b, c = np.log(np.maximum(lines[k - 1 : k + 2], 1e-300))
    return float((k + 0.5 * (a - c) / (a - 2 * b + c)) * (frequency[1] - frequency[0]))


def _apart(frequency: Array, avoid: float, interval: float) -> Array:
    """Distance of each frequency from the nearest multiple of one, as samples at an interval fold them, Hz."""
    multiples = avoid * np.arange(1, _MULTIPLES + 1)
    folded = np.sort(np.abs(multiples - np.round(multiples * interval) / interval))
    above = np.searchsorted(folded, frequency)
    beside = [np.abs(frequency - folded[np.clip(j, 0, folded.size - 1)]) for j in (above - 1, above)]
    return np.asarray(np.minimum(*beside))
