"""Ground-side controllers: a linear stage, a chopping (PWM) stage with its modes, and a resistor pack's section."""

from __future__ import annotations

from typing import Any

from circuitsim.elements.base import (
    Element,
    Law,
    Limit,
    Modes,
    Parameter,
    Symbols,
    Unknown,
    electrical,
    rotational,
    thermal,
)  # fmt: skip
from circuitsim.elements.common import COOLING_PARAMETERS, body_heat, forced_cooling, heating_factor
from circuitsim.elements.smooth import beyond, clamp, positive_part, step

__all__ = ["LinearController", "PackSection", "PwmController", "PwmDead", "PwmFreewheel", "PwmMean", "PwmOn", "PwmReverse"]

Expr = Any

_TERMINALS = (
    electrical("supply"), electrical("low"), electrical("power_ground"), electrical("signal_ground"),
    electrical("command"), thermal("body"), thermal("air", "ambient"), rotational("cooling_shaft", "frame"),
)  # fmt: skip
_INPUT = (
    Parameter("pull_up", "Ω", "command to own supply; 1 GΩ when the pull-up sits elsewhere", 1e9, low=1.0),
    Parameter("input_resistance", "Ω", "command to signal ground; assumed", 1e7, low=1.0),
    Parameter("quiescent", "A", "own supply current; assumed", 0.01),
    Parameter("wakes_at", "V", "own supply below which the output stays off; assumed", 5.0),
    Parameter("current_limit", "A", "most that the output sinks; assumed", 60.0, low=0.01),
    Parameter("leakage", "S", "low side to power ground when off; assumed", 1e-8, high=1.0),
)


def _input_flows(s: Symbols) -> dict[str, Expr]:
    """Give the currents of the command input and of the controller's own supply."""
    from sympy import tanh

    own = s.supply - s.signal_ground
    command = (s.command - s.supply) / s.pull_up + (s.command - s.signal_ground) / s.input_resistance
    pulled = (s.supply - s.command) / s.pull_up
    sensed = (s.signal_ground - s.command) / s.input_resistance
    idle = s.quiescent * tanh(own)
    return {"supply": idle + pulled, "command": command, "signal_ground": sensed - idle}


def _electrical_heat(s: Symbols, flows: dict[str, Expr]) -> Expr:
    """All electrical power into the element turns into heat."""
    return sum(s[name] * flow for name, flow in flows.items())


_DRIVE = Unknown("drive", "A", "place on the output's curve: its current plus the volts it holds", pivot=("low",))
_WIDTH = 0.002  # V and A


def _walk(s: Symbols, edge: Expr) -> Expr:
    """Walk the output's voltage-current curve by `drive`; give its current.

    An output that holds `edge` volts is off below them: there drive is the voltage. From there on the voltage stays
    and drive - edge is the current, up to the limit, past which the voltage is free again. The curve is odd and goes
    through the origin, so that nothing is fed from nowhere; asked for 0 V or less, it is the plain stage both ways.
    Without its own supply the output carries nothing at any voltage.
    """
    awake = step(s.supply - s.signal_ground - s.wakes_at, 0.05 * s.smooth)
    current = awake * beyond(s.drive, edge, _WIDTH * s.smooth)
    return current - positive_part(current - s.current_limit, 0.05 * s.smooth)


class LinearController(Element):
    """Linear ground-side stage: holds its low side at gain × command + offset against its signal ground.

    It can't pull lower than its output stage: saturation_voltage·tanh(i) + on_resistance·i, the latter rising with
    the heat (field-effect: saturation 0, about 20-30 mΩ; bipolar: near 0.8 V). A falling command has gain > 0, a
    rising one gain < 0. Where `bypass` is given (a conductance), a relay shorts the stage past `bypass_command`.
    The output's voltage-current curve has upright and level parts: an unknown of its own (`drive`) walks it.
    """

    kind = "linear-controller"
    terminals = _TERMINALS
    parameters = (
        Parameter("gain", "1", "low side volts per command volt", 1.0, low=-20.0, high=20.0),
        Parameter("offset", "V", "low side at command zero", 0.0, low=-100.0, high=100.0),
        Parameter("on_resistance", "Ω", "output stage fully on, 25 °C", 0.02, low=1e-6),
        Parameter("on_coefficient", "1/K", "its rise with heat (1.5-1.8 times at 125 °C, common practice)", 0.0065),
        Parameter("saturation_voltage", "V", "what a bipolar output keeps; 0 for field-effect", 0.0, high=5.0),
        Parameter("bypass", "S", "conductance of the relay that bypasses the stage at the top; 0 for none", 0.0),
        Parameter("bypass_command", "V", "command past which the relay closes", 0.0, low=-100.0, high=100.0),
        *_INPUT,
        *COOLING_PARAMETERS,
    )
    unknowns = (_DRIVE,)
    conducts = (("low", "power_ground"), ("supply", "signal_ground"), ("command", "signal_ground"))

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        from sympy import tanh

        volts = s.low - s.power_ground
        command = s.command - s.signal_ground
        target = s.gain * command + s.offset + s.signal_ground - s.power_ground
        edge = positive_part(target, _WIDTH * s.smooth)
        i = _walk(s, edge)
        hot = heating_factor(s.body, s.on_coefficient, 25.0)
        lowest = s.saturation_voltage * tanh(i) + s.on_resistance * hot * i
        level = s.drive - i + beyond(lowest, edge, _WIDTH * s.smooth)
        falling = tanh(1e3 * s.gain)
        relay = s.bypass * step((s.bypass_command - command) * falling, 0.02 * s.smooth)
        low = i + (s.leakage + relay) * volts
        flows = {"low": low, "power_ground": -low, **_input_flows(s)}
        heat = _electrical_heat(s, flows)
        body, air = body_heat(heat, forced_cooling(s), s.body, s.air)
        return Law(
            flows={**flows, "body": body, "air": air},
            balances={"drive": volts - level},
            stores={"body": s.heat_capacity * s.body},
            outputs={"current": (low, "A"), "dissipation": (heat, "W"), "target": (target, "V")},
            limits=(Limit("heat sink temperature", s.body, -60, 200),),
        )


class PwmController(Element):
    """Chopping ground-side stage; this law is its average over a period while the motor's current never stops.

    While on (share D) the low side lies at on_resistance·i; while off the motor's current freewheels through a diode
    to the controller's supply pin: low = D·(R·i) + (1 - D)·(supply + V_d + R_d·i), with D·i to ground and (1 - D)·i
    back to the supply. That is where the periodic steady state starts from, which follows the
    modes below. D = clamp(gain·d + offset, 0, 1), d the share of a period for which the command line is pulled low, read
    from its average: d = 1 - command/supply.
    """

    kind = "pwm-controller"
    terminals = _TERMINALS
    parameters = (
        Parameter("gain", "1", "output duty per command duty", 1.25, low=-20.0, high=20.0),
        Parameter("offset", "1", "output duty at command duty zero", -0.125, low=-20.0, high=20.0),
        Parameter("frequency", "Hz", "chopping frequency", 20000.0, low=1.0),
        Parameter("on_resistance", "Ω", "switch, 25 °C", 0.008, low=1e-6),
        Parameter("on_coefficient", "1/K", "its rise with heat", 0.0065),
        Parameter("diode_drop", "V", "freewheel diode; from memory", 0.6, high=50.0),
        Parameter("diode_resistance", "Ω", "freewheel diode; assumed", 0.01, low=1e-6),
        *_INPUT,
        *COOLING_PARAMETERS,
    )
    unknowns = (_DRIVE,)
    conducts = (("low", "power_ground"), ("supply", "signal_ground"), ("command", "signal_ground"))

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        from sympy import Abs

        duty = _duty(s)
        hot = heating_factor(s.body, s.on_coefficient, 25.0)
        volts = s.low - s.power_ground
        # Held level at no current: the freewheel diode's share of the period; a supply below ground counts its size.
        i = _walk(s, Abs((1 - duty) * (s.supply + s.diode_drop - s.power_ground)))
        level = s.drive - i + (duty * s.on_resistance * hot + (1 - duty) * s.diode_resistance) * i
        leak = s.leakage * volts
        flows = {"low": i + leak, "power_ground": -duty * i - leak, **_input_flows(s)}
        flows["supply"] -= (1 - duty) * i
        heat = _electrical_heat(s, flows)
        body, air = body_heat(heat, forced_cooling(s), s.body, s.air)
        return Law(
            flows={**flows, "body": body, "air": air},
            balances={"drive": volts - level},
            stores={"body": s.heat_capacity * s.body},
            outputs={"current": (flows["low"], "A"), "dissipation": (heat, "W"), "duty": (duty, "1")},
            limits=(Limit("heat sink temperature", s.body, -60, 200),),
        )

    @classmethod
    def modes(cls) -> Modes:
        """Declare what it is between two switchings: on, freewheel, dead (no current), or its body diode carries."""
        return _CHOPPING


def _duty(s: Symbols) -> Expr:
    """Give the share of a period for which the switch is on; none without its own supply."""
    own = positive_part(s.supply - s.signal_ground, 0.05 * s.smooth) + 1e-6
    pulled = 1 - (s.command - s.signal_ground) / own
    awake = step(s.supply - s.signal_ground - s.wakes_at, 0.05 * s.smooth)
    return awake * clamp(s.gain * pulled + s.offset, 0, 1, 0.002 * s.smooth)


def _between(s: Symbols, grounded: Expr, balance: Expr, carried: Expr, outputs: dict[str, tuple[Expr, str]]) -> Law:
    """State a chopping stage's law in one mode: what it carries goes to ground by the share `grounded`, else to the supply."""
    leak = s.leakage * (s.low - s.power_ground)
    flows = {"low": carried + leak, "power_ground": -grounded * carried - leak, **_input_flows(s)}
    flows["supply"] -= (1 - grounded) * carried
    heat = _electrical_heat(s, flows)
    body, air = body_heat(heat, forced_cooling(s), s.body, s.air)
    return Law(
        flows={**flows, "body": body, "air": air},
        balances={"drive": balance},
        stores={"body": s.heat_capacity * s.body},
        outputs={"current": (flows["low"], "A"), "dissipation": (heat, "W"), **outputs},
    )


class PwmMean(PwmController):
    """Chopping stage as the plain mean of on and freewheel, weighted by the duty, at any current."""

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        duty, i = _duty(s), s.drive
        on = s.on_resistance * heating_factor(s.body, s.on_coefficient, 25.0) * i
        off = s.supply - s.power_ground + s.diode_drop + s.diode_resistance * i
        balance = s.low - s.power_ground - duty * on - (1 - duty) * off
        return _between(s, duty, balance, i, {"duty": (duty, "1")})


class PwmOn(PwmController):
    """Chopping stage with its switch on: low - power_ground = on_resistance·i, either way."""

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        drop = s.on_resistance * heating_factor(s.body, s.on_coefficient, 25.0) * s.drive
        return _between(s, 1, s.low - s.power_ground - drop, s.drive, {})


class PwmFreewheel(PwmController):
    """Chopping stage with its switch off and the freewheel diode carrying: low - supply = V_d + R_d·i."""

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        drop = s.diode_drop + s.diode_resistance * s.drive
        return _between(s, 0, s.low - s.supply - drop, s.drive, {"forward current": (s.drive, "A")})


class PwmDead(PwmController):
    """Chopping stage with nothing carrying but its leakage; margins are the volts left until a diode would."""

    unknowns = (Unknown("drive", "A", "its current: none"),)

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        margins = {
            "freewheel margin": (s.supply + s.diode_drop - s.low, "V"),
            "body margin": (s.low - s.power_ground + s.diode_drop, "V"),
        }
        return _between(s, 1, 1 * s.drive, 0, margins)


class PwmReverse(PwmController):
    """Chopping stage with its switch off and the switch's body diode carrying; drop and resistance assumed alike."""

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        drop = s.diode_resistance * s.drive - s.diode_drop
        backward = {"backward current": (-s.drive, "A")}
        return _between(s, 1, s.low - s.power_ground - drop, s.drive, backward)


_CHOPPING = Modes(
    laws={"on": PwmOn, "freewheel": PwmFreewheel, "dead": PwmDead, "reverse": PwmReverse},
    mean=PwmMean,
    guards={
        "freewheel": (("forward current", "dead"),),
        "dead": (("freewheel margin", "freewheel"), ("body margin", "reverse")),
        "reverse": (("backward current", "dead"),),
    },
    phases=(("on",), ("freewheel", "reverse", "dead")),
)


class PackSection(Element):
    """One resistor of a stepped pack in the air stream; sections and cutout may share one `body` node.

    Resistance alloys hardly change with heat (coefficient assumed 0.0002/K); cooling grows with the fan's speed.
    """

    kind = "pack-section"
    terminals = (
        electrical("a"), electrical("b"), thermal("body"), thermal("air", "ambient"),
        rotational("cooling_shaft", "frame"),
    )  # fmt: skip
    parameters = (
        Parameter("resistance", "Ω", "section at 20 °C", low=1e-6, high=1e13),
        Parameter("coefficient", "1/K", "rise of the resistance; assumed", 0.0002),
        *COOLING_PARAMETERS,
    )
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        i = (s.a - s.b) / (s.resistance * heating_factor(s.body, s.coefficient))
        body, air = body_heat((s.a - s.b) * i, forced_cooling(s), s.body, s.air)
        return Law(
            flows={"a": i, "b": -i, "body": body, "air": air},
            stores={"body": s.heat_capacity * s.body},
            outputs={"current": (i, "A"), "drop": (s.a - s.b, "V")},
            limits=(Limit("pack temperature", s.body, -60, 500),),
        )
