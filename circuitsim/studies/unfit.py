"""Readings that no good circuit of a kind would give: not what a file is fitted to, but what a diagnosis is made of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from circuitsim.studies.fit import FittedNumber, FittedReading

__all__ = ["far_off", "unfit"]

_STRANGE = 1e-3  # chance of readings so far off from a good circuit, below which that is said
_FAR = 4.0  # standard deviations; a number that must be so far from nominal is named
_OFF, _LISTED = 2.5, 3  # standard deviations from which on a reading is named as far off, and how many are


def far_off(numbers: Sequence[FittedNumber]) -> list[str]:
    """Name the numbers that had to go far outside their tolerances."""
    return [n.name for n in numbers if abs(n.off) > _FAR]


def unfit(chance: float, numbers: Sequence[FittedNumber], readings: Sequence[FittedReading]) -> str:
    """Say so where readings look like those of a faulty circuit, and which are worst; '' where a good one gives such.

    chance: that good vehicles misfit so much (chi-square). Many readings that fit hide one part that has to be far from what it
    should be, so that counts too.
    """
    if chance >= _STRANGE and not far_off(numbers):
        return ""

    def size(r: FittedReading) -> float:
        # What is off by what the file says, or by what the other readings let expect: one fault may draw all of them along.
        return max(abs(r.off_before), abs(r.off))

    worst = sorted((r for r in readings if r.used and math.isfinite(size(r))), key=size, reverse=True)
    named = [f"{r.placed} ({max(r.off_before, r.off, key=abs):+.0f} standard deviations)" for r in worst if size(r) > _OFF]
    told = f"; worst: {'; '.join(named[:_LISTED])}" if named else ""
    return (
        "these readings look like a faulty circuit: no good one of this kind gives them within its tolerances. Run 'diagnose' "
        f"first, or take the file of the right kind{told}"
    )
