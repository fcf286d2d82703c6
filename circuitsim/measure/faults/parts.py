"""Faults of parts: supply, command, controller, resistor pack."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements import rest_voltage
from circuitsim.measure.faults.joints import _open, _same, _series
from circuitsim.measure.faults.kinds import Change, Effect, Site, Tap, fault_kind

__all__ = [
    "blocked_duct",
    "diode_open",
    "diode_shorted",
    "discharged",
    "folds_back",
    "high_on_resistance",
    "high_section",
    "missing_step",
    "no_ground",
    "no_supply",
    "not_charging",
    "offset",
    "open_panel",
    "open_section",
    "output_open",
    "output_shorted",
    "regulation_off",
    "shorted_panel",
    "shorted_section",
    "stage_leakage",
    "weak_battery",
]

Array = NDArray[np.float64]
_STAGES = ("linear-controller", "pwm-controller")
_NO_VOLTS = 1e3  # V; a supply at which no stage wakes up


def _one(site: Site, parameter: str, how: str, size: object) -> Effect:
    """Give the effect of one change at the site itself."""
    return Effect((Change(site.name, parameter, how, size, site.step),))  # type: ignore[arg-type]


def _less(severity: Array) -> Array:
    return 1 - severity


def _fixed(value: float) -> object:
    return lambda severity: np.full_like(severity, value)


# Supply -----------------------------------------------------------------------------------------------------------


@fault_kind(
    "discharged", ("battery",), unit="1", span=lambda s: (0.02, 0.75), scale="linear", weight=1.0, minutes=30,
    what="a battery that is flat: the severity is its charge, 0 to 1", signs="all steps slow, lamps dim; low at rest too",
    cure="charge or replace the battery {site}", words={"slow": 0.4},
)  # fmt: skip
def discharged(site: Site) -> Effect | None:
    """Set the battery's rest voltage by its charge, at its number of cells."""
    cells = 12 if site.circuit.nominal > 18 else 6
    charges = np.linspace(0, 1, 101)
    volts = np.array([rest_voltage(float(c), cells) for c in charges])
    return _one(site, "emf", "set", lambda severity: np.interp(severity, charges, volts))


@fault_kind(
    "high-resistance", ("battery",), unit="Ω", span=lambda s: (0.03, 1.0), weight=0.6, minutes=30,
    what="a worn-out battery: good at rest, falls under load", signs="battery voltage falls as the fan is switched up",
    cure="charge or replace the battery {site}", words={"slow": 0.4},
)  # fmt: skip
def weak_battery(site: Site) -> Effect | None:
    """Add ohms to a battery."""
    return _one(site, "resistance", "add", _same)


@fault_kind(
    "not-charging", ("alternator",), weight=0.5, minutes=90, what="an alternator or charger that delivers nothing",
    signs="with the engine running the battery reads as at rest, or less", cure="repair the charging system {site}",
)  # fmt: skip
def not_charging(site: Site) -> Effect | None:
    """Stop the alternator."""
    return _one(site, "running", "set", np.zeros_like)


# Command ----------------------------------------------------------------------------------------------------------

_PANELS = ("ladder", "command-voltage", "open-collector")


@fault_kind(
    "missing-step", _PANELS, weight=0.8, minutes=45, steps=True, what="one step of the selector or panel gives no command",
    signs="one step is as off (on some circuits as full), all others are right", cure="replace the panel or selector {site}",
)  # fmt: skip
def missing_step(site: Site) -> Effect | None:
    """Take the command of one step away."""
    if site.element.kind == "ladder":
        return _one(site, "resistance", "set", _fixed(1e8))
    return _one(site, "level" if site.element.kind == "command-voltage" else "duty", "set", np.zeros_like)


@fault_kind(
    "offset", _PANELS, unit="1", span=lambda s: (0.4, 2.5), neutral=1.0, weight=0.6, minutes=45,
    what="the panel's command is off by a factor at every step (a wrong resistor, a drifted output)",
    signs="all steps too slow or too fast; command wrong at the panel's own plug", cure="replace the panel or selector {site}",
    words={"slow": 0.3, "fast": 0.3},
)  # fmt: skip
def offset(site: Site) -> Effect | None:
    """Scale what the panel commands; a duty does not pass 1."""
    parameter = {"ladder": "resistance", "command-voltage": "level", "open-collector": "duty"}[site.element.kind]
    if parameter != "duty":
        return _one(site, parameter, "times", _same)
    table = site.circuit.step_tables.get((site.name, "duty"))
    if table is None:
        return None
    return Effect(tuple(_duty(site, step, d) for step, d in zip(site.circuit.steps, table.values, strict=True)))


def _duty(site: Site, step: str, duty: float) -> Change:
    """Scale a duty at one step towards one: d becomes 1 - (1 - d)^severity, which stays between 0 and 1."""

    def scaled(severity: Array) -> Array:
        return np.asarray(1 - (1 - duty) ** severity)

    return Change(site.name, "duty", "set", scaled, step)


@fault_kind(
    "open", _PANELS, weight=0.6, minutes=45, what="the panel's output is open at every step",
    signs="no command at the panel's own plug; a falling ladder is then off", cure="replace the panel or selector {site}",
)  # fmt: skip
def open_panel(site: Site) -> Effect | None:
    """Open the panel's output."""
    if site.element.kind == "open-collector":
        return _one(site, "duty", "set", np.zeros_like)
    return _one(site, "resistance", "set", _open)


@fault_kind(
    "shorted", _PANELS, unit="Ω", span=lambda s: (1.0, 300.0), weight=0.3, minutes=45,
    what="the panel's output is shorted to its ground", signs="command near zero at every step; a falling ladder runs full",
    cure="replace the panel or selector {site}", words={"always full": 0.3},
)  # fmt: skip
def shorted_panel(site: Site) -> Effect | None:
    """Join the panel's output to its ground."""
    nodes = site.element.nodes
    return Effect(taps=(Tap(nodes["line"], nodes["ground"], _same),))


# Controller -------------------------------------------------------------------------------------------------------

_RENEW_STAGE = "replace the controller {site}, once motor and plugs are cleared of having killed it"


@fault_kind(
    "output-open", _STAGES, weight=1.5, minutes=40, what="the output stage never sinks: open, or its drive is dead",
    signs="dead at every step with feed, command, supply and ground good; low side at supply", cure=_RENEW_STAGE,
    words={"hot smell": 0.1},
)  # fmt: skip
def output_open(site: Site) -> Effect | None:
    """Keep the output off."""
    return _one(site, "wakes_at", "set", _fixed(_NO_VOLTS))


@fault_kind(
    "output-shorted", _STAGES, unit="Ω", span=lambda s: (0.005, 0.5), weight=1.2, minutes=40,
    what="the output stage is shorted to ground", signs="full speed whenever fed, off included; low side near zero",
    cure=_RENEW_STAGE, words={"always full": 0.9},
)  # fmt: skip
def output_shorted(site: Site) -> Effect | None:
    """Join low side and power ground."""
    nodes = site.element.nodes
    return Effect(taps=(Tap(nodes["low"], nodes["power_ground"], _same),))


@fault_kind(
    "high-on-resistance", _STAGES, unit="Ω", span=_series, weight=0.6, minutes=40,
    what="the output stage has lost some of its cells or bonds: it drops too much fully on",
    signs="top step slow, low side too high there, right at its own plug's ground", cure=_RENEW_STAGE,
    words={"slow": 0.4, "hot smell": 0.2},
)  # fmt: skip
def high_on_resistance(site: Site) -> Effect | None:
    """Add ohms to the output stage."""
    return _one(site, "on_resistance", "add", _same)


@fault_kind(
    "regulation-off", _STAGES, unit="1", span=lambda s: (-0.35, 0.35), scale="linear", neutral=0.0, weight=0.8, minutes=40,
    what="the stage holds a wrong level: off by this share of the nominal voltage (of the period when it chops)",
    signs="command right, middle steps wrong, the same way at each", cure=_RENEW_STAGE, words={"slow": 0.3, "fast": 0.3},
)  # fmt: skip
def regulation_off(site: Site) -> Effect | None:
    """Shift what the stage makes of its command."""
    unit = site.circuit.nominal if site.element.kind == "linear-controller" else 1.0
    return _one(site, "offset", "add", lambda severity: severity * unit)


@fault_kind(
    "leakage", _STAGES, unit="Ω", span=lambda s: (3.0 * s.circuit.nominal / max(s.current, 0.1), 2e4), weight=0.3, minutes=40,
    what="the output stage leaks when off",
    signs="fan creeps or hums at off; low side below supply at off with the fan standing",
    cure=_RENEW_STAGE,
)  # fmt: skip
def stage_leakage(site: Site) -> Effect | None:
    """Let the stage leak."""
    return _one(site, "leakage", "add", lambda severity: 1 / severity)


@fault_kind(
    "folds-back", _STAGES, unit="A", span=lambda s: (0.1 * s.current, 0.95 * s.current), weight=0.5, minutes=40,
    what="the stage limits its current below what the motor takes (as it does when too hot)",
    signs="good cold at low steps; at the upper steps the low side rises and the fan is slow; hot heat sink", cure=_RENEW_STAGE,
    words={"slow": 0.5, "surges": 0.3, "hot smell": 0.3},
)  # fmt: skip
def folds_back(site: Site) -> Effect | None:
    """Lower the stage's current limit."""
    return _one(site, "current_limit", "set", _same)


def _joined_at(site: Site, terminal: str) -> str:
    """Name the joint on a terminal of the site's own: what opens it seen from outside."""
    node = site.element.nodes[terminal]
    for e in site.circuit.net.elements.values():
        if e.kind in ("contact", "pin") and node in e.nodes.values():
            return e.name
    return ""


def _internal_open(site: Site, terminal: str) -> Effect | None:
    joint = _joined_at(site, terminal)
    return Effect((Change(joint, "resistance", "set", _open),)) if joint else None


@fault_kind(
    "no-supply", _STAGES, weight=0.3, minutes=40, what="open inside the controller: its supply does not arrive",
    signs="dead at every step with supply good at its plug", cure=_RENEW_STAGE,
)  # fmt: skip
def no_supply(site: Site) -> Effect | None:
    """Open the controller's supply inside."""
    return _internal_open(site, "supply")


@fault_kind(
    "no-ground", _STAGES, weight=0.3, minutes=40, what="open inside the controller: its power ground does not arrive",
    signs="dead at every step with ground good at its plug", cure=_RENEW_STAGE,
)  # fmt: skip
def no_ground(site: Site) -> Effect | None:
    """Open the controller's power ground inside."""
    return _internal_open(site, "power_ground")


@fault_kind(
    "blocked-cooling-duct", _STAGES, unit="1", span=lambda s: (0.5, 1.0), scale="linear", weight=0.3, minutes=30,
    what="the controller's cooling air is blocked by this share", signs="good cold, folds back or smells after minutes",
    cure="clear the cooling duct of {site}", words={"hot smell": 0.5, "surges": 0.2},
)  # fmt: skip
def blocked_duct(site: Site) -> Effect | None:
    """Take cooling air away."""
    return _one(site, "duct", "times", _less)


@fault_kind(
    "diode-open", ("pwm-controller",), weight=0.3, minutes=40, what="the freewheel diode is open: the switch takes the spikes",
    signs="spikes on the low side, radio noise, hot stage; current breaks off in every period", cure=_RENEW_STAGE,
    words={"hot smell": 0.3, "noisy": 0.2},
)  # fmt: skip
def diode_open(site: Site) -> Effect | None:
    """Let the switch's own breakdown carry the freewheeling current, at 30 V above the supply (from memory)."""
    return _one(site, "diode_drop", "set", _fixed(30.0))


@fault_kind(
    "diode-shorted", ("pwm-controller",), unit="Ω", span=lambda s: (0.005, 0.2), weight=0.3, minutes=40,
    what="the freewheel diode is shorted: low side tied to supply", signs="fan dead; stage or fuse takes a dead short when on",
    cure=_RENEW_STAGE, words={"fuse open": 0.3, "hot smell": 0.3},
)  # fmt: skip
def diode_shorted(site: Site) -> Effect | None:
    """Join low side and the controller's supply."""
    nodes = site.element.nodes
    return Effect(taps=(Tap(nodes["low"], nodes["supply"], _same),))


_SECTION = "replace the resistor pack of {site}"


@fault_kind(
    "open", ("pack-section", "resistor"), weight=1.0, minutes=25, what="a burnt-out section of the pack: open",
    signs="the steps through it are dead, the others right", cure=_SECTION,
)  # fmt: skip
def open_section(site: Site) -> Effect | None:
    """Open a section."""
    return _one(site, "resistance", "set", _open)


@fault_kind(
    "high-resistance", ("pack-section",), unit="Ω", span=_series, weight=0.4, minutes=25,
    what="a cracked or corroded section: more ohms", signs="the steps through it are slow", cure=_SECTION, words={"slow": 0.4},
)  # fmt: skip
def high_section(site: Site) -> Effect | None:
    """Add ohms to a section."""
    return _one(site, "resistance", "add", _same)


@fault_kind(
    "shorted", ("pack-section",), unit="1", span=lambda s: (0.3, 0.99), scale="linear", weight=0.3, minutes=25,
    what="coils of a section touch: this share of its ohms is gone", signs="the steps through it are too fast", cure=_SECTION,
    words={"fast": 0.4},
)  # fmt: skip
def shorted_section(site: Site) -> Effect | None:
    """Take ohms from a section."""
    return _one(site, "resistance", "times", _less)
