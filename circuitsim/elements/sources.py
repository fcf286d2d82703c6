"""Supplies: ideal and real voltage sources, current source, battery, running alternator."""

from __future__ import annotations

from typing import Any

from circuitsim.elements.base import Element, Law, Parameter, Symbols, Unknown, electrical, thermal
from circuitsim.elements.smooth import clamp, positive_part
from circuitsim.errors import InputError
from circuitsim.quantities import parse

__all__ = ["Alternator", "Battery", "CurrentSource", "VoltageSource", "rest_voltage"]

_CHARGE = (0.0, 0.25, 0.50, 0.75, 1.0)
_REST = (11.7, 12.0, 12.2, 12.4, 12.6)


def rest_voltage(charge: float, cells: float = 6) -> float:
    """Give the open-circuit voltage of a rested lead-acid battery, V, at about 25 °C.

    charge: 0 to 1; cells: 6 for 12 V, 12 for 24 V. Straight lines between the rows of US Army TM 5-3805-262-20,
    p. 5-142 (12.6 V at 100 %, 12.4 at 75, 12.2 at 50, 12.0 at 25, 11.7 at 0). Raises InputError outside that.
    """
    if not 0.0 <= charge <= 1.0:
        raise InputError(f"battery charge {charge:g} is out of range, accepted: 0 to 100 %", key="charge")
    if not (1 <= cells <= 400 and float(cells).is_integer()):
        raise InputError(f"{cells:g} battery cells, accepted: a whole number from 1 to 400", key="cells")
    k = min(int(charge * 4), 3)
    low, high = _REST[k], _REST[k + 1]
    return (low + (high - low) * (charge - _CHARGE[k]) / 0.25) * cells / 6


class VoltageSource(Element):
    """Voltage source with series resistance; zero resistance makes it ideal.

    v(plus) - v(minus) = emf + resistance·i, with i the current into plus (negative when it delivers).
    """

    kind = "voltage-source"
    terminals = (electrical("plus"), electrical("minus"))
    parameters = (
        Parameter("emf", "V", "open-circuit voltage", low=-1e6),
        Parameter("resistance", "Ω", "series resistance", 0.0),
    )
    unknowns = (Unknown("current", "A", "current into plus", pivot=("plus", "minus")),)
    conducts = (("plus", "minus"),)
    ends = ("minus", "plus")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        i = s.current
        return Law(
            flows={"plus": i, "minus": -i},
            balances={"current": s.plus - s.minus - s.emf - s.resistance * i},
            outputs={"current": (i, "A")},
            source_power=-s.emf * i,
            heat=s.resistance * i**2,
        )


class CurrentSource(Element):
    """Ideal current source: `current` flows through it from minus to plus, whatever the voltage."""

    kind = "current-source"
    terminals = (electrical("plus"), electrical("minus"))
    parameters = (Parameter("current", "A", "current delivered at plus", low=-1e6),)
    ends = ("minus", "plus")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        return Law(
            flows={"plus": -s.current, "minus": s.current},
            outputs={"current": (-s.current, "A"), "delivered": (s.current, "A")},
            source_power=s.current * (s.plus - s.minus),
        )


class Battery(Element):
    """Lead-acid battery: an EMF that moves with temperature behind a resistance, a larger one while charging.

    Give `emf` (rest voltage), or `charge` (0 to 1, see `rest_voltage`) and `cells`. The temperature coefficient,
    0.2 mV/K a cell, is from memory. `charge_resistance` stands for the charge acceptance (assumed where used) and
    equals `resistance` unless given.
    """

    kind = "battery"
    terminals = (electrical("plus"), electrical("minus"), thermal("air", "ambient"))
    parameters = (
        Parameter("emf", "V", "rest voltage at 25 °C", low=0.0, high=1000.0),
        Parameter("resistance", "Ω", "internal resistance, discharging; common practice, no source", 0.010, low=1e-6),
        Parameter(
            "charge_resistance",
            "Ω",
            "internal resistance while charging",
            lambda v: v["resistance"],
            low=1e-6,
        ),
        Parameter("temperature_coefficient", "V/K", "change of the rest voltage; from memory", 0.0012, low=-1.0),
    )
    conducts = (("plus", "minus"),)
    ends = ("minus", "plus")

    @classmethod
    def prepare(cls, values: dict[str, Any]) -> dict[str, Any]:
        """Accept `charge` and `cells` in place of `emf`."""
        if "charge" not in values and "cells" not in values:
            return values
        if "emf" in values:
            raise InputError("a battery takes its emf, or its charge and cells, not both", key="emf")
        charge, cells = parse(values.pop("charge", 1.0), "1"), parse(values.pop("cells", 6), "1")
        values["emf"] = rest_voltage(charge, cells)
        values.setdefault("temperature_coefficient", 0.0002 * cells)
        return values

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        emf = s.emf + s.temperature_coefficient * (s.air - 25)
        x = s.plus - s.minus - emf
        # Two straight lines through (emf, 0), joined over some microvolts.
        i = x / s.charge_resistance - positive_part(-x, 2e-6 * s.smooth) * (1 / s.resistance - 1 / s.charge_resistance)
        return Law(
            flows={"plus": i, "minus": -i, "air": -x * i},
            outputs={"current": (i, "A"), "rest voltage": (emf, "V")},
            source_power=-emf * i,
        )


class Alternator(Element):
    """Running alternator with its regulator, or a charger: a voltage with a slope and a current limit.

    Delivers current_limit·clamp((set voltage - v)/(resistance·current_limit), 0, 1) while `running` is 1; its diodes
    let nothing back. Set voltage falls by `temperature_coefficient` a kelvin above 25 °C (common practice).
    """

    kind = "alternator"
    terminals = (electrical("plus"), electrical("minus"), thermal("air", "ambient"))
    parameters = (
        Parameter("regulated", "V", "set voltage at 25 °C (12 V: 13.6-14.2 V, TM 9-2330-356-14)", 14.0),
        Parameter("resistance", "Ω", "slope of the regulated line; assumed", 0.005, low=1e-6),
        Parameter("current_limit", "A", "most that it delivers", 90.0, low=1e-3),
        Parameter("temperature_coefficient", "V/K", "drift of the set voltage; common practice", -0.008, low=-1.0),
        Parameter("running", "1", "1 while the engine (or the charger) runs", 0.0, high=1.0, state=True),
    )
    ends = ("minus", "plus")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        v = s.plus - s.minus
        wanted = s.regulated + s.temperature_coefficient * (s.air - 25) - v
        i = s.running * s.current_limit * clamp(wanted / (s.resistance * s.current_limit), 0, 1, 0.002 * s.smooth)
        outputs = {"current": (-i, "A"), "delivered": (i, "A")}
        return Law(flows={"plus": -i, "minus": i}, outputs=outputs, source_power=v * i)
