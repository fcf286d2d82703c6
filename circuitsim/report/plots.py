"""Pictures of a chart, drawn with matplotlib; nothing is computed here."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from io import BytesIO
from typing import Any

from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit
from circuitsim.report.facts import subject
from circuitsim.report.notes import no_readings
from circuitsim.report.typeset import clean
from circuitsim.studies.chart import Chart, Reading

__all__ = ["FORMATS", "chart_figure", "check_suffix", "figure_bytes", "pages_bytes"]

_COLOURS = ("#1b4965", "#c8553d", "#5a8f3c", "#7d5ba6", "#b8860b", "#3f7f93")  # dark enough for print, apart in grey
_MARKS = ("o", "s", "^", "D", "v", "P")
_SHIFT, _SPREAD = 0.06, 0.33  # of a step: between the markers of two series at a step, and over all of them
_LABEL = 36  # characters of a label in a line of the legend
_EXTREMES = (("scope-min", "scope-max"), ("min", "max"))
FORMATS = (".png", ".svg", ".pdf")


def chart_figure(chart: Chart, circuit: Circuit | None = None) -> Any:
    """Draw a chart: voltages against ground by step on the left, motor current on the right, bands as bars.

    Only readings in the state that the conditions say, with nothing more unplugged or fitted for them, and at more than one
    step are drawn. A pale bar behind an average goes from the least to the largest value, where the chart has both. With the
    circuit given, the title says when its parts are as in a file of the user's.

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
    rows_below = max(math.ceil((len(group) + 1) / 2) for group, _ in panels)
    figure = Figure(figsize=(5.6 * len(panels) + 0.4, 4.0 + 0.3 * rows_below), layout="constrained")
    figure.suptitle(_title(chart, circuit, 62 * len(panels)), fontsize=11)
    steps = [p.step for p in chart.operating_points]
    for k, (group, axis) in enumerate(panels):
        axes = figure.add_subplot(1, len(panels), k + 1)
        _panel(axes, group, steps, axis, _extremes(chart))
        axes.legend(fontsize=8, frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.14), ncols=2)
    return figure


def _title(chart: Chart, circuit: Circuit | None, width: int) -> str:
    """Give the title: of which circuit, the conditions, and the steps at which there is no reading."""
    lost = [f"no reading at step {', '.join(steps)}: {verdict}" for verdict, steps in no_readings(chart).items()]
    lines = (f"{chart.circuit}: what {subject(chart, circuit)} reads", chart.summary, *lost)
    return "\n".join(textwrap.fill(clean(text), width) for text in lines)


def _plain(chart: Chart) -> list[Reading]:
    """Give the readings that are numbers, in the state of the conditions."""
    own = chart.conditions
    state = (tuple(own.get("unplugged", ())), own.get("ignition", "on"), tuple(own.get("fitted", ())))
    return [r for r in chart.readings if (r.unplugged, r.ignition, r.fitted) == state and math.isfinite(r.expected)]


def _series(chart: Chart) -> list[list[Reading]]:
    """Group readings of one place over the steps; the first label of a place counts."""
    found: dict[tuple[str, str], list[Reading]] = {}
    for r in _plain(chart):
        if r.instrument in ("voltmeter", "clamp"):
            found.setdefault((r.instrument, r.leads), []).append(r)
    return [row for row in found.values() if len({r.step for r in row}) > 1]


def _extremes(chart: Chart) -> dict[tuple[str, str], tuple[float, float]]:
    """Give (leads, step) → least and largest value; those on a scope where there are such."""
    shown = {(r.instrument, r.leads, r.step): r.expected for r in _plain(chart)}
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for low, high in _EXTREMES:
        for (instrument, leads, step), value in shown.items():
            if instrument == low and (high, leads, step) in shown:
                found.setdefault((leads, step), (value, shown[high, leads, step]))
    return found


def _panel(
    axes: Any, group: Sequence[Sequence[Reading]], steps: Sequence[str], label: str,
    extremes: Mapping[tuple[str, str], tuple[float, float]],
) -> None:  # fmt: skip
    width = min(_SHIFT, _SPREAD / len(group))
    for k, row in enumerate(group):
        x = [steps.index(r.step) + (k - (len(group) - 1) / 2) * width for r in row]
        y = [r.expected for r in row]
        bars = [(at, *extremes[r.leads, r.step]) for at, r in zip(x, row, strict=True) if (r.leads, r.step) in extremes]
        for at, low, high in bars:
            axes.bar(at, high - low, width, low, color=_COLOURS[k % len(_COLOURS)], alpha=0.25, linewidth=0)
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
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    if any((r.leads, r.step) in extremes for row in group for r in row):
        axes.bar(0, 0, 0, color="#8a8f94", alpha=0.4, label="pale bars: least to largest")


def _named(r: Reading) -> str:
    """Give the label and where the leads go, which is said once when the label says no more."""
    label, leads = clean(r.label), clean(r.leads)
    if label in ("", leads):
        return leads
    whole = f"{label} ({leads})"
    return whole if len(whole) <= _LABEL else f"{textwrap.fill(label, _LABEL)}\n({leads})"


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


def pages_bytes(figures: Sequence[Any]) -> bytes:
    """Render figures as the pages of one .pdf; the bytes depend on the figures alone."""
    from matplotlib.backends.backend_pdf import PdfPages

    out = BytesIO()
    with PdfPages(out, metadata={"CreationDate": None}) as pages:
        for figure in figures:
            pages.savefig(figure)
    return out.getvalue()


def check_suffix(suffix: str) -> None:
    """Raise InputError for an ending that no picture has."""
    if suffix.lower() not in FORMATS:
        raise InputError(f"a picture's name ends in {', '.join(FORMATS)}, not '{suffix}'", key="--picture")
