"""Faults: a site × a kind × a severity, which follow from the parts in a circuit."""

from circuitsim.measure.faults.applying import with_faults
from circuitsim.measure.faults.finding import Fault, PossibleFault, families, find_faults, read_fault, severity_text
from circuitsim.measure.faults.kinds import OPEN, Change, Effect, FaultKind, Site, Tap, declared, fault_kind

__all__ = [
    "OPEN", "Change", "Effect", "Fault", "FaultKind", "PossibleFault", "Site", "Tap", "declared", "families", "fault_kind",
    "find_faults", "read_fault", "severity_text", "with_faults",
]  # fmt: skip
