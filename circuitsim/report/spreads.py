"""The table of a tolerance study."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from circuitsim.quantities import column_unit, convert, format_number
from circuitsim.studies.tolerance import Spread, ToleranceReport

__all__ = ["spreads_csv", "spreads_text"]

_HEAD = ("step", "median", "95 % of vehicles", "first order", "worst corners", "moved by (share of variance)")
_APART = 0.05  # of the width; a first-order band further off than this is marked


def spreads_text(report: ToleranceReport) -> str:
    """Write the spreads reading by reading, one line a step, columns aligned."""
    state = "" if report.complete else " (stopped early)"
    lines = [
        f"{report.circuit}: spread over {report.samples:,} vehicles{state}, seed {report.seed}",
        report.summary[:1].upper() + report.summary[1:],
        "No meter error in it. '!' marks a first-order band that is off by more than a twentieth of the width.",
    ]
    if report.refused:
        lines.append(f"{report.refused:,} points (vehicle × step) were no reading and are left out.")
    rows = [_row(s) for s in report.spreads]
    widths = [max(len(head), *(len(row[k]) for row in rows)) for k, head in enumerate(_HEAD)]
    seen = ""
    for spread, row in zip(report.spreads, rows, strict=True):
        title = f"{spread.label} ({_place(spread)})"
        if title != seen:
            lines += ["", title, "  " + _line(_HEAD, widths)]
            seen = title
        lines.append("  " + _line(row, widths))
    return "\n".join(lines) + "\n"


def _place(s: Spread) -> str:
    return f"clamp on {s.at}" if s.at else f"{s.red} : {s.black}"


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    padded = [c.rjust(w) for c, w in zip(cells[:-1], widths[:-1], strict=True)]
    return "  ".join([*padded, cells[-1]]).rstrip()


def _row(s: Spread) -> tuple[str, ...]:
    unit = column_unit([s.low, s.high, s.median], s.unit)

    def pair(a: float, b: float) -> str:
        return f"{_number(a, s.unit, unit)}…{_number(b, s.unit, unit)}"

    mark = " !" if s.differs > _APART else "  "
    moved = ", ".join(f"{what} {100 * share:.0f} %" for what, share in s.shares[:3])
    return (
        s.step, f"{_number(s.median, s.unit, unit)} {unit}", pair(s.low, s.high),
        pair(s.first_order.low, s.first_order.high) + mark, pair(s.corner_low, s.corner_high), moved,
    )  # fmt: skip


def _number(value: float, unit: str, display: str) -> str:
    return format_number(convert(value, unit, display), 4) if value == value else "-"


def spreads_csv(report: ToleranceReport) -> str:
    """Write one row a reading and step, SI units."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    records = report.records()
    columns = [c for c in records[0] if c != "shares"]
    rows.writerow([*columns, "moved_by"])
    for record in records:
        shares = "; ".join(f"{s['what']} {s['share']:.3f}" for s in record["shares"])
        rows.writerow([*(record[c] for c in columns), shares])
    return out.getvalue()
