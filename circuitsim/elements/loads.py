"""What the motor turns, and lamps."""

from __future__ import annotations

from typing import Any, ClassVar

from circuitsim.elements.base import (
    Domain,
    Element,
    Law,
    Parameter,
    Symbols,
    Terminal,
    Unknown,
    electrical,
    rotational,
    thermal,
)  # fmt: skip
from circuitsim.elements.common import GRIP, dry_friction
from circuitsim.elements.smooth import keep_positive

__all__ = ["AxialFan", "ConstantTorque", "ForwardCurvedFan", "Lamp", "LockedShaft", "ProbeLamp"]


class ForwardCurvedFan(Element):
    """Forward-curved centrifugal fan on a given duct: torque ∝ speed² (affinity laws), less torque when blocked.

    At `speed`, in the duct it was meant for (`restriction` 1), in air of 1.2 kg/m³, it takes `torque` and moves
    `airflow`. Flow, pressure and torque follow n, n², n² for a given system; impeller size d and air density ρ enter
    as d³, ρ·d², ρ·d⁵. A changed system moves the point along the fan's own curve: pressure (1 - (q/q_f)²)/(1 - 1/q_f²)
    against restriction·q², with q the flow share and q_f the free delivery; torque share t₀ + (1 - t₀)·q, t₀ at
    shut-off (curve shapes assumed, and kept where no torque share falls below 0.1; that a forward-curved wheel unloads
    when blocked is common practice).
    """

    kind = "forward-curved-fan"
    terminals: ClassVar[tuple[Terminal, ...]] = (rotational("shaft"), thermal("air", "ambient"))
    parameters: ClassVar[tuple[Parameter, ...]] = (
        Parameter("torque", "N·m", "at `speed`, restriction 1, 20 °C air", low=1e-9),
        Parameter("speed", "rad/s", "speed at which torque and airflow hold", low=1e-3),
        Parameter("airflow", "m³/s", "at `speed`, restriction 1", 0.1, low=0.0),
        Parameter("restriction", "1", "system resistance over the one it was meant for", 1.0, high=1e6),
        Parameter("impeller", "1", "impeller diameter over the original one", 1.0, low=0.1, high=10.0),
        Parameter("density", "kg/m³", "density of air at 20 °C", 1.2, low=0.01, high=10.0),
        Parameter("shutoff_torque", "1", "torque share with the duct blocked; assumed", 0.4, low=0.05, high=1.6),
        Parameter("free_delivery", "1", "flow share with no duct at all; assumed", 1.4, low=1.01, high=2.5),
        Parameter("inertia", "kg·m²", "of the wheel", 5e-4),
    )

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        from sympy import Abs, sqrt

        free = 1 / s.free_delivery**2
        flow = 1 / sqrt(free + s.restriction * s.impeller**4 * (1 - free))
        share = s.shutoff_torque + (1 - s.shutoff_torque) * flow
        density = s.density / 1.2 / keep_positive(1 + (s.air - 20) / 293.15)
        ratio = s.shaft / s.speed
        torque = s.torque * density * s.impeller**5 * share * ratio * Abs(ratio)
        return Law(
            flows={"shaft": torque, "air": -torque * s.shaft},
            stores={"shaft": s.inertia * s.shaft},
            outputs={
                "torque": (torque, "N·m"),
                "airflow": (s.airflow * s.impeller**3 * flow * ratio, "m³/s"),
                "power": (torque * s.shaft, "W"),
            },
        )


class AxialFan(ForwardCurvedFan):
    """Axial fan: as the forward-curved one, but it usually takes MORE torque when blocked (common practice)."""

    kind = "axial-fan"
    parameters = tuple(
        Parameter(p.name, p.unit, p.meaning, 1.4, p.low, p.high) if p.name == "shutoff_torque" else p
        for p in ForwardCurvedFan.parameters
    )


class ConstantTorque(Element):
    """A load of constant torque against the motion; below it the shaft stands."""

    kind = "constant-torque"
    terminals = (rotational("shaft"), thermal("air", "ambient"))
    parameters = (
        Parameter("torque", "N·m", "against the motion"),
        Parameter("inertia", "kg·m²", "of the load", 1e-4),
    )
    unknowns = (GRIP,)

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        torque, gripping = dry_friction(s, s.torque)
        return Law(
            flows={"shaft": torque, "air": -torque * s.shaft},
            balances={"grip": gripping},
            stores={"shaft": s.inertia * s.shaft},
            outputs={"torque": (torque, "N·m")},
        )


class LockedShaft(Element):
    """A seized shaft: the constraint speed = 0, with the torque that holds it as its unknown."""

    kind = "locked-shaft"
    terminals = (Terminal("shaft", Domain.ROTATIONAL),)
    unknowns = (Unknown("torque", "N·m", "torque that holds the shaft", pivot=("shaft",)),)

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        return Law(flows={"shaft": s.torque}, balances={"torque": 1 * s.shaft}, outputs={"torque": (s.torque, "N·m")})


class Lamp(Element):
    """Filament lamp: i = v/R(v), R(v) = cold·(1 + (v/v₀)²)^0.225, so that lit it draws about v^0.55.

    v₀ follows from the rating: at `voltage` it takes `power`. The exponent 0.55 and a cold resistance of one
    twelfth of the hot one are from memory (lamp practice).
    """

    kind = "lamp"
    terminals = (electrical("a"), electrical("b"))
    parameters: ClassVar[tuple[Parameter, ...]] = (
        Parameter("power", "W", "rated power", low=0.01),
        Parameter("voltage", "V", "rated voltage", 12.0, low=0.5),
        Parameter("cold_share", "1", "cold resistance over the lit one", 1 / 12, low=0.01, high=0.9),
    )
    conducts = (("a", "b"),)
    ends = ("a", "b")

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        return _filament(s, 1)


def _filament(s: Symbols, connected: Any) -> Law:
    """State the law of a filament whose leads are on (1) or not (0)."""
    exponent = 0.225
    v = s.a - s.b
    lit = s.voltage**2 / s.power
    knee = ((1 / s.cold_share) ** (1 / exponent) - 1) / s.voltage**2
    i = connected * v / (lit * s.cold_share * (1 + knee * v**2) ** exponent)
    brightness = v * i / s.power
    return Law(
        flows={"a": i, "b": -i},
        outputs={"current": (i, "A"), "power share": (brightness, "1")},
        heat=v * i,
    )


class ProbeLamp(Lamp):
    """A lamp that is connected in some samples of a batch and not in others; no kind of its own, as no file needs it."""

    parameters = (*Lamp.parameters, Parameter("connected", "1", "1 when its leads are on", 0.0, high=1.0, state=True))

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics."""
        return _filament(s, s.connected)
