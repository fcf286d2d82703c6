"""Which tests a circuit allows."""

from __future__ import annotations

from itertools import pairwise

import pytest

from circuitsim import circuit_names, load
from circuitsim.measure import Conditions
from circuitsim.studies.candidates import candidates, points_along
from circuitsim.studies.predict import predict


@pytest.mark.parametrize("name", circuit_names())
def test_the_points_along_the_current_lie_in_its_order(name: str) -> None:
    """Own derivation: where current flows one way through resistance, no point lies above the one before it."""
    circuit = load(name)
    feed, back = points_along(circuit)
    assert feed[0] == "BAT+"
    assert feed[-1] == "MOT+"
    assert back[0] == "MOT-"
    assert back[-1] == "BAT-"
    drops = [f"{a}:{b}" for points in (feed, back) for a, b in pairwise(points)]
    shown = predict(circuit, step=circuit.steps[-1], probe=drops).readings
    assert len(shown) == len(drops)
    assert all(r.expected > -1e-6 for r in shown), [(r.red, r.black, r.expected) for r in shown]


@pytest.mark.parametrize("name", circuit_names())
def test_the_drop_across_the_fuse_is_a_test_everywhere(name: str) -> None:
    circuit = load(name)
    feed, _ = points_along(circuit)
    leads = {(t.red, t.black) for t, _ in candidates(circuit, Conditions())}
    assert set(pairwise(feed)) <= leads
    assert any(a.endswith(".a") and b.endswith(".b") for a, b in pairwise(feed))
