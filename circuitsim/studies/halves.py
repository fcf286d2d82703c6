"""The wrong half of a plug: what was shown fits no suspect there, and the pin's other half is where it would be read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from circuitsim.library.circuit import Circuit
from circuitsim.measure import INSTRUMENTS, Task
from circuitsim.measure.faults import Fault
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.studies.likelihood import Likelihood, shared_by
from circuitsim.studies.swapped import FAR, FITS, misfits, suited

if TYPE_CHECKING:
    from circuitsim.studies.diagnose import Diagnosing

__all__ = ["wrong_half"]

Array = NDArray[np.float64]
_HALVES = {"harness": "part", "part": "harness"}
_PLACES = 5  # severities at which a suspect is looked at
_DEAD, _STRAY = 1e-3, 0.05  # V; a pin that reads less is dead, and what a meter may pick up there (assumed)


def wrong_half(work: Diagnosing) -> dict[int, str]:
    """Say of readings at a parted plug that they look like the pin's other half: number of the reading → '… would fit'.

    As with leads that are swapped: only where a reading fits neither the healthy circuit nor any suspect of some chance.
    """
    numbers = work.likelihood.numbers.tolist()
    parted = [(j, k, lead) for j, k in enumerate(numbers) for lead in _on_parted(work.circuit, work.readings[k].task)]
    if not parted:
        return {}
    far = misfits(work) > FAR
    doubted = [(k, lead) for j, k, lead in parted if far[j]]
    if not doubted:
        return {}
    offs = _offs(work, [replace(work.readings[k].task, **_moved(work.readings[k].task, lead)) for k, lead in doubted], doubted)
    return {
        k: f"wrong half of the plug? on {_other(lead)} it would fit"
        for (k, lead), off in zip(doubted, offs.tolist(), strict=True) if off < FITS
    }  # fmt: skip


def _on_parted(circuit: Circuit, task: Task) -> list[str]:
    """Give the leads of a reading that are on one half of a pin whose plug is parted."""
    gone = {pin for name in task.conditions.unplugged for pin in circuit.connector(name).pins}
    leads = ((lead, *lead.partition("/")[::2]) for lead in (task.red, task.black))
    return [lead for lead, pin, half in leads if pin in gone and half in _HALVES]


def _other(lead: str) -> str:
    pin, _, half = lead.partition("/")
    return f"{pin}/{_HALVES[half]}"


def _moved(task: Task, lead: str) -> dict[str, str]:
    return {"red": _other(lead)} if task.red == lead else {"black": _other(lead)}


def _offs(work: Diagnosing, tasks: Sequence[Task], doubted: Sequence[tuple[int, str]]) -> Array:
    """Give how far what was shown is off what suits it best at other places, in standard deviations, (places,)."""
    taken = [replace(work.readings[k], task=task) for (k, _), task in zip(doubted, tasks, strict=True)]
    bench = FaultBench(work.circuit, tasks, work.meter, work.table.faults)
    shown = bench.show(_vehicles(work))
    shared = shared_by(shown.spread)
    places = np.arange(len(tasks))
    shared[:, places, places] += np.where(np.abs(shown.value) < _DEAD, _STRAY**2, 0.0)
    likelihood = Likelihood(taken, work.meter, work.circuit.nominal)
    off = np.abs(likelihood.apart(shown.value, shared))
    # Where a display would be overloaded a number fits nothing, however wide slopes make what is predicted.
    most = np.array([work.meter.ranges(INSTRUMENTS[t.instrument])[-1].full_scale for t in tasks])
    return np.asarray(np.where(np.abs(np.nan_to_num(shown.value, nan=np.inf)) <= most, off, np.inf).min(axis=0))


def _vehicles(work: Diagnosing) -> list[tuple[Fault, ...]]:
    """Give what the readings may suit, each suspect at some severities that are open."""
    found: list[tuple[Fault, ...]] = []
    for course, shares in suited(work):
        places = np.linspace(shares[0], shares[-1], _PLACES) if course.graded else shares[:1]
        found += [course.make(float(x)) for x in places]
    return found
