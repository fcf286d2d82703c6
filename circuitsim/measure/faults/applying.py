"""The faulty circuit: a circuit like any other, on which every study works."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from circuitsim.elements import Leak
from circuitsim.library.circuit import Circuit, StepTable
from circuitsim.measure.faults.finding import Fault, PossibleFault, find_faults, read_fault
from circuitsim.measure.faults.kinds import Change
from circuitsim.network import Netlist

__all__ = ["with_faults"]


def with_faults(circuit: Circuit, faults: Iterable[Fault | str]) -> Circuit:
    """Give the circuit with faults in it; text is read as of `read_fault`.

    Raises UnknownNameError or InputError for a fault that the circuit can't have. What a fault scales keeps its tolerance;
    what it sets or adds to is known as given, and has none.
    """
    given = list(faults)
    if not given:
        return circuit
    known = find_faults(circuit)
    read = [read_fault(circuit, fault if isinstance(fault, str) else str(fault), known) for fault in given]
    exact = [fault if isinstance(fault, Fault) else again for fault, again in zip(given, read, strict=True)]
    names = tuple(str(fault) for fault in exact)
    faulty = replace(
        circuit, net=circuit.net.copy(), step_tables=dict(circuit.step_tables), switched=dict(circuit.switched),
        faults=(*circuit.faults, *names),
    )  # fmt: skip
    for number, (fault, again) in enumerate(zip(exact, read, strict=True), start=len(circuit.faults) + 1):
        _put(faulty, known[again.name], fault, number)
    return faulty


def _put(circuit: Circuit, possible: PossibleFault, fault: Fault, number: int) -> None:
    """Put one fault into a circuit that is ours to change."""
    severity = np.array([fault.severity])
    for change in possible.effect.changes:
        _change(circuit, change, severity)
    for k, tap in enumerate(possible.effect.taps):
        ohms = float(tap.ohms(severity)[0])
        circuit.net.add(Leak(f"fault-{number}-path-{k + 1}", tap.red, tap.black, conductance=1 / ohms))


def _change(circuit: Circuit, change: Change, severity: np.ndarray) -> None:
    net: Netlist = circuit.net
    element = net.elements[change.element]
    tables, key = circuit.step_tables, change.key
    if change.step is not None or key in tables:
        table = tables.get(key) or StepTable(
            (element.values[change.parameter],) * len(circuit.steps), (None,) * len(circuit.steps)
        )
        chosen = [change.step in (None, step) for step in circuit.steps]
        values = tuple(
            float(change.applied(v, severity)[0]) if c else v for v, c in zip(table.values, chosen, strict=True)
        )  # fmt: skip
        kept = tuple(
            t if not c or change.how == "times" else None for t, c in zip(table.tolerances, chosen, strict=True)
        )  # fmt: skip
        tables[key] = StepTable(values, kept)  # type: ignore[index]
        return
    circuit.switched.pop(key, None)  # type: ignore[attr-defined]
    element.values[change.parameter] = float(change.applied(element.values[change.parameter], severity)[0])
    if change.how != "times":
        element.tolerances.pop(change.parameter, None)
