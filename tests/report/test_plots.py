"""Pictures of charts: every ending, nothing to draw, the same bytes twice."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import circuitsim as cs
from circuitsim.errors import InputError
from circuitsim.report.plots import FORMATS, chart_figure, figure_bytes

BEGINNINGS = {".png": b"\x89PNG", ".svg": b"<?xml", ".pdf": b"%PDF"}


@pytest.fixture(scope="module")
def chart() -> cs.Chart:
    return cs.predict(cs.load("tractor-cab-fan"))


@pytest.mark.parametrize("suffix", FORMATS)
def test_every_ending(chart: cs.Chart, suffix: str) -> None:
    first = figure_bytes(chart_figure(chart), suffix)
    assert first.startswith(BEGINNINGS[suffix])
    assert first == figure_bytes(chart_figure(chart), suffix)


def test_what_is_drawn(chart: cs.Chart) -> None:
    volts, amps = chart_figure(chart).axes
    assert [t.get_text() for t in volts.get_xticklabels()] == ["off", "1", "2", "3", "4"]
    assert "motor low side (MOT- : GND)" in [t.get_text() for t in volts.get_legend().get_texts()]
    (line,) = [c.lines[0] for c in amps.containers]
    currents = [p.motor_current for p in chart.operating_points]
    # No meter stands in the way of a clamp, so both are the same solve but for its acceptance.
    assert list(line.get_ydata()) == pytest.approx(currents, rel=1e-6, abs=1e-6)


def test_nothing_over_several_steps() -> None:
    one = cs.predict(cs.load("tractor-cab-fan"), step="2")
    with pytest.raises(InputError, match="no reading over several steps"):
        chart_figure(one)


def test_from_the_command_line(tmp_path: Path) -> None:
    target = tmp_path / "fan.png"
    command = [sys.executable, "-m", "circuitsim", "predict", "minibus-condenser-fan", "--picture", str(target)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert target.read_bytes().startswith(BEGINNINGS[".png"])
    wrong = subprocess.run([*command[:-1], str(tmp_path / "fan.gif")], capture_output=True, text=True, check=False)
    assert wrong.returncode == 2
    assert ".png, .svg, .pdf" in wrong.stderr
    assert wrong.stderr.count("\n") == 1
