"""What wiggling finds, as text, Markdown and a picture."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Sequence
from typing import Any

from circuitsim.measure import METERS, lamp_look
from circuitsim.measure.instruments import SCOPE
from circuitsim.quantities import column_unit, convert, format_number, format_quantity
from circuitsim.report.care import care, care_markdown
from circuitsim.report.markdown import escaped
from circuitsim.report.sheet import fixed
from circuitsim.report.typeset import Line, Span, cells, clean, line, pad, plain, wrap
from circuitsim.studies.loose import OPEN
from circuitsim.studies.wiggle import Catch, StepWiggle, WiggleReport

__all__ = ["lesson", "wiggle_figure", "wiggle_lines", "wiggle_markdown", "wiggle_text"]

_GAP = "  "
_NONE = "–"
_SLOWS = 5.0  # rpm in a second; less is not told
_ERRORS, _APART = 3.0, 0.02  # standard errors and chance by which trials and formula differ by more than chance
_COLOURS = {"trace": "#8a8f94", "DC": "#1b4965", "held": "#c8553d", "lamp": "#b8860b", "band": "#5a8f3c"}


def _names(report: WiggleReport) -> dict[str, str]:
    t = report.timing
    return {
        "DC": f"DC display, {1 / t.update:.0f} readings/s",
        "min/max": f"min/max, {format_quantity(t.capture, 's')}",
        "peak": f"min/max in peak mode, {format_quantity(t.peak, 's')}",
        "lamp": "test lamp",
        "scope": f"scope, {1 / SCOPE.interval:,.0f} samples/s",
    }


def lesson(report: WiggleReport) -> str:
    """Say in one line at which step to wiggle, with what on, and why."""
    running = [s for s in report.steps if abs(s.through_closed) > 0.01 * max(abs(x.through_closed) for x in report.steps)]
    steps = running or list(report.steps)
    best, weak = max(steps, key=_visible), min(steps, key=lambda s: abs(s.through_closed))
    chance = best.chance("peak")
    if not chance > 0:
        return f"With these leads no meter catches it at any step: probe across {report.site} itself, or nearer to it."
    keeps = f"it keeps what the DC display ({_percent(best.chance('DC'))}) shows for a moment at most"
    text = f"Wiggle at step {best.step} with min/max in peak mode on: {_percent(chance)} in {_time(report.duration)}; {keeps}"
    if weak is not best:
        moved = (_moved(report, s) for s in (best, weak))
        text += "; the contact moves the reading by {} there, by {} at step ".format(*moved)
        text += f"{weak.step} ({_percent(weak.chance('peak'))})"
    return f"{text}.{_idle(report, [s for s in report.steps if s not in steps], best)}"


def _idle(report: WiggleReport, idle: Sequence[StepWiggle], best: StepWiggle) -> str:
    """Say where an open shows although hardly any current flows, and why that is not the step to wiggle at."""
    shown = max(idle, key=_visible, default=None)
    if shown is None or not shown.chance("DC") > best.chance("DC"):
        return ""
    text = f" At step {shown.step} hardly any current flows, and the DC display alone catches it"
    moved = f"leakage moves the open end by {_moved(report, shown)}"
    return f"{text} ({_percent(shown.chance('DC'))}): {moved}; a joint that is bad but touches shows only under load."


def _visible(s: StepWiggle) -> tuple[float, float]:
    return sum(c.chance for c in s.catches), s.moves


def _moved(report: WiggleReport, s: StepWiggle) -> str:
    return format_quantity(s.moves, report.unit, 2)


def _time(seconds: float) -> str:
    return f"{seconds:g} s"


def _percent(chance: float) -> str:
    """Write a chance; one that was seen never or always is not said to be certain."""
    if math.isnan(chance):
        return _NONE
    shown = f"{100 * chance:.0f} %"
    return {"0 %": "0 %" if chance == 0 else "<1 %", "100 %": "100 %" if chance == 1 else ">99 %"}.get(shown, shown)


def wiggle_lines(report: WiggleReport, width: int | None = None) -> list[Line]:
    """Lay the report out for a terminal; width: characters in a line, None for as many as the tables need."""
    found = [line(text, "title") for text in wrap(_title(report), width)]
    found += [line(text, "faint") for note in _notes(report) for text in wrap(note, width, _GAP)]
    for heading, rows in (_instruments(report), _steps(report)):
        found += [(), *(line(text, "heading") for text in wrap(heading, width)), *_table(rows, width)]
    found.append(())
    found += [line(text, "shown") for text in wrap(lesson(report), width)]
    return found + care(report.cautions, width)


def wiggle_text(report: WiggleReport, width: int | None = None) -> str:
    """Give the report as plain text."""
    return plain(wiggle_lines(report, width))


def wiggle_markdown(report: WiggleReport) -> str:
    """Give the report as Markdown with GitHub's tables."""
    parts = [f"# {escaped(_title(report))}", "\n".join(f"- {escaped(note)}" for note in _notes(report))]
    for heading, rows in (_instruments(report), _steps(report)):
        ruled = [rows[0], ["---", *["--:"] * (len(rows[0]) - 1)], *rows[1:]]
        table = "\n".join(f"| {' | '.join(escaped(c) if k != 1 else c for c in row)} |" for k, row in enumerate(ruled))
        parts += [f"## {escaped(heading)}", table]
    return "\n\n".join([*parts, f"**{escaped(lesson(report))}**", *care_markdown(report.cautions)]) + "\n"


def _title(report: WiggleReport) -> str:
    return clean(f"{report.circuit}: {report.site} opens and closes at random, step {report.step}")


def _notes(report: WiggleReport) -> list[str]:
    depth = "no contact" if report.ohms >= OPEN else format_quantity(report.ohms, "Ω")
    rate = format_number(report.rate_open)
    chosen = report.chosen
    slowing = convert(chosen.slowing, "rad/s", "rpm")
    coasts = f"the shaft slows by {slowing:.0f} rpm each second it is open" if slowing > _SLOWS else ""
    rule = "something shown leaves the 95 % band of good circuits by more than the instrument's own error"
    closed, opened = (_in_unit(v, report) for v in (chosen.closed, chosen.opened))
    meter = next((m.title for m in METERS.values() if m.note() == report.meter), report.meter)
    text = [
        report.summary[:1].upper() + report.summary[1:],
        f"While closed it opens {rate} times a second, for {format_quantity(report.open_time, 's')} on average; open: {depth}",
        "; ".join(filter(None, (f"{report.leads} reads {closed} closed and {opened} right after it opens", coasts))),
        f"{meter[:1].upper()}{meter[1:]}; {report.trials:,} random trials of {_time(report.duration)} (seed {report.seed})",
        f"Caught: {rule}; a lamp changes by 30 % of its power",
        _formula(chosen),
        "Speed follows the torque, currents follow at once, temperatures stay; a chopping stage counts by its averages",
    ]
    return [clean(note) for note in text if note]


def _formula(s: StepWiggle) -> str:
    """Say why the trials differ from the closed form, where they do by more than chance."""
    known = [c for c in s.catches if not math.isnan(c.two_state)]
    off = [c.chance - c.two_state for c in known if abs(c.chance - c.two_state) > max(_ERRORS * c.error, _APART)]
    if not off:
        return ""
    one = "The two-state formula takes one open at a time, at one speed; in the trials"
    more = "opens close together add up, and a fan that runs up again draws more for longer than the open itself"
    less = "the shaft slows while the contact is open: its back-EMF brings the reading back, or out only after a while"
    return f"{one} {more if max(off, key=abs) > 0 else less}"


def _instruments(report: WiggleReport) -> tuple[str, list[list[str]]]:
    """One row an instrument at the chosen step."""
    names, s = _names(report), report.chosen
    rows = [["instrument", "closed", "furthest off", "caught beyond", "chance", "two-state formula"]]
    for c in s.catches:
        error = f" ±{max(100 * c.error, 1):.0f}" if 0 < c.chance < 1 else ""
        rows.append(
            [names[c.instrument], _level(c, c.closed, report), _level(c, c.shows, report), _limits(c, report),
             f"{_percent(c.chance)}{error}", _percent(c.two_state)]
        )  # fmt: skip
    heading = f"{report.leads} at step {s.step}: one wiggle with {report.strip.opens} opens, and all of them"
    return clean(heading), rows


def _level(c: Catch, value: float, report: WiggleReport) -> str:
    return f"{lamp_look(value)}, {100 * value:.0f} %" if c.instrument == "lamp" else _in_unit(value, report)


def _in_unit(value: float, report: WiggleReport) -> str:
    s = report.chosen
    return _column([s.closed, s.opened, s.low, s.high], report.unit)(value)


def _column(sizes: Sequence[float], unit: str) -> Callable[[float], str]:
    """Give the writer of a column: one unit, as many decimals as its largest number takes for four digits."""
    shown = column_unit(sizes, unit)
    largest = max(abs(convert(v, unit, shown)) for v in sizes)
    places = max(0, 3 - math.floor(math.log10(largest))) if largest > 0 else 1
    return lambda value: f"{fixed(convert(value, unit, shown), places)} {shown}"


def _limits(c: Catch, report: WiggleReport) -> str:
    if c.instrument == "lamp":
        low = "" if c.low < 0 else f"{100 * c.low:.0f}"
        return f"{low}…{100 * c.high:.0f} %".replace("…", "…" if low else "over ", 1)
    low, high = (_in_unit(v, report) for v in (c.low, c.high))
    return f"{low.partition(' ')[0]}…{high}"


def _steps(report: WiggleReport) -> tuple[str, list[list[str]]]:
    """One row a step: what moves, and who catches it."""
    used = [c.instrument for c in report.chosen.catches]
    rows = [["step", "through it", "closed", "just open", *used]]
    write = _column([v for s in report.steps for v in (s.closed, s.opened)], report.unit)
    amps = _column([s.through_closed for s in report.steps], "A")
    for s in report.steps:
        values = [write(v) for v in (s.closed, s.opened)]
        chances = [_percent(s.chance(name)) for name in used]
        rows.append([s.step, amps(abs(s.through_closed)), *values, *chances])
    return clean(f"Caught in {_time(report.duration)} of wiggling, by step"), rows


def _table(rows: Sequence[Sequence[str]], width: int | None) -> list[Line]:
    """Columns aligned; where they do not fit, one row as a line of its own for each cell."""
    widths = [max(cells(row[k]) for row in rows) for k in range(len(rows[0]))]
    if width is None or sum(widths) + len(_GAP) * len(widths) <= width:
        found = []
        for n, row in enumerate(rows):
            texts = [pad(text, w, "<" if k == 0 else ">") for k, (text, w) in enumerate(zip(row, widths, strict=True))]
            found.append(
                tuple(Span(_GAP + text, "step" if n == 0 else "label" if k == 0 else "") for k, text in enumerate(texts))
            )
        return found
    listed: list[Line] = []
    for row in rows[1:]:
        listed.append(line(_GAP + row[0], "label"))
        told = "; ".join(f"{head} {text}" for head, text in zip(rows[0][1:], row[1:], strict=True))
        listed += [line(2 * _GAP + text) for text in wrap(told, max(width - 2 * len(_GAP), 20))]
    return listed


def wiggle_figure(report: WiggleReport) -> Any:
    """Draw one wiggle: the trace, what each instrument shows of it, and the chance of each by step below."""
    from matplotlib.figure import Figure

    lamp = report.strip.lamp.size > 0
    figure = Figure(figsize=(9.6, 7.2 if lamp else 6.2), layout="constrained")
    ratios = [3.2, 1.1, 2.0] if lamp else [3.2, 2.0]
    axes = figure.subplots(len(ratios), 1, height_ratios=ratios)
    figure.suptitle("\n".join(textwrap.wrap(_title(report), 90)), fontsize=12)
    _strip(axes[0], report)
    if lamp:
        _lamp_strip(axes[1], report)
    _bars(axes[-1], report)
    figure.supxlabel("\n".join(textwrap.wrap(lesson(report), 118)), fontsize=9)
    return figure


def _strip(axes: Any, report: WiggleReport) -> None:
    s, strip, names = report.chosen, report.strip, _names(report)
    label = f"scope: {report.leads}"
    axes.plot(strip.trace.times, strip.trace.values, color=_COLOURS["trace"], linewidth=0.8, label=label)
    if strip.readings.size:
        begins = [0.0, *strip.reading_times.tolist()]
        axes.stairs(strip.readings, begins, color=_COLOURS["DC"], linewidth=1.6, baseline=None, label=names["DC"])
    for c, style in zip((x for x in s.catches if x.instrument in ("min/max", "peak")), ("--", "-."), strict=True):
        axes.axhline(
            c.shows, color=_COLOURS["held"], linestyle=style, linewidth=1.2, label=f"{names[c.instrument]}, furthest off"
        )
    dc = s.catches[0]
    axes.axhspan(dc.low, dc.high, color=_COLOURS["band"], alpha=0.16, linewidth=0, label="95 % band and the meter's error")
    axes.set_ylabel(f"{'current' if report.unit == 'A' else 'voltage'}, {report.unit}")
    axes.set_xlim(0, report.duration)
    axes.margins(y=0.08)
    if report.strip.lamp.size == 0:
        axes.set_xlabel("time, s")
    else:
        axes.tick_params(labelbottom=False)
    _tidy(axes)
    axes.legend(fontsize=8, frameon=False, loc="upper left", bbox_to_anchor=(1.0, 1.0))


def _lamp_strip(axes: Any, report: WiggleReport) -> None:
    axes.plot(report.strip.lamp_times, 100 * report.strip.lamp, color=_COLOURS["lamp"], linewidth=1.4, label="test lamp there")
    axes.set_ylabel("lamp, %")
    axes.set_xlabel("time, s")
    axes.set_xlim(0, report.duration)
    axes.set_ylim(0, max(1.15 * 100 * float(report.strip.lamp.max()), 5.0))
    _tidy(axes)
    axes.legend(fontsize=8, frameon=False, loc="upper left", bbox_to_anchor=(1.0, 1.0))


def _bars(axes: Any, report: WiggleReport) -> None:
    names = _names(report)
    used = [c.instrument for c in report.chosen.catches]
    colours = {"DC": "#1b4965", "min/max": "#c8553d", "peak": "#e0977f", "lamp": "#b8860b", "scope": "#8a8f94"}
    wide = 0.8 / len(used)
    for k, name in enumerate(used):
        x = [j + (k - (len(used) - 1) / 2) * wide for j in range(len(report.steps))]
        axes.bar(x, [100 * s.chance(name) for s in report.steps], 0.92 * wide, color=colours[name], label=names[name])
    axes.set_xticks(range(len(report.steps)), [s.step for s in report.steps])
    axes.set_xlabel("step")
    axes.set_ylabel(f"caught in {_time(report.duration)}, %")
    axes.set_ylim(0, 105)
    _tidy(axes)
    axes.legend(fontsize=8, frameon=False, loc="upper left", bbox_to_anchor=(1.0, 1.0))


def _tidy(axes: Any) -> None:
    axes.grid(axis="y", color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
