"""Permanent-magnet DC motor."""

from __future__ import annotations

from circuitsim.elements.base import (
    Element,
    Law,
    Limit,
    Parameter,
    Symbols,
    Unknown,
    electrical,
    rotational,
    thermal,
)
from circuitsim.elements.common import COPPER_COEFFICIENT, GRIP, dry_friction, heating_factor

__all__ = ["Motor"]


class Motor(Element):
    """Brushed permanent-magnet DC motor: winding, brushes, magnets, friction; its winding and case warm up.

    v(plus) - v(minus) = R(T)·i + brush(i) + K(T)·ω + L·di/dt;  torque on the shaft = K(T)·i - friction(ω).
    One constant K serves as V·s/rad and N·m/A. The brush drop is a function of the current (of the voltage it would
    have negative resistance). Friction is dry (Coulomb: below breakaway the shaft stands) plus viscous. Copper gains
    0.393 %/K (IEC 60028), ferrite magnets lose about 0.2 %/K (from memory). Thermal values are assumed where not given.
    """

    kind = "motor"
    terminals = (
        electrical("plus"), electrical("minus"), rotational("shaft"),
        thermal("winding"), thermal("case"), thermal("surroundings", "ambient"),
    )  # fmt: skip
    parameters = (
        Parameter("resistance", "Ω", "armature at 20 °C, between the brushes", low=1e-6, high=1e13),
        Parameter("constant", "V·s/rad", "motor constant at 20 °C; negative turns the other way round", low=-1e3, high=1e3),
        Parameter("brush_drop", "V", "drop of both brushes at working current", 0.6),
        Parameter("brush_onset", "A", "current over which the brush film gives way; assumed", 0.5, low=1e-6),
        Parameter("friction", "N·m", "dry friction of bearings and brushes", 0.0),
        Parameter("viscous", "N·m·s/rad", "viscous friction", 0.0),
        Parameter("magnet_coefficient", "1/K", "change of the magnets' strength", -0.002, low=-0.02, high=0.02),
        Parameter("inductance", "H", "of the winding", 1.5e-4),
        Parameter("inertia", "kg·m²", "of the armature", 1e-4),
        Parameter("winding_resistance_heat", "K/W", "winding to case; assumed", 1.5, low=1e-6),
        Parameter("case_resistance_heat", "K/W", "case to surroundings; assumed", 1.5, low=1e-6),
        Parameter("winding_heat_capacity", "J/K", "assumed", 80.0),
        Parameter("case_heat_capacity", "J/K", "assumed", 400.0),
    )
    unknowns = (Unknown("current", "A", "armature current, into plus"), GRIP)
    conducts = (("plus", "minus"),)
    ends = ("plus", "minus")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        from sympy import tanh

        i, speed = s.current, s.shaft
        resistance = s.resistance * heating_factor(s.winding, COPPER_COEFFICIENT)
        constant = s.constant * heating_factor(s.case, s.magnet_coefficient)
        brush = s.brush_drop * tanh(i / s.brush_onset)
        dry, gripping = dry_friction(s, s.friction)
        drag = dry + s.viscous * speed
        copper = (resistance * i + brush) * i
        to_case = (s.winding - s.case) / s.winding_resistance_heat
        to_air = (s.case - s.surroundings) / s.case_resistance_heat
        return Law(
            flows={
                "plus": i, "minus": -i, "shaft": drag - constant * i,
                "winding": to_case - copper, "case": to_air - to_case - drag * speed, "surroundings": -to_air,
            },
            balances={
                "current": s.plus - s.minus - resistance * i - brush - constant * speed,
                "grip": gripping,
            },
            stores={
                "current": -s.inductance * i, "shaft": s.inertia * speed,
                "winding": s.winding_heat_capacity * s.winding, "case": s.case_heat_capacity * s.case,
            },
            outputs={
                "current": (i, "A"), "speed": (speed, "rad/s"), "back emf": (constant * speed, "V"),
                "torque": (constant * i - drag, "N·m"), "winding temperature": (s.winding, "°C"),
            },
            limits=(
                Limit("winding temperature", s.winding, -60, 250), Limit("magnet temperature", s.case, -60, 250),
            ),
        )  # fmt: skip
