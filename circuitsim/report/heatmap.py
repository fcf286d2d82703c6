"""Faults × tests as a heat map, on pages of A4 that a projector shows as well: as many panels beside each other as fit."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from circuitsim.report.typeset import clean
from circuitsim.studies.compare import TELLS, Detectability

__all__ = ["best_page", "heat_pages"]

_WIDE, _TALL = 11.69, 8.27  # inches; A4 on its side
_EDGE, _HEAD, _GAP = 0.3, 0.75, 0.2  # inches; margin, room for title and scale, between panels
_ROW, _LETTER = 0.135, 0.054  # inches; height of a row, width of a letter of 7 points on average
_LEAST, _MOST = 0.1, 0.17  # inches; width of a test, from which its step can be written below it, and at most
_LABELS = 44  # letters in a label at most
_TEST = re.compile(r"(.*) at step (\S+?)((?:,| with ).*)?")

Row = tuple[str, int]


@dataclass(frozen=True)
class _Plan:
    """How a page is shared: inches for labels of faults and of tests, of each test, panels on a page, rows in each."""

    left: float
    below: float
    cell: float
    panels: int
    rows: int

    @property
    def holds(self) -> int:
        """Rows on a page."""
        return self.panels * self.rows


def heat_pages(found: Detectability, rows: Sequence[Row]) -> list[Any]:
    """Draw all faults, in the order of the circuit, on as many pages as they take.

    rows: label, and number of the fault, of each row to draw.
    """
    plan = _plan(found, rows)
    count = math.ceil(len(rows) / plan.holds)
    each = math.ceil(len(rows) / count)
    parts = [rows[k : k + each] for k in range(0, len(rows), each)]
    notes = [f"page {k} of {count}" if count > 1 else "" for k in range(1, count + 1)]
    return [_page(found, part, plan, note) for part, note in zip(parts, notes, strict=True)]


def best_page(found: Detectability, rows: Sequence[Row]) -> Any:
    """Draw one page: all faults where they fit, else those that most tests show, and say where the others are."""
    plan = _plan(found, rows)
    if len(rows) <= plan.holds:
        return _page(found, rows, plan, "")
    order = sorted(range(len(rows)), key=lambda k: (-int((found.overlap[rows[k][1]] < TELLS).sum()), k))
    best = [rows[k] for k in sorted(order[: plan.holds])]
    pages = math.ceil(len(rows) / plan.holds)
    note = f"the {len(best)} of {len(rows)} rows that most tests show; all, on {pages} pages, with --picture FILE.pdf"
    return _page(found, best, plan, note)


def _groups(found: Detectability) -> list[tuple[str, list[str]]]:
    """Give each place with the steps at which it is read, in order."""
    split = [m.groups("") if (m := _TEST.fullmatch(clean(t))) else (clean(t), "", "") for t in found.tests]
    return [(place + rest, [s for _, s, _ in same]) for (place, rest), same in groupby(split, key=lambda t: (t[0], t[2]))]


def _short(label: str) -> str:
    return label if len(label) <= _LABELS else label[: _LABELS - 1] + "…"


def _plan(found: Detectability, rows: Sequence[Row]) -> _Plan:
    tests = len(found.tests)
    left = 0.12 + _LETTER * max(len(_short(label)) for label, _ in rows)
    below = 0.3 + _LETTER * max(len(_short(place)) for place, _ in _groups(found))
    room = _WIDE - 2 * _EDGE
    high = math.floor((_TALL - 2 * _EDGE - _HEAD - below) / _ROW)
    fit = math.floor((room + _GAP) / (left + _LEAST * tests + _GAP))
    panels = max(1, min(fit, math.ceil(len(rows) / high)))
    cell = min(_MOST, ((room + _GAP) / panels - _GAP - left) / tests)
    return _Plan(left, below, cell, panels, high)


def _page(found: Detectability, rows: Sequence[Row], plan: _Plan, note: str) -> Any:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(_WIDE, _TALL))
    title = f"{found.circuit}: which reading alone shows which fault ({found.severity} severity)"
    figure.text(_EDGE / _WIDE, 1 - 0.42 / _TALL, clean(title), fontsize=12)
    figure.text(_EDGE / _WIDE, 1 - 0.65 / _TALL, note, fontsize=9)
    each = math.ceil(len(rows) / plan.panels)
    width = plan.cell * len(found.tests)
    image: Any = None
    for k in range(0, len(rows), each):
        part = rows[k : k + each]
        start = _EDGE + plan.left + (k // each) * (plan.left + width + _GAP)
        high = _ROW * len(part)
        box = (start / _WIDE, (_TALL - _EDGE - _HEAD - high) / _TALL, width / _WIDE, high / _TALL)
        image = _panel(figure.add_axes(box), found, part, plan)
    scale = figure.add_axes(((_WIDE - _EDGE - 3.3) / _WIDE, 1 - 0.5 / _TALL, 2.4 / _WIDE, 0.1 / _TALL))
    bar = figure.colorbar(image, cax=scale, orientation="horizontal", ticks=(0, 1 - 2 * TELLS, 1))
    labels = bar.ax.set_xticklabels(["reads as a good circuit", "mistaken in 5 %", "never mistaken"], fontsize=7)
    labels[1].set_horizontalalignment("right")
    labels[2].set_horizontalalignment("left")
    return figure


def _panel(axes: Any, found: Detectability, rows: Sequence[Row], plan: _Plan) -> Any:
    """Draw some rows; a line parts the places, with the steps at each of them below, then the place itself."""
    values = 1 - 2 * found.overlap[[k for _, k in rows]]
    image = axes.imshow(values, cmap="Blues", vmin=0, vmax=1, aspect="auto", interpolation="nearest")
    axes.set_yticks(range(len(rows)), [_short(label) for label, _ in rows], fontsize=7)
    at = 0
    middles, places, steps = [], [], []
    for place, own in _groups(found):
        middles.append(at + (len(own) - 1) / 2)
        places.append(_short(place))
        steps += own
        at += len(own)
        axes.axvline(at - 0.5, color="0.55", linewidth=0.5)
    for y in range(1, len(rows)):
        axes.axhline(y - 0.5, color="0.88", linewidth=0.3)
    axes.set_xticks(middles, places, rotation=90, fontsize=7)
    axes.tick_params(length=0)
    axes.tick_params(axis="x", pad=11 if plan.cell >= _LEAST else 2)
    if plan.cell >= _LEAST:
        for x, step in enumerate(steps):
            short = step if len(step) < 3 else step[:3]
            axes.annotate(short, (x, 0), (0, -2), ("data", "axes fraction"), "offset points", ha="center", va="top", fontsize=5)
    return image
