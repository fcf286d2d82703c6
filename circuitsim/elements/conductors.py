"""Resistors, wires, jumpers and leads."""

from __future__ import annotations

from typing import ClassVar

from circuitsim.elements.base import Element, Law, Limit, Parameter, Symbols, electrical, thermal
from circuitsim.elements.common import COPPER_COEFFICIENT, body_heat, heating_factor

__all__ = ["Jumper", "Leak", "Resistor", "Wire"]


class Resistor(Element):
    """Plain resistance: i = (a - b)/resistance. Its heat goes nowhere in the model."""

    kind = "resistor"
    terminals = (electrical("a"), electrical("b"))
    parameters: ClassVar[tuple[Parameter, ...]] = (Parameter("resistance", "Ω", "resistance between the ends"),)
    conducts = (("a", "b"),)
    ends = ("a", "b")
    shorts_below = "resistance"

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        i = (s.a - s.b) / s.resistance
        return Law(flows={"a": i, "b": -i}, outputs={"current": (i, "A")}, heat=(s.a - s.b) * i)


class Jumper(Resistor):
    """Fused jumper lead with its clips; a point in which its fuse would open at once is a verdict."""

    kind = "jumper"
    parameters = (
        Parameter("resistance", "Ω", "lead, fuse and clips; assumed", 0.03),
        Parameter("rating", "A", "of its fuse; assumed", 30.0, low=0.1),
    )
    joins = True

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        plain = Resistor.law(s)
        load = abs(plain.flows["a"]) / s.rating
        limits = (Limit("the fuse of the jumper opens", load, -1, 1.5, lasting=0.5),)
        return Law(flows=plain.flows, outputs=plain.outputs, heat=plain.heat, limits=limits)


class Leak(Element):
    """A stated leakage: i = conductance·(a - b)."""

    kind = "leak"
    terminals = (electrical("a"), electrical("b"))
    parameters = (Parameter("conductance", "S", "leakage between the ends", 1e-12),)
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        i = s.conductance * (s.a - s.b)
        return Law(flows={"a": i, "b": -i}, outputs={"current": (i, "A")}, heat=(s.a - s.b) * i)


class Wire(Element):
    """Copper wire: R = resistivity·length/area·(1 + 0.00393 (T - 20 °C)), warmed by its own current.

    `area` takes mm² or AWG. The default resistivity is annealed copper's (IEC 60028: 1/58 Ω·mm²/m); stranded vehicle
    cable lies 5-11 % above it. Heat leaves over its length: thermal resistance `rise`/length, with 4-7 K·m/W implied
    by 33 CFR 183.425 table 5 for a single wire in still air.
    """

    kind = "wire"
    terminals = (electrical("a"), electrical("b"), thermal("body"), thermal("surroundings", "ambient"))
    parameters = (
        Parameter("area", "m²", "conductor section", low=1e-9, high=1e-3),
        Parameter("length", "m", "length of the run", low=1e-4, high=1e5),
        Parameter("resistivity", "Ω·m", "at 20 °C; copper 1/58 Ω·mm²/m (IEC 60028)", 1 / 58e6, low=1e-9, high=1e-4),
        Parameter("rise", "m·K/W", "thermal resistance of one metre to its surroundings", 6.0, low=1e-6),
        Parameter("strands", "1", "share of the strands that are whole", 1.0, low=1e-15, high=1.0),
    )
    conducts = (("a", "b"),)
    ends = ("a", "b")
    joins = True

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        resistance = s.resistivity * s.length / (s.area * s.strands)
        i = (s.a - s.b) / (resistance * heating_factor(s.body, COPPER_COEFFICIENT))
        body, surroundings = body_heat((s.a - s.b) * i, s.length / s.rise, s.body, s.surroundings)
        return Law(
            flows={"a": i, "b": -i, "body": body, "surroundings": surroundings},
            # 3.45 MJ/(m³·K): copper's 8890 kg/m³ × 385 J/(kg·K), plus nothing for the insulation.
            stores={"body": 3.45e6 * s.area * s.length * s.body},
            outputs={"current": (i, "A"), "drop": (s.a - s.b, "V")},
            limits=(Limit("wire temperature", s.body, -60, 250),),
        )
