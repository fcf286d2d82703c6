"""What every test would show with every fault, on a grid of severities: solved once, then used for any readings.

Columns (tests) are solved when they are first asked for, so that the first answer does not wait for tests that nobody has
made; a dialogue that goes on with the same circuit pays for each test once.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from circuitsim.library.circuit import Circuit
from circuitsim.measure import Meter, Task
from circuitsim.measure.faults import Fault, PossibleFault, families
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.studies.likelihood import shared_by
from circuitsim.studies.severities import Course

__all__ = ["LOAD", "FaultTable", "course_of"]

Array = NDArray[np.float64]
LOAD = 12.0
"""Standard deviation of a load that no file has, W (assumed); it counts where room is given for one."""


class FaultTable:
    """Faults × severities × tests of one circuit.

    Parameters
    ----------
    circuit, tasks, meter
        Of what, which tests can be made, and with what.
    faults
        By SITE:KIND.

    Attributes
    ----------
    families : list of lists
        Faults that do the same to the model, one list a course.
    """

    def __init__(self, circuit: Circuit, tasks: Sequence[Task], meter: Meter, faults: Mapping[str, PossibleFault]) -> None:
        self.circuit, self.meter, self.faults = circuit, meter, dict(faults)
        self.tasks = list(dict.fromkeys(tasks))
        self.families = list(families(list(self.faults.values())))
        self.place = {task: k for k, task in enumerate(self.tasks)}
        self._solved = np.zeros(len(self.tasks), bool)

    @cached_property
    def bench(self) -> FaultBench:
        """The circuit with all its faults and tests."""
        return FaultBench(self.circuit, self.tasks, self.meter, self.faults, LOAD)

    @cached_property
    def _starts(self) -> list[tuple[int, float]]:
        """Every solved vehicle: its course and the share of its severity; -1 is healthy."""
        courses = [course_of(family[0], None) for family in self.families]
        return [(-1, 0.5), *((k, x) for k, c in enumerate(courses) for x in c.start())]

    @cached_property
    def _vehicles(self) -> list[tuple[Fault, ...]]:
        courses = [course_of(family[0], None) for family in self.families]
        return [() if k < 0 else courses[k].make(x) for k, x in self._starts]

    @cached_property
    def _arrays(self) -> tuple[Array, Array, Array]:
        size = (len(self._vehicles), len(self.tasks))
        return np.full(size, np.nan), np.zeros((*size, len(self.bench.what))), np.full(size, np.nan)

    @cached_property
    def _blown(self) -> list[tuple[str, ...]]:
        return [()] * len(self._vehicles)

    def fits(self, intermittent: bool, tasks: Sequence[Task]) -> bool:
        """Whether it has the faults that are asked about, and all of some tests."""
        has = any(f.kind.intermittent for f in self.faults.values())
        return has == intermittent and all(task in self.place for task in tasks)

    def columns(self, tasks: Sequence[Task]) -> list[int]:
        """Give the numbers of tests, and see to it that they are solved."""
        wanted = [self.place[task] for task in tasks]
        missing = sorted({k for k in wanted if not self._solved[k]})
        if missing:
            value, spread, speed = self._arrays
            shown = self.bench.show(self._vehicles, missing)
            value[:, missing], spread[:, missing], speed[:, missing] = shown.value, shown.spread, shown.speed
            self._blown[:] = [tuple(sorted({*a, *b})) for a, b in zip(self._blown, shown.blown, strict=True)]
            self._solved[missing] = True
        return wanted

    def courses(self, columns: Sequence[int], factors: Array) -> tuple[Course, list[Course]]:
        """Give the healthy vehicle and every fault along its severity, filled with what is on the grid.

        factors: on the standard deviation of each uncertain number, (numbers,).
        """
        value, spread, speed = (array[:, columns] for array in self._arrays)
        spread = spread * factors
        healthy = Course("healthy", lambda _: (), graded=False)
        courses = [course_of(family[0], healthy if family[0].kind.intermittent else None) for family in self.families]
        rows: dict[int, list[int]] = {}
        for row, (k, _) in enumerate(self._starts):
            rows.setdefault(k, []).append(row)
        for k, members in rows.items():
            course = healthy if k < 0 else courses[k]
            course.share = np.array([self._starts[r][1] for r in members])
            course.value, course.spread, course.speed = value[members], spread[members], speed[members]
            course.shared = shared_by(course.spread)
            course.blown = [self._blown[r] for r in members]
        return healthy, courses


def course_of(fault: PossibleFault, against: Course | None) -> Course:
    """Give one fault along its severity, with nothing solved yet."""

    def make(share: float) -> tuple[Fault, ...]:
        return (fault.fault(float(fault.at(share)) if fault.graded else math.nan),)

    return Course(fault.family, make, graded=fault.graded, against=against)
