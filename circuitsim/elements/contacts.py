"""Where circuits go bad: crimps, terminal pairs, eyelets, splices; and switch and relay contacts."""

from __future__ import annotations

from typing import Any, ClassVar

from circuitsim.elements.base import Element, Law, Limit, Parameter, Symbols, electrical, thermal
from circuitsim.elements.common import body_heat, heating_factor

__all__ = ["Contact", "PartingPin", "Pin", "Switch"]


class Contact(Element):
    """A joint that current crosses: R = resistance·(1 + coefficient (T - 20 °C)), warmed by its own drop.

    Heat leaves through `thermal_resistance`, mostly along the wires; its default, and the capacity, are assumed.
    """

    kind = "contact"
    terminals = (electrical("a"), electrical("b"), thermal("body"), thermal("surroundings", "ambient"))
    parameters: ClassVar[tuple[Parameter, ...]] = (
        Parameter("resistance", "Ω", "joint at 20 °C", low=1e-6, high=1e13),
        Parameter("coefficient", "1/K", "rise of the resistance; copper's, assumed", 0.0039, high=0.02),
        Parameter("thermal_resistance", "K/W", "joint to surroundings; assumed", 25.0, low=1e-6),
        Parameter("heat_capacity", "J/K", "of the metal at the joint; assumed", 2.0),
    )
    conducts = (("a", "b"),)
    ends = ("a", "b")
    joins = True

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        return _joint(s, 1)


def _joint(s: Symbols, mated: Any) -> Law:
    """State the law of a joint that touches (mated 1) or not (0)."""
    i = mated * (s.a - s.b) / (s.resistance * heating_factor(s.body, s.coefficient))
    body, surroundings = body_heat((s.a - s.b) * i, 1 / s.thermal_resistance, s.body, s.surroundings)
    return Law(
        flows={"a": i, "b": -i, "body": body, "surroundings": surroundings},
        stores={"body": s.heat_capacity * s.body},
        outputs={"current": (i, "A"), "drop": (s.a - s.b, "V")},
        # Tin melts at 232 °C; plastic housings go long before.
        limits=(Limit("joint temperature", s.body, -60, 230),),
    )


class Pin(Contact):
    """A mated terminal pair of a connector: unplugging parts its two nodes."""

    kind = "pin"


class PartingPin(Pin):
    """A pin that is mated in some samples of a batch and parted in others; no kind of its own, as no file needs it."""

    parameters = (*Contact.parameters, Parameter("mated", "1", "1 mated, 0 parted", 1.0, high=1.0, state=True))

    @classmethod
    def of(cls, pin: Element) -> Element:
        """Give the pin with the state added."""
        other = pin.copy()
        other.__class__ = cls
        other.values["mated"] = 1.0
        return other

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        return _joint(s, s.mated)


class Switch(Element):
    """Switch or relay contact: on_resistance while `closed` is 1, off_conductance while it is 0."""

    kind = "switch"
    terminals = (electrical("a"), electrical("b"), thermal("body"), thermal("surroundings", "ambient"))
    parameters = (
        Parameter("on_resistance", "Ω", "closed contact; assumed", 0.005, low=1e-6),
        Parameter("off_conductance", "S", "leakage of the open contact; assumed", 1e-12, low=0.0, high=1.0),
        Parameter("closed", "1", "1 closed, 0 open", 1.0, high=1.0, state=True),
        Parameter("thermal_resistance", "K/W", "contact to surroundings; assumed", 25.0, low=1e-6),
        Parameter("heat_capacity", "J/K", "of the contact; assumed", 5.0),
    )
    conducts = (("a", "b"),)
    ends = ("a", "b")
    joins = True

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        metal = s.on_resistance * heating_factor(s.body, 0.0039)
        i = (s.closed / metal + s.off_conductance) * (s.a - s.b)
        body, surroundings = body_heat((s.a - s.b) * i, 1 / s.thermal_resistance, s.body, s.surroundings)
        return Law(
            flows={"a": i, "b": -i, "body": body, "surroundings": surroundings},
            stores={"body": s.heat_capacity * s.body},
            outputs={"current": (i, "A"), "drop": (s.a - s.b, "V")},
            limits=(Limit("contact temperature", s.body, -60, 250),),
        )
