"""What the periodic steady state of a chopped circuit costs, and how close it is, against stepping through time to it.

Run: OPENBLAS_NUM_THREADS=1 python benchmarks/chopping.py [--circuits 200]

The circuits: a supply, wiring, a motor held at a speed, a switch with a freewheel diode on its ground side; random values,
frequencies from 50 Hz to 25 kHz and duties, in continuous and in discontinuous conduction, every fourth with a suppression
capacitor across the motor (two states). Speed and temperature are held, and every law is piecewise linear. Compared are
average, RMS, least and largest value of every probe: motor current, supply current, motor voltage, low side.

Yardsticks, in the same run:

* `scipy.integrate.solve_ivp`, Radau, rtol 1e-9, restarted at every switching and at every zero of the diode's current, run to
  the steady state (until a period ends where it began, to 1e-8), averages and mean squares integrated along;
* a plain event loop with `scipy.linalg.expm`: states by matrix exponentials, events by bisection, run to the steady state.

Ours does the whole batch at once; its time includes all probes, and, as for the yardsticks, not the writing down of the
matrices. The slow yardsticks run once, ours some ten times in between; median.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is loaded

import numpy as np
from scipy.integrate import solve_ivp
from scipy.linalg import expm
from scipy.optimize import minimize_scalar

from circuitsim.engine.waveforms import Affine, Guard, Outputs, Phase, periodic_orbit

ROUNDS = 10
PROBES = ("motor current", "supply current", "motor voltage", "low side")
TARGETS = {"error": 1e-5, "Radau": 1000.0, "expm": 20.0}
ON, FREE, DEAD = 0, 1, 2
PERIODS = 20_000  # of a run to the steady state, at most
LEAK = 1e-7  # S across the open switch; holds the low side's voltage while nothing carries


@dataclass(frozen=True)
class Chopper:
    """One circuit: volts, ohms, henry, farad (0: no capacitor), hertz."""

    supply: float
    feed: float
    on: float
    diode_drop: float
    diode: float
    winding: float
    inductance: float
    emf: float
    capacitor: float
    series: float
    frequency: float
    duty: float

    def mode(self, mode: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Give a, b of the states (winding's current, capacitor's voltage) and c, d of PROBES and the diode's margin.

        The margin is the diode's current while it carries, and what its voltage lacks while it does not. Written down from
        the loop equations by solving for low side, current at the low side, supply current and capacitor current.
        """
        n = 1 + bool(self.capacitor)
        rows = [self._solved(mode, np.eye(n)[k] if k < n else np.zeros(n)) for k in range(n + 1)]
        level = rows[n]
        slope = np.array([row - level for row in rows[:n]]).T
        return slope[:n], level[:n], slope[n:], level[n:]

    def _solved(self, mode: int, w: np.ndarray) -> np.ndarray:
        """Solve one mode at given states: their rates, then probes and margin."""
        i = w[0]
        # Unknowns: plus p, low l, capacitor's current k, switch's or diode's current s (drawn at the low side).
        matrix, right = np.zeros((4, 4)), np.zeros(4)
        drawn = 1.0 if mode == FREE else 0.0
        # Supply: p = supply - feed·(current of the supply), which is i + k - (diode's current).
        matrix[0], right[0] = [1, 0, self.feed, -self.feed * drawn], self.supply - self.feed * i
        # Low side: what comes through the motor and capacitor goes into the switch or diode and the leakage.
        matrix[1], right[1] = [0, -LEAK, 1, -1], -i
        if self.capacitor:
            matrix[2], right[2] = [1, -1, -self.series, 0], w[1]
        else:
            matrix[2], right[2] = [0, 0, 1, 0], 0.0
        if mode == ON:
            matrix[3] = [0, 1, 0, -self.on]
        elif mode == FREE:
            matrix[3], right[3] = [-1, 1, 0, -self.diode], self.diode_drop
        else:
            matrix[3] = [0, 0, 0, 1]
        p, low, k, s = np.linalg.solve(matrix, right)
        rates = [(p - low - self.emf - self.winding * i) / self.inductance]
        rates += [k / self.capacitor] if self.capacitor else []
        margin = s if mode == FREE else p + self.diode_drop - low
        return np.array([*rates, i, i + k - drawn * s, p - low, low, margin])


def draw(count: int, seed: int = 1) -> list[Chopper]:
    """Give random circuits."""
    rng, found = np.random.default_rng(seed), []
    for k in range(count):
        supply, winding = rng.choice([12.6, 13.8, 27.0]), 10 ** rng.uniform(-1.1, 0.3)
        found.append(
            Chopper(
                supply, 10 ** rng.uniform(-2.3, -1), 10 ** rng.uniform(-2.5, -1.3), rng.uniform(0.3, 0.9),
                10 ** rng.uniform(-2.5, -1.3), winding, 10 ** rng.uniform(-4.3, -2.8), supply * rng.uniform(0.0, 0.75),
                10 ** rng.uniform(-6.5, -5) if k % 4 == 3 else 0.0, 10 ** rng.uniform(-1, 0.5),
                10 ** rng.uniform(1.7, 4.4), rng.uniform(0.03, 0.97),
            )
        )  # fmt: skip
    return found


Ready = tuple[list[Affine], Outputs, np.ndarray, np.ndarray]


def matrices_of(circuits: list[Chopper]) -> Ready:
    """Give modes, probes, duties and frequencies of a batch whose circuits have equally many states."""
    parts = [[c.mode(m) for c in circuits] for m in (ON, FREE, DEAD)]
    stacked = [[np.moveaxis(np.array([p[j] for p in mode]), 0, -1) for j in range(4)] for mode in parts]
    modes = []
    for m, (a, b, c, d) in enumerate(stacked):
        guards = {FREE: (Guard(c[-1], d[-1], DEAD),), DEAD: (Guard(c[-1], d[-1], FREE),)}.get(m, ())
        modes.append(Affine(a, b, guards))
    probes = Outputs(np.array([s[2][:-1] for s in stacked]), np.array([s[3][:-1] for s in stacked]))
    return modes, probes, np.array([c.duty for c in circuits]), np.array([c.frequency for c in circuits])


def solved(modes: list[Affine], probes: Outputs, duty: np.ndarray, frequency: np.ndarray) -> np.ndarray:
    """Average, RMS, least, largest of PROBES: (circuits, 4, probes)."""
    orbit = periodic_orbit(modes, [Phase(duty / frequency, (ON,)), Phase((1 - duty) / frequency, (FREE, DEAD))])
    if not orbit.accepted.all():
        raise SystemExit(f"no orbit for {np.flatnonzero(~orbit.accepted)}")
    waves = orbit.waves(probes)
    return np.moveaxis(np.array([waves.mean, waves.rms, waves.low, waves.high]), -1, 0)


def by_radau(circuit: Chopper) -> np.ndarray:
    """The same of one circuit by an implicit integrator, run to the steady state."""
    matrices = [circuit.mode(m) for m in (ON, FREE, DEAD)]
    n = len(matrices[0][1])

    def stretch(mode: int, y: np.ndarray, length: float, atol: np.ndarray) -> tuple[np.ndarray, float, list[np.ndarray]]:
        a, b, c, d = matrices[mode]
        stiff = np.zeros((len(y), len(y)))

        def slopes(_: float, y: np.ndarray) -> np.ndarray:
            v = c[:-1] @ y[:n] + d[:-1]
            return np.concatenate([a @ y[:n] + b, v, v**2])

        def jacobian(_: float, y: np.ndarray) -> np.ndarray:
            stiff[:n, :n], stiff[n : n + 4, :n] = a, c[:-1]
            stiff[n + 4 :, :n] = 2 * (c[:-1] @ y[:n] + d[:-1])[:, None] * c[:-1]
            return stiff

        def margin(_: float, y: np.ndarray) -> float:
            return float(c[-1] @ y[:n] + d[-1])

        margin.terminal, margin.direction = True, -1.0
        found = solve_ivp(
            slopes, (0.0, length), y, method="Radau", rtol=1e-9, atol=atol, jac=jacobian,
            events=margin if mode != ON else None, dense_output=n > 1,
        )  # fmt: skip
        seen = [c[:-1] @ w + d[:-1] for w in found.y[:n].T]
        if n > 1:
            seen += _peaks(lambda t: c[:-1] @ found.sol(t)[:n] + d[:-1], found.t)
        return found.y[:, -1], found.t[-1], seen

    return _to_rest(circuit, n, matrices, stretch)


def _peaks(look: Callable[[float], np.ndarray], steps: np.ndarray) -> list[np.ndarray]:
    """Values of each probe where it is largest and least: in each quarter of a step, then by a bounded search."""
    grid = np.interp(np.arange(4 * steps.size - 3) / 4, np.arange(steps.size), steps)
    seen = np.array([look(t) for t in grid])
    found: list[np.ndarray] = []
    for p in range(seen.shape[1]):
        for sign in (1.0, -1.0):
            best = int(np.argmax(sign * seen[:, p]))
            low, high = grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)]
            t = minimize_scalar(lambda t, p=p, sign=sign: -sign * look(float(t))[p], method="bounded", bounds=(low, high),
                                options={"xatol": 1e-6 * (high - low)}).x  # fmt: skip
            found.append(look(float(t)))
    return found


def by_expm(circuit: Chopper) -> np.ndarray:
    """The same of one circuit by matrix exponentials and bisection, run to the steady state.

    Averages and mean squares come out of the same exponentials: z, its integral and that of z ⊗ z are states of one linear
    system (Van Loan, IEEE Trans. Automat. Control 23 (1978) 395), so fast modes of the capacitor are not missed by a rule.
    """
    matrices = [circuit.mode(m) for m in (ON, FREE, DEAD)]
    n = len(matrices[0][1])
    kept: dict[tuple[int, float], tuple[np.ndarray, np.ndarray, np.ndarray]] = {}
    moves: dict[tuple[int, float], np.ndarray] = {}

    def full(mode: int) -> np.ndarray:
        a, b, _, _ = matrices[mode]
        return np.block([[a, b[:, None]], [np.zeros((1, n + 1))]])

    def move(mode: int, t: float) -> np.ndarray:
        if (mode, t) not in moves:
            moves[mode, t] = expm(full(mode) * t)
        return moves[mode, t]

    def step(mode: int, t: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Give the transition over t, its integral, and that of the products of its states."""
        if (mode, t) not in kept:
            f, one = full(mode), np.eye(n + 1)
            twice = np.kron(f, one) + np.kron(one, f)
            kept[mode, t] = (move(mode, t), _integral(f, t), _integral(twice, t))
        return kept[mode, t]

    grids = [_grid(full(mode)[:n, :n], 1 / circuit.frequency) for mode in (ON, FREE, DEAD)]
    stacks = [expm(full(mode) * grid[:, None, None]) for mode, grid in zip((ON, FREE, DEAD), grids, strict=True)]

    def stretch(mode: int, y: np.ndarray, length: float, atol: np.ndarray) -> tuple[np.ndarray, float, list[np.ndarray]]:
        _, _, c, d = matrices[mode]
        z = np.append(y[:n], 1.0)
        values, t = np.append(c, d[:, None], axis=1), length

        def margin(t: float) -> float:
            return float(values[-1] @ (move(mode, t) @ z))

        inside = int(np.searchsorted(grids[mode], length))
        looked = np.vstack([z, stacks[mode][:inside] @ z, move(mode, length) @ z]) @ values.T
        if mode != ON:
            times = np.concatenate([[0.0], grids[mode][:inside], [length]])
            below = next((k for k in range(1, times.size) if looked[k, -1] < -1e-12), 0)
            if below:
                left, right = times[below - 1], times[below]
                for _ in range(40):
                    middle = 0.5 * (left + right)
                    left, right = (middle, right) if margin(middle) >= 0 else (left, middle)
                t, looked = right, looked[:below]
        last, once, products = step(mode, t)
        end, rows = last @ z, values[:-1]
        squares = np.diag(rows @ (products @ np.kron(z, z)).reshape(n + 1, n + 1) @ rows.T)
        seen = [looked[:, :-1].max(axis=0), looked[:, :-1].min(axis=0), rows @ end]
        return np.concatenate([end[:n], y[n : n + 4] + rows @ (once @ z), y[n + 4 :] + squares]), t, seen

    return _to_rest(circuit, n, matrices, stretch)


def _grid(matrix: np.ndarray, length: float) -> np.ndarray:
    """Give times to look for events at: growing from a part of the fastest mode, closer while an oscillation lasts."""
    modes = np.linalg.eigvals(matrix)
    swing, lasts = float(np.abs(modes.imag).max()), 28 / max(float(np.abs(modes.real).min()), 1e-9)
    times = [0.1 / float(np.abs(modes).max())]
    while times[-1] < length:
        ahead = 1.3 * times[-1]
        times.append(min(ahead, times[-1] + 0.2 / swing) if swing and times[-1] < lasts else ahead)
    return np.array(times[:-1])


def _integral(matrix: np.ndarray, t: float) -> np.ndarray:
    """Integrate the exponential of a matrix from 0 to t: the corner of the exponential of [[A, 1], [0, 0]]."""
    size = len(matrix)
    return expm(np.block([[matrix, np.eye(size)], [np.zeros((size, 2 * size))]]) * t)[:size, size:]


def _to_rest(circuit: Chopper, n: int, matrices: list[Any], stretch: Callable[..., Any]) -> np.ndarray:
    """Go through periods until one ends where it began; give what is measured in the last."""
    y, period = np.zeros(n + 8), 1 / circuit.frequency
    atol = np.concatenate([np.full(n, 1e-9), np.full(8, 1e-9 * period)])
    for _ in range(PERIODS):
        before, y = y[:n].copy(), np.concatenate([y[:n], np.zeros(8)])
        seen: list[np.ndarray] = []
        y, _, some = stretch(ON, y, circuit.duty * period, atol)
        seen += some
        left = (1 - circuit.duty) * period
        _, _, c, d = matrices[FREE]
        mode = FREE if c[-1] @ y[:n] + d[-1] >= 0 else DEAD
        while left > 1e-12 * period:
            y, used, some = stretch(mode, y, left, atol)
            seen += some
            left, mode = left - used, DEAD if mode == FREE else FREE
        if np.abs(y[:n] - before).max() < 1e-8 * (1e-3 + np.abs(y[:n]).max()):
            break
    else:
        raise SystemExit(f"{circuit} has not come to rest after {PERIODS:,} periods")
    return np.array([y[n : n + 4] / period, np.sqrt(y[n + 4 :] / period), np.min(seen, axis=0), np.max(seen, axis=0)])


def error(found: np.ndarray, reference: np.ndarray) -> float:
    """Largest difference, as a share of the larger of the value and 1 V or 1 A."""
    return float(np.max(np.abs(found - reference) / np.maximum(np.abs(reference), 1.0)))


def timed(act: Callable[[], Any]) -> tuple[float, Any]:
    begin = time.perf_counter()
    result = act()
    return time.perf_counter() - begin, result


def _in_turn(
    act: Callable[[Chopper], np.ndarray], circuits: list[Chopper], ready: list[Ready]
) -> tuple[float, float, np.ndarray]:
    """Run a yardstick over all circuits, with our whole batch in between, some ten times; give seconds a circuit."""
    slow, ours, results = 0.0, [], []
    for k, circuit in enumerate(circuits):
        if k % max(1, len(circuits) // ROUNDS) == 0:
            ours.append(timed(lambda: [solved(*r) for r in ready])[0])
        seconds, result = timed(lambda c=circuit: act(c))
        slow += seconds
        results.append(result)
    return slow / len(circuits), statistics.median(ours) / len(circuits), np.array(results)


def measure(count: int = 200) -> list[dict[str, Any]]:
    """Measure: rows with what, value, yardstick, ratio, target. Times in s a circuit."""
    circuits = draw(count)
    kinds = [[c for c in circuits if not c.capacitor], [c for c in circuits if c.capacitor]]
    kinds = [k for k in kinds if k]
    ready = [matrices_of(k) for k in kinds]
    found = np.concatenate([solved(*r) for r in ready])
    ordered = [c for k in kinds for c in k]
    slow, spent, exact = _in_turn(by_radau, ordered, ready)
    plain, again, rough = _in_turn(by_expm, ordered, ready)
    worst = error(found, exact)
    return [
        {"what": f"largest difference from Radau, {count} circuits, share of max(value, 1)", "value": worst,
         "yardstick": TARGETS["error"], "ratio": worst / TARGETS["error"], "target": 1.0},
        {"what": "largest difference of the expm loop from Radau", "value": error(rough, exact),
         "yardstick": TARGETS["error"], "ratio": error(rough, exact) / TARGETS["error"], "target": None},
        {"what": "Radau to the steady state, s a circuit, over ours", "value": spent, "yardstick": slow,
         "ratio": slow / spent, "target": TARGETS["Radau"]},
        {"what": "expm loop to the steady state, s a circuit, over ours", "value": again, "yardstick": plain,
         "ratio": plain / again, "target": TARGETS["expm"]},
    ]  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--circuits", type=int, default=200)
    for row in measure(parser.parse_args().circuits):
        print(
            f"{row['what']}: {row['value']:.3g} against {row['yardstick']:.3g}, "
            f"ratio {row['ratio']:.3g} (target {row['target']})"
        )


if __name__ == "__main__":
    main()
