"""A circuit as the studies see it: a netlist, its steps, what can be probed and unplugged, its standard readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from circuitsim.errors import UnknownNameError
from circuitsim.network import Netlist
from circuitsim.quantities import Tolerance

__all__ = ["Circuit", "Connector", "ProbePoint", "StandardReading", "StepTable", "Supply"]


@dataclass(frozen=True)
class StepTable:
    """A parameter whose value depends on the step: one SI value and one tolerance (or None) a step, in step order."""

    values: tuple[float, ...]
    tolerances: tuple[Tolerance | None, ...]


@dataclass(frozen=True)
class Connector:
    """A connector: its pins are the names of `Pin` elements; what it plugs into; whether a person can unplug it."""

    name: str
    title: str
    pins: tuple[str, ...]
    part: str
    unpluggable: bool = True


@dataclass(frozen=True)
class ProbePoint:
    """A node that a person can reach: name, node, where it is, IEC 60757 colour of its wire ('' if none)."""

    name: str
    node: str
    where: str
    colour: str = ""


@dataclass(frozen=True)
class Supply:
    """Names of the battery and the alternator (or charger) element, and of the nodes where the battery is measured."""

    battery: str
    alternator: str | None
    plus: str
    minus: str


@dataclass(frozen=True)
class StandardReading:
    """One line of the circuit's standard chart.

    label: what it shows, in trade words; instrument: see `circuitsim.library.functions`; red, black: probe points or
    nodes; at: element that a clamp sits on; steps: names of the steps at which it is read; unplugged: connectors;
    ignition: "on" or "off"; rule: the shop's rule of thumb, as text ('' if none); fitted: lamps put on for it alone,
    ``lamp:A:B``; capture: over how long a minimum or maximum is averaged, s (0: for all else).
    """

    label: str
    instrument: str
    red: str = ""
    black: str = ""
    at: str = ""
    steps: tuple[str, ...] = ()
    unplugged: tuple[str, ...] = ()
    ignition: str = "on"
    rule: str = ""
    fitted: tuple[str, ...] = ()
    capture: float = 0.0


@dataclass(frozen=True)
class Circuit:
    """A circuit read from a file or built in Python.

    net: healthy and all plugged; steps: names in order, the first one 'off'; step_tables: (element, parameter) →
    values by step; switched: (element, state parameter) → "ignition" or "engine", the condition that sets it to 1;
    motor: name of the motor element; options: the options it was built with; file: where it came from; faults: those that
    were put into it, as SITE:KIND=SEVERITY.
    """

    name: str
    title: str
    nominal: float
    net: Netlist
    steps: tuple[str, ...]
    motor: str
    supply: Supply
    description: str = ""
    step_tables: Mapping[tuple[str, str], StepTable] = field(default_factory=dict)
    switched: Mapping[tuple[str, str], str] = field(default_factory=dict)
    connectors: Mapping[str, Connector] = field(default_factory=dict)
    probes: Mapping[str, ProbePoint] = field(default_factory=dict)
    readings: tuple[StandardReading, ...] = ()
    cautions: tuple[str, ...] = ()
    options: Mapping[str, str] = field(default_factory=dict)
    file: str = ""
    faults: tuple[str, ...] = ()

    @property
    def load_and_sources(self) -> tuple[str, ...]:
        """Names of the motor, the battery and, where there is one, the alternator or charger: what the harness joins."""
        return tuple(name for name in (self.motor, self.supply.battery, self.supply.alternator) if name)

    def step_index(self, step: str) -> int:
        """Give the position of a step; UnknownNameError, with the nearest name, when there is none."""
        if step not in self.steps:
            raise UnknownNameError(f"step of {self.name}", step, self.steps)
        return self.steps.index(step)

    def connector(self, name: str) -> Connector:
        """Give an unpluggable connector; UnknownNameError when there is none of that name."""
        able = [c for c, found in self.connectors.items() if found.unpluggable]
        if name not in able:
            raise UnknownNameError(f"connector of {self.name} that can be unplugged", name, able)
        return self.connectors[name]

    def node(self, name: str) -> str:
        """Give the node of a probe point or node name; UnknownNameError, with the nearest name, when there is none."""
        if name in self.probes:
            return self.probes[name].node
        try:
            return self.net.node(name)
        except UnknownNameError as error:
            raise UnknownNameError(f"probe point of {self.name}", name, [*self.probes, *error.accepted]) from None
