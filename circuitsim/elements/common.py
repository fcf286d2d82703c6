"""Pieces of physics that several laws share."""

from __future__ import annotations

from typing import Any

from circuitsim.elements.base import Parameter, Symbols, Unknown
from circuitsim.elements.smooth import keep_positive, positive_part

__all__ = [
    "COOLING_PARAMETERS", "COPPER_COEFFICIENT", "GRIP", "body_heat", "dry_friction", "forced_cooling", "heating_factor",
]  # fmt: skip

Expr = Any

COPPER_COEFFICIENT = 0.00393
"""Temperature coefficient of copper at 20 °C, 1/K (IEC 60028)."""

COOLING_PARAMETERS = (
    Parameter("still_cooling", "W/K", "heat conductance to the air with the fan standing; assumed", 0.5, low=1e-9),
    Parameter("forced_cooling", "W/K", "what the moving fan adds at reference_speed; assumed", 2.0),
    Parameter("reference_speed", "rad/s", "fan speed at which forced_cooling holds", 300.0, low=1e-3),
    Parameter("duct", "1", "share of the cooling air that arrives: 1 clear, 0 blocked", 1.0, high=1.0),
    Parameter("heat_capacity", "J/K", "heat capacity of sink and body; assumed", 150.0),
)


def heating_factor(temperature: Expr, coefficient: Expr, reference: float = 20.0) -> Expr:
    """1 + coefficient·(T - reference), kept positive and monotone where the straight line would not be."""
    return keep_positive(1 + coefficient * (temperature - reference))


def forced_cooling(s: Symbols) -> Expr:
    """Heat conductance of a sink whose cooling grows with the speed of the fan that blows on it, W/K."""
    from sympy import Abs

    return s.still_cooling + s.duct * s.forced_cooling * Abs(s.cooling_shaft) / s.reference_speed


def body_heat(power: Expr, conductance: Expr, body: Expr, surroundings: Expr) -> tuple[Expr, Expr]:
    """Heat flow INTO an element at its body and at its surroundings, for `power` made in it and lost to there."""
    loss = conductance * (body - surroundings)
    return loss - power, -loss


GRIP = Unknown("grip", "1", "share of the dry friction in use; past 1 the shaft slips, by 5 rad/s a unit", ("shaft",))
"""The unknown that walks the upright (standing) and level (slipping) parts of dry friction."""


def dry_friction(s: Symbols, breakaway: Expr) -> tuple[Expr, Expr]:
    """Give the torque of dry (Coulomb) friction against the motion, and the balance of the unknown `grip`.

    Standing (|grip| < 1) holds any torque up to `breakaway` while it creeps by at most 1 mrad/s (which shares a torque
    among several dry frictions on one shaft); slipping holds `breakaway` at any speed. As a function of the speed this
    curve is upright at zero, where Newton's method would only bounce; as a function of `grip` it is not. Own
    derivation.
    """
    width = 0.01 * s.smooth
    slip = positive_part(s.grip - 1, width) - positive_part(-s.grip - 1, width)
    return breakaway * (s.grip - slip), s.shaft - 5.0 * slip - 0.001 * s.grip
