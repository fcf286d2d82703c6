"""How likely each fault is before anything is measured: weights that are printed, and that anyone may replace.

A weight belongs to a kind of fault, and counts for every site that can have it. The package's own are common practice
with no source. A file replaces them: ``healthy = 0.1``, ``"something else" = 0.05``, and a table ``[weights]`` with kinds
(``corroded = 5``), sites (``"X4.A" = 3``, which multiplies all kinds there) or single faults (``"X4.A:corroded" = 20``).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from circuitsim.errors import InputError, UnknownNameError, shown
from circuitsim.measure.faults import PossibleFault

__all__ = ["Prior", "prior_text", "read_prior"]

HEALTHY = 0.25
SOMETHING_ELSE = 0.02


@dataclass(frozen=True)
class Prior:
    """Chances before anything is measured.

    healthy, other: that nothing is wrong, that it is something outside the library; kinds, sites, faults: weights; file: where
    they were read, '' for the package's own.
    """

    healthy: float = HEALTHY
    other: float = SOMETHING_ELSE
    kinds: Mapping[str, float] = field(default_factory=dict)
    sites: Mapping[str, float] = field(default_factory=dict)
    faults: Mapping[str, float] = field(default_factory=dict)
    file: str = ""

    def weight(self, fault: PossibleFault) -> float:
        """Give the weight of one fault."""
        own = self.faults.get(fault.name)
        if own is not None:
            return own
        return self.kinds.get(fault.kind.name, fault.kind.weight) * self.sites.get(fault.site, 1.0)

    def chances(self, faults: Mapping[str, PossibleFault]) -> dict[str, float]:
        """Give the chance of each fault; they sum to what healthy and something else leave."""
        weights = {name: self.weight(fault) for name, fault in faults.items()}
        total = sum(weights.values())
        share = 1.0 - self.healthy - self.other
        return {name: share * w / total if total else 0.0 for name, w in weights.items()}

    def flat(self) -> Prior:
        """Give the prior for which all kinds weigh the same."""
        return Prior(self.healthy, self.other, kinds=_Ones())

    def record(self, faults: Mapping[str, PossibleFault]) -> dict[str, Any]:
        """Give plain values for JSON."""
        return {"healthy": self.healthy, "something else": self.other, "file": self.file, "faults": self.chances(faults)}


class _Ones(dict[str, float]):
    """One for every kind."""

    def get(self, key: str, default: Any = None) -> Any:
        """Give 1."""
        return 1.0


def prior_text(faults: Mapping[str, PossibleFault], circuit: str) -> str:
    """Give the package's own weights for a circuit's faults as a file that `read_prior` takes, to be changed by hand."""
    kinds: dict[str, list[PossibleFault]] = {}
    for fault in faults.values():
        kinds.setdefault(fault.kind.name, []).append(fault)
    lines = [
        f"# How likely each fault of {circuit} is before anything is measured, for 'diagnose --prior':",
        "# change what you know better, and leave out what you don't.",
        f"healthy = {HEALTHY}  # chance that nothing is wrong",
        f'"something else" = {SOMETHING_ELSE}  # chance of what is not in this list',
        "",
        '[weights]  # of a kind; of a site, such as "X4.A" = 3, which multiplies all its kinds; or of one "SITE:KIND"',
    ]
    for name, members in kinds.items():
        every = [f.kind.weight for f in members]
        usual = max(every, key=every.count)
        lines.append(f"{name} = {usual:g}")
        lines += [f'"{f.name}" = {f.kind.weight:g}' for f in members if f.kind.weight != usual]
    return "\n".join(lines) + "\n"


def read_prior(path: str | Path, faults: Mapping[str, PossibleFault]) -> Prior:
    """Read a file of weights.

    Raises InputError for a file that can't be read or a weight that is none, UnknownNameError for a name that no kind, site or
    fault of the circuit has.
    """
    file = str(path)
    try:
        document = tomllib.loads(Path(path).read_text("utf-8"))
    except OSError as error:
        raise InputError(f"can't be read: {error.strerror}", file=file) from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"is no TOML file: {error}", file=file) from None
    known = ("healthy", "something else", "weights")
    for key in document:
        if key not in known:
            raise UnknownNameError("key", key, known, file=file)
    weights = document.get("weights", {})
    if not isinstance(weights, dict):
        raise InputError(f"{shown(weights)} is no table of weights", file=file, key="weights")
    kinds, sites, single = _sorted_weights(weights, faults, file)
    healthy = _chance(document.get("healthy", HEALTHY), "healthy", file)
    other = _chance(document.get("something else", SOMETHING_ELSE), "something else", file)
    if healthy + other >= 1:
        raise InputError(f"healthy and something else come to {healthy + other:g}; they must leave something", file=file)
    return Prior(healthy, other, kinds, sites, single, file)


def _sorted_weights(
    weights: Mapping[str, Any], faults: Mapping[str, PossibleFault], file: str
) -> tuple[dict[str, float], dict[str, float], dict[str, float]]:
    kinds = {f.kind.name for f in faults.values()}
    sites = {f.site for f in faults.values()}
    found: tuple[dict[str, float], dict[str, float], dict[str, float]] = ({}, {}, {})
    for name, value in weights.items():
        place = 0 if name in kinds else 1 if name in sites else 2 if name in faults else None
        if place is None:
            raise UnknownNameError(
                "kind, site or fault", name, [*sorted(kinds), *sorted(sites), *faults], file=file, key="weights"
            )
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e9:
            raise InputError(f"{shown(value)} is no weight; accepted: a number from 0", file=file, key=f"weights.{name}")
        found[place][name] = float(value)
    return found


def _chance(value: Any, key: str, file: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1:
        raise InputError(f"{shown(value)} is no chance; accepted: a number from 0 to below 1", file=file, key=key)
    return float(value)
