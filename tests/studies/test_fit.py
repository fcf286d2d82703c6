"""Calibration against closed forms of linear, normal problems, and against vehicles drawn at random.

The closed forms are those of any textbook on estimation (the product of two normal densities; conditional normal
distributions), from memory; nothing here comes from the code under test but the figures compared.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from checkout import GOOD, load_benchmark
from small_circuits import sources

import circuitsim as cs
from circuitsim.errors import InputError, UnknownNameError
from circuitsim.measure import Conditions, Task, measure
from circuitsim.measure import meter as find_meter
from circuitsim.studies.evidence import Findings, Shown, TakenReading, read_findings
from circuitsim.studies.fit import Fitted, fit

T = "tractor-cab-fan"
_COVER = 1.959963984540054


def _noise(volts: float, digit: float) -> tuple[float, float]:
    """Standard uncertainty of the standard meter's gain at a voltage below 60 V, and of its counts and last digit."""
    at = next(r for r in find_meter("standard").volts if volts < r.full_scale)
    return at.share * volts / math.sqrt(3), math.hypot(at.counts * at.digit / math.sqrt(3), digit / math.sqrt(12))


def _read(task: Task, *values: float, digit: float = 0.01) -> Findings:
    readings = tuple(TakenReading(k, task, Shown("number", v, digit)) for k, v in enumerate(values, start=2))
    return Findings(readings, (), Conditions())


SUM = Task("off", Conditions(), "voltmeter", "top", "GND")


@pytest.mark.parametrize("count", [1, 2, 7])
def test_a_sum_of_sources_against_conditional_normals(count: int) -> None:
    """Four emfs of 25 V, their sum read `count` times at 99.4 V: gain once for all readings, counts for each.

    Posterior covariance of the deviates: I - u uᵀ/(uᵀu + n²), mean u·(99.4 - 100)/(uᵀu + n²), n² = gain² + own²/count.
    """
    u = np.array([0.6, 0.3, 0.2, 0.1])
    found = fit(sources(list(u)), _read(SUM, *([99.4] * count)), chart=())
    gain, own = _noise(99.4, 0.01)
    total = u @ u + gain**2 + own**2 / count
    emfs = [k for k, n in enumerate(found.numbers) if n.parameter == "emf"]
    assert [found.numbers[k].name for k in emfs] == ["V0.emf", "V1.emf", "V2.emf", "V3.emf"]
    # The circuit is linear; 10 MΩ on a 1 MΩ load and the climb's last step leave less than this.
    np.testing.assert_allclose(found.covariance[np.ix_(emfs, emfs)], np.eye(4) - np.outer(u, u) / total, atol=2e-4)
    after = [found.numbers[k].after for k in emfs]
    np.testing.assert_allclose(after, 25 + u**2 * (99.4 - 100) / total, atol=1e-3)
    assert found.misfit == pytest.approx(0.36 / total, rel=5e-3) if count == 1 else found.misfit < found.freedom
    assert found.freedom == count


def _half_width(normal: float, rectangle: float) -> float:
    """Half width that holds 95 % of the sum of a normal and a rectangular number, by quadrature."""
    from scipy.integrate import quad
    from scipy.optimize import brentq
    from scipy.stats import norm

    def inside(h: float) -> float:
        total, _ = quad(lambda t: norm.cdf((h - t) / normal) - norm.cdf((-h - t) / normal), -rectangle, rectangle)
        return float(total / (2 * rectangle) - 0.95)

    return float(brentq(inside, 1e-3, 10.0))


def test_a_reading_seen_again_has_the_band_of_the_sum() -> None:
    """The band of the same reading by another meter: what is left of the sum, and that meter's limit (GUM: both squared)."""
    u = np.array([0.6, 0.3, 0.2, 0.1])
    (seen,) = fit(sources(list(u)), _read(SUM, 99.4), chart=()).readings
    gain, own = _noise(99.4, 0.01)
    n2 = gain**2 + own**2
    left = (u @ u) * n2 / (u @ u + n2)
    limit = find_meter("standard").limit(99.4, "V")
    half = (seen.after[2] - seen.after[1]) / 2
    assert half == pytest.approx(_half_width(math.sqrt(left), limit), rel=0.01)  # 4,096 points
    assert seen.used
    assert seen.measured == 99.4
    assert seen.off == pytest.approx((99.4 - 100) / math.sqrt(u @ u + n2), rel=5e-3)
    assert seen.off_before == pytest.approx(seen.off, rel=1e-6)  # a single reading: nothing else says anything


def test_summands_are_known_together_and_not_each() -> None:
    (found,) = fit(sources([0.5, 0.5, 0.5, 0.5]), _read(SUM, 99.4), chart=()).combinations
    assert sorted(name for name, _ in found.weights) == ["V0.emf", "V1.emf", "V2.emf", "V3.emf"]
    assert [w for _, w in found.weights] == pytest.approx([0.5] * 4, abs=1e-3)
    gain, own = _noise(99.4, 0.01)
    n2 = gain**2 + own**2
    assert found.shrink == pytest.approx(1 - math.sqrt(n2 / (1 + n2)), abs=1e-3)


@cache
def _good() -> Fitted:
    circuit = cs.load(T)
    return fit(circuit, read_findings(circuit, GOOD, "good.csv"))


def test_what_the_readings_tell_of_a_linear_stage() -> None:
    found = _good()
    assert {n.name for n in found.determined} >= {"U1.offset", "U1.gain"}
    together = [{name for name, _ in c.weights} for c in found.combinations]
    assert {"U1.offset", "U1.gain"} in together
    assert found.notes == ()
    assert found.chance > 0.05


def test_it_says_what_the_readings_cannot_determine() -> None:
    """No reading at steps 1 and 4: their rungs keep their tolerance, in the circuit too, and are named as what matters."""
    found, circuit = _good(), cs.load(T)
    names = [n.name for n in found.undetermined]
    assert {"S2.resistance at step 1", "S2.resistance at step 4"} <= set(names[:8])
    for step in ("1", "4"):
        k = circuit.step_index(step)
        old, new = circuit.step_tables["S2", "resistance"], found.circuit.step_tables["S2", "resistance"]
        assert (new.values[k], new.tolerances[k]) == (old.values[k], old.tolerances[k])
    shares = {n.name: n.share for n in found.numbers}
    assert shares["S2.resistance at step 1"] > 0.3  # CMD at step 1 hangs on it and on the pull-up, which is known by then
    assert shares["S2.resistance at step off"] < 0.05  # 100 MΩ


def test_nothing_likelier_is_near() -> None:
    """The sum of squares, worked out anew from readings of circuits changed by hand, is larger on all sides."""
    found, circuit = _good(), cs.load(T)
    findings, meter = read_findings(circuit, GOOD), find_meter("standard")
    tasks = [r.task for r in findings.readings]
    value = np.array([r.shown.value for r in findings.readings])
    noise = np.zeros((6, 6))
    for j, a in enumerate(findings.readings):
        for k, b in enumerate(findings.readings):
            ranges = [meter.range_for(r.shown.value, "A" if r.task.at else "V") for r in (a, b)]
            if bool(a.task.at) == bool(b.task.at) and all(ranges):
                noise[j, k] = ranges[0].share * ranges[1].share * value[j] * value[k] / 3  # type: ignore[union-attr]
        own = meter.range_for(a.shown.value, "A" if a.task.at else "V")
        assert own
        noise[j, j] += (own.counts * own.digit) ** 2 / 3 + a.shown.digit**2 / 12
    z = {n.name: n.off for n in found.numbers}

    def height(**moved: float) -> float:
        at = z | moved
        net, tables = circuit.net.copy(), dict(circuit.step_tables)
        for n in found.numbers:
            element = net.elements[n.element]
            k = circuit.step_index(n.step) if n.step else None
            spread = tables[n.element, n.parameter].tolerances[k] if k is not None else element.tolerances[n.parameter]
            assert spread
            x = (
                n.before * math.exp(spread.log_sigma * at[n.name])
                if spread.log_sigma
                else n.before + spread.standard(n.before) * at[n.name]
            )
            if k is None:
                element.values[n.parameter] = x
            else:
                table = tables[n.element, n.parameter]
                tables[n.element, n.parameter] = replace(
                    table, values=tuple(x if j == k else v for j, v in enumerate(table.values))
                )
        changed = replace(circuit, net=net, step_tables=tables)
        # Step off draws 20 mA: the posts then show the battery's own voltage to a millivolt.
        seen = measure(changed, tasks, meter, {("BAT", "emf"): 12.4999}, {})
        left = value - np.array([m.expected for m in seen])
        return float(left @ np.linalg.solve(noise, left) + sum(d**2 for d in at.values()))

    lowest = height()
    for name in ("U1.offset", "M1.constant", "S2.resistance at step 3", "FAN1.torque"):
        assert min(height(**{name: z[name] + d}) for d in (-0.1, 0.1)) > lowest


def test_readings_of_another_machine_are_called_so() -> None:
    circuit = cs.load(T)
    text = GOOD.replace("6.2 A", "2.9 A").replace("12.4 A", "5.1 A")
    found = fit(circuit, read_findings(circuit, text), chart=())
    assert found.chance < 1e-3
    assert any("look like a faulty circuit" in note for note in found.notes)


def test_a_slip_of_the_pen_is_named_with_its_line() -> None:
    circuit = cs.load(T)
    rows = GOOD + "3,,MOT+,GND,,12.2 V\n3,,MOT+,MOT-,,9.23 V\n3,,MOT-,BAT-,,2.69 V\n"
    found = fit(circuit, read_findings(circuit, rows), chart=())
    assert any(note.startswith("MOT- : BAT- at step 3 (line 11) is ") for note in found.notes)


def test_a_measured_supply_is_not_put_into_the_battery() -> None:
    found, circuit = _good(), cs.load(T)
    assert found.circuit.net.elements["BAT"].values["emf"] == circuit.net.elements["BAT"].values["emf"]
    posts = next(r for r in found.readings if r.placed == "BAT+ : BAT- at step off")
    assert posts.after[0] == pytest.approx(12.5, abs=0.05)  # the standard meter's limit there is 0.08 V
    assert found.freedom == 7  # six readings, and the supply


def test_without_a_measured_supply_the_battery_is_an_unknown() -> None:
    circuit = cs.load(T)
    row = "step,ignition,red,black,reading\noff,off,BAT+,BAT-,12.90 V\n"
    found = fit(circuit, read_findings(circuit, row), chart=())
    tolerance = circuit.net.elements["BAT"].tolerances["emf"]
    prior, (gain, own) = tolerance.standard(12.6), _noise(12.9, 0.01)
    nominal = circuit.net.elements["BAT"].values["emf"]
    weight = prior**2 / (prior**2 + gain**2 + own**2)  # product of two normal densities
    rest = measure(circuit, [found.readings[0].task], find_meter("standard"))[0].expected
    assert found.circuit.net.elements["BAT"].values["emf"] == pytest.approx(nominal + weight * (12.90 - rest), abs=2e-4)
    spread = found.circuit.net.elements["BAT"].tolerances["emf"]
    assert spread.kind == "normal"
    assert spread.size == pytest.approx(_COVER * prior * math.sqrt(1 - weight), rel=1e-2)


def test_what_is_no_number_is_passed_over_and_said() -> None:
    circuit = cs.load(T)
    more = GOOD + "4,X4,X4.A/harness,X4.B/harness,,bright\n4,,MOT+,GND,,unstable 3-9 V\n"
    found = fit(circuit, read_findings(circuit, more), chart=())
    assert any("2 that are no numbers" in note for note in found.notes)
    with pytest.raises(InputError, match="no reading in volts, amperes or ohms to fit to"):
        fit(circuit, read_findings(circuit, "step,red,black,reading\n4,MOT+,MOT-,unstable 3-9 V\n", "x.csv"))
    with pytest.raises(UnknownNameError, match="did you mean 'precise'"):
        fit(circuit, read_findings(circuit, GOOD), "precice")


@pytest.mark.slow
def test_a_chopping_stage_is_fitted_too() -> None:
    """What the nominal circuit shows leaves it as it is, to the display's last digit."""
    circuit, meter = cs.load("minibus-condenser-fan"), find_meter("standard")
    task = Task("2", Conditions(), "clamp", at="M1")
    (seen,) = measure(circuit, [task], meter)
    found = fit(circuit, _read(task, round(seen.expected, 2)), chart=())
    assert max(abs(n.off) for n in found.numbers) < 0.01
    assert sum(n.shrink for n in found.numbers) > 0.2
    assert found.notes == ()


# Vehicles at random ------------------------------------------------------------------------------------------------


@cache
def _benchmark() -> ModuleType:
    """The benchmark of this study: it draws vehicles, reads and fits them; 200 a circuit there, fewer here."""
    return load_benchmark("fitting")


@cache
def _cases(name: str, count: int) -> list[Any]:
    return list(_benchmark().cases(cs.load(name), count, seed=7))


@pytest.mark.parametrize(("name", "count", "widest"), [(T, 8, 0.7), ("generic-linear", 4, 0.55)])
def test_two_middle_steps_predict_the_others(name: str, count: int, widest: float) -> None:
    """Readings at steps 2 and 3: what another meter shows at 1 and 4 lies in the 95 % bands, which are much narrower.

    Of the vehicles' shares the standard deviation is 0.07 to 0.1, so that 0.86 is about two standard errors or more below 0.95.
    Bands of a third of the width hold far less: the check bites.
    """
    found = _cases(name, count)
    assert np.mean([c.share(c.other) for c in found]) > 0.86
    assert np.mean([c.width for c in found]) < widest
    assert sum(c.fitted.chance < 1e-3 for c in found) == 0
    inside = [
        abs(v - r.after[0]) < (r.after[2] - r.after[1]) / 6
        for c in found for r in c.fitted.readings for task, v in c.other.items() if task == r.task
    ]  # fmt: skip
    assert np.mean(inside) < 0.8


def test_fitted_numbers_hold_what_was_drawn() -> None:
    """Of numbers that were told something, the drawn ones lie as far off as their tolerances say: chi-square over count near 1.

    Eight vehicles × some seven numbers, correlated within one: 0.5 to 1.7 is more than two standard deviations of the mean.
    """
    squares = list[float]()
    for case in _cases(T, 8):
        for n in case.fitted.numbers:
            if n.shrink > 0.2 and not n.step:
                fitted, vehicle = (c.net.elements[n.element] for c in (case.fitted.circuit, case.vehicle))
                spread, true, now = fitted.tolerances[n.parameter], vehicle.values[n.parameter], fitted.values[n.parameter]
                assert now == n.after
                off = math.log(true / now) / spread.log_sigma if spread.log_sigma else (true - now) / spread.standard(now)
                squares.append(off**2)
    assert len(squares) > 40
    assert 0.5 < np.mean(squares) < 1.7
