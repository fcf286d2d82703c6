"""What an instrument is to the circuit: an input resistance, or a source behind a resistance."""

from __future__ import annotations

from circuitsim.elements.base import Element, Law, Parameter, Symbols, electrical

__all__ = ["Ohmmeter", "Voltmeter"]


class Voltmeter(Element):
    """Input of a voltmeter: a conductance from the red to the black lead (0 when it is not connected)."""

    kind = "voltmeter"
    terminals = (electrical("red"), electrical("black"))
    parameters = (Parameter("conductance", "S", "1/input resistance (10 MΩ: UP2, common voltmeter)", 1e-7),)
    conducts = (("red", "black"),)
    ends = ("red", "black")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        i = s.conductance * (s.red - s.black)
        return Law(
            flows={"red": i, "black": -i},
            outputs={"voltage": (s.red - s.black, "V")},
            heat=(s.red - s.black) * i,
        )


class Ohmmeter(Element):
    """Ohmmeter: `emf` behind `resistance`; it shows (red - black)/current. `connected` 0 takes it off."""

    kind = "ohmmeter"
    terminals = (electrical("red"), electrical("black"))
    parameters = (
        Parameter("emf", "V", "open-circuit test voltage; assumed", 0.6),
        Parameter(
            "resistance",
            "Ω",
            "of the source: sets the test current, here about 1 mA; assumed",
            600.0,
            low=1.0,
        ),
        Parameter("connected", "1", "1 when the leads are on", 0.0, high=1.0, state=True),
    )
    conducts = (("red", "black"),)
    ends = ("red", "black")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        v = s.red - s.black
        i = s.connected * (v - s.emf) / s.resistance
        return Law(
            flows={"red": i, "black": -i},
            outputs={"voltage": (v, "V"), "current": (i, "A")},
            source_power=-s.emf * i,
            heat=s.connected * (v - s.emf) ** 2 / s.resistance,
        )
