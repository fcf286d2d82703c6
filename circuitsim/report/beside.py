"""Healthy beside faulty as a picture: a panel for each place, both vehicles with their bands by step."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Any

from circuitsim.report.typeset import clean
from circuitsim.studies.chart import Reading, fitted_words
from circuitsim.studies.compare import Comparison, Pair

__all__ = ["comparison_figure", "comparison_pages"]

_WIDTHS = {1: 4.6, 2: 3.1, 3: 2.8, 4: 2.6, 5: 2.5}  # inches of a panel, by how many stand beside each other
_HIGH, _HEAD, _ENTRY = 2.1, 0.3, 0.2  # inches; height of a panel, of room above all, of a line of the legend
_COLUMNS, _PAGE = 5, 20  # panels beside each other, and on a page, at most
_HEALTHY, _FAULTY = "#1b4965", "#c8553d"  # dark enough for print, apart in grey
_TOLD, _NONE = "#f3dfa2", "#8a8f94"
_PLACES = {"V": 3, "mV": 1, "A": 2, "mA": 0}  # decimals of what is written, 2 of all else
_FLAT = 5  # steps in a panel up to which figures fit side by side
_APART = 0.14  # of a step; either side of it
_LETTER, _AXIS = 0.068, 0.4  # inches; width of a letter of a panel's title, and of the numbers on its left
_LOOKS = ((0.02, "dark"), (0.3, "dim"), (0.8, "bright"))  # share of a lamp's power, about the middle of each look

Place = list[Pair]


def comparison_figure(found: Comparison) -> Any:
    """Draw one page: a panel for each place, and, where they are too many, those that tell the two apart best."""
    places = _places(found)
    if len(places) <= _PAGE:
        return _page(found, places, "")
    order = sorted(range(len(places)), key=lambda k: (min(p.overlap for p in places[k]), k))
    best = [places[k] for k in sorted(order[:_PAGE])]
    pages = math.ceil(len(places) / _PAGE)
    note = f"the {len(best)} of {len(places)} places that tell them apart best; all, on {pages} pages, with --picture FILE.pdf"
    return _page(found, best, note)


def comparison_pages(found: Comparison) -> list[Any]:
    """Draw all places, in the order of the chart, on as many pages as they take."""
    places = _places(found)
    count = math.ceil(len(places) / _PAGE)
    each = math.ceil(len(places) / count)
    parts = [places[k : k + each] for k in range(0, len(places), each)]
    return [_page(found, p, f"page {k} of {count}" if count > 1 else "") for k, p in enumerate(parts, 1)]


def _places(found: Comparison) -> list[Place]:
    """Group the readings of one place and state over the steps."""
    groups: dict[tuple[Any, ...], Place] = {}
    for p in found.pairs:
        r = p.healthy
        groups.setdefault((r.instrument, r.capture, r.leads, r.unplugged, r.ignition, r.fitted), []).append(p)
    return list(groups.values())


def _page(found: Comparison, places: Sequence[Place], note: str) -> Any:
    from matplotlib.figure import Figure

    columns = min(_COLUMNS, len(places), math.ceil(math.sqrt(1.2 * len(places))))
    rows = math.ceil(len(places) / columns)
    width, high = columns * _WIDTHS[columns], rows * _HIGH
    lines = _title(found, note, math.floor(width / 0.085))
    entries = {1: 1, 2: 2}.get(columns, 4)  # of the legend, beside each other
    foot = 0.15 + _ENTRY * 4 / entries
    total = high + _HEAD + 0.2 * len(lines) + foot
    figure = Figure(figsize=(width, total))
    figure.set_layout_engine("constrained", rect=(0, foot / total, 1, 1 - foot / total), hspace=0.04)
    figure.suptitle("\n".join(lines), fontsize=10)
    steps = [p.step for p in found.healthy.operating_points]
    for k, place in enumerate(places):
        _panel(figure.add_subplot(rows, columns, k + 1), place, steps, math.floor((_WIDTHS[columns] - _AXIS) / _LETTER))
    _legend(figure, entries, [p for place in places for p in place])
    return figure


def _title(found: Comparison, note: str, width: int) -> list[str]:
    head = f"{found.healthy.circuit}: healthy beside {' and '.join(found.faults)}"
    opened = f"{' and '.join(found.blown)} open in the faulty readings" if found.blown else ""
    texts = (head, found.healthy.summary, opened, note)
    return [part for text in texts if text for part in textwrap.wrap(clean(text), width, break_on_hyphens=False)]


def _legend(figure: Any, columns: int, pairs: Sequence[Pair]) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [
        Line2D([], [], color=_HEALTHY, marker="o", markersize=5, linestyle="none", label="healthy, with its 95 % band"),
        Line2D([], [], color=_FAULTY, marker="s", markersize=5, linestyle="none", label="faulty, with its 95 % band"),
    ]
    if any(p.tells for p in pairs):
        handles.append(Patch(color=_TOLD, label="this reading alone tells them apart, both figures below"))
    if any(p.sure for p in pairs):
        handles.append(Line2D([], [], color="0.15", marker="*", markersize=7, linestyle="none", label="surely"))
    figure.legend(handles=handles, loc="lower center", ncols=columns, fontsize=8, frameon=False, columnspacing=1.2)


# One panel --------------------------------------------------------------------------------------------------------


def _panel(axes: Any, place: Place, steps: Sequence[str], width: int) -> None:
    own = [s for s in steps if s in {p.healthy.step for p in place}]
    scale, unit = _scale(place)
    at = {step: k for k, step in enumerate(own)}
    for vehicle, colour, mark, shift in (("healthy", _HEALTHY, "o", -_APART), ("faulty", _FAULTY, "s", _APART)):
        _series(axes, place, vehicle, at, scale, colour, mark, shift)
    top = axes.get_xaxis_transform()
    for p in place:
        x = at[p.healthy.step]
        if p.tells:
            axes.axvspan(x - 0.45, x + 0.45, color=_TOLD, linewidth=0, zorder=0)
            _tell(axes, p, x, (scale, unit), upright=len(own) > _FLAT)
        if p.sure:
            axes.plot(x, 1.0, "*", color="0.15", markersize=7, transform=top, clip_on=False, zorder=5)
        for r, colour, shift in ((p.healthy, _HEALTHY, -_APART), (p.faulty, _FAULTY, _APART)):
            if not math.isfinite(r.expected):
                axes.text(
                    x + shift, 0.5, "none", transform=top, rotation=90, fontsize=7, color=colour, ha="center", va="center"
                )
    _dress(axes, place, own, unit, width)


def _tell(axes: Any, p: Pair, x: int, unit: tuple[float, str], *, upright: bool) -> None:
    """Write below a step what each vehicle reads, in the panel's unit; upright: where figures side by side would overlap."""
    for r, colour, shift, below in ((p.healthy, _HEALTHY, -0.22, 14), (p.faulty, _FAULTY, 0.22, 21)):
        at, down = (x + shift, 14) if upright else (x, below)
        text, place = _figure(r, *unit), ((at, 0), (0, -down), ("data", "axes fraction"), "offset points")
        turned = 90 if upright else 0
        axes.annotate(text, *place, color=colour, fontsize=6, ha="center", va="top", rotation=turned)


def _figure(r: Reading, scale: float, unit: str) -> str:
    if not math.isfinite(r.expected):
        return "none"
    return r.display if r.instrument == "lamp" else f"{round(scale * r.expected, _PLACES.get(unit, 2)) + 0.0:.4g}"


def _series(
    axes: Any, place: Place, vehicle: str, at: dict[str, int], scale: float, colour: str, mark: str, shift: float
) -> None:
    readings = [r for p in place if math.isfinite((r := getattr(p, vehicle)).expected)]
    x = [at[r.step] + shift for r in readings]
    y = [scale * r.expected for r in readings]
    spread = [[scale * max(r.expected - r.low, 0) for r in readings], [scale * max(r.high - r.expected, 0) for r in readings]]
    axes.errorbar(
        x, y, yerr=spread, color=colour, marker=mark, markersize=4, linestyle="none", elinewidth=1.4, capsize=2.5, zorder=3
    )


def _scale(place: Place) -> tuple[float, str]:
    """Give what SI values are multiplied by, and the unit then."""
    unit = place[0].healthy.unit
    sizes = [abs(v) for p in place for r in (p.healthy, p.faulty) for v in (r.expected, r.low, r.high) if math.isfinite(v)]
    most = max(sizes, default=0.0)
    if unit == "1":
        return (1.0, "") if place[0].healthy.instrument == "lamp" else (100.0, "%")
    if unit in ("V", "A") and most < 0.8:
        return 1e3, f"m{unit}"
    return (1e-3, f"k{unit}") if unit in ("Ω", "Hz") and most >= 2e3 else (1.0, unit)


def _dress(axes: Any, place: Place, own: Sequence[str], unit: str, width: int) -> None:
    """Give title, ticks and grid; the title of a place that tells is bold."""
    axes.set_title(_named(place, width), fontsize=7.5, pad=7, fontweight="bold" if any(p.tells for p in place) else "normal")
    axes.set_xticks(range(len(own)), own)
    axes.set_xlim(-0.6, len(own) - 0.4)
    axes.tick_params(labelsize=7, length=2)
    axes.margins(y=0.12)
    if place[0].healthy.instrument == "lamp":
        most = max((r.high for p in place for r in (p.healthy, p.faulty) if math.isfinite(r.high)), default=0.0)
        axes.set_yticks([v for v, _ in _LOOKS], [look for _, look in _LOOKS])
        axes.set_ylim(-0.05, max(1.1, 1.05 * most))
    else:
        axes.set_ylabel(unit, fontsize=7.5, labelpad=2)
        axes.ticklabel_format(axis="y", useOffset=False, style="plain")
        axes.locator_params(axis="y", nbins=5)
    axes.grid(axis="y", color="#dddddd", linewidth=0.5)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)


def _named(place: Place, width: int) -> str:
    """Give the label, then where the leads go and in which state."""
    r = place[0].healthy
    tool = "" if r.instrument == "voltmeter" else f"{r.tool} "
    state = [f"{' '.join(r.unplugged)} unplugged"] * bool(r.unplugged) + ["ignition off"] * (r.ignition == "off")
    where = clean(", ".join([f"{tool}{r.leads}", *state]) + fitted_words(r.fitted))
    label = clean(r.label)
    texts = [where] if label in ("", clean(r.leads)) else [label, where]
    return "\n".join(part for text in texts for part in textwrap.wrap(text, width, break_on_hyphens=False))
