"""Testability on a screen: a line a fault, and one is not told as several."""

from __future__ import annotations

import re

from circuitsim.report.testable import figures_lines, figures_text
from circuitsim.report.typeset import plain
from circuitsim.studies import testability

OTHERS = tuple(f"X{k}.1:loose-crimp" for k in range(21))


def result(showing: int, hidden: int, tests: int = 1) -> testability.Testability:
    faults = [(f"W{k}:broken-strands", 1.0, 0.0, OTHERS) for k in range(showing)]
    faults += [(f"S{k}:stuck-closed", 0.0, 0.0, ()) for k in range(hidden)]
    return testability.Testability("c", "", "cold", ("t",) * tests, 0.5, 0.1, 4.0, 0.4, tuple(faults), ())


def test_a_fault_has_a_line_on_a_narrow_screen() -> None:
    """With four names of what it stays with each took four lines of 80 characters."""
    text = plain(figures_lines(result(30, 20), 80))
    rows = re.findall(r"^W\d+:broken-strands +100 % +0 %  (.*)$", text, flags=re.MULTILINE)
    assert len(rows) == 20
    assert set(rows) == {"X0.1:loose-crimp and 20 more"}
    assert re.search(r"^and 10 more that show$", text, flags=re.MULTILINE)
    assert figures_text(result(30, 20), 80).count("X3.1:loose-crimp") == 30  # with all faults, four names of each


def test_one_is_not_told_as_several() -> None:
    text = plain(figures_lines(result(21, 1), 100))
    assert "1 test, under 1 min to make it once" in text
    assert "and 1 more that shows\n" in text
    assert "1 does not show: S0:stuck-closed" in text
    assert "2 tests, under 1 min to make them all once" in plain(figures_lines(result(21, 1, 2), 100))
