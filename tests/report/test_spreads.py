"""Tables of a tolerance study from numbers made by hand: units, digits, marks, steps that read the same."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest

from circuitsim.measure import Band
from circuitsim.report.spreads import spreads_csv, spreads_lines, spreads_markdown, spreads_text
from circuitsim.report.typeset import cells
from circuitsim.studies.tolerance import Spread, ToleranceReport

PLAIN: dict[str, Any] = {
    "label": "motor feed", "step": "1", "instrument": "voltmeter", "red": "MOT+", "black": "GND", "at": "",
    "unplugged": (), "ignition": "on", "engine": "off", "fitted": (), "unit": "V", "verdict": "running", "floating": False,
    "expected": 12.5, "mean": 12.5, "deviation": 0.07, "low": 12.3642, "median": 12.5021, "high": 12.6399,
    "minimum": 12.2, "maximum": 12.8, "first_order": Band(12.3651, 12.6402, 0.07), "corner_low": 12.1, "corner_high": 12.9,
    "count": 4096, "resolution": 1e-4, "digit": 1e-4, "shares": (("BAT.emf", 0.9), ("F7.resistance", 0.05)),
}  # fmt: skip


def report(*changes: dict[str, Any], **facts: Any) -> ToleranceReport:
    spreads = tuple(Spread(**{**PLAIN, **change}) for change in changes)
    known = {"circuit": "bench", "summary": "ignition on", "samples": 4096, "seed": 1, "refused": 0, "complete": True}
    return ToleranceReport(**{**known, **facts}, spreads=spreads)


def row(text: str, step: str) -> str:
    (found,) = (line for line in text.splitlines() if line.split()[:1] == [step])
    return found


def test_digits_go_down_to_a_twentieth_of_the_band() -> None:
    """A band 0.28 V wide is told to 10 mV, everything in its row alike."""
    assert row(spreads_text(report({})), "1").split()[1:6] == ["12.50", "V", "12.36…12.64", "12.37…12.64", "12.10…12.90"]


@pytest.mark.parametrize(
    ("change", "shown"),
    [
        ({"low": 3e-6, "median": 4e-6, "high": 9e-6}, "0.0 mV"),  # below a digit of 0.1 mV: no microvolts
        ({"low": 0.021, "median": 0.0321, "high": 0.0466}, "32 mV"),
        ({"unit": "A", "instrument": "clamp", "at": "M1", "digit": 0.01, "low": 1e-7, "median": 2e-7, "high": 9e-7}, "0.00 A"),
        ({"unit": "1", "instrument": "lamp", "digit": 0.01, "low": 0.93, "median": 0.97, "high": 1.01}, "97 %, bright"),
        ({"unit": "Ω", "instrument": "ohmmeter", "digit": 0.1, "low": 7.4, "median": 7.7, "high": 8.0}, "7.7 Ω"),
    ],
)
def test_no_finer_than_the_instrument(change: dict[str, Any], shown: str) -> None:
    assert f"  {shown}  " in row(spreads_text(report(change)), "1")


def test_a_first_order_band_that_is_off_is_marked() -> None:
    """Off by more than a twentieth of the width, and by what the instrument shows at all."""
    far = spreads_text(report({"first_order": Band(12.2, 12.6, 0.1)}))
    assert "12.20…12.60 !" in far
    assert "'!' marks" in far
    assert "!" not in spreads_text(report({}))
    small = {"low": 3e-6, "median": 4e-6, "high": 9e-6, "first_order": Band(0.0, 5e-6, 1e-6)}
    assert "!" not in spreads_text(report(small))


def test_steps_that_read_the_same_stand_on_one_line() -> None:
    text = spreads_text(report({"step": "off"}, {"step": "1"}, {"step": "2"}, {"step": "3", "low": 12.2}))
    assert row(text, "off–2")
    assert row(text, "3")


def test_states_have_headings_and_what_is_no_reading_says_why() -> None:
    nan = float("nan")
    lost = {"step": "2", "verdict": "runs away at X4.A", "unplugged": ("X5",), "low": nan, "median": nan, "high": nan}
    text = spreads_text(report({}, lost, refused=4096, complete=False))
    assert "stopped early" in text
    assert "Everything plugged, ignition on" in text
    assert "X5 unplugged" in text
    assert row(text, "2").split() == ["2", "–", "(1)", "–", "–", "–"]
    assert text.count("runs away at X4.A") == 1
    assert text.splitlines()[-1].startswith("(1) runs away at X4.A: overheats")
    assert spreads_markdown(report({}, lost)).count("runs away at X4.A") == 1
    assert "4,096 points (vehicle × state) were no reading" in text


@pytest.mark.parametrize("width", [80, 132, None])
def test_every_line_fits(width: int | None) -> None:
    shares = tuple((f"long-name-{k}.on_resistance", 0.3) for k in range(3))
    lines = spreads_lines(report({"shares": shares, "label": "a label of many words " * 6}), None, width)
    texts = ["".join(span.text for span in spans) for spans in lines]
    assert width is None or max(cells(text) for text in texts) <= width
    assert all(f"long-name-{k}.on_resistance" in " ".join(texts) for k in range(3))


def test_csv_and_markdown() -> None:
    done = report({"unplugged": ("X4", "X5")}, {"step": "2", "label": "a | b", "maximum": float("inf")})
    rows = list(csv.DictReader(io.StringIO(spreads_csv(done))))
    assert rows[0]["unplugged"] == "X4, X5"
    assert rows[0]["moved_by"] == "BAT.emf 0.900; F7.resistance 0.050"
    assert float(rows[0]["first_order_low"]) == 12.3651
    assert rows[1]["maximum"] == ""
    text = spreads_markdown(done)
    assert "a \\| b" in text
    tables = [line for line in text.splitlines() if line.startswith("| ")]
    assert {line.count(" | ") for line in tables} == {5}
