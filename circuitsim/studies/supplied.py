"""Readings of a good circuit for tasks of several conditions, each with the supply that it was taken with."""

from __future__ import annotations

from collections.abc import Iterable

from circuitsim.library.circuit import Circuit
from circuitsim.measure import Conditions, Measured, Meter, Task, fitted_supply, measure

__all__ = ["measured_each"]


def measured_each(circuit: Circuit, tasks: Iterable[Task], common: Conditions, meter: Meter) -> dict[Task, Measured]:
    """Take readings, each with its own supply; common: what holds for all that say nothing else, such as a file's conditions.

    Raises InputError for a measured supply that can't be, and SolveError as `measure` does.
    """
    groups: dict[Conditions, list[Task]] = {}
    for task in dict.fromkeys(tasks):
        own = task.conditions
        # What was measured once for all was measured as the file says, not as some reading was taken later.
        source = common if (own.supply, own.supply_at) == (common.supply, common.supply_at) else own
        groups.setdefault(source.but(unplugged=(), fitted=()), []).append(task)
    results: dict[Task, Measured] = {}
    for source, members in groups.items():
        setting, known = fitted_supply(circuit, source, meter)
        results.update(zip(members, measure(circuit, members, meter, setting, known), strict=True))
    return results
