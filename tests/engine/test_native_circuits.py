"""The shipped circuits' programs, compiled, against the same programs run by numpy on the same samples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.engine.anchored import Anchored
from circuitsim.engine.native import available, compile_native
from circuitsim.engine.newton import BACKWARD_ERROR
from circuitsim.engine.operating import compile_netlist
from circuitsim.measure import make_bench
from circuitsim.measure.readings import Conditions, step_values
from circuitsim.studies.sampling import draw, uncertain_numbers

pytestmark = pytest.mark.skipif(not available(), reason="llvmlite is not installed (the extra 'compiled')")
SAMPLES = 64


def tolerance_batch(circuit: cs.Circuit, net: cs.Netlist) -> tuple[np.ndarray, dict, dict]:
    """Draw samples within the tolerances of a circuit's file, steps in turn; give labels, nominal and drawn values."""
    labels = np.sort(np.arange(SAMPLES) % len(circuit.steps))
    modes = {k: np.asarray(v) for k, v in step_values(circuit, [(s, Conditions()) for s in circuit.steps]).items()}
    values = {k: v[labels] for k, v in modes.items()}
    numbers = uncertain_numbers(circuit, net, {})
    for number, z in zip(numbers, draw(numbers, SAMPLES, 1, 0), strict=True):
        here = np.ones(SAMPLES, bool) if number.step is None else labels == number.step
        values[number.key] = np.where(here, number.at(z), values.get(number.key, 0.0))
    return labels, modes, values


class Watched:
    """A circuit's program, with what it was written from, and what numpy's form of it was given and gave."""

    def __init__(self, circuit: cs.Circuit) -> None:
        self.calls: list[tuple[dict, np.ndarray]] = []
        net = make_bench(circuit).net
        labels, modes, values = tolerance_batch(circuit, net)
        solver = Anchored(compile_netlist(net), modes, len(circuit.steps), native=False)
        fused = solver.fused
        program, given = fused.program, {}
        self.trace, self.results = program.trace, list(program.results)

        def setup(p, g):
            given.update(p=list(p), g=list(g))
            return program.setup(p, g)

        def run(x, s, r, out):
            before = {"x": [row.copy() for row in x], **given}
            program.run(x, s, r, out)
            self.calls.append((before, np.array(out)))

        fused.program = replace(program, setup=setup, run=run)
        solver.solve(labels, values)


@pytest.mark.parametrize("name", cs.circuit_names())
def test_compiled_programs_give_what_numpy_gives(name):
    seen = Watched(cs.load(name))
    assert sum(out.shape[1] for _, out in seen.calls) >= SAMPLES
    varying = {f"{k}[{j}]" for inputs, _ in seen.calls for k, row in inputs.items() for j, v in enumerate(row) if np.ndim(v)}
    program = compile_native(seen.trace, seen.results, varying)
    good = 0
    for inputs, want in seen.calls:
        out = np.empty_like(want)
        program.run(inputs, out)
        accepted = (want[-3] < BACKWARD_ERROR / 2) & (want[-2] < 0.5)
        good += np.count_nonzero(accepted)
        # What is accepted may still move by 1e-9 of its value plus 1e-9 (1 µK for temperatures, near 100 °C).
        np.testing.assert_allclose(out[:-3, accepted], want[:-3, accepted], rtol=1e-9, atol=1e-9)
        assert (out[-3, accepted] < BACKWARD_ERROR).all()
        assert (out[-2, accepted] < 1.0).all()
        # The smallest of the guarded factors, which are of order one.
        np.testing.assert_allclose(out[-1, accepted], want[-1, accepted], rtol=1e-9)
    assert good > SAMPLES / 2
