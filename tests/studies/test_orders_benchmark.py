"""The orders that `benchmarks.next_tests` holds the chosen test against."""

from __future__ import annotations

from types import ModuleType

import pytest
from checkout import load_benchmark

from circuitsim import load
from circuitsim.measure import Conditions, Task
from circuitsim.studies.candidates import candidates

NAMES = ["tractor-cab-fan", "coach-defroster-fan", "minibus-condenser-fan"]


@pytest.fixture(scope="module")
def orders() -> ModuleType:
    return load_benchmark("orders")


def candidates_of(name: str) -> list[Task]:
    return [t for t, _ in candidates(load(name), Conditions()) if t.instrument in ("voltmeter", "clamp")]


@pytest.mark.parametrize("name", NAMES)
def test_the_fixed_order_makes_every_test_once_supply_first_and_plugs_last(orders: ModuleType, name: str) -> None:
    tests = candidates_of(name)
    places = orders.fixed_order(tests, load(name).steps)
    made = [t for place in places for t in place]
    assert len(made) == len(tests)
    assert set(made) == set(tests)
    assert {made[0].red, made[0].black} == {"BAT+", "BAT-"}
    parted = [bool(t.conditions.unplugged) for t in made]
    assert parted == sorted(parted)
    assert all(len({(t.red, t.black, t.at, t.conditions.unplugged) for t in place}) == 1 for place in places)


@pytest.mark.parametrize("name", NAMES)
def test_half_splitting_comes_to_the_stretch_that_is_bad(orders: ModuleType, name: str) -> None:
    """Binary search: of n places no more than log2(n) + 1 are asked, and the first pins asked for lie in the bad stretch."""
    circuit = load(name)
    bridged, upstream, downstream = orders.splits(circuit)
    for side, motor_off in ((upstream, -9.0), (downstream, 0.0)):
        for bad in range(len(side) + 1):
            readings = {bridged.task: motor_off}
            for k, split in enumerate(side):
                readings[split.task] = 0.0 if k < bad else -9.0 * (split.sense or 1)
            asked: list[Task] = []

            def off(task: Task, readings: dict[Task, float] = readings, asked: list[Task] = asked) -> float:
                asked.append(task)
                return readings[task]

            order = orders.half_splitting(circuit, candidates_of(name), off)
            taken = [next(order) for _ in range(12)]
            assert taken[0] == [bridged.task]
            assert len(set(asked)) - 1 <= len(side).bit_length()
            near, first = orders._stretch(circuit, side, bad), taken[len(set(asked))][0]
            assert near.has(first), (bad, near, first)
