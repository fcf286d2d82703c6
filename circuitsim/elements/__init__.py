"""Elements, one small file a family. Importing this package makes every kind known to `element_kinds`."""

from __future__ import annotations

from circuitsim.elements.base import (
    Domain,
    Element,
    Law,
    Limit,
    Parameter,
    Symbols,
    Terminal,
    Unknown,
    electrical,
    element_kinds,
    rotational,
    thermal,
)  # fmt: skip
from circuitsim.elements.commands import CommandVoltage, LadderRung, OpenCollector
from circuitsim.elements.conductors import Jumper, Leak, Resistor, Wire
from circuitsim.elements.contacts import Contact, PartingPin, Pin, Switch
from circuitsim.elements.controllers import LinearController, PackSection, PwmController
from circuitsim.elements.heat import HeatPath
from circuitsim.elements.instruments import Ohmmeter, Voltmeter
from circuitsim.elements.loads import AxialFan, ConstantTorque, ForwardCurvedFan, Lamp, LockedShaft, ProbeLamp
from circuitsim.elements.motors import Motor
from circuitsim.elements.protection import Fuse, ThermalCutout
from circuitsim.elements.reactive import Capacitor, Inductor
from circuitsim.elements.sources import Alternator, Battery, CurrentSource, VoltageSource, rest_voltage

__all__ = [
    "Alternator", "AxialFan", "Battery", "Capacitor", "CommandVoltage", "ConstantTorque", "Contact", "CurrentSource", "Domain",
    "Element", "ForwardCurvedFan", "Fuse", "HeatPath", "Inductor", "Jumper", "LadderRung", "Lamp", "Law", "Leak", "Limit",
    "LinearController", "LockedShaft", "Motor", "Ohmmeter", "OpenCollector", "PackSection", "Parameter", "PartingPin", "Pin",
    "ProbeLamp", "PwmController", "Resistor", "Switch", "Symbols", "Terminal", "ThermalCutout", "Unknown", "VoltageSource",
    "Voltmeter", "Wire", "electrical", "element_kinds", "rest_voltage", "rotational", "thermal",
]  # fmt: skip
