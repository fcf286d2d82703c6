"""A shaft that is held at a speed, to ask a circuit what it does at that speed."""

from __future__ import annotations

from circuitsim.elements.base import Domain, Element, Law, Parameter, Symbols, Terminal, Unknown

__all__ = ["HeldShaft"]


class HeldShaft(Element):
    """Holds a shaft at `speed`; no kind of its own, as no file needs it.

    Its unknown is the torque that it takes to do so: what would speed the shaft up (the motor's less that of the loads).
    """

    terminals = (Terminal("shaft", Domain.ROTATIONAL),)
    parameters = (Parameter("speed", "rad/s", "at which the shaft is held", 0.0, low=-1e5, high=1e5),)
    unknowns = (Unknown("torque", "N·m", "torque into the holder", pivot=("shaft",)),)

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        return Law(flows={"shaft": s.torque}, balances={"torque": s.shaft - s.speed}, outputs={"torque": (s.torque, "N·m")})
