"""The points of a batch under conditions: just switched on, warmed up, or on for so long."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.operating import Compiled, Solved
from circuitsim.engine.periodic import chop
from circuitsim.engine.periodic_points import points_of
from circuitsim.engine.points import Points
from circuitsim.engine.sensitivity import Answer, sensitivities
from circuitsim.engine.system import Values

__all__ = ["points_since", "slopes_of", "solved_since"]

Array = NDArray[np.float64]


def solved_since(
    compiled: Compiled, values: Values, since: str | float, *, ambient: Array | float, size: int,
    light: Collection[tuple[str, str]] = (), patient: bool = True,
) -> Solved:  # fmt: skip
    """Solve a batch with its stages averaged; `since` as in `Conditions`.

    After a time on, the state is that of the course of time from key-on at ambient. light: parameters of instruments that
    are put on at the end, since they change nothing that matters before; all others are on all along. patient: as of
    `Compiled.solve`, where no time is given.
    """
    if isinstance(since, str):
        return compiled.solve(values, ambient=ambient, frozen=since == "cold", size=size, patient=patient)
    from circuitsim.engine.reaching import reach  # for this alone

    early = {key: 0.0 if key in light else v for key, v in values.items()}
    late = {key: v for key, v in values.items() if key in light}
    return reach(compiled, early, since, ambient=ambient, size=size, keep=True, late=late)


def points_since(compiled: Compiled, values: Values, since: str | float, **options: Any) -> Points:
    """Solve a batch, chopped circuits to the periodic steady state at the temperatures that they have by then; options as of
    `solved_since`.
    """  # noqa: D205
    return points_of(chop(solved_since(compiled, values, since, **options)))


def slopes_of(solved: Solved, answer: Answer) -> list[Array]:
    """Give the slopes of an answer against every parameter (see `sensitivities`), however the points were reached."""
    if solved.stopped is None:
        return sensitivities(solved, answer)
    from circuitsim.engine.backward import slopes_at
    from circuitsim.engine.reaching import Reached

    return slopes_at(solved, answer) if isinstance(solved, Reached) else sensitivities(solved, answer)
