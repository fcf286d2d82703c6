"""Diagnoses: trade stories (common practice, no source), a printed problem solved backwards, and what must not be confused."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from small_circuits import BENCH_FAN

import circuitsim as cs
from circuitsim.errors import InputError, UnknownNameError
from circuitsim.library.circuit import Circuit, ProbePoint, Supply
from circuitsim.measure import Conditions, Task, meter
from circuitsim.measure.faults import find_faults, read_fault, with_faults
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.report.diagnosing import diagnosis_text
from circuitsim.studies.asking import _predictions
from circuitsim.studies.candidates import candidates
from circuitsim.studies.diagnose import Diagnosing, diagnose
from circuitsim.studies.diagnosis import Diagnosis
from circuitsim.studies.evidence import Findings, Observation, Shown, TakenReading, read_findings
from circuitsim.studies.fault_table import FaultTable
from circuitsim.studies.groups import APART, Cloud, bayes_error, gather
from circuitsim.studies.likelihood import Likelihood, shared_by
from circuitsim.studies.next_test import Minutes, check_excluded, choose, excluded
from circuitsim.studies.priors import Prior, read_prior

METER = meter("standard")
CLAMP = "at:M1"


@cache
def _circuit(name: str = "tractor-cab-fan") -> Circuit:
    return cs.load(name)


@cache
def _table(name: str = "tractor-cab-fan", intermittent: bool = False) -> FaultTable:
    circuit = _circuit(name)
    faults = {n: f for n, f in find_faults(circuit).items() if intermittent or not f.kind.intermittent}
    return FaultTable(circuit, [t for t, _ in candidates(circuit, Conditions())], METER, faults)


def _shown(value: float, unit: str) -> Shown:
    digit = (METER.range_for(value, unit) or METER.ranges(unit)[-1]).digit
    return Shown("number", round(value / digit) * digit, digit)


def _findings(fault: str, places: dict[str, str], name: str = "tractor-cab-fan", seen: tuple[str, ...] = ()) -> Findings:
    """What a technician writes down of a nominal vehicle with a fault; places: 'RED:BLACK' or 'at:M1' → steps."""
    circuit = _circuit(name)
    faulty = with_faults(circuit, [fault] if fault else [])
    chart = cs.predict(faulty, probe=list(places))
    readings = []
    for text, steps in places.items():
        red, _, black = text.partition(":")
        for step in steps.split():
            clamp = red == "at"
            found = chart.at(step=step, at=black) if clamp else chart.at(step=step, red=red, black=black)
            task = Task(
                step, Conditions(), "clamp" if clamp else "voltmeter", *(("", "", black) if clamp else (red, black, ""))
            )
            readings.append(TakenReading(0, task, _shown(found.expected, "A" if clamp else "V")))
    return Findings(tuple(readings), tuple(Observation(0, "", word) for word in seen), Conditions())


def _told(fault: str, places: dict[str, str], name: str = "tractor-cab-fan", **options: object) -> Diagnosis:
    return diagnose(_circuit(name), _findings(fault, places, name), table=_table(name), **options)  # type: ignore[arg-type]


# Trade stories: common practice, no source ------------------------------------------------------------------------------

STORIES = {
    "a corroded connector: the drop is across its pin": (
        "X4.A:corroded=80mohm", {"MOT+:GND": "4", "MOT-:GND": "4", CLAMP: "4", "X4.A/harness:X4.A/part": "4"}, "X4.A",
    ),
    "a poor crimp inside the motor: feed and low side good, little current": (
        "M1.crimp+:loose-crimp=150mohm", {"MOT+:GND": "4", "MOT-:GND": "4", CLAMP: "4", "X4.A/harness:X4.A/part": "4",
         "X4.B/harness:X4.B/part": "4"}, "replace the motor M1",
    ),
    "a weak ground: power ground and signal ground rise together where they share an eyelet": (
        "G1.eyelet:corroded=60mohm", {"MOT-:GND": "4", "U1-:BAT-": "4", "U1s:BAT-": "4", CLAMP: "4"}, "G1.eyelet",
    ),
    "a missing command step: that step is as off": (
        "S2:missing-step-3", {"CMD:GND": "2 3 4", "MOT-:GND": "3"}, "S2:missing-step-3",
    ),
    "a shorted output stage: full speed at every step": (
        "U1:output-shorted=20mohm", {"MOT-:GND": "off 1 4", CLAMP: "1"}, "U1:output-shorted",
    ),
    "worn brushes: slow, little current, all else good": (
        "M1:worn-brushes=2V", {"MOT+:GND": "4", "MOT-:GND": "2 4", CLAMP: "2 4", "X4.A/harness:X4.A/part": "4",
         "X4.B/harness:X4.B/part": "4"}, "replace the motor M1",
    ),
    "a dragging motor: slow with more current": (
        "M1:dragging=200mN*m", {"MOT+:GND": "4", "MOT-:GND": "2 4", CLAMP: "1 2 4"}, "replace the motor M1",
    ),
    "an open wire on a falling ladder is off": ("W7:open", {"CMD:GND": "1 4", "MOT-:GND": "4", "CMD.p:GND": "4"}, "W7"),
    "a blown fuse: dead behind it, battery before it": ("F7:blown", {"F7.a:GND": "4", "F7.b:GND": "4"}, "F7:blown"),
}  # fmt: skip


@cache
def _told_story(story: str) -> Diagnosis:
    fault, places, _ = STORIES[story]
    return _told(fault, places, next_test=False)


@pytest.mark.parametrize("story", STORIES)
def test_a_story_leads_to_its_fault(story: str) -> None:
    """The readings that a technician would take lead to the fault, or to the one repair that cures it."""
    fault, _, wanted = STORIES[story]
    found = _told_story(story)
    first = found.suspects[0]
    assert any(name.startswith(wanted) for name in first.faults) or first.cures[:1] == (wanted,), (first.faults, first.cures)
    assert found.probability(fault.partition("=")[0]) > 0.02


def test_the_severity_comes_out() -> None:
    """80 mΩ put in, and read back from a drop and a current within what the meter allows (a few per cent)."""
    first = _told_story("a corroded connector: the drop is across its pin").suspects[0]
    assert first.leader.severity == pytest.approx(0.080, rel=0.06)  # clamp ±(2 % + 5 digits), joint's own 1.5 mΩ ×/÷ 2


def test_a_healthy_circuit_is_called_healthy() -> None:
    found = _told("", {"MOT+:GND": "4", "MOT-:GND": "1 2 3 4", "CMD:GND": "1 4", CLAMP: "1 4"}, next_test=False)
    assert found.suspects[0].leader.fault == "healthy"
    assert found.suspects[0].cures == ()
    assert found.doubtful == ()


def test_faults_that_readings_cannot_part_are_one_suspect() -> None:
    """Two joints in one current path, with no lead between them: one group, whatever their weights."""
    found = _told("X2.1:corroded=100mohm", {"BAT+:BAT-": "4", "MOT+:GND": "4", "MOT-:GND": "4", CLAMP: "4"})
    first = found.suspects[0].faults
    assert {"X2.1:corroded", "F7.in:corroded", "W2:broken-strands"} <= set(first)
    assert "X4.A:corroded" not in first  # behind the lead on MOT+
    assert not found.enough
    assert found.next_test is not None
    text = diagnosis_text(found)
    assert f"one of {len(first)} that can't be told apart so far" in text
    assert f"If it is {first[0]}" in text


def test_a_fan_that_turns_where_the_nominal_one_would_stand() -> None:
    """A vehicle solved with 20.9 Ω at an eyelet and little friction: joints before and after the motor explain it alike.

    The nominal fan stands at that resistance, and no slope there tells that one with less friction turns.
    """
    places = (("BAT+", "BAT-", 12.42), ("MOT+", "GND", 4.48), ("MOT-", "GND", 3.349), ("CMD", "GND", 1.241))
    tasks = [(Task("3", Conditions(), "voltmeter", red, black), v, "V") for red, black, v in places]
    tasks.append((Task("3", Conditions(), "clamp", at="M1"), 0.39, "A"))
    readings = tuple(TakenReading(0, task, _shown(v, unit)) for task, v, unit in tasks)
    chances = Diagnosing(_circuit(), Findings(readings, (), Conditions()), METER, Prior(), table=_table()).chances()
    assert chances["G0.eyelet:corroded"] > 0.05
    assert chances["X0.2:corroded"] > 0.05


def test_a_slip_of_the_pen_is_told() -> None:
    """One reading that belongs to no vehicle (leads swapped to another step) is named; the rest stays healthy."""
    findings = _findings("", {"MOT-:GND": "1 2", "MOT+:GND": "1 2", "BAT+:BAT-": "1 2", CLAMP: "1 2"}, BENCH_FAN)
    readings = list(findings.readings)
    readings[0] = replace(readings[0], shown=_shown(0.563, "V"))  # what step 2 reads, written down for step 1
    findings = replace(findings, readings=tuple(readings))
    found = diagnose(_circuit(BENCH_FAN), findings, table=_table(BENCH_FAN), next_test=False)
    assert any("MOT- : GND at step 1" in text for text in found.doubtful)
    assert found.suspects[0].leader.fault == "healthy"


def test_what_no_fault_explains_is_something_else() -> None:
    """Battery, feed and current good and the signal ground at 5 V: nothing in the library does that."""
    findings = _findings("", {"MOT-:GND": "4", "MOT+:GND": "4", CLAMP: "4", "U1-:BAT-": "4", "U1s:BAT-": "4"})
    readings = [
        replace(r, shown=_shown({"U1-": 3.0, "U1s": -2.0}.get(r.task.red, r.shown.value), "A" if r.task.at else "V"))
        for r in findings.readings
    ]
    found = diagnose(_circuit(), replace(findings, readings=tuple(readings)), table=_table(), next_test=False)
    assert found.suspects[0].faults == ("something else",)


def test_observations_alone_rank() -> None:
    """'Always full' without a meter: the stage or a short at its low side before everything else."""
    findings = Findings((), (Observation(0, "", "always full"),), Conditions())
    found = diagnose(_circuit(), findings, table=_table())
    faults = [(p, n) for n, p in found.chances.items() if ":" in n]
    assert max(faults)[1] == "U1:output-shorted"
    full = sum(found.probability(n) for n in ("U1:output-shorted", "W3:chafed-to-ground", "W7:chafed-to-ground", "S2:shorted"))
    assert full > 4 * found.probability("healthy")
    assert found.next_test is not None


def test_a_speed_that_was_seen_counts_alike_with_and_without_the_clamps_row() -> None:
    """The motor's current at the same step has the speed's own column: it must not be lost by being asked for twice."""
    places = {"MOT+:GND": "2", "MOT-:GND": "2", "X1.A/harness:X1.A/part": "2"}
    with_clamp = _findings("X1.A:corroded=0.3ohm", {**places, CLAMP: "2"}, BENCH_FAN)
    seen, circuit, table = (Observation(0, "2", "slow"),), _circuit(BENCH_FAN), _table(BENCH_FAN)
    chances = []
    for findings in (_findings("X1.A:corroded=0.3ohm", places, BENCH_FAN), with_clamp):
        work = Diagnosing(circuit, replace(findings, observations=seen), meter("standard"), Prior(), table=table)
        k = next(k for k, family in enumerate(work.members) if family[0].name == "X1.A:corroded")
        chances.append(np.exp(work._seen(k)))
        assert np.isfinite(work.courses[k].speed).all()
    assert chances[0] == pytest.approx(chances[1], rel=0.1)


def test_a_fuse_that_is_open_is_a_blown_fuse_first_and_one_that_is_not_is_none() -> None:
    """No reading at all: what somebody saw of the fuse is what a blown fuse is. Common practice, no source."""
    for seen in (True, False):
        found = diagnose(_circuit(), Findings((), (Observation(0, "", "fuse open", seen),), Conditions()), next_test=False)
        blown = [found.probability(name) for name in ("F7:blown", "F9:blown")]
        assert (min(blown) > found.probability("X0.1:corroded") * 10) is seen
        assert (max(blown) < found.probability("X0.1:open")) is not seen
        if seen:
            assert {s.leader.fault for s in found.suspects[:2]} == {"F7:blown", "F9:blown"}


def test_a_plug_that_cannot_be_reached_takes_its_pins_with_it() -> None:
    task = Task("4", Conditions(), "voltmeter", "X4.A/harness", "X4.A/part")
    for text in ("X4", "X4.A", "X4.A/part"):
        check_excluded([task], [text])
        assert excluded(task, [text])
    assert not excluded(task, ["X4.B"])
    assert not excluded(Task("4", Conditions(), "voltmeter", "MOT+", "GND"), ["X4"])
    # The back of a plug that nobody gets at can't be probed either.
    assert excluded(Task("4", Conditions(), "voltmeter", "X5.2", "U1-"), ["X5"])


def test_a_display_that_jumps_makes_joints_that_come_and_go_suspects() -> None:
    circuit = _circuit()
    text = "step,red,black,reading\n4,MOT+,MOT-,unstable 3-11.9 V\n4,MOT+,GND,12.1 V\n"
    found = diagnose(circuit, read_findings(circuit, text))
    first = found.suspects[0]
    assert all(name.endswith(":intermittent") for name in first.faults), first.faults
    assert found.next_test is None or not found.next_test.task.conditions.unplugged  # unplugging may cure it


def _dragging_and_burnt(places: Mapping[str, str]) -> Findings:
    """What is read at places and steps of a motor that drags hard and has burnt its connector."""
    faults = ["M1:dragging=150mN*m", "X1.A:corroded=200mohm"]
    chart = cs.predict(with_faults(_circuit(BENCH_FAN), faults), probe=list(places))
    readings = []
    for r in chart.readings:
        if r.step in places[f"at:{r.at}" if r.at else f"{r.red}:{r.black}"].split():
            task = Task(r.step, Conditions(), r.instrument, r.red, r.black, r.at)
            readings.append(TakenReading(0, task, _shown(r.expected, r.unit)))
    return Findings(tuple(readings), (), Conditions())


def test_cause_and_consequence_come_out_together() -> None:
    """One fault alone does not explain drop and current."""
    circuit = _circuit(BENCH_FAN)
    said = _dragging_and_burnt({"MOT+:GND": "1 2", "MOT-:GND": "1 2", CLAMP: "1 2", "X1.A/harness:X1.A/part": "2"})
    found = diagnose(circuit, said, pairs=True, table=_table(BENCH_FAN), next_test=False)
    first = found.suspects[0].leader
    assert "M1:dragging" in first.fault
    assert "X1.A" in first.fault
    assert "replace the motor M1" in first.cure
    both = sum(find_faults(circuit)[name].minutes for name in first.fault.split(" + "))
    assert f"(about {both:.0f} min" in found.verdict


def test_the_next_test_tells_pairs_of_faults_apart() -> None:
    """Which joint is burnt beside the dragging motor is still to be measured: that tests tell no more would be wrong."""
    said = _dragging_and_burnt({"MOT+:GND": "1 2", "MOT-:GND": "1 2", "BAT+:MOT+": "1 2", CLAMP: "1 2"})
    found = diagnose(_circuit(BENCH_FAN), said, pairs=True, table=_table(BENCH_FAN), sure=0.99)
    assert " + " in found.suspects[0].leader.fault
    assert not found.enough
    assert found.next_test is not None
    assert sum(" + " in name for name, _ in found.next_test.expected) > 1


def test_what_is_predicted_is_what_the_fault_reads_where_severities_lie_far_apart() -> None:
    """With 200 to 400 Ω in its signal ground the stage goes from full speed to half of it: no straight line tells of that."""
    places = {"MOT-:GND": "off 1 2 3 4", CLAMP: "2 4", "CMD:GND": "1 2 3 4", "U1s:BAT-": "2 3 4"}
    found = _told("X5.4:corroded=300ohm", places, next_test=False)
    first = found.suspects[0]
    assert "X5.4:corroded" in first.faults
    chart = cs.predict(with_faults(_circuit(), ["X5.4:corroded=300ohm"]), probe=list(places))
    readings = [Shown("number", chart.at(step=s, red="MOT-", black="GND").expected) for s in ("off", "1", "2", "3", "4")]
    told = [_volts(r.predicted) for r in first.readings if r.placed.startswith("MOT- : GND")]
    assert told == pytest.approx([r.value for r in readings], rel=0.01)


def _volts(text: str) -> float:
    number, unit = text.split()
    return float(number) * {"V": 1.0, "mV": 1e-3}[unit]


def test_a_likely_slip_moves_no_forecast_and_a_circuit_that_is_ruled_out_has_none() -> None:
    findings = _findings("", {"MOT-:GND": "1", "BAT+:BAT-": "1 2", CLAMP: "1"}, BENCH_FAN)
    slipped = replace(findings.readings[0], task=replace(findings.readings[0].task, red="MOT+"), shown=_shown(7.1, "V"))
    work = Diagnosing(
        _circuit(BENCH_FAN), replace(findings, readings=(*findings.readings, slipped)), METER, Prior(), table=_table(BENCH_FAN)
    )
    tests = [k for k, (t, _) in enumerate(work.tests) if (t.red, t.black) == ("MOT+", "GND") and t.step == "2"]
    assert tests
    mean, _ = _predictions(work, [()], tests[:1])
    good = cs.predict(_circuit(BENCH_FAN), probe="MOT+:GND", step="2").readings[0]
    assert work.likelihood.judge(*_healthy(work)).slip[0, -1] > 0.5
    assert good.low <= mean[0, 0] <= good.high
    open_motor = _told("M1:open-winding", {"MOT+:GND": "2", "MOT-:GND": "2", CLAMP: "2"}, BENCH_FAN)
    assert open_motor.probability("healthy") < 1e-3
    asked = [c for c in (open_motor.next_test, *open_motor.alternatives) if c]
    assert asked
    assert "healthy" not in [name for c in asked for name, _ in c.expected]


def _healthy(work: Diagnosing) -> tuple[np.ndarray, np.ndarray]:
    return work.healthy.value, work.healthy.shared


# The outside world ------------------------------------------------------------------------------------------------------


def test_the_printed_corroded_connection_is_solved_backwards() -> None:
    """CP2e m42357 (same problem in UP2 m58453): 12.0 V behind 0.0100 Ω, motor 0.0500 Ω; corroded, 80.0 A and 4.0 V at it.

    From these two the added resistance is 0.0900 Ω; the book's figures have two to three digits.
    """
    net = cs.Netlist("printed")
    net.add(cs.Battery("BAT", "BAT+", "GND", emf=12.0, resistance=0.01, temperature_coefficient=0.0))
    net.chain("BAT+", cs.Contact("X1", resistance="1 µΩ", coefficient=0.0), "MOT+")
    motor = {"resistance": 0.05, "constant": 1e-3, "brush_drop": 0.0, "friction": 1e3}
    net.add(cs.Motor("M1", "MOT+", "GND", "S", **motor))
    probes = {name: ProbePoint(name, name, "") for name in ("BAT+", "MOT+")}
    circuit = Circuit("printed", "", 12.0, net, ("off", "on"), "M1", Supply("BAT", None, "BAT+", "GND"), probes=probes)
    text = "step,red,black,reading,at\non,MOT+,GND,4.00 V,\non,,,80.0 A,M1\n"
    found = diagnose(circuit, read_findings(circuit, text), next_test=False)
    first = found.suspects[0]
    assert first.leader.fault.startswith("X1:")
    assert first.leader.severity == pytest.approx(0.0900, rel=0.02)  # of two- and three-digit figures, clamp ±2 %


def test_bayes_error_of_two_normals() -> None:
    """Two normals d apart: error Φ(-d/2) (decision theory): 0.1587 for d = 2; sampled within its standard error."""
    clouds = [Cloud(np.full((40, 1), m), np.ones((40, 1, 1))) for m in (0.0, 2.0)]
    error = bayes_error(*clouds)
    assert error == pytest.approx(0.1587, abs=4 * 0.365 / np.sqrt(1280))


def test_groups_gather_round_the_likeliest() -> None:
    error = np.array([[0.5, 0.3, 0.1], [0.3, 0.5, 0.3], [0.1, 0.3, 0.5]])
    assert gather([0, 1, 2], lambda leader, k: error[leader, k] > APART) == [[0, 1], [2]]


def test_the_likelihood_of_numbers_is_the_multivariate_normal() -> None:
    """Against scipy's multivariate normal, slips left out (their share is exp(slip terms) above it)."""
    from scipy.stats import multivariate_normal

    tasks = [Task("4", Conditions(), "voltmeter", "MOT-", "GND"), Task("4", Conditions(), "voltmeter", "MOT+", "GND")]
    readings = [TakenReading(0, t, Shown("number", v, 0.001)) for t, v in zip(tasks, (0.25, 12.1), strict=True)]
    likelihood = Likelihood(readings, METER, 12.0)
    shared = shared_by(np.array([[[0.02, 0.01], [0.0, 0.05]]]))
    value = np.array([[0.26, 12.05]])
    found = likelihood.judge(value, shared)
    exact = multivariate_normal(value[0], likelihood.covariance(shared)[0]).logpdf([0.25, 12.1])
    # Slips add log(1 + Σ share): of a reading that fits, next to nothing.
    assert found.total[0] == pytest.approx(exact, abs=0.01)


def test_information_of_a_perfect_test_is_the_entropy() -> None:
    """Two repairs at even odds, readings far apart: one bit; readings alike: none."""
    task = Task("4", Conditions(), "voltmeter", "MOT-", "GND")
    args = (np.array([0.5, 0.5]), np.array([0, 1]), None, Minutes(), METER, [15.0])
    apart = choose([task], np.array([[1.0], [9.0]]), np.full((2, 1), 0.01), *args)
    alike = choose([task], np.array([[1.0], [1.0]]), np.full((2, 1), 0.01), *args)
    assert apart[0][1] == pytest.approx(1.0, abs=1e-6)
    assert alike[0][1] == pytest.approx(0.0, abs=1e-6)


def test_leads_left_in_place_make_the_other_steps_nearly_free() -> None:
    work = Minutes()
    first = Task("3", Conditions(), "voltmeter", "MOT-", "GND")
    assert work.between(first, replace(first, step="4")) < 0.3 * work.between(None, first)
    unplugged = replace(first, conditions=Conditions(unplugged=("X4",)))
    assert work.between(first, unplugged) > work.between(first, replace(first, red="MOT+"))


# Bench and table ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["tractor-cab-fan", "coach-defroster-fan"])
def test_the_bench_agrees_with_the_faulty_circuit_itself(name: str) -> None:
    """One batch of many faults, meters put on to first order, gives what each faulty circuit alone reads."""
    circuit = _circuit(name)
    known = find_faults(circuit)
    rng = np.random.default_rng(5)
    names = [n for n, f in known.items() if f.kind.name not in ("chafed-to-ground", "chafed-to-supply", "spliced-in-load")]
    chosen = [known[str(n)].fault() for n in rng.choice(names, 12, replace=False)]
    probes = ["MOT+:GND", "MOT-:GND", "at:M1"]
    tasks = [
        Task(s, Conditions(), *(("clamp", "", "", "M1") if p == "at:M1" else ("voltmeter", *p.split(":"), "")))
        for p in probes for s in circuit.steps
    ]  # fmt: skip
    shown = FaultBench(circuit, tasks, METER, known).show([(f,) for f in chosen])
    for k, fault in enumerate(chosen):
        chart = cs.predict(with_faults(circuit, [fault]), probe=probes)
        for j, task in enumerate(tasks):
            alone = chart.at(step=task.step, at="M1") if task.at else chart.at(step=task.step, red=task.red, black=task.black)
            if np.isfinite(alone.expected):  # 1 % of what the meter's load changes, at most 0.1 mV beside it
                assert shown.value[k, j] == pytest.approx(alone.expected, rel=1e-3, abs=2e-4), (str(fault), task)


def test_a_fault_that_overloads_a_fuse_opens_it() -> None:
    circuit = _circuit()
    known = find_faults(circuit)
    task = Task("4", Conditions(), "voltmeter", "MOT+", "GND")
    shown = FaultBench(circuit, [task], METER, known).show([(read_fault(circuit, "W2:chafed-to-ground=0.06ohm", known),)])
    assert shown.blown == (("F7",),)
    assert abs(shown.value[0, 0]) < 0.01  # dead behind the fuse


def test_a_dialogue_goes_on_with_the_same_table() -> None:
    circuit, table = _circuit(BENCH_FAN), _table(BENCH_FAN)
    first = diagnose(circuit, _findings("X1.A:corroded=80mohm", {"MOT-:GND": "2"}, BENCH_FAN), table=table, next_test=False)
    more = _findings("X1.A:corroded=80mohm", {"MOT-:GND": "2", CLAMP: "2"}, BENCH_FAN)
    work = Diagnosing(circuit, more, METER, Prior(), table=first.table)
    assert work.table is first.table is table


# Priors -------------------------------------------------------------------------------------------------------------------


def test_a_diagnosis_that_is_done_leaves_its_work_to_nobody() -> None:
    """It holds a hundred megabytes: they must be free at once, not when the collector next looks for cycles."""
    gc.disable()
    try:
        findings = _findings("X1.A:corroded=1 Ω", {"MOT-:GND": "2", "MOT+:GND": "2"}, BENCH_FAN, seen=("slow",))
        work = Diagnosing(_circuit(BENCH_FAN), findings, METER, Prior(), table=_table(BENCH_FAN))
        work.result((), Minutes(), 0.9, wants_test=False)
        gone = weakref.ref(work)
        del work
        assert gone() is None
    finally:
        gc.enable()


def test_priors_from_a_file(tmp_path) -> None:  # type: ignore[no-untyped-def]
    faults = find_faults(_circuit())
    path = tmp_path / "prior.toml"
    path.write_text('healthy = 0.5\n[weights]\ncorroded = 9\n"X4.A" = 2\n"S2:open" = 7\n', encoding="utf-8")
    prior = read_prior(path, faults)
    assert prior.weight(faults["X4.A:corroded"]) == 18
    assert prior.weight(faults["X4.B:corroded"]) == 9
    assert prior.weight(faults["S2:open"]) == 7
    assert sum(prior.chances(faults).values()) == pytest.approx(1 - 0.5 - prior.other)


@pytest.mark.parametrize(
    ("text", "error", "told"),
    [
        ("healthy = 2\n", InputError, "healthy: 2 is no chance"),
        ("[weights]\ncorodded = 1\n", UnknownNameError, "did you mean 'corroded'?"),
        ("[weights]\ncorroded = 'x'\n", InputError, "is no weight"),
        ("nonsense", InputError, "is no TOML file"),
        ("helthy = 0.1\n", UnknownNameError, "did you mean 'healthy'?"),
    ],
)
def test_a_bad_file_of_priors_is_told(tmp_path, text: str, error: type[InputError], told: str) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "prior.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(error, match=".*".join(map(str, [told.replace("?", "\\?")]))):
        read_prior(path, find_faults(_circuit()))


def test_without_a_next_test_it_does_not_claim_that_none_tells_more() -> None:
    """Three readings that leave many suspects: not enough, whether or not a next test was asked for."""
    found = _told("X2.1:corroded=100mohm", {"BAT+:BAT-": "4", "MOT+:GND": "4", "MOT-:GND": "4"}, next_test=False)
    assert found.next_test is None
    assert not found.enough
    assert "measure on" in found.verdict


def test_what_was_not_taken_as_evidence_is_told() -> None:
    findings = _findings("X1.A:corroded=80mohm", {"MOT+:GND": "2", "X1.A/harness:X1.A/part": "2"}, BENCH_FAN)
    findings = replace(findings, notes=("two rows still hold what was printed",))
    found = diagnose(_circuit(BENCH_FAN), findings, table=_table(BENCH_FAN), next_test=False)
    assert found.to_dict()["notes"] == ["two rows still hold what was printed"]
    assert "Two rows still hold what was printed." in diagnosis_text(found)
