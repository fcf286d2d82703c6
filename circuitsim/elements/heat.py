"""Elements that only carry heat."""

from __future__ import annotations

from circuitsim.elements.base import Element, Law, Parameter, Symbols, thermal

__all__ = ["HeatPath"]


class HeatPath(Element):
    """Heat flow between two bodies: (a - b)/resistance, W."""

    kind = "heat-path"
    terminals = (thermal("a", None), thermal("b", None))
    parameters = (Parameter("resistance", "K/W", "thermal resistance", low=1e-9),)

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        q = (s.a - s.b) / s.resistance
        return Law(flows={"a": q, "b": -q}, outputs={"heat flow": (q, "W")})
