"""Faults of the motor, and of what it turns."""

from __future__ import annotations

import numpy as np

from circuitsim.measure.faults.joints import _open, _same, _series
from circuitsim.measure.faults.kinds import Change, Effect, Site, Tap, fault_kind
from circuitsim.measure.faults.parts import _fixed, _less, _one

__all__ = [
    "blocked_filter",
    "dragging",
    "fouled_wheel",
    "internal_joint",
    "open_winding",
    "reversed_motor",
    "seized",
    "shorted_capacitor",
    "shorted_turns",
    "slipping_wheel",
    "weak_magnets",
    "worn_brushes",
    "wrong_motor",
    "wrong_wheel",
]

_FANS = ("forward-curved-fan", "axial-fan")


# Motor ------------------------------------------------------------------------------------------------------------

_RENEW_MOTOR = "replace the motor {site}"


@fault_kind(
    "internal-joint", ("motor",), unit="Ω", span=_series, family="ohms", weight=0.8, minutes=40,
    what="a bad joint or burnt commutator inside the motor: ohms in series",
    signs="weak at full speed with feed and low side good and little current; the drop is inside the motor", cure=_RENEW_MOTOR,
    words={"slow": 0.5, "noisy": 0.2, "starts when tapped": 0.1},
)  # fmt: skip
def internal_joint(site: Site) -> Effect | None:
    """Add ohms to the armature."""
    return _one(site, "resistance", "add", _same)


@fault_kind(
    "worn-brushes", ("motor",), unit="V", span=lambda s: (0.05 * s.circuit.nominal, 0.6 * s.circuit.nominal), weight=1.5,
    minutes=40, what="worn brushes that arc: volts lost at the brushes",
    signs="slow, noisy, sparks; may start when tapped; little current", cure=_RENEW_MOTOR,
    words={"slow": 0.5, "noisy": 0.4, "surges": 0.3, "starts when tapped": 0.5},
)  # fmt: skip
def worn_brushes(site: Site) -> Effect | None:
    """Add volts to the brush drop."""
    return _one(site, "brush_drop", "add", _same)


@fault_kind(
    "open-winding", ("motor",), weight=1.0, minutes=40, what="the motor is open inside",
    signs="dead; no current; low side at zero with the stage on, feed good", cure=_RENEW_MOTOR,
    words={"starts when tapped": 0.1},
)  # fmt: skip
def open_winding(site: Site) -> Effect | None:
    """Open the armature."""
    return _one(site, "resistance", "set", _open)


@fault_kind(
    "shorted-turns", ("motor",), unit="1", span=lambda s: (0.03, 0.5), scale="linear", weight=0.6, minutes=40,
    what="shorted turns: this share of the winding is lost", signs="more current, hot, runs unevenly; fuse may open",
    cure=_RENEW_MOTOR, words={"hot smell": 0.4, "noisy": 0.2, "fuse open": 0.1, "surges": 0.1},
)  # fmt: skip
def shorted_turns(site: Site) -> Effect | None:
    """Take turns from the armature: constant and resistance fall alike."""
    return Effect((Change(site.name, "constant", "times", _less), Change(site.name, "resistance", "times", _less)))


def _rated_torque(site: Site) -> float:
    return site.element.values["constant"] * max(site.current, 0.1)


@fault_kind(
    "dragging", ("motor",), unit="N·m", span=lambda s: (0.1 * _rated_torque(s), 1.5 * _rated_torque(s)), weight=1.5, minutes=40,
    what="stiff bearings or something that rubs: more dry friction",
    signs="slow with MORE current; noisy; kills controllers and plugs (find it before fitting new ones)", cure=_RENEW_MOTOR,
    words={"slow": 0.6, "noisy": 0.5, "hot smell": 0.3, "plug melted": 0.1, "fuse open": 0.1},
)  # fmt: skip
def dragging(site: Site) -> Effect | None:
    """Add dry friction."""
    return _one(site, "friction", "add", _same)


@fault_kind(
    "seized", ("motor",), weight=0.6, minutes=40, what="the shaft is stuck",
    signs="stands and hums; current of a stalled motor; fuse opens or the stage gets very hot", cure=_RENEW_MOTOR,
    words={"hot smell": 0.5, "fuse open": 0.3, "plug melted": 0.1},
)  # fmt: skip
def seized(site: Site) -> Effect | None:
    """Hold the shaft by a friction that no torque of the motor overcomes."""
    return _one(site, "friction", "set", _fixed(100.0 * max(1.0, _rated_torque(site))))


@fault_kind(
    "weak-magnets", ("motor",), unit="1", span=lambda s: (0.05, 0.5), scale="linear", weight=0.3, minutes=40,
    what="the magnets have lost this share of their strength", signs="as fast or faster, with MORE current", cure=_RENEW_MOTOR,
    words={"fast": 0.2, "hot smell": 0.1},
)  # fmt: skip
def weak_magnets(site: Site) -> Effect | None:
    """Weaken the motor constant."""
    return _one(site, "constant", "times", _less)


@fault_kind(
    "wrong-replacement", ("motor",), unit="1", span=lambda s: (0.6, 1.7), neutral=1.0, weight=0.4, minutes=40,
    what="another motor was fitted: its constant is this many times the right one's (resistance by the square)",
    signs="new motor, never right since: slow with little current (above 1) or fast with much (below 1)", cure=_RENEW_MOTOR,
    words={"slow": 0.3, "fast": 0.3},
)  # fmt: skip
def wrong_motor(site: Site) -> Effect | None:
    """Scale the motor's winding."""
    square = Change(site.name, "resistance", "times", lambda severity: severity**2)
    return Effect((Change(site.name, "constant", "times", _same), square))


@fault_kind(
    "suppression-capacitor-shorted", ("motor",), unit="Ω", span=lambda s: (0.01, 0.3), weight=0.2, minutes=40,
    what="the suppression capacitor across the motor is shorted",
    signs="dead; fuse opens or the stage takes the short as it comes on",
    cure=_RENEW_MOTOR, words={"fuse open": 0.5, "hot smell": 0.3},
)  # fmt: skip
def shorted_capacitor(site: Site) -> Effect | None:
    """Join the motor's terminals."""
    nodes = site.element.nodes
    return Effect(taps=(Tap(nodes["plus"], nodes["minus"], _same),))


@fault_kind(
    "reversed", ("motor",), weight=0.2, minutes=20, what="reversed polarity, or a wheel of the wrong hand: it turns backwards",
    signs="every reading near normal, little air; nothing electrical shows it: look at the wheel", words={"normal": 0.3},
    cure="turn the leads of {site} the right way round (or fit the right wheel)",
)  # fmt: skip
def reversed_motor(site: Site) -> Effect | None:
    """Turn the motor's sense of rotation round."""
    return _one(site, "constant", "times", lambda severity: -np.ones_like(severity))


# What the motor turns -----------------------------------------------------------------------------------------------


@fault_kind(
    "blocked-filter", _FANS, unit="1", span=lambda s: (3.0, 1000.0), weight=1.0, minutes=10,
    what="a blocked filter, core or duct: this many times the system's resistance",
    signs="little air; a forward-curved wheel runs FASTER with LESS current, an axial one usually slower with more",
    cure="clear the filter or duct of {site}", words={"fast": 0.3, "noisy": 0.3},
)  # fmt: skip
def blocked_filter(site: Site) -> Effect | None:
    """Block the air path."""
    return _one(site, "restriction", "times", _same)


@fault_kind(
    "slipping-wheel", _FANS, unit="1", span=lambda s: (0.2, 0.95), scale="linear", weight=0.4, minutes=25,
    what="the wheel slips on its shaft: this share of its torque is gone",
    signs="fast and loud motor, little air, little current",
    cure="fix or replace the wheel {site}", words={"fast": 0.5, "noisy": 0.4, "surges": 0.2},
)  # fmt: skip
def slipping_wheel(site: Site) -> Effect | None:
    """Take load from the shaft."""
    return _one(site, "torque", "times", _less)


@fault_kind(
    "fouled-wheel", _FANS, unit="1", span=lambda s: (1.15, 3.0), weight=0.5, minutes=25,
    what="leaves, ice or dirt on the wheel: this many times its torque", signs="slow with more current; rubs, shakes",
    cure="clean or free the wheel {site}", words={"slow": 0.4, "noisy": 0.6},
)  # fmt: skip
def fouled_wheel(site: Site) -> Effect | None:
    """Add load to the shaft."""
    return _one(site, "torque", "times", _same)


@fault_kind(
    "wrong-wheel", _FANS, unit="1", span=lambda s: (0.8, 1.25), neutral=1.0, weight=0.2, minutes=25,
    what="a wheel of another size: this many times the right diameter", signs="bigger: slower with more current",
    cure="fix or replace the wheel {site}", words={"slow": 0.2, "fast": 0.2},
)  # fmt: skip
def wrong_wheel(site: Site) -> Effect | None:
    """Scale the impeller."""
    return _one(site, "impeller", "times", _same)
