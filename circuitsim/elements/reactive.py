"""What stores electrical energy on purpose: capacitors (suppression, buffering) and inductors (chokes, long wires)."""

from __future__ import annotations

from circuitsim.elements.base import Element, Law, Parameter, Symbols, Unknown, electrical

__all__ = ["Capacitor", "Inductor"]


class Capacitor(Element):
    """Capacitor behind its series resistance, with a leakage: a - b = resistance·i + charged, C·d(charged)/dt = i - G·charged.

    In steady direct current it carries its leakage alone.
    """

    kind = "capacitor"
    terminals = (electrical("a"), electrical("b"))
    parameters = (
        Parameter("capacitance", "F", "capacitance", low=1e-15, high=1e3),
        Parameter("resistance", "Ω", "series resistance; assumed", 0.05, low=1e-6, high=1e13),
        Parameter("leakage", "S", "conductance beside the capacitance; assumed", 1e-9, low=1e-15, high=1.0),
    )
    unknowns = (
        Unknown("current", "A", "current from a to b"), Unknown("charged", "V", "voltage of the capacitance itself"),
    )  # fmt: skip
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        i = s.current
        return Law(
            flows={"a": i, "b": -i},
            balances={
                "current": s.a - s.b - s.resistance * i - s.charged,
                "charged": s.leakage * s.charged - i,
            },
            stores={"charged": s.capacitance * s.charged},
            outputs={"current": (i, "A"), "charged": (s.charged, "V")},
            heat=s.resistance * i**2 + s.leakage * s.charged**2,
        )


class Inductor(Element):
    """Inductance with its series resistance: a - b = resistance·i + L·di/dt."""

    kind = "inductor"
    terminals = (electrical("a"), electrical("b"))
    parameters = (
        Parameter("inductance", "H", "inductance (a straight wire about 1 µH a metre, from memory)", low=1e-12, high=1e3),
        Parameter("resistance", "Ω", "series resistance; assumed", 1e-3, low=1e-6, high=1e13),
    )
    unknowns = (Unknown("current", "A", "current from a to b"),)
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        i = s.current
        return Law(
            flows={"a": i, "b": -i},
            balances={"current": s.a - s.b - s.resistance * i},
            stores={"current": -s.inductance * i},
            outputs={"current": (i, "A"), "drop": (s.a - s.b, "V")},
            heat=s.resistance * i**2,
        )
