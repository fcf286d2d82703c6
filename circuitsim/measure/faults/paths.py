"""Paths that are there in every sample of a bench and carry nothing in most."""

from __future__ import annotations

from typing import ClassVar

from circuitsim.elements import Leak
from circuitsim.elements.base import Parameter, electrical
from circuitsim.quantities import Tolerance

__all__ = ["UNKNOWN_LOAD", "FaultPath", "unknown_load"]

UNKNOWN_LOAD = "load-in-no-file"
"""Name of the load on the motor's feed that a circuit's file may have left out."""


class FaultPath(Leak):
    """A path that a fault opens in some samples of a batch; no kind of its own, and nothing to the graph checks."""

    terminals = (electrical("a"), electrical("b"))
    conducts: ClassVar[tuple[tuple[str, str], ...]] = ()  # type: ignore[assignment]


class _UnknownLoad(FaultPath):
    """A load that is in no file; less than none makes good what the file has too much of."""

    parameters = (Parameter("conductance", "S", "of the load", 0.0, low=-1e3),)


def unknown_load(feed: str, ground: str, deviation: float) -> FaultPath:
    """Give a load of nothing between two nodes that is uncertain by a standard deviation, S."""
    load = _UnknownLoad(UNKNOWN_LOAD, feed, ground, conductance=0.0)
    load.tolerances["conductance"] = Tolerance("normal", deviation / Tolerance("normal", 1.0).standard(0.0))
    return load
