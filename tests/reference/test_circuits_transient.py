"""A whole circuit followed in time until it rests, by scipy's own integrator and right-hand sides written here.

`tractor-cab-fan` with its engine off: the winding's current, the wheel's speed and the temperature of every wire,
joint, contact, fuse (body and element), winding, case and heat sink, from rest at the temperature around. Nothing of the
package's physics is used; only the circuit's numbers are read from it. What is left after 20,000 s, some sixty of the
longest time constants (300 s, the heat sink of a standing fan), is the package's warm point.

The integrator is asked for 1e-8 of each value; the package's rule leaves 1e-9. Both pass through differences
of voltages a hundred times larger than themselves: 1e-6, and 0.1 mK for temperatures. A stalled shaft of the package's
may creep by 1 mrad/s, 29 µV of back-EMF beside the 1.5 V that drive the current: 2e-5, and of its heat twice that.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

import circuitsim as cs
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.points import Points
from circuitsim.engine.reaching import reach

Array = NDArray[np.float64]
MOTOR = ("X4.A", "M1.lead+", "M1.crimp+", "M1.choke", "M1.brush+", "M1.brush-", "M1.crimp-", "M1.lead-", "X4.B")
PATHS = {
    "battery": ("X0.1", "W1", "X0.2", "X0.3", "W9", "G0.eyelet"),
    "motor": ("F7.in", "F7", "F7.out", "K1", "X2.1", "W2", *MOTOR, "W3", "X5.2", "X5.3", "W5"),
    "own": ("F9.in", "F9", "F9.out", "S1", "X2.2", "W4", "X5.1"),
    "signal": ("X5.4", "W6"),
    "eyelet": ("G1.eyelet",),
    "command": ("X5.5", "W7", "X6.1", "X6.2", "W8", "G2.eyelet"),
}
"""Parts in series, by the current that they share."""
WARMED = [name for path in PATHS.values() for name in path]
LOW = [WARMED.index(name) for name in ("X5.3", "W5")]
FUSES = ["F7", "F9"]
"""Parts that make their heat in an element of its own, which passes it on to the body."""
BODIES = ["U1.body", "M1.winding", "M1.case", *(f"{name}.body" for name in WARMED), *(f"{name}.element" for name in FUSES)]


class Part(NamedTuple):
    """What a part on a path is to current and heat."""

    ohms: float
    coefficient: float
    cooling: float
    capacity: float


class Fan:
    """The circuit at a step, as a right-hand side."""

    def __init__(self, circuit: cs.Circuit, values: dict[tuple[str, str], float], air: float) -> None:
        self.circuit, self.values, self.air = circuit, values, air
        parts = [self.part(name) for name in WARMED]
        self.ohms, self.coefficient, self.cooling, self.capacity = (np.array(column) for column in zip(*parts, strict=True))
        edges = np.cumsum([0, *(len(path) for path in PATHS.values())])
        self.slices = [slice(a, b) for a, b in pairwise(edges.tolist())]

    def n(self, element: str, parameter: str) -> float:
        return self.values.get((element, parameter), self.circuit.net.elements[element].values[parameter])

    def part(self, name: str) -> Part:
        kind = self.circuit.net.elements[name].kind
        if kind == "wire":
            area, length = self.n(name, "area"), self.n(name, "length")
            # Copper: 0.00393 1/K (IEC 60028), 3.45 MJ/(m³·K).
            return Part(self.n(name, "resistivity") * length / area, 0.00393, length / self.n(name, "rise"),
                        3.45e6 * area * length)  # fmt: skip
        loses, stores = 1 / self.n(name, "thermal_resistance"), self.n(name, "heat_capacity")
        if kind == "switch":
            return Part(self.n(name, "on_resistance"), 0.0039, loses, stores)
        return Part(self.n(name, "resistance"), self.n(name, "coefficient"), loses, stores)

    def controller(self, current: float, r: Array, on: float) -> dict[str, float]:
        """Supply, command, grounds and low side for a motor current, by the sharp laws."""
        n, (battery, _, own, signal, eyelet, command) = self.n, (float(r[s].sum()) for s in self.slices)
        power = float(r[LOW].sum())
        rung = command + n("S2", "resistance")
        battery += n("BAT", "resistance")
        emf = n("BAT", "emf") + n("BAT", "temperature_coefficient") * (self.air - 25)
        idle, pull, sense = n("U1", "quiescent"), 1 / n("U1", "pull_up"), 1 / n("U1", "input_resistance")
        matrix = np.array(
            [
                [1 + (battery + own) * pull, -(battery + own) * pull, 0.0],
                [-pull, 1 / rung + pull + sense, -sense],
                [0.0, -(eyelet + signal) * sense, 1 + (eyelet + signal) * sense],
            ]
        )
        given = [emf - battery * current - (battery + own) * idle, 0.0, eyelet * current + (eyelet + signal) * idle]
        s, c, g = np.linalg.solve(matrix, given)
        drawn = idle + pull * (s - c)
        returned = idle + sense * (c - g)
        ground = g - signal * returned + power * current
        target = n("U1", "gain") * (c - g) + n("U1", "offset") + g - ground
        low = max(target, on * current)
        # The leak is some nanosiemens beside amperes, and is left to the current: 1e-8 of it.
        return {
            "s": s, "c": c, "g": g, "ground": ground, "low": low, "drawn": drawn, "returned": returned,
            "box": s + own * drawn, "line": c / rung,
        }  # fmt: skip

    def heat_factor(self, temperature: float | Array, coefficient: float | Array, at: float = 20.0) -> float | Array:
        return 1 + coefficient * (temperature - at)

    def __call__(self, _: float, y: Array) -> Array:
        n, air = self.n, self.air
        current, speed, sink, winding, case = y[:5]
        bodies, elements = np.split(y[5:], [len(WARMED)])
        r = self.ohms * self.heat_factor(bodies, self.coefficient)
        on = n("U1", "on_resistance") * self.heat_factor(sink, n("U1", "on_coefficient"), 25.0)
        at = self.controller(current, r, float(on))
        ohms = n("M1", "resistance") * self.heat_factor(winding, 0.00393)
        constant = n("M1", "constant") * self.heat_factor(case, n("M1", "magnet_coefficient"))
        brush = n("M1", "brush_drop") * np.tanh(current / n("M1", "brush_onset"))
        path = float(r[self.slices[1]].sum()) - float(r[LOW].sum())
        volts = at["box"] - path * current - at["low"] - at["ground"]
        out = np.empty_like(y)
        out[0] = (volts - ohms * current - brush - constant * speed) / n("M1", "inductance")
        drag = n("M1", "friction") + n("M1", "viscous") * speed
        push = constant * current - self.load(speed) - n("M1", "viscous") * speed
        holds = speed <= 0 and push <= n("M1", "friction")
        out[1] = 0.0 if holds else (push - n("M1", "friction")) / (n("M1", "inertia") + n("FAN1", "inertia"))
        supplied = at["s"] * at["drawn"] - at["c"] * at["line"] - at["g"] * at["returned"] + at["low"] * current
        cooling = n("U1", "still_cooling") + n("U1", "forced_cooling") * speed / n("U1", "reference_speed")
        out[2] = (supplied - cooling * (sink - air)) / n("U1", "heat_capacity")
        over = (winding - case) / n("M1", "winding_resistance_heat")
        out[3] = ((ohms * current + brush) * current - over) / n("M1", "winding_heat_capacity")
        loss = (case - air) / n("M1", "case_resistance_heat")
        out[4] = (over + drag * speed - loss) / n("M1", "case_heat_capacity")
        through = np.concatenate(
            [
                np.full(s.stop - s.start, amps)
                for s, amps in zip(
                    self.slices,
                    (current + at["drawn"], current, at["drawn"], at["returned"], current + at["returned"], at["line"]),
                    strict=True,
                )
            ]
        )
        heat, fuses = through**2 * r, [WARMED.index(name) for name in FUSES]
        passed = (elements - bodies[fuses]) / np.array([n(name, "element_resistance") for name in FUSES])
        out[5 + len(WARMED) :] = (heat[fuses] - passed) / np.array([n(name, "element_capacity") for name in FUSES])
        heat[fuses] = passed
        out[5 : 5 + len(WARMED)] = (heat - self.cooling * (bodies - air)) / self.capacity
        return out

    def load(self, speed: float) -> float:
        """The fan's torque: affinity laws, on its own curve at the given restriction."""
        n = self.n
        free = n("FAN1", "free_delivery") ** -2
        flow = (free + n("FAN1", "restriction") * n("FAN1", "impeller") ** 4 * (1 - free)) ** -0.5
        share = n("FAN1", "shutoff_torque") + (1 - n("FAN1", "shutoff_torque")) * flow
        density = n("FAN1", "density") / 1.2 * 293.15 / (273.15 + self.air)
        ratio = speed / n("FAN1", "speed")
        return n("FAN1", "torque") * density * n("FAN1", "impeller") ** 5 * share * ratio * abs(ratio)

    def rest(self) -> Array:
        """No current, no speed, all bodies at the temperature around."""
        return np.array([0.0, 0.0, *[self.air] * len(BODIES)])

    def settled(self) -> Array:
        found = solve_ivp(self, (0.0, 2e4), self.rest(), method="BDF", rtol=1e-8, atol=1e-9)
        assert found.success
        return np.asarray(found.y[:, -1])


def cases() -> list[tuple[str, dict[tuple[str, str], float], float, bool]]:
    """Nine that run, at random within a fifth of nominal, and one that stalls on a weak battery."""
    rng = np.random.default_rng(5)
    circuit = cs.load("tractor-cab-fan")
    rungs = dict(zip(circuit.steps, circuit.step_tables["S2", "resistance"].values, strict=True))
    found: list[tuple[str, dict[tuple[str, str], float], float, bool]] = []
    for step in ("1", "2", "3", "4", "1", "2", "3", "4", "3"):
        loose = [
            ("M1", "resistance"),
            ("M1", "constant"),
            ("FAN1", "torque"),
            ("X5.2", "resistance"),
            ("U1", "still_cooling"),
        ]
        values = {key: circuit.net.elements[key[0]].values[key[1]] * rng.uniform(0.8, 1.2) for key in loose}
        found.append((step, values | {("S2", "resistance"): rungs[step]}, float(rng.uniform(-20, 45)), False))
    # 6.5 V is enough to wake the stage, not to turn a dragging motor; what it heats stays within all ranges.
    weak = {("BAT", "emf"): 6.5, ("M1", "friction"): 1.0, ("S2", "resistance"): rungs["1"]}
    return [*found, ("1", weak, 20.0, True)]


@pytest.mark.parametrize(("step", "values", "air", "stalls"), cases())
def test_the_warm_point_is_where_time_leads(step: str, values: dict[tuple[str, str], float], air: float, stalls: bool) -> None:
    circuit = cs.load("tractor-cab-fan")
    on = {key: 1.0 for key, condition in circuit.switched.items() if condition == "ignition"}
    points = Points(compile_netlist(circuit.net).solve({**on, **values}, ambient=air, size=1))
    assert points.verdicts == ("stalled",) if stalls else ("running",)
    y = Fan(circuit, values, air).settled()
    agree = 2e-5 if stalls else 1e-6
    assert points.current("M1")[0] == pytest.approx(y[0], rel=agree)
    assert points.speed("FAN")[0] == pytest.approx(y[1], rel=1e-6)
    for body, expected in zip(BODIES, y[2:], strict=True):
        assert points.temperature(body)[0] == pytest.approx(expected, abs=1e-4, rel=2 * agree), body


@pytest.mark.parametrize(("step", "seconds"), [("2", 0.3), ("4", 20.0), ("3", 120.0)])
def test_the_state_after_a_time_is_where_time_leads_till_then(step: str, seconds: float) -> None:
    """The package's course from key-on against scipy's Radau at 1e-9.

    The equations here leave out the stage's current limit, so that it is lifted; they hold the shaft until breakaway, while
    the package's creeps by a milliradian a second, and bend corners that theirs round off over millivolts: 2e-5 of each
    value while it runs up, 1 mK at all times.
    """
    circuit = cs.load("tractor-cab-fan")
    rungs = dict(zip(circuit.steps, circuit.step_tables["S2", "resistance"].values, strict=True))
    values = {("S2", "resistance"): rungs[step], ("U1", "current_limit"): 500.0}
    on = {key: 1.0 for key, condition in circuit.switched.items() if condition == "ignition"}
    points = Points(reach(compile_netlist(circuit.net), {**on, **values}, seconds))
    fan = Fan(circuit, values, 20.0)
    found = solve_ivp(fan, (0.0, seconds), fan.rest(), method="Radau", rtol=1e-9, atol=1e-9)
    assert found.success
    y = found.y[:, -1]
    assert points.current("M1")[0] == pytest.approx(y[0], rel=2e-5)
    assert points.speed("FAN")[0] == pytest.approx(y[1], rel=2e-5)
    far = [abs(float(points.temperature(b)[0]) - t) for b, t in zip(BODIES, y[2:], strict=True)]
    assert max(far) < 1e-3
