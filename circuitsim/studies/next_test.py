"""The next test: the reading from which most is to be learnt in a minute of work.

What is to be learnt is measured on repairs, not on faults: the information (in bits) that a reading gives about what cures the
circuit, its display predicted under each suspect at its plausible severities, given all readings so far. Work is set-up
(plugs, engine, leads) plus seconds a reading, so that leads left in place make the other steps nearly free. Minutes are
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.errors import InputError, UnknownNameError
from circuitsim.measure import INSTRUMENTS, Conditions, Meter, Task, lamp_look
from circuitsim.studies.chart import Reading

__all__ = [
    "TOLD", "Choice", "Look", "Minutes", "check_excluded", "choose", "excluded", "look_at", "one_a_place",
]  # fmt: skip

Array = NDArray[np.float64]
TOLD = 0.01
"""Bits; a test that tells less is not worth making."""
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True)
class Minutes:
    """Minutes of work.

    To put leads somewhere; to part or join a plug; to fit a jumper or a lamp, or take it off; to start or stop the engine; to
    switch; to read.
    """

    leads: float = 0.5
    clamp: float = 0.4
    plug: float = 2.0
    fit: float = 1.0
    engine: float = 0.5
    switch: float = 0.05
    read: float = 0.1

    def between(self, last: Task | None, test: Task) -> float:
        """Give the work from the state of one reading to another reading."""
        then, now = (last.conditions if last else None), test.conditions
        plugs = len(set(then.unplugged if then else ()) ^ set(now.unplugged))
        fitted = len(set(then.fitted if then else ()) ^ set(now.fitted))
        total = self.read + self.plug * plugs + self.fit * fitted
        total += self.engine * ((then.engine if then else "off") != now.engine)
        total += self.switch * ((then.ignition if then else "on") != now.ignition)
        total += self.switch * (last is not None and last.step != test.step)
        if last is None or (last.red, last.black, last.at) != (test.red, test.black, test.at):
            total += self.clamp if test.at else self.leads
        return total

    def look(self, last: Task | None, at: Task) -> float:
        """Give the work from the state of one reading to a look at the fan; at: see `look_at`. Leads stay where they are."""
        if last is None:
            return self.between(None, at) - self.leads + self.switch
        return self.between(last, replace(at, red=last.red, black=last.black, at=last.at))


def look_at(step: str, conditions: Conditions) -> Task:
    """Give a look at the fan in the form of other tests: no leads, and no instrument but the eyes."""
    return Task(step, conditions, "look")


class _Ranked:
    """What tests and looks have in common; bits, minutes, expected: as of `Choice`."""

    bits: float
    minutes: float
    expected: tuple[tuple[str, str], ...]

    @property
    def rate(self) -> float:
        """Bits a minute: what tests are ranked by."""
        return self.bits / self.minutes

    @property
    def ranges(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """What would be shown or seen, with the suspects under which it is, in the order of the suspects."""
        return _by_reading(self.expected)


@dataclass(frozen=True)
class Look(_Ranked):
    """A look at the fan at a step.

    bits: expected information about the repair; minutes: of work; typed: what can be typed of it; expected: (suspect, how the
    fan is then seen to turn).
    """

    step: str
    bits: float
    minutes: float
    typed: tuple[str, ...]
    expected: tuple[tuple[str, str], ...] = ()

    def record(self) -> dict[str, Any]:
        """Give plain values for JSON."""
        return {
            "test": f"fan at step {self.step}", "label": "look at the fan", "step": self.step, "bits": self.bits,
            "minutes": self.minutes, "typed": list(self.typed),
            "expected": [{"suspect": name, "seen": text} for name, text in self.expected],
        }  # fmt: skip


@dataclass(frozen=True)
class Choice(_Ranked):
    """A test to make next.

    task: as it stands among the tests; bits: expected information about the repair; minutes: of work; expected: (suspect, what
    the instrument then shows); turned: whether to put the leads the other way round, so that a good circuit reads positive.
    """

    task: Task
    label: str
    bits: float
    minutes: float
    expected: tuple[tuple[str, str], ...] = field(default=())
    turned: bool = False

    @property
    def asked(self) -> Task:
        """The test as it is asked for: the red lead where a good circuit is higher."""
        return replace(self.task, red=self.task.black, black=self.task.red) if self.turned else self.task

    @property
    def placed(self) -> str:
        """Where and in which state, in words."""
        t = self.asked
        leads = f"clamp on {t.at}" if t.at else f"{t.red} : {t.black}"
        return Reading.place(t.step, leads, t.conditions.unplugged, t.conditions.ignition)

    def record(self) -> dict[str, Any]:
        """Give plain values for JSON."""
        t = self.asked
        return {
            "test": self.placed, "label": self.label, "step": t.step, "unplugged": list(t.conditions.unplugged), "red": t.red,
            "black": t.black, "at": t.at, "instrument": t.instrument, "ignition": t.conditions.ignition,
            "engine": t.conditions.engine, "bits": self.bits, "minutes": self.minutes,
            "bits_a_minute": self.rate,
            "expected": [{"suspect": name, "reading": text} for name, text in self.expected],
        }  # fmt: skip


def _by_reading(expected: Sequence[tuple[str, str]]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    found: dict[str, list[str]] = {}
    for name, text in expected:
        found.setdefault(text, []).append(name)
    return tuple((text, tuple(names)) for text, names in found.items())


def excluded(task: Task, cannot: Sequence[str]) -> bool:
    """Whether a test is one that can't be made: a connector, a lead, RED:BLACK, at:ELEMENT, an instrument."""
    plugs = {place for lead in (task.red, task.black) for place in _on_plug(lead)}
    for text in cannot:
        if text in task.conditions.unplugged or text in (task.red, task.black, task.at, task.instrument) or text in plugs:
            return True
        if text in (f"{task.red}:{task.black}", f"at:{task.at}", f"unplug:{' '.join(task.conditions.unplugged)}"):
            return True
    return False


def _on_plug(lead: str) -> tuple[str, ...]:
    """Give the part and the pin that a lead probes, or one half of it: X4.A and X4.A/part are on X4."""
    pin = lead.partition("/")[0]
    return (pin, pin.rpartition(".")[0]) if "." in pin else ()


def check_excluded(tasks: Sequence[Task], cannot: Sequence[str]) -> None:
    """Raise UnknownNameError for what names none of some tests, and InputError for an empty name."""
    known = dict.fromkeys(
        name
        for t in tasks
        for name in (
            *t.conditions.unplugged,
            t.red,
            t.black,
            f"{t.red}:{t.black}" if t.red else "",
            *_on_plug(t.red),
            *_on_plug(t.black),
            t.at,
            f"at:{t.at}",
            t.instrument,
        )
        if name not in ("", "at:")
    )
    for text in cannot:
        if not text:
            raise InputError("names no test; a plug, a lead, RED:BLACK or at:M1, such as X5 or MOT-:GND", key="cannot")
        if not any(excluded(t, [text]) for t in tasks):
            raise UnknownNameError("test", text, tuple(known), key="cannot")


def choose(
    tasks: Sequence[Task], mean: Array, deviation: Array, weight: Array, classes: NDArray[np.intp], last: Task | None,
    minutes: Minutes, meter: Meter, span: Sequence[float],
) -> list[tuple[int, float, float]]:  # fmt: skip
    """Rank tests by information a minute.

    Parameters
    ----------
    tasks
        That could be made.
    mean, deviation
        What each vehicle's reading would be, and its standard deviation with all tolerances, (vehicles, tests).
    weight, classes
        Posterior weight of each vehicle (their sum may fall short of 1 by what is something else), and the number of the
        repair that cures it.
    last
        The reading before.
    span
        How far anything else may lie, one a test.

    Returns
    -------
    (number of the test, bits, minutes), the best first.
    """
    found = []
    for k, task in enumerate(tasks):
        if task.instrument == "lamp":
            bits = _bits_of_looks(mean[:, k], weight, classes)
        else:
            bits = _bits(mean[:, k], _with_meter(mean[:, k], deviation[:, k], task, meter), weight, classes, span[k])
        found.append((k, bits, minutes.between(last, task)))
    return sorted(found, key=lambda one: -one[1] / one[2])


def one_a_place(ranked: Sequence[tuple[int, float, float]], tasks: Sequence[Task]) -> list[tuple[int, float, float]]:
    """Keep the best step of each place, best first."""
    places: dict[tuple[Any, ...], tuple[int, float, float]] = {}
    for one in ranked:
        t = tasks[one[0]]
        places.setdefault((t.red, t.black, t.at, t.instrument, t.conditions), one)
    return list(places.values())


def _with_meter(mean: Array, deviation: Array, task: Task, meter: Meter) -> Array:
    unit = INSTRUMENTS[task.instrument]
    limits = np.array([meter.limit(float(v), unit) if np.isfinite(v) else 0.0 for v in mean])
    return np.asarray(np.sqrt(np.nan_to_num(deviation) ** 2 + limits**2 / 3 + 1e-18))


def _bits(mean: Array, deviation: Array, weight: Array, classes: NDArray[np.intp], span: float) -> float:
    """Information of a normal reading about the class, by Gauss-Hermite nodes of each vehicle."""
    lost = ~np.isfinite(mean)
    mean, deviation = np.where(lost, 0.0, mean), np.where(lost, span, deviation)
    at = (mean[:, None] + deviation[:, None] * _NODES).ravel()
    z = (at[:, None] - mean) / deviation
    density = weight * np.exp(-0.5 * np.minimum(z**2, 1400.0)) / (deviation * np.sqrt(2 * np.pi))
    total = density.sum(axis=1) + max(0.0, 1 - weight.sum()) / span
    own = np.zeros_like(density)
    for c in np.unique(classes):
        own[:, classes == c] = density[:, classes == c].sum(axis=1, keepdims=True)
    owner = np.repeat(np.arange(mean.size), _NODES.size)
    share = np.array([weight[classes == c].sum() for c in classes])
    ratio = own[np.arange(at.size), owner] / np.maximum(total * share[owner], 1e-300)
    return float((np.repeat(weight, _NODES.size) * np.tile(_WEIGHTS, mean.size) * np.log2(np.maximum(ratio, 1e-12))).sum())


def _bits_of_looks(mean: Array, weight: Array, classes: NDArray[np.intp]) -> float:
    """Information of a lamp's look about the class."""
    looks = np.array([lamp_look(float(v)) for v in mean])
    bits = 0.0
    for look in set(looks.tolist()):
        seen = weight[looks == look].sum()
        for c in np.unique(classes):
            both = weight[(looks == look) & (classes == c)].sum()
            if both > 0:
                bits += both * np.log2(both / (seen * weight[classes == c].sum()) * weight.sum())
    return float(bits)
