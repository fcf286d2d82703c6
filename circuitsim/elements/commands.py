"""What the panel puts on the command wire: a resistor ladder's rung, a stepped voltage, an open-collector duty."""

from __future__ import annotations

from circuitsim.elements.base import Element, Law, Parameter, Seen, Symbols, electrical, thermal
from circuitsim.elements.smooth import positive_part, step

__all__ = ["CommandVoltage", "LadderRung", "OpenCollector"]


class LadderRung(Element):
    """The rung of a resistor ladder that the selector has picked, from the command wire to the panel's ground.

    Its resistance is given step by step; a position with no rung is a large resistance (the leakage of the switch).
    """

    kind = "ladder"
    terminals = (electrical("line"), electrical("ground"))
    parameters = (Parameter("resistance", "Ω", "rung that is switched in", low=1e-3, high=1e13),)
    conducts = (("line", "ground"),)
    ends = ("line", "ground")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        i = (s.line - s.ground) / s.resistance
        return Law(flows={"line": i, "ground": -i}, outputs={"current": (i, "A")}, heat=(s.line - s.ground) * i)


class CommandVoltage(Element):
    """A stepped command voltage: `level` + `share` × its supply, behind an output resistance, against its ground.

    What it delivers comes from its supply pin, what it takes goes to its ground; the difference turns into heat.
    """

    kind = "command-voltage"
    terminals = (electrical("supply"), electrical("line"), electrical("ground"))
    parameters = (
        Parameter(
            "level",
            "V",
            "open-circuit command, the part that does not follow the supply",
            0.0,
            low=-100.0,
            high=100.0,
        ),
        Parameter("share", "1", "open-circuit command as a share of the supply", 0.0, high=1.0),
        Parameter("resistance", "Ω", "output resistance; assumed", 1000.0, low=1e-3),
        Parameter("leakage", "S", "line to ground; assumed", 1e-8, high=1.0),
        Parameter("drain", "A", "own supply current; assumed", 0.005),
    )
    conducts = (("supply", "ground"), ("line", "ground"))

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        from sympy import tanh

        own = s.supply - s.ground
        # A panel holds its level while its supply is two volts above it; with less it delivers nothing.
        wanted = s.level + s.share * own
        level = wanted * step(own - wanted - 2, 0.1 * s.smooth)
        out = (s.line - s.ground - level) / s.resistance
        given, taken = positive_part(-out, 1e-6 * s.smooth), positive_part(out, 1e-6 * s.smooth)
        leak = s.leakage * (s.line - s.ground)
        idle = s.drain * tanh(own)
        flows = {"line": out + leak, "supply": idle + given, "ground": -taken - leak - idle}
        return Law(
            flows=flows,
            outputs={"current": (-out, "A")},
            heat=sum(s[name] * flow for name, flow in flows.items()),
        )


class OpenCollector(Element):
    """Open-collector duty command, averaged: pulls the line low for `duty` of each period.

    Of a source of V volts behind R ohms, which all else on the line is to it (Thévenin; its own leakage is in both), it makes
    the average line voltage V·(1 - duty·R/(R + R_on)); seen from outside that is the conductance duty/((1 - duty)·R + R_on).
    R is found for every point, whatever hangs on its wires and joints (see `engine.matching`). With a duty of 1 and 0 that is
    the line pulled low and let go, between which it switches `frequency` times a second.
    """

    kind = "open-collector"
    terminals = (electrical("line"), electrical("ground"), thermal("air", "ambient"))
    parameters = (
        Parameter("duty", "1", "share of the period for which the line is pulled low", high=1.0),
        Parameter("pull_up", "Ω", "resistance of all else on the line: a first guess, found for every point", 1000.0, high=1e9),
        Parameter("on_resistance", "Ω", "transistor on; assumed", 10.0, low=1e-3),
        Parameter("leakage", "S", "transistor off; assumed", 1e-8, high=1.0),
        Parameter("frequency", "Hz", "of the pulses; assumed, no average depends on it", 100.0, low=1.0),
    )
    conducts = (("line", "ground"),)
    ends = ("line", "ground")
    seen = Seen("pull_up", idle="duty")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        v = s.line - s.ground
        i = (s.duty / ((1 - s.duty) * s.pull_up + s.on_resistance) + s.leakage) * v
        return Law(flows={"line": i, "ground": -i, "air": -v * i}, outputs={"current": (i, "A")})
