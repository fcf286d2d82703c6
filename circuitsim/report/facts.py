"""The lines above a chart: conditions, supply, options, meter, and of which circuit the figures are."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from circuitsim.library.circuit import Circuit
from circuitsim.library.shelf import models_folder
from circuitsim.measure import METERS
from circuitsim.quantities import format_quantity
from circuitsim.report.typeset import clean
from circuitsim.studies import Chart

__all__ = ["facts", "own_supply", "subject"]


def facts(chart: Chart, circuit: Circuit | None = None) -> tuple[str, ...]:
    """Give the lines; what only the circuit knows is left out without it."""
    options = ", ".join(f"{name} {value}" for name, value in chart.options.items())
    shown = f"what the instrument shows on {subject(chart, circuit)}"
    lines = (
        ", ".join(text for text in (chart.summary, own_supply(chart.conditions, circuit)) if text),
        f"options: {options}" if options else "",
        ", ".join(text for text in (chart.meter, _ohms(chart)) if text),
        f"figures: {shown}, and the band for 95 % of them, parts and meter included",
    )
    return tuple(text[:1].upper() + text[1:] for text in map(clean, lines) if text)


def subject(chart: Chart, circuit: Circuit | None = None) -> str:
    """Say of which circuit the figures are: a good one of the library, or one as in a file; and what was done to it."""
    own = circuit is not None and circuit.file and not Path(circuit.file).resolve().is_relative_to(models_folder())
    what = f"a circuit with its parts as in {Path(circuit.file).name}" if own and circuit else "a good circuit"
    faults = chart.conditions.get("faults") or ()
    unplugged = " and ".join(chart.conditions.get("unplugged") or ())
    fitted = ["{} from {} to {}".format(*text.split(":", 2)) for text in chart.conditions.get("fitted") or ()]
    if faults:
        what = "a circuit that is good" if what == "a good circuit" else what
        what += f" but for {'this fault' if len(faults) == 1 else 'these faults'}"
    done = " and ".join([*([f"{unplugged} unplugged"] if unplugged else []), *fitted])
    return clean(f"{what} with {done}" if done else what)


def own_supply(conditions: Mapping[str, Any], circuit: Circuit | None) -> str:
    """Say the supply in use where none was measured; conditions: as in `Chart.conditions`."""
    if circuit is None or conditions.get("supply") is not None:
        return ""
    elements = circuit.net.elements
    if conditions.get("engine") == "running" and circuit.supply.alternator in elements:
        what, name, parameter = "alternator regulating to", str(circuit.supply.alternator), "regulated"
    else:
        what, name, parameter = "battery at", circuit.supply.battery, "emf"
    volts = elements[name].values.get(parameter)
    return "" if volts is None else f"{what} {format_quantity(volts, 'V', 4)}, the circuit's own"


def _ohms(chart: Chart) -> str:
    """Give the accuracy on ohms, where ohms are read."""
    if all(r.instrument != "ohmmeter" for r in chart.readings):
        return ""
    ranges = next((m.ohms for m in METERS.values() if m.note() == chart.meter), ())
    return f"±({100 * ranges[0].share:g} % + {ranges[0].counts:g} digits) on ohms" if ranges else ""
