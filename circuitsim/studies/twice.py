"""One place that was read more than once, in one state, with values that differ: one is wrong, or something comes and goes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from circuitsim.measure import INSTRUMENTS, Meter, Task
from circuitsim.studies.evidence import Shown, TakenReading

__all__ = ["read_twice"]

_DRIFTS = 0.03  # share of a reading by which it may change while a circuit warms and a battery sags (assumed)
_LEAST = {"A": 0.2}  # A; so far a clamp's zero wanders (assumed)


def read_twice(readings: Sequence[TakenReading], meter: Meter) -> list[tuple[tuple[int, ...], str]]:
    """Find places that were read more than once with values further apart than the meter and a warming circuit explain.

    Leads the other way round are the same place. A display that was seen to jump says itself that something comes and goes.

    Returns
    -------
    For each such place the numbers of its readings, in order, and what to say: '8.1 V and 12.1 V; one of them is wrong, …'.
    """
    places: dict[Task, list[int]] = {}
    for k, reading in enumerate(readings):
        places.setdefault(_one_way(reading.task), []).append(k)
    found = []
    for numbers in places.values():
        task = readings[numbers[0]].task
        shown = [_signed(readings[k], task) for k in numbers]
        kinds = {one.kind for one in shown}
        if len(shown) < 2 or "unstable" in kinds or not _differ(shown, meter, INSTRUMENTS[task.instrument]):
            continue
        found.append((tuple(numbers), _sentence(shown, INSTRUMENTS[task.instrument])))
    return found


def _one_way(task: Task) -> Task:
    """Give a task with its leads in one order, whichever way they were put."""
    return replace(task, red=min(task.red, task.black), black=max(task.red, task.black))


def _signed(reading: TakenReading, first: Task) -> Shown:
    """Give what a reading would have shown with its leads as they were at first."""
    turned = reading.shown.kind == "number" and reading.task.red != first.red
    return replace(reading.shown, value=-reading.shown.value) if turned else reading.shown


def _differ(shown: Sequence[Shown], meter: Meter, unit: str) -> bool:
    kinds = {one.kind for one in shown}
    if len(kinds) > 1:
        return True
    if kinds == {"number"}:
        low, high = min(one.value for one in shown), max(one.value for one in shown)
        size = max(abs(low), abs(high))
        slack = 2 * (meter.limit(low, unit) + meter.limit(high, unit)) + _DRIFTS * size + max(one.digit for one in shown)
        return high - low > slack + _LEAST.get(unit, 0.0)
    return len({one.look for one in shown}) > 1


def _sentence(shown: Sequence[Shown], unit: str) -> str:
    """Say what was shown and what to do; what comes and goes is written as it is read."""
    texts = list(dict.fromkeys(one.text(unit) for one in shown))
    told = f"{', '.join(texts[:-1])} and {texts[-1]}: one of them is wrong, or something comes and goes"
    if {one.kind for one in shown} != {"number"}:
        return told
    low, high = min(one.value for one in shown), max(one.value for one in shown)
    both = Shown("unstable", low=low, high=high, digit=min(one.digit for one in shown))
    return f"{told}; then write it as one reading, '{both.text(unit)}'"
