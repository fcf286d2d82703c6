"""Readings that no circuit at its supply could give are challenged where they are read, before anything is made of them."""

from __future__ import annotations

from circuitsim.errors import InputError, shown
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Task
from circuitsim.quantities import format_quantity
from circuitsim.studies.displays import Shown

__all__ = ["check_volts", "most_volts"]

_OVER, _MORE = 1.5, 5.0  # times the supply, as far as a charger may go, and volts on top of that (assumed)


def most_volts(circuit: Circuit, supply: float | None = None) -> float:
    """Give the most that a DC voltage may be between any two points, V, either way.

    From the highest of what feeds the circuit: nominal, battery, charger, and `supply`, the battery as measured.
    """
    sources = (circuit.net.elements.get(name or "") for name in (circuit.supply.battery, circuit.supply.alternator))
    own = [e.values[key] for e in sources if e is not None for key in ("emf", "regulated") if key in e.values]
    return _OVER * max(circuit.nominal, supply or 0.0, *own) + _MORE


def check_volts(circuit: Circuit, task: Task, found: Shown, written: str) -> None:
    """Raise InputError for a DC voltage that no point of the circuit could have; written: as it stands in the row.

    What min and max held is left alone: it may be the kick of a winding.
    """
    if task.instrument != "voltmeter" or found.kind not in ("number", "unstable"):
        return
    most = most_volts(circuit, task.conditions.supply)
    ends = (found.value,) if found.kind == "number" else (found.low, found.high)
    if max(abs(v) for v in ends) > most:
        limit = f"up to {format_quantity(most, 'V', 3)} of DC either way"
        raise InputError(f"{shown(written)} is more than any point of this circuit can show; accepted: {limit}", key="reading")
