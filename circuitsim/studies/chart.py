"""The chart of expected readings: frozen results that know how to become records, a dict, JSON or CSV."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from circuitsim.errors import InputError, UnknownNameError, one_line
from circuitsim.library.functions import title_of
from circuitsim.quantities import convert, format_quantity

__all__ = ["Chart", "OperatingPoint", "Reading", "fitted_words"]

_CSV_COLUMNS = (
    "step", "unplugged", "red", "black", "reading", "expected", "low", "high", "unit", "instrument", "capture", "at",
    "ignition", "engine", "fitted", "rule", "label", "state",
)  # fmt: skip
_NUMBER = re.compile(r"(-?[0-9]+(?:\.([0-9]+))?) (\S+)")


def fitted_words(fitted: Iterable[str]) -> str:
    """Say what is fitted, ``KIND:A:B`` each, after the state of a circuit: ', lamp from A to B'; '' for nothing."""
    return "".join(", {} from {} to {}".format(*text.split(":", 2)) for text in fitted)


@dataclass(frozen=True)
class Reading:
    """One expected reading, SI units; NaN where the point is no reading (see `verdict`).

    display: what the instrument shows at the expected value; low, high: 95 % band with the meter's error in it;
    standard: combined standard uncertainty; rule: the shop's rule of thumb; floating: a lead is on a part with no
    path to ground; capture: time over which a minimum or maximum is averaged, s (0: for all else).
    """

    step: str
    unplugged: tuple[str, ...]
    instrument: str
    red: str
    black: str
    at: str
    quantity: str
    unit: str
    expected: float
    low: float
    high: float
    standard: float
    display: str
    label: str
    rule: str
    ignition: str
    engine: str
    fitted: tuple[str, ...]
    verdict: str
    floating: bool
    residual: float
    capture: float = 0.0

    @staticmethod
    def place(step: str, leads: str, unplugged: tuple[str, ...], ignition: str) -> str:
        """Say in words where and in which state a reading is taken."""
        parted = f" with {' '.join(unplugged)} unplugged" if unplugged else ""
        return ("ignition off, " if ignition == "off" else "") + f"{leads} at step {step}{parted}"

    @property
    def placed(self) -> str:
        """Where and in which state it is taken."""
        return self.place(self.step, self.leads, self.unplugged, self.ignition) + fitted_words(self.fitted)

    @property
    def tool(self) -> str:
        """Which instrument, set to what: 'duty', 'min of 1 ms', 'clamp ac'."""
        return title_of(self.instrument, format_quantity(self.capture, "s") if self.capture else "")

    @property
    def leads(self) -> str:
        """Where the instrument goes, in short."""
        return f"on {self.at}" if self.at else f"{self.red} : {self.black}"

    @property
    def shown(self) -> tuple[float, str, int] | None:
        """Number, unit and decimals of `display`; None where it is no number: OL, how a lamp looks, no reading."""
        match = _NUMBER.fullmatch(self.display)
        return (float(match[1]), match[3], len(match[2] or "")) if match else None

    def record(self) -> dict[str, Any]:
        """Give plain values for JSON; null for what is not a number."""
        return _plain(self.__dict__)


@dataclass(frozen=True)
class OperatingPoint:
    """The circuit under the conditions at one step with no meter on it (SI units); NaN where the point is no reading.

    residual: backward error of the acceptance rule; verdict: running, stalled, …; branch: how it was reached; hottest,
    hottest_temperature: name of the element with the hottest body, and how hot that is, °C.
    """

    step: str
    motor_current: float
    motor_speed: float
    motor_voltage: float
    verdict: str
    branch: str
    residual: float
    iterations: int
    hottest: str = ""
    hottest_temperature: float = math.nan

    def record(self) -> dict[str, Any]:
        """Give plain values for JSON; null for what is not a number."""
        return _plain(self.__dict__)


def _plain(values: Mapping[str, Any]) -> dict[str, Any]:
    lists = {k: list(v) if isinstance(v, tuple) else v for k, v in values.items()}
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in lists.items()}


@dataclass(frozen=True)
class Chart:
    """Expected readings of a circuit under conditions.

    readings: in the order of the circuit's chart; operating_points: one a step; meter: what they are read with;
    options: those that the circuit was built with.
    """

    circuit: str
    title: str
    conditions: Mapping[str, Any]
    summary: str
    meter: str
    readings: tuple[Reading, ...]
    operating_points: tuple[OperatingPoint, ...]
    cautions: tuple[str, ...] = ()
    options: Mapping[str, str] = field(default_factory=dict)

    def at(
        self, *, step: str | int, red: str = "", black: str = "GND", at: str = "",
        unplugged: Iterable[str] | str | None = None, instrument: str = "", ignition: str | None = None,
        fitted: Iterable[str] | str | None = None,
    ) -> Reading:  # fmt: skip
        """Find the reading at a step and place; connectors, ignition and what is fitted are the chart's own unless given.

        Raises
        ------
        UnknownNameError
            When the chart has no such reading; names the nearest place that it has.
        """
        own = self.conditions.get("unplugged", ()) if unplugged is None else unplugged
        parted = (own,) if isinstance(own, str) else tuple(sorted(own))
        switched = self.conditions.get("ignition", "on") if ignition is None else ignition
        put_on = self.conditions.get("fitted", ()) if fitted is None else (fitted,) if isinstance(fitted, str) else fitted
        leads = f"on {at}" if at else f"{red} : {black}"
        wanted = Reading.place(str(step), leads, parted, switched) + fitted_words(tuple(put_on))
        for r in self.readings:
            if r.placed == wanted and instrument in ("", r.instrument):
                return r
        raise UnknownNameError("reading", wanted, sorted({r.placed for r in self.readings}))

    def records(self) -> list[dict[str, Any]]:
        """Give the readings as plain dicts."""
        return [r.record() for r in self.readings]

    def to_dict(self) -> dict[str, Any]:
        """Give everything as plain values, SI units."""
        return {
            "circuit": self.circuit, "title": self.title, "options": dict(self.options),
            "conditions": dict(self.conditions), "meter": self.meter, "readings": self.records(),
            "operating_points": [p.record() for p in self.operating_points], "cautions": list(self.cautions),
        }  # fmt: skip

    def to_json(self) -> str:
        """Give strict JSON text (null for what is no number)."""
        return json.dumps(self.to_dict(), ensure_ascii=False, indent=1, allow_nan=False)

    def to_csv(self) -> str:
        """Give CSV text: conditions in comment lines on top, one row a reading.

        The `reading` column holds what a good circuit shows, with its unit; write the measured values in its place.
        `expected`, `low` and `high` are plain numbers in the SI unit of the `unit` column, to the last digit of the
        display; empty where there is no reading. A lamp is told by its share of rated power, unit 1. `capture` is the time
        that min and max are averaged over, with its unit; empty for all else. Names in one cell have a comma between them,
        which no name has.
        """
        out = io.StringIO()
        given = {**self.conditions, "meter": self.meter}
        for key, value in {
            "circuit": self.circuit,
            **{f"option {k}": v for k, v in self.options.items()},
            **given,
        }.items():
            if value not in (None, [], ""):
                out.write(f"# {one_line(key)}: {one_line(_condition(key, value))}\n")
        rows = csv.writer(out, lineterminator="\n")
        rows.writerow(_CSV_COLUMNS)
        for r in self.readings:
            floats = r.floating and math.isfinite(r.expected)
            rows.writerow(
                [
                    r.step, ", ".join(r.unplugged), r.red, r.black, r.display,
                    *(_plain_number(v, r) for v in (r.expected, r.low, r.high)), r.unit, r.instrument,
                    format_quantity(r.capture, "s", 6) if r.capture else "", r.at, r.ignition, r.engine,
                    ", ".join(r.fitted), r.rule, r.label, "floats" if floats else r.verdict,
                ]
            )  # fmt: skip
        return out.getvalue()

    def to_pandas(self) -> Any:
        """Give the readings as a pandas DataFrame; InputError when pandas is not installed."""
        try:
            import pandas as pd  # type: ignore[import-untyped,import-not-found,unused-ignore]
        except ImportError:
            raise InputError("pandas is not installed; records() gives the same as plain dicts") from None
        return pd.DataFrame(self.records())


def _condition(key: str, value: Any) -> str:
    unit = {"supply": "V", "ambient": "°C", "since": "s"}.get(key)
    if unit and not isinstance(value, str):
        return format_quantity(value, unit, 6)
    return ", ".join(value) if isinstance(value, list) else str(value)


def _plain_number(value: float, r: Reading) -> str:
    """Write a value of a reading in its SI unit, to the last digit of the display; empty where there is none."""
    if not math.isfinite(value):
        return ""
    if r.shown is None:  # no lamp gives back power, whatever a band in straight lines says
        return f"{max(value, 0.0):.3f}" if r.unit == "1" else f"{value:.4g}"
    _, unit, places = r.shown
    places += round(math.log10(convert(1.0, r.unit, unit)))
    text = f"{round(value, places):.{max(places, 0)}f}"
    return text.removeprefix("-") if not text.strip("-0.") else text
