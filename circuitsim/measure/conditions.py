"""The conditions of a reading: what is switched on, unplugged, fitted; and the netlist on the bench for them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from circuitsim.elements import Jumper, Lamp, Leak
from circuitsim.elements.base import Element
from circuitsim.errors import InputError, UnknownNameError, nearest, shown, with_place
from circuitsim.library.circuit import Circuit
from circuitsim.network import Netlist
from circuitsim.quantities import format_quantity, parse

__all__ = ["PINNED", "TEST_LAMP", "Bench", "Conditions", "Fitted", "duration", "make_bench", "read_since"]

TEST_LAMP = {"power": 5.0, "voltage": 12.0}
"""The test lamp: 5 W at 12 V (a usual filament lamp; common practice, no source). Takes the circuit's voltage."""
_STATES = ("cold", "warm")
_LASTING = (1e-3, 360_000.0)  # s; before that nobody reads a meter, after that all is warm
PINNED = 1e-11  # S; keeps a floating part's voltage defined, a ten-thousandth of a 10 MΩ meter


@dataclass(frozen=True)
class Fitted:
    """Something put across two points: a fused jumper or a lamp."""

    kind: str
    red: str
    black: str

    @classmethod
    def read(cls, text: str) -> Fitted:
        """Read ``KIND:A:B``, such as ``jumper:MOT-:GND``; InputError when it has another form."""
        parts = text.split(":")
        if len(parts) != 3 or not all(parts):
            raise InputError(f"{shown(text)} is not KIND:A:B, such as jumper:MOT-:GND", key="fit")
        if parts[0] not in ("jumper", "lamp"):
            raise UnknownNameError("thing to fit", parts[0], ("jumper", "lamp"))
        return cls(*parts)

    def __str__(self) -> str:
        """Give the form that `read` takes."""
        return f"{self.kind}:{self.red}:{self.black}"


@dataclass(frozen=True)
class Conditions:
    """Everything that a reading depends on, besides the step and where the leads are.

    ignition: "on" or "off"; engine: "off" or "running" (a charger connected counts as running); ambient: °C;
    since: "cold" (just switched on, all bodies at ambient), "warm" (temperatures settled), or for how long it has been on,
    s; supply: measured battery voltage, V, or None for the circuit's own battery; supply_at: the step at which it was
    measured, or "rest" for ignition off; unplugged: connectors; fitted: jumpers and lamps; faults: those of the circuit.
    """

    ignition: str = "on"
    engine: str = "off"
    ambient: float = 20.0
    since: str | float = "cold"
    supply: float | None = None
    supply_at: str = "off"
    unplugged: tuple[str, ...] = ()
    fitted: tuple[Fitted, ...] = ()
    faults: tuple[str, ...] = ()

    @classmethod
    def read(
        cls, circuit: Circuit, *, supply: Any = None, supply_at: str = "off", ambient: Any = None, engine: str = "off",
        ignition: str = "on", since: str | float = "cold", unplug: Iterable[str] = (), fit: Iterable[str] = (),
    ) -> Conditions:  # fmt: skip
        """Read conditions as people give them: SI floats or text with units.

        Raises UnknownNameError or InputError, naming the option, for anything that is not accepted.
        """
        _one_of("engine", engine, ("off", "running"))
        _one_of("ignition", ignition, ("on", "off"))
        since = read_since(since)
        if supply_at != "rest":
            circuit.step_index(supply_at)
        unplugged = (unplug,) if isinstance(unplug, str) else tuple(unplug)
        for name in unplugged:
            circuit.connector(name)
        if ignition == "off" and engine == "running":
            raise InputError("the engine does not run with the ignition off", key="ignition")
        # Half to one and a half of nominal: below, nothing works as charted; above, no such battery or charger.
        low, high = 0.5 * circuit.nominal, 1.5 * circuit.nominal
        measured = None if supply is None else _within(parse(supply, "V"), low, high, "V", "supply")
        air = 20.0 if ambient is None else _within(parse(ambient, "°C"), -55.0, 125.0, "°C", "ambient")
        fitted = tuple(Fitted.read(f) for f in ((fit,) if isinstance(fit, str) else fit))
        for f in fitted:
            if circuit.node(f.red) == circuit.node(f.black):
                raise InputError(f"{f}: both ends are on one point; accepted: two points", key="fit")
        return cls(ignition, engine, air, since, measured, supply_at, tuple(sorted(set(unplugged))), fitted, circuit.faults)

    def but(self, **changes: Any) -> Conditions:
        """Give the same with changes."""
        return replace(self, **changes)

    def record(self) -> dict[str, Any]:
        """Give plain values for JSON: SI units, °C."""
        return {
            "ignition": self.ignition, "engine": self.engine, "ambient": self.ambient, "since": self.since,
            "supply": self.supply, "supply_at": self.supply_at if self.supply is not None else None,
            "unplugged": list(self.unplugged), "fitted": [str(f) for f in self.fitted],
            "faults": list(self.faults),
        }  # fmt: skip

    def sentence(self, heat: str = "") -> str:
        """Say them in one line; heat: said in place of for how long it has been on."""
        parts = [
            f"ignition {self.ignition}",
            f"engine {self.engine}",
            f"{format_quantity(self.ambient, '°C')} around",
        ]
        if heat:
            parts.append(heat)
        elif isinstance(self.since, str):
            parts.append("just switched on" if self.since == "cold" else "warmed up")
        else:
            parts.append(f"{duration(self.since)} after switching on")
        if self.supply is not None:
            where = "ignition off" if self.supply_at == "rest" else f"step {self.supply_at}"
            parts.append(f"battery measured {format_quantity(self.supply, 'V', 4)} ({where})")
        parts += [f"{name} unplugged" for name in self.unplugged]
        parts += [f"{f.kind} from {f.red} to {f.black}" for f in self.fitted]
        parts += [f"with {' and '.join(self.faults)}"] if self.faults else []
        return ", ".join(parts)


def read_since(given: Any) -> str | float:
    """Read for how long a circuit has been on: "cold", "warm", or a time in s, which text gives with its unit.

    Raises UnknownNameError for another word, QuantityError or InputError for a time that can't be read or is out of range.
    """
    text = given.strip() if isinstance(given, str) else ""
    if text.lower() in _STATES:
        return text.lower()
    if isinstance(given, str) and not re.match(r"[-+.0-9]", text):
        words = (*_STATES, f"a time such as 10s or 2min, up to {duration(_LASTING[1])}")
        raise UnknownNameError("time on", given, words, suggestion=nearest(text, _STATES), key="since")
    try:
        found = parse(given, "s")
    except InputError as error:
        raise with_place(error, key="since") from None
    if not _LASTING[0] <= found <= _LASTING[1]:
        typed = text or duration(found)
        what = f"{shown(typed)} is out of range; accepted: cold, warm, or a time from 1 ms to {duration(_LASTING[1])}"
        raise InputError(what, key="since")
    return found


def duration(seconds: float) -> str:
    """Say a time in the unit in which it is short: 90 s, 2 min, 1.5 h."""
    for size, step, unit in ((3600.0, 1800.0, "h"), (60.0, 60.0, "min")):
        if seconds >= size and seconds % step == 0:
            return f"{seconds / size:g} {unit}"
    return format_quantity(seconds, "s", 6)


def _one_of(option: str, found: str, accepted: tuple[str, ...]) -> None:
    if found not in accepted:
        raise UnknownNameError(option, found, accepted)


def _within(value: float, low: float, high: float, unit: str, option: str) -> float:
    if not low <= value <= high:
        span = f"{format_quantity(low, unit)} to {format_quantity(high, unit)}"
        raise InputError(f"{format_quantity(value, unit)} is out of range, accepted: {span}", key=option)
    return value


@dataclass(frozen=True)
class Bench:
    """A circuit as it lies on the bench: connectors parted, things fitted; and which nodes then float."""

    net: Netlist
    floating: frozenset[str]


def make_bench(
    circuit: Circuit,
    unplugged: Iterable[str] = (),
    fitted: Iterable[Fitted] = (),
    extra: Iterable[Element] = (),
) -> Bench:
    """Part connectors (a mated pin is two nodes), fit things, add instruments, and pin what floats.

    A part with no direct-current path to ground is held near 0 V by a leakage of 10 pS, stated here, so that a meter
    on it reads what a meter on a dead pin does.
    """
    gone = [pin for name in unplugged for pin in circuit.connector(name).pins]
    net = circuit.net.copy(without=gone)
    for k, f in enumerate(fitted):
        net.add(_fitting(circuit, f, k))
    for element in extra:
        net.add(element)
    bare = net.copy(without=[e.name for e in extra])
    floating = frozenset(node for group in bare.floating() for node in group)
    for k, group in enumerate(bare.floating()):
        net.add(Leak(f"float-{k + 1}", group[0], net.ground, conductance=PINNED))
    return Bench(net, floating)


def _fitting(circuit: Circuit, f: Fitted, k: int) -> Element:
    red, black = circuit.node(f.red), circuit.node(f.black)
    if f.kind == "jumper":
        return Jumper(f"jumper-{k + 1}", red, black)
    voltage = 12.0 if circuit.nominal < 18 else 24.0
    return Lamp(f"lamp-{k + 1}", red, black, power=TEST_LAMP["power"], voltage=voltage)
