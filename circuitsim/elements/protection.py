"""Fuses and thermal cutouts."""

from __future__ import annotations

from circuitsim.elements.base import Element, Law, Limit, Parameter, Symbols, electrical, thermal
from circuitsim.elements.common import body_heat, heating_factor

__all__ = ["Fuse", "ThermalCutout"]


class Fuse(Element):
    """Blade fuse: a small resistance that rises as it warms.

    Unless given, resistance = 0.115 Ω·(1 A/rating)^1.19 cold: within 15 % of the medium blade fuses of one maker (second-hand
    values, so assumed); its rated current warms it until the resistance has risen by about a third (assumed).

    The body (blades and housing) follows in some 15 s, the thin element in between, which melts, in less than a second; from
    the two come both ends of the opening times of medium and miniature blade fuses after ISO 8820-3 (second-hand values): 0.75
    to 600 s at 1.35 times the rating, 0.25 to 50 s at 1.6, 0.15 to 5 s at 2, 0.04 to 0.5 s at 3.5, 0.02 to 0.1 s at 6 times
    (the last two from memory). The default heat capacities are chosen to lie in all of them, whatever the rating; a large
    blade fuse is slower.
    """

    kind = "fuse"
    terminals = (
        electrical("a"), electrical("b"), thermal("body"), thermal("surroundings", "ambient"), thermal("element")
    )  # fmt: skip
    parameters = (
        Parameter("rating", "A", "rated current", low=0.1, high=500.0),
        Parameter("resistance", "Ω", "cold, at 20 °C", lambda v: 0.115 * v["rating"] ** -1.19, low=1e-6, high=1e13),
        Parameter("coefficient", "1/K", "rise of the resistance (zinc, from memory)", 0.0042),
        Parameter(
            "thermal_resistance", "K/W", "body to surroundings; gives a third more at rating",
            lambda v: 80.0 / (1.34 * v["resistance"] * v["rating"] ** 2), low=1e-6,
        ),
        Parameter(
            "heat_capacity", "J/K", "of blades and housing; by the opening times up to 2 times the rating",
            lambda v: 15.0 / v["thermal_resistance"],
        ),
        Parameter(
            "element_resistance", "K/W", "element to body; by the least current that opens it, 1.3 times the rating",
            lambda v: 1.2 * v["thermal_resistance"], low=1e-6,
        ),
        Parameter(
            "element_capacity", "J/K", "heat capacity of the element; by the opening times from 3.5 times the rating",
            lambda v: 0.6 / v["element_resistance"],
        ),
    )  # fmt: skip
    conducts = (("a", "b"),)
    ends = ("a", "b")
    joins = True

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        i = (s.a - s.b) / (s.resistance * heating_factor(s.body, s.coefficient))
        element, passed = body_heat((s.a - s.b) * i, 1 / s.element_resistance, s.element, s.body)
        body, surroundings = body_heat(-passed, 1 / s.thermal_resistance, s.body, s.surroundings)
        return Law(
            flows={"a": i, "b": -i, "element": element, "body": body, "surroundings": surroundings},
            stores={"body": s.heat_capacity * s.body, "element": s.element_capacity * s.element},
            outputs={"current": (i, "A"), "drop": (s.a - s.b, "V"), "load": (abs(i) / s.rating, "1")},
            # Zinc melts at 419.5 °C. At 3.5 times its rating a blade fuse opens within half a second (from memory).
            limits=(
                Limit("fuse element temperature", s.element, -60, 410),
                Limit("the fuse opens", abs(i) / s.rating, -1, 3.5, lasting=0.5),
            ),
        )


class ThermalCutout(Element):
    """Thermal cutout on a hot body: closed while `closed` is 1; a point in which it should have opened is a verdict."""

    kind = "thermal-cutout"
    terminals = (electrical("a"), electrical("b"), thermal("body", None))
    parameters = (
        Parameter("on_resistance", "Ω", "closed; assumed", 0.01, low=1e-6),
        Parameter("off_conductance", "S", "leakage when open; assumed", 1e-12, high=1.0),
        Parameter("closed", "1", "1 closed, 0 open", 1.0, high=1.0, state=True),
        Parameter(
            "opens_at",
            "°C",
            "temperature of the body at which it opens; assumed",
            180.0,
            low=-60.0,
            high=400.0,
        ),
    )
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        i = (s.closed / s.on_resistance + s.off_conductance) * (s.a - s.b)
        return Law(
            flows={"a": i, "b": -i, "body": -(s.a - s.b) * i},
            outputs={"current": (i, "A"), "drop": (s.a - s.b, "V")},
            limits=(Limit("cutout temperature", s.closed * (s.body - s.opens_at), -1000, 0),),
        )
