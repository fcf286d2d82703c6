"""A waveform as text and as a picture."""

from __future__ import annotations

import math
import textwrap
from typing import Any

from circuitsim.measure import METERS
from circuitsim.measure.instruments import Shown
from circuitsim.quantities import column_unit, convert, format_quantity
from circuitsim.report.care import care
from circuitsim.report.typeset import Line, Span, cells, clean, line, pad, plain, wrap
from circuitsim.studies.waveform import WaveformReport

__all__ = ["wave_figure", "wave_lines", "wave_text"]

_GAP = "  "
_SHADES = {
    "on": "#5a8f3c", "freewheel": "#b8860b", "dead": "#8a8f94", "reverse": "#7d5ba6",
    "pulled low": "#5a8f3c", "let go": "#b8860b",
}  # fmt: skip
_QUANTITY = {"V": "voltage", "A": "current"}
_RPM = 60 / math.tau
_LEAST_SIZE = 1e-3  # V or A
_LEAST_SPAN = 0.01  # of the largest value: what the axis shows at least
_MEANT = {"duty": ", the share of the period above half way: on a low side, with the switch off"}
"""What a figure of a meter is a share of: a meter knows nothing of switches."""


def _meant(r: Shown) -> str:
    return _MEANT.get(r.what, "") if math.isfinite(r.value) else ", nothing to count"


def wave_lines(report: WaveformReport, width: int | None = None) -> list[Line]:
    """Lay the figures of a waveform out for a terminal."""
    found = [line(text, "title") for text in wrap(_title(report), width)]
    found += [line(text, "faint") for text in wrap(_summary(report), width, _GAP)]
    found += [(), line(_heading(report), "heading")]
    found += _rows([(k, v) for k, v in _figures(report)])
    found += [(), line("What the meter shows", "heading")]
    found += _rows([(r.what, f"{r.display}{_swing(r.ripple, r.unit)}{_meant(r)}") for r in report.readings])
    if report.ripple is not None:
        found += [(), line("Commutation ripple", "heading"), *_rows(_commutation(report))]
    return found + care(report.cautions, width)


def wave_text(report: WaveformReport, width: int | None = None) -> str:
    """Give the figures as plain text."""
    return plain(wave_lines(report, width))


def _heading(report: WaveformReport) -> str:
    if report.unknown:
        return f"{report.unknown[:1].upper()}{report.unknown[1:]}; the average alone"
    return "Over a period" if report.marks else "Nothing chops here: a level"


def _title(report: WaveformReport) -> str:
    usual = report.meter == METERS["standard"].note()
    tool = "" if usual else f", {report.meter.partition(':')[0]}"
    return clean(f"{report.circuit}: {report.leads} at step {report.step}{tool}")


def _summary(report: WaveformReport) -> str:
    return clean(report.summary[:1].upper() + report.summary[1:])


def _rows(rows: list[tuple[str, str]]) -> list[Line]:
    wide = max(cells(name) for name, _ in rows)
    return [(Span(_GAP + pad(name, wide) + _GAP, "label"), Span(value, "shown")) for name, value in rows]


def _swing(ripple: float, unit: str) -> str:
    """Say how far a reading swings, where that is more than a hair."""
    return f", swinging by {format_quantity(ripple, unit, 2)}" if unit in _QUANTITY and ripple > 1e-3 else ""


def _figures(report: WaveformReport) -> list[tuple[str, str]]:
    f = report.trace.figures

    def value(v: float) -> str:
        return format_quantity(v, report.unit, 4)

    rows = [("average", value(f.mean))]
    if report.marks:
        rows += [("RMS (AC+DC)", value(f.rms)), ("RMS (AC)", value(f.ac)), ("least", value(f.low)), ("largest", value(f.high))]
        when = "the line is pulled low" if report.marks[0].mode == "pulled low" else "the switch is on"
        rows.append(("duty", f"{100 * report.duty:.1f} %, the share of the period for which {when}"))
        frequency = format_quantity(1 / report.period, "Hz", 4)
        rows.append(("frequency", f"{frequency}, a period {format_quantity(report.period, 's')}"))
        shares = [(mode, report.share(mode)) for mode in dict.fromkeys(m.mode for m in report.marks)]
        rows.append(("stretches", ", ".join(f"{mode} {100 * share:.1f} %" for mode, share in shares)))
    return [*rows, ("motor", f"{report.verdict}, {abs(report.speed) * _RPM:.0f} rpm")]


def _commutation(report: WaveformReport) -> list[tuple[str, str]]:
    r = report.ripple
    if r is None:
        return []
    c = r.commutator
    found = "not found" if math.isnan(r.recovered) else f"{r.recovered * _RPM:.0f} rpm"
    if r.masked:
        why = "ripple masked by chopping" if report.marks else "ripple too small"
        found += f": {why}" if math.isnan(r.recovered) else f": {why}; the frequency read is not the commutation's"
    return [
        ("humps a turn", f"{c.humps} ({c.bars} bars, {c.brushes} brushes)"),
        ("frequency", format_quantity(r.frequency, "Hz", 4)),
        ("peak to peak", f"{format_quantity(r.swing, 'A', 2)} at the most: the winding alone limits it"),
        ("speed by the frequency", found),
    ]


def wave_figure(report: WaveformReport) -> Any:
    """Draw the waveform over two periods with its stretches marked; with commutation ripple, one turn below."""
    from matplotlib.figure import Figure

    panels = [_periods] if report.marks or report.ripple is None else []  # beside a ripple a level is not worth one
    panels += [_turn] if report.ripple is not None else []
    rows = len(panels)
    figure = Figure(figsize=(8.6, 4.4 + 2.8 * (rows - 1)), layout="constrained")
    axes = figure.subplots(rows, 1, squeeze=False)[:, 0]
    lines = [_title(report), _summary(report), *([_heading(report)] if report.unknown else [])]
    figure.suptitle("\n".join(textwrap.fill(text, 92) for text in lines), fontsize=10.5)
    for draw, place in zip(panels, axes, strict=True):
        draw(place, report)
    return figure


def _periods(axes: Any, report: WaveformReport) -> None:
    f, t = report.trace.figures, report.trace.times
    unit = column_unit([2 * report.trace.duration], "s")
    scale = convert(1.0, "s", unit)
    named: set[str] = set()
    for k in (0, 1):
        shift = k * report.trace.duration
        for m in report.marks:
            label = "" if m.mode in named else f"{m.mode}, {100 * report.share(m.mode):.1f} %"
            named.add(m.mode)
            ends = scale * (m.start + shift), scale * (m.end + shift)
            axes.axvspan(*ends, color=_SHADES.get(m.mode, "#8a8f94"), alpha=0.16, linewidth=0, label=label or None)
        axes.plot(scale * (t + shift), report.trace.values, color="#1b4965", linewidth=1.6)
        if k == 0 and report.marks:  # the step back to the beginning
            back = [report.trace.values[-1], report.trace.values[0]]
            axes.plot([scale * report.trace.duration] * 2, back, color="#1b4965", linewidth=1.6)
    average, rms = (format_quantity(v, report.unit) for v in (f.mean, f.rms))
    axes.axhline(f.mean, color="#c8553d", linestyle="--", linewidth=1.2, label=f"average {average}")
    if report.marks:
        axes.axhline(f.rms, color="#7d5ba6", linestyle=":", linewidth=1.4, label=f"RMS {rms}")
    axes.set_xlim(0, scale * 2 * report.trace.duration)
    axes.set_ylim(*_reach(report))
    axes.set_xlabel(f"time, {unit}")
    axes.set_ylabel(f"{_QUANTITY[report.unit]}, {report.unit}")
    _tidy(axes)


def _reach(report: WaveformReport) -> tuple[float, float]:
    """Ends of the axis: a level has its zero beside it, and a swing that is next to none is not blown up to fill the panel."""
    f = report.trace.figures
    size = max(abs(f.low), abs(f.high), _LEAST_SIZE)
    if not report.marks:
        return min(f.low, 0.0) - (0.2 * size if f.low < 0 else 0.0), max(f.high, 0.0) + (0.2 * size if f.high >= 0 else 0.0)
    room = max(0.08 * (f.high - f.low), (_LEAST_SPAN * size - (f.high - f.low)) / 2)
    return f.low - room, f.high + room


def _turn(axes: Any, report: WaveformReport) -> None:
    r = report.ripple
    if r is None:
        return
    label = f"{r.commutator.humps} humps in one turn: {abs(r.speed) * _RPM:.0f} rpm"
    if report.marks:
        axes.plot(1e3 * r.times, r.samples, color="#a9bcc9", linewidth=0.5, label="as sampled, chopping included")
    axes.plot(1e3 * r.times, r.smooth, color="#1b4965", linewidth=1.4, label=label)
    axes.set_xlim(0, 1e3 * float(r.times[-1]))
    axes.set_xlabel("time, ms")
    axes.set_ylabel(f"current, {report.unit}")
    _tidy(axes)


def _tidy(axes: Any) -> None:
    axes.grid(axis="y", color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(fontsize=8, frameon=False, loc="upper left", bbox_to_anchor=(1.0, 1.0))
