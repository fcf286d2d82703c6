"""Which faults a circuit can have, and how a person names one: SITE:KIND=SEVERITY."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Element
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.points import Points
from circuitsim.errors import InputError, UnknownNameError, shown, with_place
from circuitsim.library.circuit import Circuit
from circuitsim.measure.conditions import Conditions
from circuitsim.measure.faults import joints as _joints
from circuitsim.measure.faults import parts as _parts
from circuitsim.measure.faults import turning as _turning
from circuitsim.measure.faults.kinds import Effect, FaultKind, Site, declared, feed_of
from circuitsim.measure.readings import step_values
from circuitsim.quantities import format_quantity, parse

__all__ = ["Fault", "PossibleFault", "families", "find_faults", "read_fault", "severity_text"]

Array = NDArray[np.float64]
_KINDS = (*_joints.__all__, *_parts.__all__, *_turning.__all__)  # the modules declare their kinds as they load


@dataclass(frozen=True)
class Fault:
    """One fault with its severity, SI; NaN for a kind that has none."""

    site: str
    kind: str
    severity: float = math.nan
    unit: str = ""

    @property
    def name(self) -> str:
        """SITE:KIND."""
        return f"{self.site}:{self.kind}"

    def __str__(self) -> str:
        """Give the form that `read_fault` takes."""
        return self.name if math.isnan(self.severity) else f"{self.name}={severity_text(self.severity, self.unit)}"


def severity_text(severity: float, unit: str) -> str:
    """Say a severity with its unit; a share or factor is a plain number."""
    if math.isnan(severity):
        return ""
    return f"{float(f'{severity:.3g}'):g}" if unit == "1" else format_quantity(severity, unit, 3)


@dataclass(frozen=True)
class PossibleFault:
    """A fault that a circuit can have.

    low, high: plausible severities, SI, NaN for none; effect: what it does to the model.
    """

    site: str
    kind: FaultKind
    step: str | None
    low: float
    high: float
    effect: Effect
    cure: str

    @property
    def kind_name(self) -> str:
        """Name of the kind at this site; that of one step names the step."""
        return f"{self.kind.name}-{self.step}" if self.step else self.kind.name

    @property
    def name(self) -> str:
        """SITE:KIND."""
        return f"{self.site}:{self.kind_name}"

    @property
    def family(self) -> str:
        """What faults that do the same to the model have in common."""
        return f"{self.site}:{self.kind.family or self.kind_name}"

    @property
    def graded(self) -> bool:
        """Whether it has a severity."""
        return not math.isnan(self.low)

    @property
    def unit(self) -> str:
        """SI unit of its severity, '' for none."""
        return self.kind.unit

    @property
    def usual(self) -> float:
        """A severity in the middle of the plausible ones, or well away from what is no fault."""
        return float(self.at(0.5 if self.kind.neutral is None else 0.85))

    @property
    def signs(self) -> str:
        """What a person notices."""
        return self.kind.signs

    @property
    def minutes(self) -> float:
        """Of the repair."""
        return self.kind.minutes

    def at(self, share: float | Array) -> Array:
        """Give the severity at a share (0 to 1) of the plausible range, along the scale of its kind."""
        if not self.graded:
            return np.full(np.shape(share), np.nan)
        if self.kind.scale == "log":
            return np.asarray(self.low * (self.high / self.low) ** np.asarray(share))
        return np.asarray(self.low + (self.high - self.low) * np.asarray(share))

    def share(self, severity: Array) -> Array:
        """Give the share of the plausible range at which a severity lies: `at` turned round."""
        if self.kind.scale == "log":
            return np.asarray(np.log(severity / self.low) / math.log(self.high / self.low))
        return np.asarray((severity - self.low) / (self.high - self.low))

    def fault(self, severity: float = math.nan) -> Fault:
        """Give it with a severity; the usual one when none is given."""
        if self.graded and math.isnan(severity):
            severity = self.usual
        return Fault(self.site, self.kind_name, severity if self.graded else math.nan, self.unit)

    def record(self) -> dict[str, Any]:
        """Give plain values for JSON; severity: the usual one, low and high: the plausible range, SI, null for none."""
        usual, low, high = (self.usual, self.low, self.high) if self.graded else (None, None, None)
        return {
            "fault": self.name, "severity": usual, "unit": self.unit, "signs": self.signs, "what": self.kind.what, "low": low,
            "high": high, "repair": self.cure, "minutes": self.minutes, "intermittent": self.kind.intermittent,
        }  # fmt: skip


def find_faults(circuit: Circuit) -> dict[str, PossibleFault]:
    """Give every fault that follows from the parts of a circuit, by SITE:KIND, in the order of its elements."""
    state = _Healthy(circuit)
    found: dict[str, PossibleFault] = {}
    for element in circuit.net.elements.values():
        for kind in declared():
            if element.kind in kind.on:
                for step in circuit.steps[1:] if kind.steps else (None,):
                    fault = _possible(kind, state.site(element, step))
                    if fault is not None:
                        found[fault.name] = fault
    return found


def _possible(kind: FaultKind, site: Site) -> PossibleFault | None:
    effect = kind.effect(site)
    if effect is None:
        return None
    low, high = kind.span(site) if kind.span else (math.nan, math.nan)
    return PossibleFault(site.name, kind, site.step, low, high, effect, _cure(kind, site))


def _cure(kind: FaultKind, site: Site) -> str:
    """Say the repair; a piece of a motor or controller is not repaired by itself."""
    if site.inside:
        whole = site.circuit.net.elements[site.inside]
        return f"replace the {'motor' if 'shaft' in whole.nodes and 'plus' in whole.nodes else 'controller'} {site.inside}"
    return kind.cure.format(site=site.name)


class _Healthy:
    """The healthy circuit at every step, engine off and running, cold: what crosses its elements, and where they lie."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        compiled = compile_netlist(circuit.net)
        states = [(step, Conditions(engine=engine)) for engine in ("off", "running") for step in circuit.steps]
        self.points = Points(compiled.solve(step_values(circuit, states), frozen=True, size=len(states)))
        self.points.require("healthy")
        self.feed = feed_of(circuit)

    def site(self, element: Element, step: str | None) -> Site:
        """Give an element as a site of faults."""
        currents = self.points.outputs(element.name).get("current", np.zeros(1))
        volts = gap = np.zeros(1)
        if element.ends:
            node = element.nodes[element.ends[1]]
            volts, gap = np.abs(self.points.voltage(node)), np.abs(self.points.voltage(self.feed, node))
        return Site(self.circuit, element, float(np.abs(currents).max()), float(volts.max()), float(gap.max()), step)


def read_fault(circuit: Circuit, text: str, known: Mapping[str, PossibleFault] | None = None) -> Fault:
    """Read ``SITE:KIND[=SEVERITY]``, such as ``X4.A:corroded=50mΩ``; without a severity the usual one is taken.

    known: what `find_faults` gave, if it is at hand. Raises UnknownNameError, with the nearest name, for a site or kind
    that the circuit does not have, InputError for another form or a severity that can't be, naming ``fault``.
    """
    known = find_faults(circuit) if known is None else known
    name, equals, amount = (part.strip() for part in text.partition("="))
    site, colon, kind = name.rpartition(":")
    if not colon or not site or not kind or (equals and not amount):
        raise InputError(f"{shown(text)} is not SITE:KIND or SITE:KIND=SEVERITY, such as X4.A:corroded=50mohm", key="fault")
    possible = _named(circuit, known, site, kind)
    if not amount:
        return possible.fault()
    if not possible.graded:
        raise InputError(f"{possible.name} has no severity, but {shown(amount)} is given; leave it out", key="fault")
    try:
        severity = parse(amount, possible.unit)
    except InputError as error:
        raise with_place(error, key=f"fault {possible.name}") from None
    _check_severity(possible, severity)
    return possible.fault(severity)


def _named(circuit: Circuit, known: Mapping[str, PossibleFault], site: str, kind: str) -> PossibleFault:
    sites: dict[str, list[PossibleFault]] = {}
    for fault in known.values():
        sites.setdefault(fault.site, []).append(fault)
    folded = {name.casefold(): name for name in sites}
    site = folded.get(site.casefold(), site)
    if site not in sites:
        raise UnknownNameError(f"site of a fault in {circuit.name}", site, list(sites), key="fault")
    for fault in sites[site]:
        if fault.kind_name == kind.strip().lower().replace(" ", "-").replace("_", "-"):
            return fault
    raise UnknownNameError(f"kind of fault at {site}", kind, [f.kind_name for f in sites[site]], key="fault")


def _check_severity(possible: PossibleFault, severity: float) -> None:
    """Raise InputError for what no such fault can be; the plausible range may be left by a factor of a thousand."""
    low, high = possible.low, possible.high
    if possible.kind.scale == "log":
        low, high = low / 1e3, high * 1e3
    else:
        low, high = (low if low < 0 else 0.0), high if possible.unit == "1" else 10 * high
        low = 3 * low
        high = min(3 * high, 1.0) if possible.low >= 0 and possible.unit == "1" else 3 * high
    if not low <= severity <= high:
        span = " to ".join(severity_text(v, possible.unit) for v in (low, high))
        usual = " to ".join(severity_text(v, possible.unit) for v in (possible.low, possible.high))
        found = severity_text(severity, possible.unit)
        raise InputError(f"{possible.name}={found} is out of range, accepted: {span} (plausible: {usual})", key="fault")


def families(faults: Sequence[PossibleFault]) -> Iterator[list[PossibleFault]]:
    """Give the faults in groups that do the same to the model."""
    grouped: dict[str, list[PossibleFault]] = {}
    for fault in faults:
        grouped.setdefault(fault.family, []).append(fault)
    yield from grouped.values()
