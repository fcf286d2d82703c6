"""Faults of what current crosses on its way: joints, wires, fuses, switches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from circuitsim.measure.faults.kinds import OPEN, Change, Effect, Site, Tap, fault_kind, feed_of

__all__ = [
    "blown",
    "broken_strands",
    "burnt_contact",
    "chafed_to_ground",
    "chafed_to_supply",
    "corroded",
    "hot_fuse",
    "intermittent",
    "loose_crimp",
    "open_joint",
    "open_wire",
    "spliced_in_load",
    "spread",
    "stuck_closed",
    "stuck_open",
    "wet_bridge",
    "worn_brush",
]

Array = NDArray[np.float64]
_JOINTS = ("contact", "pin")
_HARMLESS = 0.5  # V; between two points that never lie further apart a path does nothing


def _same(severity: Array) -> Array:
    return severity


def _open(severity: Array) -> Array:
    return np.full_like(severity, OPEN)


def _series(site: Site) -> tuple[float, float]:
    """From a drop of 50 mV at the healthy current to a hundred times what the circuit takes it for."""
    return 0.05 / site.circuit.nominal * site.load, 100.0 * site.load


def _leakage(site: Site) -> tuple[float, float]:
    """From bare metal on metal to ten times the load there."""
    return 0.05, 10.0 * site.load


def _added(site: Site) -> Effect:
    parameter = "on_resistance" if site.element.kind in ("switch", "thermal-cutout") else "resistance"
    return Effect((Change(site.name, parameter, "add", _same),))


def _plain(site: Site) -> bool:
    """Whether a site is repaired by itself, and not a piece of a motor or controller."""
    return not site.inside


@fault_kind(
    "corroded", _JOINTS, unit="Ω", span=_series, family="ohms", weight=3.0, minutes=20,
    what="green or white corrosion in the joint: ohms in series",
    signs="a drop across the joint under load, most where the current is largest; warm or discoloured; nothing to see unloaded",
    cure="clean or renew the terminal {site}", words={"slow": 0.5, "hot smell": 0.15, "plug melted": 0.1, "surges": 0.1},
)  # fmt: skip
def corroded(site: Site) -> Effect | None:
    """Add ohms to a joint that is not inside a part."""
    return _added(site) if _plain(site) else None


@fault_kind(
    "spread", ("pin",), unit="Ω", span=_series, family="ohms", weight=2.0, minutes=20,
    what="a spread or burnt terminal that no longer grips: ohms in series",
    signs="a drop that changes when the plug is moved; a browned or melted cavity; may be cured for a while by unplugging",
    cure="clean or renew the terminal {site}",
    words={"slow": 0.5, "surges": 0.3, "hot smell": 0.25, "plug melted": 0.3, "starts when tapped": 0.1},
)  # fmt: skip
def spread(site: Site) -> Effect | None:
    """Add ohms to a terminal pair."""
    return _added(site)


@fault_kind(
    "loose-crimp", _JOINTS, unit="Ω", span=_series, family="ohms", weight=1.0, minutes=20,
    what="a loose or badly made crimp, weld or bolted joint: ohms in series",
    signs="a drop across the joint under load; the wire moves in its terminal; inside a motor: weak, feed and low side good",
    cure="clean or renew the terminal {site}", words={"slow": 0.5, "surges": 0.2, "hot smell": 0.15},
)  # fmt: skip
def loose_crimp(site: Site) -> Effect | None:
    """Add ohms to a joint, inside a part or not; brushes have a kind of their own."""
    return None if site.inside and "brush" in site.name else _added(site)


@fault_kind(
    "worn-brush", ("contact",), unit="Ω", span=_series, family="ohms", weight=2.5, minutes=40,
    what="a worn, stuck or burnt brush: ohms in series inside the motor",
    signs="weak or dead, at every step; may start when the motor is tapped; feed and low side good, little current",
    cure="clean or renew the terminal {site}", words={"slow": 0.5, "noisy": 0.3, "surges": 0.3, "starts when tapped": 0.5},
)  # fmt: skip
def worn_brush(site: Site) -> Effect | None:
    """Add ohms to a brush joint inside a motor."""
    return _added(site) if site.inside and "brush" in site.name else None


@fault_kind(
    "open", _JOINTS, weight=1.0, minutes=20, what="a joint that does not touch: open",
    signs="dead behind it; on a command or ground wire the fan may stop, run full, or change its steps",
    cure="clean or renew the terminal {site}", words={"surges": 0.05, "starts when tapped": 0.1},
)  # fmt: skip
def open_joint(site: Site) -> Effect | None:
    """Open a joint."""
    return Effect((Change(site.name, "resistance", "set", _open),))


@fault_kind(
    "intermittent", _JOINTS, unit="Ω", span=_series, weight=1.0, minutes=20, intermittent=True,
    what="a joint that comes and goes: good at one moment, ohms in series at the next",
    signs="surges; readings that jump when the harness is wiggled; good while nobody touches it",
    cure="clean or renew the terminal {site}", words={"surges": 0.7, "starts when tapped": 0.3, "slow": 0.3},
)  # fmt: skip
def intermittent(site: Site) -> Effect | None:
    """Add ohms to a joint while it is bad."""
    return _added(site)


def _neighbour(site: Site) -> str:
    """Name the pin beside a pin in its connector; '' for the last one."""
    for connector in site.circuit.connectors.values():
        if site.name in connector.pins[:-1]:
            return connector.pins[connector.pins.index(site.name) + 1]
    return ""


@fault_kind(
    "wet-bridge", ("pin",), unit="Ω", span=lambda s: (10.0, max(1e3, min(10.0 * s.load, 1e6))), weight=0.5, minutes=25,
    what="water or green salt between this pin and the next one in the connector: a leak between two circuits",
    signs="comes with rain or washing; a dead pin shows a voltage, a command is off by a little; green in the plug",
    cure="dry and clean the connector of {site}", words={"surges": 0.2, "slow": 0.2, "fast": 0.2},
)  # fmt: skip
def wet_bridge(site: Site) -> Effect | None:
    """Join the harness sides of two neighbouring pins."""
    other = _neighbour(site)
    if not other:
        return None
    net = site.circuit.net
    nodes = [net.node(f"{name}/harness") for name in (site.name, other)]
    return Effect(taps=(Tap(nodes[0], nodes[1], _same),)) if nodes[0] != nodes[1] else None


# Wires --------------------------------------------------------------------------------------------------------


def _length_ohms(site: Site) -> float:
    v = site.element.values
    return v["resistivity"] * v["length"] / (v["area"] * v["strands"])


@fault_kind(
    "broken-strands", ("wire",), unit="Ω", span=_series, family="ohms", weight=1.0, minutes=30,
    what="broken or corroded strands (often behind a soldered or bent end): ohms in series",
    signs="a drop along the wire under load that changes when it is bent; a soft or green spot under the insulation",
    cure="repair the wire {site}", words={"slow": 0.4, "surges": 0.3, "hot smell": 0.1},
)  # fmt: skip
def broken_strands(site: Site) -> Effect | None:
    """Add ohms to a wire, as whole strands lost over its length."""
    own = _length_ohms(site)
    change = Change(site.name, "strands", "times", lambda severity: own / (own + severity))
    return Effect((change,)) if _plain(site) else None


@fault_kind(
    "open", ("wire",), weight=0.6, minutes=30, what="a broken wire: open", signs="dead behind it",
    cure="repair the wire {site}", words={"surges": 0.05},
)  # fmt: skip
def open_wire(site: Site) -> Effect | None:
    """Break a wire."""
    own = _length_ohms(site)
    return Effect((Change(site.name, "strands", "times", lambda severity: np.full_like(severity, own / OPEN)),))


@fault_kind(
    "chafed-to-ground", ("wire",), unit="Ω", span=_leakage, weight=0.6, minutes=30,
    what="insulation rubbed through on metal: a path to ground",
    signs="a feed blows its fuse; the low side or a falling command to ground gives full speed and blows none",
    cure="repair the wire {site}", words={"fuse open": 0.2, "always full": 0.2, "surges": 0.1},
)  # fmt: skip
def chafed_to_ground(site: Site) -> Effect | None:
    """Join a wire's far end to ground; a wire that lies at ground anyway takes no harm."""
    tap = Tap(site.ends()[1], site.circuit.net.ground, _same)
    return Effect(taps=(tap,)) if _plain(site) and site.volts > _HARMLESS else None


@fault_kind(
    "chafed-to-supply", ("wire",), unit="Ω", span=_leakage, weight=0.3, minutes=30,
    what="insulation rubbed through against a fed wire: a path to supply",
    signs="a falling command reads high and the fan is slow or dead; the low side to supply: fan dead, stage takes the short",
    cure="repair the wire {site}", words={"hot smell": 0.1, "surges": 0.1},
)  # fmt: skip
def chafed_to_supply(site: Site) -> Effect | None:
    """Join a wire's far end to the motor's feed."""
    tap = Tap(site.ends()[1], feed_of(site.circuit), _same)
    return Effect(taps=(tap,)) if _plain(site) and site.gap > _HARMLESS else None


@fault_kind(
    "spliced-in-load", ("wire",), unit="Ω", span=lambda s: (0.15 * s.load, 200.0 * s.load), weight=0.2, minutes=40,
    what="a load spliced into the feed by somebody: it takes current of its own",
    signs="feed low and fuse warm with the fan at its lowest step; current at the fuse is more than at the motor",
    cure="take the foreign load off {site}", words={"fuse open": 0.1},
)  # fmt: skip
def spliced_in_load(site: Site) -> Effect | None:
    """Join the far end of a wire of the motor's feed to ground through a load."""
    feed, ground = feed_of(site.circuit), site.circuit.net.ground
    return Effect(taps=(Tap(feed, ground, _same),)) if feed in site.ends() and _plain(site) else None


# Fuses, switches, cutouts ---------------------------------------------------------------------------------------


@fault_kind(
    "blown", ("fuse",), weight=2.0, minutes=10, what="the fuse has opened",
    signs="dead behind it, battery before it; look for what blew it before fitting another of the same rating",
    cure="replace the fuse {site}, and find why it opened", words={"fuse open": 0.97},
)  # fmt: skip
def blown(site: Site) -> Effect | None:
    """Open a fuse."""
    return Effect((Change(site.name, "resistance", "set", _open),))


@fault_kind(
    "hot", ("fuse",), unit="Ω", span=_series, family="ohms", weight=0.5, minutes=10,
    what="a tired fuse, or one of bad make: ohms in series",
    signs="a drop across the fuse beyond the usual millivolts; warm to the touch", words={"slow": 0.3, "hot smell": 0.2},
    cure="replace the fuse {site}, and find why it opened",
)  # fmt: skip
def hot_fuse(site: Site) -> Effect | None:
    """Add ohms to a fuse."""
    return _added(site)


@fault_kind(
    "burnt-contact", ("switch",), unit="Ω", span=_series, family="ohms", weight=1.5, minutes=15,
    what="a burnt relay or switch contact: ohms in series",
    signs="a drop across the contact under load; a warm relay; may work when tapped", cure="replace {site}",
    words={"slow": 0.4, "surges": 0.2, "hot smell": 0.15, "starts when tapped": 0.3},
)  # fmt: skip
def burnt_contact(site: Site) -> Effect | None:
    """Add ohms to a switch."""
    return _added(site)


def _closes(site: Site) -> bool:
    return site.element.parameter("closed").state


@fault_kind(
    "stuck-open", ("switch", "thermal-cutout"), weight=1.0, minutes=15, what="a contact that never closes",
    signs="dead behind it, or without its step; a pack's cutout: only the top step works", cure="replace {site}",
    words={"starts when tapped": 0.1},
)  # fmt: skip
def stuck_open(site: Site) -> Effect | None:
    """Keep a switch open."""
    return Effect((Change(site.name, "closed", "set", np.zeros_like),)) if _closes(site) else None


@fault_kind(
    "stuck-closed", ("switch",), weight=0.4, minutes=15, what="a welded contact that never opens",
    signs="fed or running when it should not be; a selector's: two steps at once", cure="replace {site}",
)  # fmt: skip
def stuck_closed(site: Site) -> Effect | None:
    """Keep a switch closed."""
    return Effect((Change(site.name, "closed", "set", np.ones_like),)) if _closes(site) else None
