"""Faulty vehicles of another model than the one that diagnoses them, so that the benchmark does not flatter itself.

All at once, in every vehicle: a fan of the other type (axial for forward-curved, and the other way round), every wire half as
long or half as long again, a load on the motor's feed that nobody has drawn (2 to 24 W), numbers that stray with tails
(Student's t of four degrees of freedom in place of their shapes; a joint, which scatters by a factor, by three standard
deviations at most: one that is eight times as bad as a good one is a fault), and a meter that is off by twice its limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchmarks.faulty_vehicles import Case, draw_cases, write_down
from circuitsim.elements import AxialFan, Element, ForwardCurvedFan, Resistor
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Meter, Task
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.studies.evidence import Findings
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.priors import Prior

__all__ = ["NOBODY_DREW", "other_circuit", "other_vehicles"]

LOAD = "load-that-nobody-drew"
NOBODY_DREW = "spliced-in-load"
"""The kind of fault that the load is to the library; who names it is not wrong."""
WATTS = (2.0, 24.0)
TAIL = 4  # degrees of freedom
FURTHEST, FURTHEST_JOINT = 8.0, 3.0  # standard deviations that no number strays beyond
BUILDS = 10  # vehicles of one build (lengths and load)


def other_circuit(circuit: Circuit, rng: np.random.Generator) -> Circuit:
    """Build the circuit otherwise: type of the fan, lengths of the wires, one more load."""
    net = circuit.net.copy()
    for name, element in net.elements.items():
        if isinstance(element, ForwardCurvedFan):
            net.elements[name] = _other_fan(element)
        elif element.kind == "wire":
            element.values["length"] *= float(rng.choice([0.5, 1.5]))
    low, high = np.log(WATTS)
    watts = float(np.exp(rng.uniform(low, high)))
    net.add(Resistor(LOAD, circuit.node("MOT+"), net.ground, resistance=circuit.nominal**2 / watts))
    return replace(circuit, net=net)


def _other_fan(fan: ForwardCurvedFan) -> Element:
    """Give a fan of the other type that takes the same torque at its speed, with what its type draws when blocked."""
    kind = ForwardCurvedFan if isinstance(fan, AxialFan) else AxialFan
    kept = {p.name: fan.values[p.name] for p in fan.parameters if p.name != "shutoff_torque"}
    other = kind(fan.name, **fan.nodes, **kept)
    other.tolerances.update({p: t for p, t in fan.tolerances.items() if p in kept})
    return other


def other_vehicles(
    table: FaultTable, prior: Prior, tests: Sequence[Task], meter: Meter, count: int, seed: int
) -> list[tuple[Case, Findings]]:
    """Draw vehicles with faults of the table, build them otherwise, solve them, and write down what the meter shows."""
    rng = np.random.default_rng([seed, 7])
    found: list[tuple[Case, Findings]] = []
    joints = np.array([t.kind == "lognormal" for t in table.bench.tolerances])
    filed = table.bench.filed
    drawn = [_astray(case, joints, filed, rng) for case in draw_cases(table, prior, count, seed)]
    for first in range(0, count, BUILDS):
        built = other_circuit(table.circuit, np.random.default_rng([seed, 8, first]))
        bench = FaultBench(built, tests, meter, table.faults)
        some = [_named(case, table.bench, bench) for case in drawn[first : first + BUILDS]]
        found += zip(some, write_down(bench, some, list(range(len(tests))), tests, meter), strict=True)
    return found


def _astray(case: Case, joints: NDArray[np.bool_], filed: NDArray[np.bool_], rng: np.random.Generator) -> Case:
    furthest = np.where(joints, FURTHEST_JOINT, FURTHEST)[filed]
    strays = np.zeros(filed.size)
    strays[filed] = np.clip(rng.standard_t(TAIL, furthest.size), -furthest, furthest)
    gains = {unit: 2.0 * float(np.sign(g)) for unit, g in case.gains.items()}
    return replace(case, strays=strays, gains=gains)


def _named(case: Case, drawn: FaultBench, bench: FaultBench) -> Case:
    """Put the strays of a case into the order of another bench's numbers."""
    by_name = dict(zip(drawn.what, case.strays, strict=True))
    return replace(case, strays=np.array([by_name.get(name, 0.0) for name in bench.what]))
