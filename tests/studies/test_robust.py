"""Every circuit at random within its tolerances, from random starts, and at the extremes: always a point or a verdict.

`benchmarks/robustness.py` does the same with 100,000 sets a circuit.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

import circuitsim as cs
from circuitsim.engine.operating import Compiled
from circuitsim.engine.points import Points
from circuitsim.measure.conditions import Conditions
from circuitsim.measure.readings import step_values

Array = NDArray[np.float64]
Load = Callable[[str], cs.Circuit]
Plain = Callable[[cs.Circuit], Compiled]
Drawn = Callable[..., dict[tuple[str, str], Array]]
Variant = Callable[..., cs.Circuit]
NAMES = cs.circuit_names()
# One for each way of controlling; the generic ones, which add nothing but time, where the whole of a grid is asked for.
KNOWN = [name for name in NAMES if not name.startswith("generic")]
ALL = [name if name in KNOWN else pytest.param(name, marks=pytest.mark.slow) for name in NAMES]
SETS = 600


def mixed(circuit: cs.Circuit, size: int, seed: int, drawn: Drawn) -> tuple[Array, dict[tuple[str, str], Array]]:
    """Random sets, spread evenly over the steps: which step each is at, and its values."""
    count = len(circuit.steps)
    labels = np.sort(np.arange(size) % count)
    values: dict[tuple[str, str], Array] = {}
    for k, step in enumerate(circuit.steps):
        rng = np.random.default_rng([seed, k])
        chosen = labels == k
        for key, found in drawn(circuit, step, int(chosen.sum()), rng).items():
            nominal = circuit.net.elements[key[0]].values[key[1]]
            values.setdefault(key, np.full(size, nominal))[chosen] = found
    steps = [(circuit.steps[k], Conditions()) for k in labels]
    return labels, {**{key: v for key, v in step_values(circuit, steps).items() if key not in values}, **values}


@pytest.mark.parametrize("name", ALL)
def test_random_circuits_are_all_accepted_cold(name: str, load: Load, plain: Plain, drawn: Drawn) -> None:
    """600 sets from the tolerances, -30 to 60 °C around, from rest; every one runs, or rests when off."""
    circuit = load(name)
    labels, values = mixed(circuit, SETS, 11, drawn)
    ambient = np.random.default_rng(12).uniform(-30.0, 60.0, SETS)
    points = Points(plain(circuit).solve(values, ambient=ambient, frozen=True, size=SETS))
    assert points.accepted.all()
    assert points.residual.max() < 1e-12  # the rule
    assert {(k == 0, v) for k, v in zip(labels, points.verdicts, strict=True)} == {
        (True, "at rest"),
        (False, "running"),
    }


@pytest.mark.parametrize("name", ALL)
def test_random_circuits_are_all_accepted_warm(name: str, load: Load, plain: Plain, drawn: Drawn) -> None:
    """The same with all temperatures settled."""
    circuit = load(name)
    labels, values = mixed(circuit, SETS, 21, drawn)
    ambient = np.random.default_rng(22).uniform(-30.0, 50.0, SETS)
    points = Points(plain(circuit).solve(values, ambient=ambient, size=SETS))
    assert points.accepted.all()
    assert points.residual.max() < 1e-12  # the rule
    assert {(k == 0, v) for k, v in zip(labels, points.verdicts, strict=True)} == {
        (True, "at rest"),
        (False, "running"),
    }


def random_starts(compiled: Compiled, count: int, seed: int) -> Array:
    """Starts anywhere: ±30 V, ±60 A, ±500 rad/s, -80 to 120 °C."""
    rng = np.random.default_rng(seed)
    reach = {"V": 30.0, "A": 60.0, "rad/s": 500.0, "°C": 100.0}
    system = compiled.system
    start = system.rest(np.full(count, 20.0))
    for row, unit in enumerate(system.units):
        start[row] += rng.uniform(-1, 1, count) * reach.get(unit, 3.0)
    return start


@pytest.mark.parametrize("name", ALL)
def test_64_starts_return_no_other_root(name: str, load: Load, plain: Plain, drawn: Drawn) -> None:
    """A random circuit of each kind at a random step, warm: what is returned is the state reached from rest."""
    circuit = load(name)
    compiled = plain(circuit)
    rng = np.random.default_rng([31, len(name)])
    step = str(rng.choice(circuit.steps[1:]))
    values = {**step_values(circuit, [(step, Conditions())]), **drawn(circuit, step, 1, rng)}
    reference = Points(compiled.solve(values))
    found = Points(compiled.solve(values, start=random_starts(compiled, 64, len(name)), size=64))
    assert reference.valid.all()
    assert found.accepted.sum() >= 60, "few starts end nowhere"
    # The rule leaves 1e-9 of each value and 1 µK on either side.
    gap = np.abs(found.solved.x - reference.solved.x)[:, found.accepted]
    assert (gap <= 2e-9 * np.abs(reference.solved.x) + 2e-6).all()


# Extremes ---------------------------------------------------------------------------------------------------------

DECADES = (1e-6, 1e-5, 1e-3, 0.1, 1.0, 10.0, 100.0, 1e4, 1e6, 1e12)
# A wire has no resistance of its own to set: section, material and whole strands together span as far.
WIRES = ((1e-3, 1e-9, 1.0), (1e-4, 1e-8, 1.0), (1e-9, 1e-8, 1.0), (1e-9, 1e-6, 1e-2), (1e-9, 1e-4, 1e-6))


def sites(circuit: cs.Circuit) -> list[dict[tuple[str, str], float]]:
    """Every contact and wire at every extreme, one at a time."""
    found: list[dict[tuple[str, str], float]] = []
    for e in circuit.net.elements.values():
        if e.kind in ("contact", "pin"):
            found += [{(e.name, "resistance"): ohms} for ohms in DECADES]
        elif e.kind == "wire":
            names = ("area", "resistivity", "strands")
            found += [{(e.name, n): v for n, v in zip(names, wire, strict=True)} for wire in WIRES]
    return found


def stacked(circuit: cs.Circuit, step: str, changes: list[dict[tuple[str, str], float]]) -> dict[tuple[str, str], Array]:
    """Give each sample its own change, all else nominal."""
    values = dict(step_values(circuit, [(step, Conditions())] * len(changes)))
    for k, change in enumerate(changes):
        for (name, parameter), value in change.items():
            nominal = circuit.net.elements[name].values[parameter]
            values.setdefault((name, parameter), np.full(len(changes), nominal))[k] = value
    return values


MOVING = ("running", "stalled", "at rest", "locked")


@pytest.mark.parametrize("since", ["cold", "warm"])
@pytest.mark.parametrize("name", ALL)
def test_every_joint_and_wire_from_a_micro_ohm_to_open(name: str, since: str, load: Load, plain: Plain) -> None:
    """Each has its point off and at the top step; warm, where there is no steady state, a verdict says so."""
    circuit = load(name)
    compiled = plain(circuit)
    changes = sites(circuit)[:: 1 if since == "cold" else 3]
    # Warm there is more to solve: the top step is the one that heats.
    for step in (circuit.steps[0], circuit.steps[-1]) if since == "cold" else circuit.steps[-1:]:
        points = Points(compiled.solve(stacked(circuit, step, changes), frozen=since == "cold", size=len(changes)))
        lost = [changes[k] for k in np.flatnonzero(~points.accepted)]
        assert lost == []
        # Cold, all that can give way is a fuse.
        reasons = MOVING if since == "cold" else (*MOVING, "runs away at", "outside validity at")
        strange = [(c, v) for c, v in zip(changes, points.verdicts, strict=True) if not v.startswith(reasons)]
        assert strange == []


def test_off_with_a_bad_shared_ground_stays_off(load: Load, plain: Plain) -> None:
    """With 60 to 110 Ω under both grounds a stage that is half awake has a point too, and leaves it at a touch.

    From rest nothing drives it there: the motor stands, and the idle current alone lifts the ground.
    """
    circuit = load("tractor-cab-fan")
    ohms = np.array([10.0, 60.0, 75.0, 90.0, 100.0, 110.0, 150.0])
    values = {**step_values(circuit, [("off", Conditions())] * ohms.size), ("G1.eyelet", "resistance"): ohms}
    points = Points(plain(circuit).solve(values, frozen=True, size=ohms.size))
    assert set(points.verdicts) == {"at rest"}
    idle = circuit.net.elements["U1"].values["quiescent"]
    # The command's pull-up adds a microampere or so to the idle current's volts.
    assert points.voltage("U1.sg") == pytest.approx(idle * ohms, rel=0.01)


@pytest.mark.parametrize("name", ALL)
def test_flat_battery(name: str, load: Load, plain: Plain) -> None:
    """From nothing to half a volt: too little for the brushes, so nothing turns, and nothing is above the battery."""
    circuit = load(name)
    emf = np.array([0.0, 1e-3, 0.1, 0.5])
    for frozen in (True, False):
        for step in (circuit.steps[0], circuit.steps[-1]):
            values = {**step_values(circuit, [(step, Conditions())] * emf.size), ("BAT", "emf"): emf}
            points = Points(plain(circuit).solve(values, ambient=25.0, frozen=frozen, size=emf.size))
            assert points.accepted.all()
            assert set(points.verdicts) <= {"at rest", "stalled"}
            assert (points.speed("FAN") == 0).all()
            # The battery's corner is rounded over 0.2 mV.
            assert (points.voltage("BAT+", "BAT-") <= emf + 1e-3).all()


@pytest.mark.parametrize("name", ALL)
def test_locked_rotor_cold(name: str, load: Load, plain: Plain, variant: Variant) -> None:
    """A seized wheel, right after switching on: locked at every step that is on, with more current than turning.

    Where that is more than the fuse carries, the verdict is the fuse's.
    """
    circuit = load(name)
    seized = variant(circuit, add=[cs.LockedShaft("SEIZED", "FAN")])
    values = step_values(circuit, [(step, Conditions()) for step in circuit.steps])
    turning, standing = (Points(plain(c).solve(values, frozen=True, size=len(circuit.steps))) for c in (circuit, seized))
    assert standing.verdicts[0] == "at rest"
    assert all(v == "locked" or v.endswith("the fuse opens") for v in standing.verdicts[1:])
    assert standing.verdicts[1] == "locked"
    assert (standing.current("M1")[1:] > turning.current("M1")[1:]).all()


@pytest.mark.parametrize("name", KNOWN)
def test_locked_rotor_warm_has_a_verdict(name: str, load: Load, plain: Plain, variant: Variant) -> None:
    """For good, at full speed, it has no temperature: something melts, and the answer says what."""
    circuit = variant(load(name), add=[cs.LockedShaft("SEIZED", "FAN")])
    points = Points(plain(circuit).solve(step_values(circuit, [(circuit.steps[-1], Conditions())]), size=1))
    assert points.accepted.all()
    assert points.verdicts[0].startswith(("runs away at", "outside validity at"))
    assert not points.valid[0]


@pytest.mark.parametrize("name", ALL)
def test_friction_from_none_to_seized_cold(name: str, load: Load, plain: Plain) -> None:
    """At each step it turns, then stands: one breakaway, with the current rising all the way to it.

    Where that is more than the fuse carries, the verdict is the fuse's.
    """
    circuit = load(name)
    friction = np.concatenate([[0.0], np.geomspace(1e-4, 100.0, 40)])
    for step in circuit.steps[1:]:
        values = {**step_values(circuit, [(step, Conditions())] * friction.size), ("M1", "friction"): friction}
        points = Points(plain(circuit).solve(values, frozen=True, size=friction.size))
        assert points.accepted.all()
        turning = points.speed("FAN") > 0
        assert turning[0]
        assert not turning[-1]
        assert (np.diff(turning.astype(int)) <= 0).all()
        assert (np.diff(points.current("M1")) > -1e-6).all()  # past breakaway it stays, to the shaft's creep
        for verdict, turns in zip(points.verdicts, turning, strict=True):
            assert verdict == ("running" if turns else "stalled") or verdict.endswith("the fuse opens")


@pytest.mark.parametrize("name", KNOWN)
def test_friction_from_none_to_seized_warm(name: str, load: Load, plain: Plain) -> None:
    """The same for good, at the top step: past some friction no temperature is steady, and a verdict says so."""
    circuit = load(name)
    friction = np.array([0.0, 2.8942661247167516])
    values = {**step_values(circuit, [(circuit.steps[-1], Conditions())] * 2), ("M1", "friction"): friction}
    points = Points(plain(circuit).solve(values, size=2))
    assert points.accepted.all()
    assert points.verdicts[0] == "running"
    assert points.verdicts[-1].startswith(("runs away at", "outside validity at"))
