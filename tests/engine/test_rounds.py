"""The rounds of a chopped circuit: what leaves the batch, where they begin, and when they give up changes no answer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.engine import rounds
from circuitsim.engine.mixing import Mixing
from circuitsim.engine.operating import Solved, compile_netlist
from circuitsim.engine.periodic import PERIODIC, Chopped, chop
from circuitsim.engine.rounds import Found, Rounds, find

Bench = Callable[..., cs.Netlist]
DUTIES = (0.05, 0.2, 0.5, 0.7, 0.9)
SAME = 1e-8  # of a value and 1e-6 of a volt, ampere or radian a second: ten times what the acceptance rule leaves open


def averaged(bench: Bench, duty: tuple[float, ...] = DUTIES) -> Solved:
    """Give the averaged points of the bench's chopping stage at some duties, each with its own joint in the ground."""
    net = bench("pwm")
    stage = net.elements["U1"].values
    values: dict[Any, Any] = {("VC", "emf"): 12.6 * (1 - (np.array(duty) - stage["offset"]) / stage["gain"])}
    values["X9", "resistance"] = 0.003 * 2.0 ** np.arange(len(duty))
    return compile_netlist(net).solve(values, frozen=True)


def chopped(solved: Solved, **options: bool) -> Chopped:
    found = chop(solved, **options)
    assert isinstance(found, Chopped)
    return found


def test_a_sample_does_not_depend_on_the_others_of_its_batch(bench: Bench) -> None:
    """They settle after different numbers of rounds, so that some leave while others go on."""
    solved = averaged(bench)
    together = chopped(solved)
    assert (together.method == PERIODIC).all()
    assert len(set((together.solution.iterations - solved.solution.iterations).tolist())) > 1
    for k in range(len(DUTIES)):
        alone = chopped(solved.take(np.array([k])))
        assert together.x[:, [k]] == pytest.approx(alone.x, rel=SAME, abs=1e-6)


def test_where_the_rounds_begin_does_not_matter(bench: Bench) -> None:
    """From a neighbour's averages and spreads, which nobody may notice, or from no ripple at all."""
    cold = chopped(averaged(bench))
    system = Rounds(cold.switching, cold.compiled.plan(cold.frozen), cold.bare)
    near = np.roll(np.arange(len(DUTIES)), 1)
    x = cold.x.copy()
    x[cold.switching.electrical] = cold.x[cold.switching.electrical][:, near]
    with np.errstate(all="ignore"):
        system.begin(x)
        found = find(system, x, [spread.take(near) for spread in cold.spreads])
    assert found.settled.all()
    assert found.x == pytest.approx(cold.x, rel=SAME, abs=1e-6)


def test_who_waits_less_finds_the_same(bench: Bench) -> None:
    solved = averaged(bench)
    patient, hasty = chopped(solved), chopped(solved, waves=False)
    assert (hasty.method == PERIODIC).all()
    assert hasty.x == pytest.approx(patient.x, rel=SAME, abs=1e-6)


def test_shares_of_the_search_are_those_of_the_waveforms(bench: Bench) -> None:
    found = chopped(averaged(bench))
    assert found.share is not None
    assert found.share.sum(axis=0) == pytest.approx(1.0, abs=1e-12)
    assert found.shares == pytest.approx(found.steady.orbit.moments[0], abs=1e-9)
    assert found.take(np.array([2])).shares == pytest.approx(found.share[:, [2]], abs=0)


@pytest.mark.parametrize(("change", "hasty"), [(1e9, 1), (1e6, 2), (10.0, 3)])
def test_what_comes_no_nearer_is_given_up(monkeypatch: pytest.MonkeyPatch, bench: Bench, change: float, hasty: int) -> None:
    """Starts from the best so far: three for the patient; fewer for the hasty, where what is left is far off."""
    starts: list[int] = []
    iterate = rounds._iterate

    def unsettled(some: Rounds, x: Any, spreads: Any, limit: int, allowed: float) -> Found:
        starts.append(limit)
        found = iterate(some, x, spreads, 1, allowed)
        found.settled[:], found.change[:] = False, change
        return found

    monkeypatch.setattr(rounds, "_iterate", unsettled)
    solved = averaged(bench)
    assert not chopped(solved).solution.accepted.any()
    assert len(starts) == 3
    starts.clear()
    assert not chopped(solved, waves=False).solution.accepted.any()
    assert len(starts) == hasty


def test_balances_at_several_points_are_those_at_each(bench: Bench) -> None:
    found = chopped(averaged(bench))
    for total, laws, spread in zip(found.switching.totals, found.mode_laws, found.spreads, strict=True):
        points = spread.points()
        each = np.array([total.at(laws, x) for x in points])
        assert np.array_equal(total.at(laws, points), each)


def test_mixing_of_some_samples_goes_on_as_it_would_have() -> None:
    rng = np.random.default_rng(1)
    matrix, push, x = 0.4 * rng.normal(size=(4, 4)), rng.normal(size=(4, 6)), np.zeros((4, 6))
    whole, some, kept = Mixing(1.0 + np.abs(x)), None, np.array([1, 4])
    for k in range(6):
        if k == 3:
            some, y = whole.take(kept), x[:, kept]
        x = whole.next(x, matrix @ x + push)
        if some is not None:
            y = some.next(y, matrix @ y + push[:, kept])
            assert y == pytest.approx(x[:, kept], rel=1e-9)
    # In four dimensions it is at the fixed point by then.
    assert x == pytest.approx(np.linalg.solve(np.eye(4) - matrix, push), rel=1e-6)
