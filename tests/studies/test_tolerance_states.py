"""Readings of every state: unplugged, ignition off, lamp, ohms, fitted; each vehicle as `predict` would measure it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.library.circuit import Circuit, StepTable
from circuitsim.measure import Conditions, band_of, measure, meter
from circuitsim.studies import rigs
from circuitsim.studies.predict import reading_plan
from circuitsim.studies.rigs import LIGHT, make_rigs
from circuitsim.studies.sampling import Uncertain, draw, uncertain_numbers
from circuitsim.studies.tolerance import CHUNK, Spread, tolerance

METER = meter("standard")
# Compiled programs give what numpy's give (tests/engine/test_native_circuits.py), and take seconds to make; one is run here.
NUMPY: dict[str, Any] = {"native": False}


def vehicle(circuit: Circuit, numbers: tuple[Uncertain, ...], standard: np.ndarray) -> Circuit:
    """The circuit with the numbers of one drawn vehicle."""
    net, tables = circuit.net.copy(), dict(circuit.step_tables)
    for number, z in zip(numbers, standard, strict=True):
        name, parameter = number.key
        if number.step is None:
            net.elements[name] = net.elements[name].replaced(**{parameter: float(number.at(z))})
        else:
            values = list(tables[number.key].values)
            values[number.step] = float(number.at(z))
            tables[number.key] = StepTable(tuple(values), tables[number.key].tolerances)
    return replace(circuit, net=net, step_tables=tables)


@pytest.mark.parametrize(
    ("name", "given", "count"),
    [
        ("tractor-cab-fan", {}, 2),
        ("tractor-cab-fan", {"engine": "running", "since": "warm"}, 1),
        ("coach-defroster-fan", {}, 1),
        ("minibus-condenser-fan", {"fit": ["jumper:MOT-:GND"], "unplug": ["X5"]}, 1),
    ],
)
def test_each_vehicle_reads_what_predict_would_measure_on_it(name: str, given: dict[str, Any], count: int) -> None:
    """All states from the same drawn vehicles: drawn in a batch, or each built as a circuit of its own and measured.

    Off, and every other step down from the top: from step to step a value differs, from state to state the circuit.
    """
    circuit = cs.load(name)
    state = Conditions.read(circuit, **given)
    tasks = [task for task, _ in reading_plan(circuit, state, (circuit.steps[0], *circuit.steps[:0:-2]))]
    nominal = measure(circuit, tasks, METER)
    bands = [band_of(m.expected, m.contributions) for m in nominal]
    halves = [(b.high - b.low) / 2 for b in bands]
    found = make_rigs(circuit, tasks, nominal, halves, METER, {}, None if count > 1 else False)
    numbers = uncertain_numbers(circuit, circuit.net, {})
    standard = draw(numbers, 1024, 1, 0)[:, :count]
    values = np.full((len(tasks), count), np.nan)
    assert sum(rig.solve(numbers, standard, values) for rig in found) == 0
    for k in range(count):
        own = [m.expected for m in measure(vehicle(circuit, numbers, standard[:, k]), tasks, METER)]
        # A meter that hardly loads (under LIGHT of the half width on the nominal vehicle) loads this one not ten times
        # as much; beyond that only the solver's 1e-9 of the largest voltage.
        allowed = 10 * LIGHT * np.array(halves) + 1e-9 * circuit.nominal
        live = np.isnan([m.expected for m in nominal])
        assert (np.abs(values[:, k] - own) <= allowed)[~live].all()


def test_every_reading_of_the_chart_has_a_spread() -> None:
    """`predict` shows nothing that `tolerance` leaves out, in the same order."""
    circuit = cs.load("coach-defroster-fan")
    chart = cs.predict(circuit)
    report = tolerance(circuit, samples=1, **NUMPY)
    assert {s.instrument for s in report.spreads} == {"voltmeter", "clamp", "lamp", "ohmmeter"}
    assert [(s.label, s.step, s.unplugged, s.ignition) for s in report.spreads] == [
        (r.label, r.step, r.unplugged, r.ignition) for r in chart.readings
    ]
    for s, r in zip(report.spreads, chart.readings, strict=True):
        assert (s.unit, s.floating) == (r.unit, r.floating)
        assert s.expected == pytest.approx(r.expected, rel=1e-9, abs=1e-9)  # the solver's own rule
        # The band of `predict` has the meter's error in it: wider, but for the sampling of both (1 % of the width).
        slack = 0.01 * (r.high - r.low)
        assert s.first_order.low >= r.low - slack
        assert s.first_order.high <= r.high + slack


def spread(report: cs.ToleranceReport, label: str, step: str) -> Spread:
    (found,) = (s for s in report.spreads if s.label == label and s.step == step)
    return found


def test_stories_of_unplugged_connectors() -> None:
    """The battery's spread is what an unplugged feed shows, a good lamp is bright in every vehicle (common practice)."""
    report = tolerance(
        cs.load("tractor-cab-fan"), samples=CHUNK, step=["off", "4"], rows=["unplugged", "ignition off"], **NUMPY
    )
    rest = spread(report, "battery at rest, ignition off", "off")
    for label in ("motor unplugged: feed at the plug", "controller unplugged: low side at the plug"):
        feed = spread(report, label, "4")
        # The meter draws about a microampere through milliohms and the quiescent current drops microvolts.
        assert (feed.low, feed.high) == pytest.approx((rest.low, rest.high), abs=2e-3)
        assert dict(feed.shares)["BAT.emf"] > 0.99
    lamp = spread(report, "motor unplugged: test lamp across the plug", "4")
    assert lamp.minimum > 0.6
    assert spread(report, "motor unplugged: test lamp across the plug", "off").maximum < 0.04


def test_the_meter_is_in_the_circuit_where_it_loads_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A low-impedance meter pulls an unplugged wire down by kilohms against megohms: not a shift that all have alike."""
    circuit = cs.load("tractor-cab-fan")
    options: dict[str, Any] = {"samples": CHUNK, "step": "2", "probe": "CMD:GND", "meter": "low-impedance", **NUMPY}
    (loaded,) = tolerance(circuit, **options).spreads
    (free,) = tolerance(circuit, **{**options, "meter": "standard"}).spreads
    assert free.median - loaded.median > 1.0
    assert loaded.high - loaded.low < 0.9 * (free.high - free.low)
    monkeypatch.setattr(rigs, "LIGHT", float("inf"))  # as if it were a shift
    (shifted,) = tolerance(circuit, **options).spreads
    assert shifted.high - shifted.low == pytest.approx(free.high - free.low, rel=1e-3)


def test_light_meters_may_be_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leaving light meters out moves no quantile by more than a three-hundredth of the width (LIGHT is a thousandth)."""
    circuit = cs.load("tractor-cab-fan")
    quick = tolerance(circuit, samples=CHUNK, step="2", rows=["low side", "command", "drop"], **NUMPY)
    monkeypatch.setattr(rigs, "LIGHT", -1.0)
    full = tolerance(circuit, samples=CHUNK, step="2", rows=["low side", "command", "drop"], **NUMPY)
    for a, b in zip(quick.spreads, full.spreads, strict=True):
        allowed = (b.high - b.low) / 300 + a.resolution + b.resolution + 1e-12
        assert abs(a.low - b.low) <= allowed, f"{a.label} at {a.step}"
        assert abs(a.high - b.high) <= allowed, f"{a.label} at {a.step}"


def test_conditions_of_the_whole_study() -> None:
    """Unplugged and fitted by the user: one state more; ohms of a part alone spread as that part does."""
    circuit = cs.load("coach-defroster-fan")
    (ohms,) = tolerance(
        circuit, samples=CHUNK, step="off", unplug="X6", ignition="off", probe="X6.4/part:X6.1/part", instrument="ohmmeter"
    ).spreads
    assert (ohms.unit, ohms.unplugged, ohms.ignition) == ("Ω", ("X6",), "off")
    assert "R1.resistance" in dict(ohms.shares)
    assert ohms.corner_low < ohms.low < ohms.expected < ohms.high < ohms.corner_high


def test_live_ohms_are_no_reading() -> None:
    circuit = cs.load("tractor-cab-fan")
    (live,) = tolerance(circuit, samples=1, step="4", probe="MOT+:GND", instrument="ohmmeter").spreads
    assert live.verdict.startswith("live")
    assert live.count == 0
    assert np.isnan([live.low, live.median, live.high, live.mean, live.minimum, live.corner_low]).all()
