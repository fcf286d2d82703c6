"""Pictures of a chart, drawn with matplotlib; nothing is computed here."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from io import BytesIO
from typing import Any

from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit
from circuitsim.report.facts import subject
from circuitsim.report.notes import no_readings
from circuitsim.report.typeset import clean
from circuitsim.studies.chart import Chart, Reading

__all__ = ["FORMATS", "chart_figure", "check_suffix", "figure_bytes"]

_COLOURS = ("#1b4965", "#c8553d", "#5a8f3c", "#7d5ba6", "#b8860b", "#3f7f93")  # dark enough for print, apart in grey
_MARKS = ("o", "s", "^", "D", "v", "P")
_SHIFT, _SPREAD = 0.05, 0.3  # of a step: between the markers of two series at a step, and over all of them
FORMATS = (".png", ".svg", ".pdf")


def chart_figure(chart: Chart, circuit: Circuit | None = None) -> Any:
    """Draw a chart: voltages against ground by step on the left, motor current on the right, bands as bars.

    Only readings in the state that the conditions say, with nothing more unplugged for them, and at more than one step
    are drawn. With the circuit given, the title says when its parts are as in a file of the user's.

    Raises
    ------
    InputError
        When the chart has no such reading.
    """
    from matplotlib.figure import Figure

    rows = _series(chart)
    volts = [r for r in rows if r[0].unit == "V" and max(abs(x.expected) for x in r) > 1.0]
    amps = [r for r in rows if r[0].unit == "A"]
    panels = [(group, axis) for group, axis in ((volts, "voltage, V"), (amps, "current, A")) if group]
    if not panels:
        raise InputError("this chart has no reading over several steps to draw", key="--picture")
    figure = Figure(figsize=(5.6 * len(panels) + 0.4, 4.6), layout="constrained")
    figure.suptitle(_title(chart, circuit, 62 * len(panels)), fontsize=11)
    steps = [p.step for p in chart.operating_points]
    for k, (group, axis) in enumerate(panels):
        _panel(figure.add_subplot(1, len(panels), k + 1), group, steps, axis)
    return figure


def _title(chart: Chart, circuit: Circuit | None, width: int) -> str:
    """Give the title: of which circuit, the conditions, and the steps at which there is no reading."""
    lost = [f"no reading at step {', '.join(steps)}: {verdict}" for verdict, steps in no_readings(chart).items()]
    lines = (f"{chart.circuit}: what {subject(chart, circuit)} reads", chart.summary, *lost)
    return "\n".join(textwrap.fill(clean(text), width) for text in lines)


def _series(chart: Chart) -> list[list[Reading]]:
    """Group readings of one place over the steps, in the state of the conditions; the first label of a place counts."""
    state = (tuple(chart.conditions.get("unplugged", ())), chart.conditions.get("ignition", "on"))
    found: dict[tuple[str, str], list[Reading]] = {}
    for r in chart.readings:
        drawn = r.instrument in ("voltmeter", "clamp") and math.isfinite(r.expected)
        if drawn and (r.unplugged, r.ignition) == state:
            found.setdefault((r.instrument, r.leads), []).append(r)
    return [row for row in found.values() if len({r.step for r in row}) > 1]


def _panel(axes: Any, group: Sequence[Sequence[Reading]], steps: Sequence[str], label: str) -> None:
    width = min(_SHIFT, _SPREAD / len(group))
    for k, row in enumerate(group):
        x = [steps.index(r.step) + (k - (len(group) - 1) / 2) * width for r in row]
        y = [r.expected for r in row]
        spread = [[r.expected - r.low for r in row], [r.high - r.expected for r in row]]
        axes.errorbar(
            x, y, yerr=spread, label=_named(row[0]), color=_COLOURS[k % len(_COLOURS)],
            marker=_MARKS[k % len(_MARKS)], markersize=5, linewidth=1.2, capsize=3,
        )  # fmt: skip
    axes.set_xticks(range(len(steps)), steps)
    axes.set_xlabel("step")
    axes.set_ylabel(f"{label} (bars: 95 % band)")
    axes.margins(y=0.08)
    axes.grid(axis="y", color="#dddddd", linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(fontsize=8, frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.14), ncols=2)


def _named(r: Reading) -> str:
    """Give the label and where the leads go, which is said once when the label says no more."""
    return r.leads if r.label in ("", r.leads) else f"{r.label} ({r.leads})"


def figure_bytes(figure: Any, suffix: str) -> bytes:
    """Render a figure as .png, .svg or .pdf; the bytes depend on the figure alone.

    Raises
    ------
    InputError
        For another ending.
    """
    check_suffix(suffix)
    import matplotlib as mpl

    metadata = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}, ".png": {"Software": None}}[suffix.lower()]
    out = BytesIO()
    with mpl.rc_context({"svg.hashsalt": "circuitsim"}):
        figure.savefig(out, format=suffix.lower()[1:], dpi=160, metadata=metadata)
    return out.getvalue()


def check_suffix(suffix: str) -> None:
    """Raise InputError for an ending that no picture has."""
    if suffix.lower() not in FORMATS:
        raise InputError(f"a picture's name ends in {', '.join(FORMATS)}, not '{suffix}'", key="--picture")
