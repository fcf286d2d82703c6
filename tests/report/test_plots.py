"""Pictures of charts: every ending, nothing to draw, the same bytes twice."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import replace
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


def test_a_name_stands_once_in_the_legend() -> None:
    drawn = chart_figure(cs.predict(cs.load("tractor-cab-fan"), probe=("MOT-:GND", "at:M1")))
    assert [[t.get_text() for t in axes.get_legend().get_texts()] for axes in drawn.axes] == [["MOT- : GND"], ["on M1"]]


def test_markers_stay_near_their_step(chart: cs.Chart) -> None:
    for axes in chart_figure(chart).axes:
        for container in axes.containers:
            for x in container.lines[0].get_xdata():
                # Steps are 1 apart: within a sixth of that no eye takes a marker for one of the next step.
                assert abs(x - round(x)) < 1 / 6


def test_steps_without_a_reading_are_told_in_the_title(chart: cs.Chart) -> None:
    lost = {"expected": math.nan, "low": math.nan, "high": math.nan, "verdict": "runs away at M1"}
    readings = tuple(replace(r, **lost) if r.step == "4" else r for r in chart.readings)
    title = chart_figure(replace(chart, readings=readings)).get_suptitle()
    assert "no reading at step 4: runs away at M1" in title
    assert "no reading" not in chart_figure(chart).get_suptitle()


def test_the_title_says_what_was_done_to_the_circuit() -> None:
    parted = cs.predict(cs.load("tractor-cab-fan"), unplug="X4")
    assert "what a good circuit with X4 unplugged reads" in chart_figure(parted).get_suptitle()


def test_nothing_over_several_steps() -> None:
    one = cs.predict(cs.load("tractor-cab-fan"), step="2")
    with pytest.raises(InputError, match="no reading over several steps"):
        chart_figure(one)


def test_from_the_command_line(tmp_path: Path) -> None:
    target = tmp_path / "fan.png"
    command = [sys.executable, "-m", "circuitsim", "predict", "tractor-cab-fan", "--picture", str(target)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert target.read_bytes().startswith(BEGINNINGS[".png"])
    wrong = subprocess.run([*command[:-1], str(tmp_path / "fan.gif")], capture_output=True, text=True, check=False)
    assert wrong.returncode == 2
    assert ".png, .svg, .pdf" in wrong.stderr
    assert wrong.stderr.count("\n") == 1


def test_least_and_largest_stand_behind_the_average() -> None:
    chart = cs.predict(cs.load("minibus-condenser-fan"))
    volts, _ = chart_figure(chart).axes
    bars = {(round(b.get_y(), 6), round(b.get_y() + b.get_height(), 6)) for b in volts.patches if b.get_height() > 0}
    low, high = (
        [r.expected for r in chart.readings if (r.instrument, r.leads, r.fitted) == (n, "MOT- : GND", ())]
        for n in ("scope-min", "scope-max")
    )
    wanted = {(round(a, 6), round(b, 6)) for a, b in zip(low, high, strict=True) if b - a > 0.01}
    assert len(wanted) == 2
    assert wanted <= bars
    assert "pale bars: least to largest" in [t.get_text() for t in volts.get_legend().get_texts()]


def test_long_labels_are_broken() -> None:
    _, amps = chart_figure(cs.predict(cs.load("minibus-condenser-fan"))).axes
    texts = [t.get_text() for t in amps.get_legend().get_texts()]
    assert max(len(line) for text in texts for line in text.splitlines()) <= 36
    assert texts[1].endswith("\n(on F4)")
