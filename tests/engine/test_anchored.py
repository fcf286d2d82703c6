"""Which way a batch about nominal points goes: compiled, numpy's, or that of a big network."""

from __future__ import annotations

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.engine import fused, native
from circuitsim.engine.anchored import PREDICTED, Anchored
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.sparse import SparsePlan

LABELS = np.array([0, 0, 1, 1, 1], np.intp)
OHMS = np.array([10.0, 12.0, 100.0, 90.0, 115.0])


def divider(native_wanted: bool) -> Anchored:
    net = cs.Netlist("divider")
    net.chain("GND", cs.VoltageSource("V", emf=12.0), "top", cs.Resistor("R1", resistance=50.0), "mid")
    net.chain("mid", cs.Resistor("R2", resistance=10.0), "GND")
    return Anchored(compile_netlist(net), {("R2", "resistance"): np.array([10.0, 100.0])}, 2, native=native_wanted)


def test_numpy_serves_where_llvm_will_not_compile(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine that may hold no code in memory, say: the numbers are numpy's, to the last bit."""
    asked = []

    def refuse(*_: object) -> None:
        asked.append(1)
        raise RuntimeError("LLVM ERROR: no memory may be executed")

    monkeypatch.setattr(fused, "compile_native", refuse)
    solver, plain = divider(True), divider(False)
    for _ in range(2):
        found = solver.solve(LABELS, {("R2", "resistance"): OHMS})
        assert (found.method == PREDICTED).all()
        np.testing.assert_array_equal(found.x, plain.solve(LABELS, {("R2", "resistance"): OHMS}).x)
    assert solver.native is False
    assert len(asked) == 1, "it is not tried again"


def test_a_worker_without_llvmlite_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """Numbers of all workers are to be the same bytes: a missing package is told, not made up for."""

    def missing(*_: object) -> None:
        raise ModuleNotFoundError("No module named 'llvmlite'")

    monkeypatch.setattr(fused, "compile_native", missing)
    with pytest.raises(ModuleNotFoundError, match="llvmlite"):
        divider(True).solve(LABELS, {("R2", "resistance"): OHMS})


def test_an_error_of_another_kind_in_a_run_is_not_taken_for_one_of_llvm(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise RuntimeError("can't start new thread")

    solver = divider(False)
    monkeypatch.setattr(fused.Fused, "run", fail)
    with pytest.raises(RuntimeError, match="new thread"):
        solver.solve(LABELS, {("R2", "resistance"): OHMS})


def test_a_big_network_is_solved_as_any_batch_of_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """A ladder of 320 rungs of 1 Ω and 1 Ω: its far end is open, and its entry is that of an endless one, (1 + √5)/2 Ω."""
    net = cs.Netlist("ladder")
    net.chain("GND", cs.VoltageSource("V", emf=1.0), "n0")
    for k in range(320):
        net.chain(f"n{k}", cs.Resistor(f"A{k}", resistance=1.0), f"n{k + 1}")
        net.chain(f"n{k + 1}", cs.Resistor(f"B{k}", resistance=1.0), "GND")
    compiled = compile_netlist(net)
    assert isinstance(compiled.plan(False), SparsePlan)
    monkeypatch.setattr(fused.Fused, "__init__", lambda *_: pytest.fail("no program of thousands of lines is written"))
    volts = np.array([1.0, 2.0, -3.0])
    solver = Anchored(compiled, {("V", "emf"): np.array([1.0, 2.0])}, 2)
    found = solver.solve(np.array([0, 1, 1], np.intp), {("V", "emf"): volts})
    want = compiled.solve({("V", "emf"): volts}, size=3)
    np.testing.assert_array_equal(found.x, want.x)
    assert (found.method != PREDICTED).all()
    # The golden ratio: R = 1 + 1/(1 + 1/R). 320 rungs differ from endless by φ⁻⁶⁴⁰, nothing in doubles.
    assert cs.solve(net).current("A0") == pytest.approx(2 / (1 + 5**0.5), rel=1e-12)


@pytest.mark.skipif(not native.available(), reason="llvmlite is not installed")
def test_a_compiled_batch_is_told_as_one() -> None:
    solver = divider(True)
    assert (solver.solve(LABELS, {("R2", "resistance"): OHMS}).method == PREDICTED).all()
    assert solver.native is True
