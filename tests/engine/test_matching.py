"""An open collector's average against whatever hangs on its line: the voltage divider's two levels, weighted by the duty.

Source of every expected number: Thévenin's theorem and the voltage divider (any textbook of circuits), written out in `levels`.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from circuitsim.elements import Contact, OpenCollector, ProbeLamp, Resistor, VoltageSource
from circuitsim.engine.anchored import Anchored
from circuitsim.engine.matching import Line, lines, matched
from circuitsim.engine.operating import Compiled, compile_netlist
from circuitsim.engine.points import Points
from circuitsim.engine.reaching import reach
from circuitsim.engine.sensitivity import sensitivities, voltage_answer
from circuitsim.engine.system import Evaluator
from circuitsim.engine.transient import Phase, follow
from circuitsim.measure.pulled import pulled_lines
from circuitsim.network import Netlist

Array = NDArray[np.float64]
SUPPLY = 12.0
GUESS = 470.0  # Ω: what the element is given; nothing may depend on it
PULL, LOAD, JOINT, ON, LEAK = 2200.0, 3000.0, 80.0, 15.0, 5e-6


def line_of(duty: float = 0.45, **collector: float) -> Netlist:
    """A source, its pull-up, a load to ground, one joint, and an open collector to ground."""
    net = Netlist("line")
    net.add(VoltageSource("V", "P", "GND", emf=SUPPLY))
    net.add(Resistor("PULL", "P", "LINE", resistance=PULL))
    net.add(Resistor("LOAD", "LINE", "GND", resistance=LOAD))
    net.add(Contact("X", "LINE", "FAR", resistance=JOINT))
    given = {"pull_up": GUESS, "on_resistance": ON, "leakage": LEAK} | collector
    net.add(OpenCollector("U", "FAR", "GND", duty=duty, **given))
    return net


def levels(siemens: Array | float, *, pull: float | Array, load: float | Array, joint: float | Array) -> tuple[Array, Array]:
    """Give the line's voltage before and behind the joint, with a conductance at its end."""
    behind = joint + 1 / np.asarray(siemens, float)
    line = SUPPLY * (1 / pull) / (1 / pull + 1 / load + 1 / behind)
    return line, line * (1 - joint / behind)


def averages(duty: Array | float, *, pull: float | Array = PULL, load: float | Array = LOAD, joint: float | Array = JOINT,
             on: float = ON, leak: float = LEAK) -> tuple[Array, Array]:  # fmt: skip
    """Weight the two levels by the shares of the period: before the joint, and behind it."""
    low, high = (levels(g + leak, pull=pull, load=load, joint=joint) for g in (1 / on, 0.0))
    return duty * low[0] + (1 - duty) * high[0], duty * low[1] + (1 - duty) * high[1]


def ohms(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(np.log10(low), np.log10(high)).map(lambda power: float(10.0**power))


LINE = compile_netlist(line_of())


@settings(max_examples=150, deadline=None)
@given(
    pull=ohms(10.0, 1e5), load=ohms(1.0, 1e7), joint=ohms(1e-3, 1e5), on=ohms(0.1, 1e3), leak=ohms(1e-9, 1e-4),
    guess=ohms(1.0, 1e8), duty=st.one_of(st.sampled_from([0.0, 1.0]), st.floats(0.0, 1.0)),
)  # fmt: skip
def test_the_average_is_that_of_the_levels(
    pull: float, load: float, joint: float, on: float, leak: float, guess: float, duty: float
) -> None:
    values = {
        ("PULL", "resistance"): pull, ("LOAD", "resistance"): load, ("X", "resistance"): joint, ("U", "duty"): duty,
        ("U", "on_resistance"): on, ("U", "leakage"): leak, ("U", "pull_up"): guess,
    }  # fmt: skip
    points = Points(LINE.solve(values, frozen=True, size=1))
    assert points.accepted.all()
    line, far = averages(duty, pull=pull, load=load, joint=joint, on=on, leak=leak)
    # The rule of acceptance leaves a correction of 1e-9 of a value and 1 nV: 13 nV at 12 V.
    assert points.voltage("LINE") == pytest.approx(line, abs=1.3e-8)
    assert points.voltage("FAR") == pytest.approx(far, abs=1.3e-8)


@pytest.mark.parametrize("joint", [80.0, 1000.0])
@pytest.mark.parametrize("frozen", [True, False])
def test_the_waveforms_levels_average_to_the_circuits_line(joint: float, frozen: bool) -> None:
    """With the joint warm too, by some millikelvin."""
    duty = np.array([0.0, 0.3, 1.0])
    solved = LINE.solve({("U", "duty"): duty, ("X", "resistance"): joint}, frozen=frozen)
    (line,) = pulled_lines(solved)
    for node in ("LINE", "FAR"):  # 1e-9 of the voltage is what the acceptance rule asks for
        assert line.voltage(node, "GND").mean == pytest.approx(Points(solved).voltage(node), abs=1e-7)


def test_a_batch_about_nominal_points_is_matched_sample_by_sample() -> None:
    """As faulty and scattered vehicles are solved: each has its own load and joint."""
    rng = np.random.default_rng(5)
    duties, size = np.array([0.2, 0.9]), 6000  # more than one piece
    labels = rng.integers(0, 2, size)
    load, joint = 10 ** rng.uniform(1, 6, size), 10 ** rng.uniform(-2, 3, size)
    anchored = Anchored(LINE, {("U", "duty"): duties}, 2, frozen=True, native=False)
    drawn = {("U", "duty"): duties[labels], ("LOAD", "resistance"): load, ("X", "resistance"): joint}
    points = Points(anchored.solve(labels, drawn))
    assert points.accepted.all()
    line, far = averages(duties[labels], load=load, joint=joint)
    assert points.voltage("LINE") == pytest.approx(line, abs=1e-8)
    assert points.voltage("FAR") == pytest.approx(far, abs=1e-8)


def test_slopes_have_the_resistance_that_moves_with_its_parameters() -> None:
    """Central differences of the closed form; with the element's own parameter fixed, LOAD's slope would be 30 % off."""
    solved = LINE.solve({}, frozen=True, size=1)
    index = solved.system.index
    answer = voltage_answer(solved, np.array([index["LINE"]]), np.array([index["GND"]]))
    slopes = sensitivities(solved, answer)

    def slope(element: str, parameter: str) -> float:
        g, p, k = solved.system.column(element, parameter)
        return float(slopes[g][p, k, 0])

    for (element, parameter), (word, value) in {
        ("PULL", "resistance"): ("pull", PULL), ("LOAD", "resistance"): ("load", LOAD), ("X", "resistance"): ("joint", JOINT),
        ("U", "on_resistance"): ("on", ON), ("U", "leakage"): ("leak", LEAK), ("U", "duty"): ("duty", 0.45),
    }.items():  # fmt: skip
        step = 1e-4 * value
        up, down = (float(averages(**{"duty": 0.45, word: value + s})[0]) for s in (step, -step))
        assert slope(element, parameter) == pytest.approx((up - down) / (2 * step), rel=1e-5), element
    assert slope("U", "pull_up") == 0.0


def test_a_course_in_time_is_matched_in_every_phase() -> None:
    """Half way a load of 200 Ω is put on and the duty changes; the joint warms by less than the tolerance."""
    later = {("LOAD", "resistance"): 200.0, ("U", "duty"): 0.8}
    first = {("LOAD", "resistance"): LOAD, ("U", "duty"): 0.45}
    course = follow(line_of(), 2.0, [Phase(0.0, first), Phase(1.0, later)])
    for time, duty, load in ((0.9, 0.45, LOAD), (1.5, 0.8, 200.0)):
        at = course.at([time])
        line, far = averages(duty, load=load)
        assert at.nodes["LINE"][0] == pytest.approx(line, abs=1e-4)
        assert at.nodes["FAR"][0] == pytest.approx(far, abs=1e-4)


def test_what_is_put_on_at_the_end_counts_there() -> None:
    reached = reach(LINE, {}, 1.0, late={("LOAD", "resistance"): np.array([LOAD, 200.0])}, size=2)
    line, _ = averages(0.45, load=np.array([LOAD, 200.0]))
    assert Points(reached).voltage("LINE") == pytest.approx(line, abs=1e-4)


def test_a_line_with_nothing_on_it_stays_in_bounds() -> None:
    """Nothing pulls it up, and the transistor does not leak: infinitely many ohms, of which a billion are enough."""
    net = Netlist("bare")
    net.add(VoltageSource("V", "P", "GND", emf=SUPPLY))
    net.add(Resistor("R", "P", "GND", resistance=10.0))
    net.add(OpenCollector("U", "LINE", "GND", duty=0.5, leakage=0.0))
    points = Points(compile_netlist(net).solve({("U", "duty"): np.array([0.1, 0.5, 1.0])}, frozen=True))
    assert points.accepted.all()
    assert points.voltage("LINE") == pytest.approx([0.0] * 3, abs=1e-9)
    (line,) = lines(points.system)
    assert points.solved.laws.number(line.resistance) == pytest.approx([1e9] * 3)


def test_of_a_lamp_it_is_the_tangent() -> None:
    """A filament's current is no straight line: the point comes to rest where the resistance is that of its slope there."""
    net = line_of()
    net.add(ProbeLamp("L", "LINE", "GND", power=0.05, voltage=12.0, connected=1.0))
    solved = compile_netlist(net).solve({("U", "duty"): np.linspace(0, 1, 5)}, frozen=True)
    assert solved.solution.accepted.all()
    (line,) = lines(solved.system)
    again = matched(solved.laws, solved.x).number(line.resistance)
    assert again == pytest.approx(solved.laws.number(line.resistance), rel=1e-8)
    assert np.ptp(again) > 1.0, "it differs from point to point"


def test_two_on_one_line_come_to_rest() -> None:
    """Each sees the other's average; idle, the one is as if it were not there."""
    net = line_of()
    net.add(OpenCollector("U2", "LINE", "GND", duty=0.0, leakage=0.0))
    compiled = compile_netlist(net)
    solved = compiled.solve({("U2", "duty"): np.array([0.0, 0.5, 1.0])}, frozen=True)
    points = Points(solved)
    assert points.accepted.all()
    assert points.voltage("LINE")[0] == pytest.approx(float(averages(0.45)[0]), abs=1e-8)
    assert (np.diff(points.voltage("LINE")) < 0).all()


def plain() -> Compiled:
    net = Netlist("plain")
    net.add(VoltageSource("V", "P", "GND", emf=SUPPLY))
    net.add(Resistor("R", "P", "GND", resistance=10.0))
    return compile_netlist(net)


def test_circuits_without_such_an_element_are_left_alone() -> None:
    solved = plain().solve({}, size=1)
    assert lines(solved.system) == []
    assert matched(solved.laws, solved.x) is solved.laws
    assert solved.rematched() is solved


def test_a_sample_that_does_not_come_to_rest_is_not_accepted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Shown by a resistance that never stays, for the first of two samples."""
    solved = LINE.solve({("U", "duty"): np.array([0.2, 0.4])}, frozen=True)
    numbers = itertools.cycle([100.0, 900.0, 2000.0])

    def restless(line: Line, laws: Evaluator, x: Array) -> Array:
        kept = laws.number(line.resistance)
        return np.where(laws.number(line.idle) == 0.2, next(numbers), kept)

    monkeypatch.setattr("circuitsim.engine.matching._resistance", restless)
    assert solved.rematched().solution.accepted.tolist() == [False, True]
