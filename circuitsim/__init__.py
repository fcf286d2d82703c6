"""circuitsim: good readings for motor circuits that are fed all the time and controlled on the ground side.

>>> import circuitsim as cs
>>> circuit = cs.load("tractor-cab-fan")  # doctest: +SKIP
>>> chart = cs.predict(circuit, supply="12.3 V")  # doctest: +SKIP

Names load when first used, so that importing the package costs little.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "circuitsim.network": ("Netlist",),
    "circuitsim.engine.points": ("Point", "Points", "solve", "solve_batch"),
    "circuitsim.library": ("Circuit", "load", "circuit_names", "part_names"),
    "circuitsim.measure": ("Conditions",),
    "circuitsim.studies": ("Chart", "Reading", "predict"),
    "circuitsim.studies.transient": ("Course", "transient"),
    "circuitsim.studies.tolerance": ("ToleranceReport", "tolerance"),
    "circuitsim.studies.waveform": ("WaveformReport", "waveform"),
    "circuitsim.studies.wiggle": ("WiggleReport", "wiggle"),
    "circuitsim.errors": ("CircuitsimError", "InputError", "SolveError"),
    "circuitsim.elements": (
        "Alternator", "AxialFan", "Battery", "Capacitor", "CommandVoltage", "ConstantTorque", "Contact", "CurrentSource",
        "Element",
        "ForwardCurvedFan", "Fuse", "HeatPath", "Inductor", "Jumper", "LadderRung", "Lamp", "Law", "Leak", "LinearController",
        "LockedShaft", "Motor", "OpenCollector", "PackSection", "Parameter", "Pin", "PwmController", "Resistor",
        "Switch", "Symbols", "ThermalCutout", "Unknown", "VoltageSource", "Voltmeter", "Wire",
        "electrical", "rotational", "thermal",
    ),
}  # fmt: skip
_HOME = {name: home for home, names in _HOMES.items() for name in names}
__all__ = ["__version__", *_HOME]  # noqa: PLE0604 - the names that load when first used


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module 'circuitsim' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
