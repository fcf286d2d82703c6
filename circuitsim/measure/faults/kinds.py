"""What a fault is: a site × a kind × a severity, as what it does to a healthy circuit's parameters.

A kind is declared once, for the elements that can have it: what it changes as a function of its severity, the range in
which its severity plausibly lies, what a person notices, and what cures it. A new circuit gets its faults without anyone
listing them. Weights and minutes are common practice with no source: they are there to be replaced (see `--prior`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Element
from circuitsim.library.circuit import Circuit

__all__ = ["OPEN", "Change", "Effect", "FaultKind", "Site", "Tap", "declared", "fault_kind", "feed_of"]

Array = NDArray[np.float64]
OPEN = 1e9
"""Ohms of what no longer conducts: a hundred times a meter's input."""


@dataclass(frozen=True)
class Change:
    """One parameter that a fault changes: `how` is set, add or times, by `size` of the severity; at `step` alone if given."""

    element: str
    parameter: str
    how: Literal["set", "add", "times"]
    size: Callable[[Array], Array | float]
    step: str | None = None

    @property
    def key(self) -> tuple[str, str]:
        """Element and parameter."""
        return self.element, self.parameter

    def applied(self, healthy: Array | float, severity: Array) -> Array:
        """Give the parameter with the fault, for healthy values and severities."""
        size = np.asarray(self.size(severity), dtype=float)
        base = np.asarray(healthy, dtype=float)
        changed: Array = {"set": size + 0 * base, "add": base + size, "times": base * size}[self.how]
        return changed


@dataclass(frozen=True)
class Tap:
    """A path between two nodes that a fault opens: `ohms` of the severity."""

    red: str
    black: str
    ohms: Callable[[Array], Array]


@dataclass(frozen=True)
class Effect:
    """All that a fault does to the model."""

    changes: tuple[Change, ...] = ()
    taps: tuple[Tap, ...] = ()


@dataclass(frozen=True)
class Site:
    """Where a fault may be: an element of a circuit.

    current: the largest current that crosses it in the healthy circuit at any step, A; volts: the highest voltage of its
    second end against ground; gap: how far that end gets from the motor's feed, V; step: for faults of one step.
    """

    circuit: Circuit
    element: Element
    current: float
    volts: float
    gap: float
    step: str | None = None

    @property
    def name(self) -> str:
        """Name of the element."""
        return self.element.name

    @property
    def load(self) -> float:
        """Nominal voltage over the healthy current, Ω: how much resistance matters here."""
        return self.circuit.nominal / max(self.current, 1e-5)

    @property
    def inside(self) -> str:
        """Name of the motor or controller that this element is a piece of; '' for what can be repaired by itself."""
        owner, dot, _ = self.name.partition(".")
        whole = self.circuit.net.elements.get(owner) if dot else None
        return owner if whole is not None and ("shaft" in whole.nodes or "low" in whole.nodes) else ""

    def ends(self) -> tuple[str, str]:
        """Nodes of its two ends."""
        first, second = self.element.ends or ("", "")
        return self.element.nodes[first], self.element.nodes[second]


Span = Callable[[Site], tuple[float, float]]


@dataclass(frozen=True)
class FaultKind:
    """A kind of fault.

    on: kinds of elements that can have it; effect: gives what it does at a site, or None where it can't be; what: in
    plain words; signs: what a person notices; unit: SI unit of the severity, '' for none; span: its plausible range;
    scale: how severities are spread over it; neutral: severity inside the range that is no fault; cure: what cures it, with
    {site}; minutes: of that work;
    weight: how often it is the cause, beside others; words: observation → chance that it is made with this fault;
    family: faults of one family at a site do the same to the model; steps: whether there is one for each step;
    intermittent: whether it comes and goes by itself.
    """

    name: str
    on: tuple[str, ...]
    effect: Callable[[Site], Effect | None]
    what: str
    signs: str
    cure: str
    minutes: float
    weight: float
    unit: str = ""
    span: Span | None = None
    scale: Literal["log", "linear"] = "log"
    neutral: float | None = None
    words: Mapping[str, float] = field(default_factory=dict)
    family: str = ""
    steps: bool = False
    intermittent: bool = False


_DECLARED: list[FaultKind] = []


def fault_kind(name: str, on: Iterable[str], **told: Any) -> Callable[[Callable[[Site], Effect | None]], FaultKind]:
    """Declare a kind of fault by the function that gives its effect at a site; fields as of `FaultKind`."""

    def declare(effect: Callable[[Site], Effect | None]) -> FaultKind:
        kind = FaultKind(name=name, on=tuple(on), effect=effect, **told)
        _DECLARED.append(kind)
        return kind

    return declare


def declared() -> tuple[FaultKind, ...]:
    """Give every kind of fault, in the order of declaration."""
    return tuple(_DECLARED)


def feed_of(circuit: Circuit) -> str:
    """Give the node of the motor's feed: where its connector is, or its own terminal in a circuit without one."""
    net = circuit.net
    plus = net.elements[circuit.motor].nodes["plus"]
    pins = [pin for c in circuit.connectors.values() if c.part == circuit.motor for pin in c.pins]
    sides = {name: {net.node(f"{name}/harness"), net.node(f"{name}/part")} for name in pins}
    inward = net.copy(without=[circuit.motor])
    for name, nodes in sides.items():
        near = inward.copy(without=[name]).graph()
        import networkx as nx

        reached = nx.node_connected_component(near, plus) if plus in near else {plus}  # nothing but that pin is at the motor
        part = net.node(f"{name}/part")
        if part in reached and nodes != {part}:
            return net.node(f"{name}/harness")
    return plus
