"""One fault on many vehicles at once, and vehicles astray: each as the circuit itself, with those numbers, reads."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.errors import InputError
from circuitsim.measure import Conditions, Task
from circuitsim.measure import meter as find_meter
from circuitsim.measure.faults import find_faults, read_fault
from circuitsim.measure.faults.bench import FaultBench
from circuitsim.measure.faults.sampled import FaultSampler

NAME = "tractor-cab-fan"
# A meter that loads nothing: the sampler has all meters on at once, the bench one after the other.
IDEAL = replace(find_meter("standard"), input_resistance=1e12)
TASKS = [
    Task("3", Conditions(), "voltmeter", "MOT+", "GND"),
    Task("3", Conditions(), "voltmeter", "MOT-", "GND"),
    Task("4", Conditions(), "clamp", at="M1"),
]


@pytest.fixture(scope="module")
def bench() -> FaultBench:
    circuit = cs.load(NAME)
    return FaultBench(circuit, TASKS, IDEAL, find_faults(circuit))


@pytest.mark.parametrize("name", ["", "X2.1:corroded", "W2:chafed-to-ground", "M1:weak-magnets", "S2:missing-step-3"])
def test_sampled_vehicles_read_as_on_the_bench(bench: FaultBench, name: str) -> None:
    rng = np.random.default_rng(3)
    known = bench.faults[name] if name else None
    share = np.sort(rng.random(12))
    strays = rng.standard_normal((12, len(bench.what)))
    sampled = FaultSampler(bench, known).show(share, strays)
    severity = known.at(share) if known and known.graded else np.full(12, np.nan)
    vehicles = [(known.fault(float(x)),) if known else () for x in severity]
    shown = bench.show(vehicles, None, strays)
    np.testing.assert_allclose(sampled, shown.value, rtol=1e-6, atol=1e-6)


def test_a_vehicle_astray_reads_as_the_circuit_with_those_numbers() -> None:
    """Two deviations on a normal number, one of the logarithm on a joint that scatters by a factor; by `predict`."""
    circuit = cs.load(NAME)
    bench = FaultBench(circuit, TASKS, find_meter("standard"), find_faults(circuit))
    places = {bench.what.index("M1.resistance"): 2.0, bench.what.index("X4.A.resistance"): 1.0}
    strays = np.zeros((1, len(bench.what)))
    net = circuit.net.copy()
    for place, by in places.items():
        strays[0, place] = by
        element, parameter = bench.what[place].rsplit(".", 1)
        tolerance, value = bench.tolerances[place], net.elements[element].values[parameter]
        moved = value * np.exp(tolerance.log_sigma * by) if tolerance.log_sigma else value + tolerance.standard(value) * by
        net.elements[element] = net.elements[element].replaced(**{parameter: float(moved)})
    chart = cs.predict(replace(circuit, net=net), probe=["MOT+:GND", "MOT-:GND", "at:M1"])
    wanted = [chart.at(step="3", red="MOT+"), chart.at(step="3", red="MOT-"), chart.at(step="4", at="M1")]
    shown = bench.show([()], None, strays).value[0]
    np.testing.assert_allclose(shown, [r.expected for r in wanted], rtol=1e-5)


def test_a_number_that_strays_far_under_a_fault_stays_what_the_element_accepts(bench: FaultBench) -> None:
    """A climb strays far where nothing fits: 1 µΩ less the turns that are shorted ended it with an error about no input."""
    strays = np.zeros((1, len(bench.what)))
    strays[0, bench.what.index("M1.resistance")] = -100.0
    fault = bench.faults["M1:shorted-turns"].fault(0.3)
    assert bench.show([(fault,)], [2], strays).value.shape == (1, 1)


@pytest.mark.parametrize("number", ["X4.A.resistance", "S2.resistance at step 3", "M1.constant"])
def test_slopes_astray_are_those_of_small_strays(bench: FaultBench, number: str) -> None:
    """Each by the shape of its own tolerance: one by a factor, one between limits that has another shape at another step."""
    rng = np.random.default_rng(5)
    fault = (read_fault(bench.circuit, "X4.A:corroded=60mohm", bench.faults),)
    strays = np.repeat(rng.standard_normal((1, len(bench.what))), 3, axis=0)
    place = bench.what.index(number)
    strays[1, place] += 1e-4
    strays[2, place] -= 1e-4
    shown = bench.show([fault] * 3, None, strays)
    slope = (shown.value[1] - shown.value[2]) / 2e-4
    np.testing.assert_allclose(shown.spread[0, :, place], slope, rtol=1e-4, atol=1e-9)


def test_what_a_fault_sets_is_known(bench: FaultBench) -> None:
    """A current limit that a fault sets has no tolerance of its own any more."""
    fault = (read_fault(bench.circuit, "U1:folds-back=6.6A", bench.faults),)
    own = [k for k, name in enumerate(bench.what) if name.startswith("U1.") and "limit" in name]
    shown = bench.show([(), fault])
    assert own
    np.testing.assert_array_equal(shown.spread[1][:, own], 0.0)


def test_other_instruments_can_not_be_sampled() -> None:
    circuit = cs.load(NAME)
    lamp = FaultBench(circuit, [Task("3", Conditions(), "lamp", "MOT+", "GND")], IDEAL, find_faults(circuit))
    with pytest.raises(InputError, match="only voltmeter and clamp"):
        FaultSampler(lamp, None)


def test_a_reading_that_is_asked_for_twice_is_the_same_twice(bench: FaultBench) -> None:
    """As for a clamp at the step of an observation, whose speed is read from the same column."""
    fault = (read_fault(bench.circuit, "X4.A:corroded=60mohm", bench.faults),)
    once, twice = bench.show([(), fault], [0, 1, 2]), bench.show([(), fault], [2, 0, 2, 1])
    for part in ("value", "spread", "sound", "speed"):
        np.testing.assert_array_equal(getattr(twice, part), getattr(once, part)[:, [2, 0, 2, 1]])
    assert np.isfinite(twice.value).all()
