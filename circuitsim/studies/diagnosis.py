"""What a diagnosis gives: suspects, what they predict, the next test, and when enough is known."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from circuitsim.measure.faults import severity_text
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.next_test import Choice

__all__ = ["HEALTHY", "OTHER", "Compared", "Diagnosis", "Member", "Suspect", "percent"]

HEALTHY, OTHER = "healthy", "something else"


@dataclass(frozen=True)
class Member:
    """One fault among the suspects: its chance, its likeliest severity (SI, NaN for none) and unit, and what cures it."""

    fault: str
    probability: float
    severity: float
    unit: str
    cure: str
    minutes: float

    @property
    def text(self) -> str:
        """The fault with its severity, as --fault takes it."""
        severity = severity_text(self.severity, self.unit)
        return f"{self.fault}={severity}" if severity else self.fault


@dataclass(frozen=True)
class Compared:
    """A reading under a suspect: where, what was shown, what the suspect predicts, how many standard deviations it is off."""

    placed: str
    shown: str
    predicted: str
    off: float


@dataclass(frozen=True)
class Suspect:
    """Faults that the tests made so far can't tell apart: one suspect.

    faults: SITE:KIND of each, the likeliest first; probability: of all together; why: in plain words; readings: measured
    beside predicted, of the likeliest; unseen: whether nothing measured so far could show any of them.
    """

    members: tuple[Member, ...]
    probability: float
    why: str
    readings: tuple[Compared, ...] = ()
    unseen: bool = False

    @property
    def faults(self) -> tuple[str, ...]:
        """Names of the faults."""
        return tuple(m.fault for m in self.members)

    @property
    def leader(self) -> Member:
        """The likeliest fault."""
        return self.members[0]

    @property
    def cures(self) -> tuple[str, ...]:
        """What cures it, the likeliest first; nothing for a healthy circuit."""
        if self.leader.fault == HEALTHY:
            return ()
        return tuple(dict.fromkeys(m.cure for m in self.members if m.cure))

    def record(self) -> dict[str, Any]:
        """Give plain values for JSON."""
        leader = self.leader
        return {
            "faults": list(self.faults), "probability": self.probability,
            "severity": None if math.isnan(leader.severity) else leader.severity, "unit": leader.unit, "why": self.why,
            "repairs": list(self.cures), "minutes": leader.minutes,
            "members": [
                {"fault": m.fault, "probability": m.probability, "severity": None if math.isnan(m.severity) else m.severity}
                for m in self.members
            ],
            "readings": [{"at": r.placed, "measured": r.shown, "predicted": r.predicted, "off": r.off} for r in self.readings],
        }  # fmt: skip


@dataclass(frozen=True)
class Diagnosis:
    """What readings say about a circuit.

    suspects: the likeliest first, 'healthy' and 'something else' among them; doubtful: readings that are likely wrong
    themselves; next_test: what to measure next, None when enough is known; alternatives: tests nearly as good; enough: whether
    to stop; verdict: what to do, in a sentence; sensitivity: what other priors would say; prior: what was assumed; left_out:
    readings of instruments that can't be judged; notes: what else of the findings was not taken as evidence, or was assumed;
    seen: what was made of each observation.
    """

    circuit: str
    title: str
    summary: str
    meter: str
    suspects: tuple[Suspect, ...]
    doubtful: tuple[str, ...]
    next_test: Choice | None
    alternatives: tuple[Choice, ...]
    enough: bool
    verdict: str
    sensitivity: str
    prior: Mapping[str, Any]
    left_out: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    chances: Mapping[str, float] = field(default_factory=dict)
    table: FaultTable | None = field(default=None, repr=False, compare=False)
    seen: tuple[str, ...] = ()

    @property
    def other_repair(self) -> str:
        """Say so where the likeliest repair is not that of the likeliest fault, which others together may outweigh; else ''."""
        shares: dict[str, float] = {}
        for m in (m for s in self.suspects for m in s.members if m.cure):
            shares[m.cure] = shares.get(m.cure, 0.0) + m.probability
        leader = self.suspects[0].leader if self.suspects else None
        if leader is None or not leader.cure:
            return ""
        best = max(shares, key=lambda cure: shares[cure])
        if shares[best] <= shares[leader.cure]:
            return ""
        cured = [m for s in self.suspects for m in s.members if m.cure == best]
        names = ", ".join(m.fault for m in sorted(cured, key=lambda m: -m.probability)[:3])
        more = f" and {len(cured) - 3} more" if len(cured) > 3 else ""
        return (
            f"the likeliest repair is not that of the fault named first, {leader.fault} ({percent(leader.probability)}): "
            f"'{best}' has {percent(shares[best])}, as it cures {names}{more}"
        )

    def probability(self, fault: str) -> float:
        """Give the chance of one fault (SITE:KIND), 'healthy' or 'something else'; 0 for what is no suspect."""
        return self.chances.get(fault, 0.0)

    def records(self) -> list[dict[str, Any]]:
        """Give one plain record a suspect."""
        return [s.record() for s in self.suspects]

    def to_dict(self) -> dict[str, Any]:
        """Give plain values for JSON."""
        return {
            "circuit": self.circuit, "conditions": self.summary, "meter": self.meter, "suspects": self.records(),
            "next_test": self.next_test.record() if self.next_test else None,
            "alternatives": [c.record() for c in self.alternatives], "enough": self.enough, "verdict": self.verdict,
            "doubtful_readings": list(self.doubtful), "sensitivity": self.sensitivity,
            "prior": {"healthy": self.prior["healthy"], "something else": self.prior["something else"]},
            "left_out": list(self.left_out), "notes": list(self.notes), "seen": list(self.seen),
            "other_repair": self.other_repair, "cautions": list(self.cautions),
        }  # fmt: skip


def percent(chance: float) -> str:
    """Write a chance; of what is not certain it is not said that it is."""
    text = f"{100 * chance:.0f} %"
    return {"0 %": "0 %" if chance == 0 else "under 1 %", "100 %": "100 %" if chance == 1 else "over 99 %"}.get(text, text)
