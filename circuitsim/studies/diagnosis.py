"""What a diagnosis gives: suspects, what they predict, the next test, and when enough is known."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from circuitsim.measure.faults import severity_text
from circuitsim.studies.common import is_common_factor
from circuitsim.studies.evidence import is_as_printed
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.next_test import Choice, Look
from circuitsim.studies.weighing import is_load

__all__ = ["HEALTHY", "OTHER", "Compared", "Diagnosis", "Member", "Suspect", "percent"]

HEALTHY, OTHER = "healthy", "something else"
_COUNTS = 0.1  # chance from which on it matters what another suspect than the first predicts


@dataclass(frozen=True)
class Member:
    """One fault among the suspects: its chance, its likeliest severity (SI, NaN for none) and unit, and what cures it.

    Two faults at once are one member, ``A + B``, with A's severity; second: B's, and its unit.
    """

    fault: str
    probability: float
    severity: float
    unit: str
    cure: str
    minutes: float
    second: tuple[float, str] = (math.nan, "")

    @property
    def parts(self) -> tuple[tuple[str, str], ...]:
        """Each of the faults at once, with its severity in words, '' for none."""
        severities = (self.severity, self.unit), self.second
        return tuple((name, severity_text(*one)) for name, one in zip(self.fault.split(" + "), severities, strict=False))

    @property
    def text(self) -> str:
        """The fault with its severity, as --fault takes it; two at once with a + between."""
        return " + ".join(f"{name}={severity}" if severity else name for name, severity in self.parts)


@dataclass(frozen=True)
class Compared:
    """A reading under a suspect: where, what was shown, what the suspect predicts, how many standard deviations it is off.

    good, good_off: the same of a good circuit; tells: how much the reading speaks by itself for the suspect against a good
    circuit, nats; kind: "number", or "look", "overload", "unstable" (see `Shown`).
    """

    placed: str
    shown: str
    predicted: str
    off: float
    good: str = ""
    good_off: float = 0.0
    tells: float = 0.0
    kind: str = "number"

    @property
    def number(self) -> bool:
        """Whether it is one."""
        return self.kind == "number"


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

    def matter(self, other: Suspect | None = None) -> tuple[float, ...]:
        """Give how much there is to see in each reading, in standard deviations: 0 for nothing.

        That is how far it is off, or how far apart this suspect and a good circuit (or another suspect) lie there.
        """
        beside: Sequence[Compared] = other.readings if other and other.readings else self.readings
        return tuple(_news(r, o) for r, o in zip(self.readings, beside, strict=True))

    def record(self) -> dict[str, Any]:
        """Give plain values for JSON."""
        leader = self.leader
        return {
            "faults": list(self.faults), "probability": self.probability,
            "severity": None if math.isnan(leader.severity) else leader.severity, "unit": leader.unit, "why": self.why,
            "severities": [{"fault": name, "severity": severity} for name, severity in leader.parts],
            "repairs": list(self.cures), "minutes": leader.minutes,
            "members": [
                {"fault": m.fault, "probability": m.probability, "severity": None if math.isnan(m.severity) else m.severity}
                for m in self.members
            ],
            "readings": [
                {"at": r.placed, "measured": r.shown, "predicted": r.predicted, "off": r.off, "good": r.good}
                for r in self.readings
            ],
        }  # fmt: skip


@dataclass(frozen=True)
class Diagnosis:
    """What readings say about a circuit.

    suspects: the likeliest first, 'healthy' and 'something else' among them; doubtful: readings that are likely wrong
    themselves; next_test: what to measure next, None when enough is known; alternatives: tests nearly as good; enough: whether
    to stop; verdict: what to do, in a sentence; sensitivity: what other priors would say; prior: what was assumed; left_out:
    readings of instruments that can't be judged; notes: what else of the findings was not taken as evidence, or was assumed;
    seen: what was made of each observation; look: looking at the fan, where that tells as much a minute as one of the tests.
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
    look: Look | None = None

    @property
    def look_first(self) -> bool:
        """Whether looking at the fan tells more a minute than the next test."""
        return self.look is not None and (self.next_test is None or self.look.rate > self.next_test.rate)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Those of the notes without which nothing else here should be read."""
        return tuple(note for note in self.notes if is_as_printed(note) or is_common_factor(note) or is_load(note))

    @property
    def pictured(self) -> tuple[Suspect, ...]:
        """Suspects whose predicted readings are worth a look: the first, and others whose chance matters."""
        shown = [s for s in self.suspects if s.readings and not s.unseen]
        return tuple(s for s in shown if s is self.suspects[0] or s.probability >= _COUNTS)

    def next_after(self, suspect: Suspect) -> Suspect | None:
        """Give the likeliest other suspect that predicts readings."""
        return next((s for s in self.suspects if s is not suspect and s.readings and not s.unseen), None)

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
            "look": {**self.look.record(), "first": self.look_first} if self.look else None,
            "alternatives": [c.record() for c in self.alternatives], "enough": self.enough, "verdict": self.verdict,
            "doubtful_readings": list(self.doubtful), "sensitivity": self.sensitivity,
            "prior": {key: self.prior[key] for key in ("healthy", "something else", "file")},
            "left_out": list(self.left_out), "notes": list(self.notes), "seen": list(self.seen),
            "other_repair": self.other_repair, "cautions": list(self.cautions),
        }  # fmt: skip


def _news(one: Compared, other: Compared) -> float:
    """Give how much there is to see in a reading beside what another suspect predicts there."""
    if one.number:
        return max(abs(one.off), abs(one.off - one.good_off), abs(one.off - other.off))
    agree = one.shown == one.predicted == one.good == other.predicted
    return 0.0 if agree else math.inf


def percent(chance: float) -> str:
    """Write a chance; of what is not certain it is not said that it is."""
    text = f"{100 * chance:.0f} %"
    return {"0 %": "0 %" if chance == 0 else "under 1 %", "100 %": "100 %" if chance == 1 else "over 99 %"}.get(text, text)
