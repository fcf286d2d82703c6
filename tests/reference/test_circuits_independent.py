"""Whole shipped circuits against equations reduced by hand and solved by scipy.

Nothing of the package's physics is used here: resistances are added up along each path, the laws are the sharp ones,
with max() and min() where the package rounds its corners, and scipy finds the root. Only the circuit's numbers (values,
tolerances, step tables) are read from it. Bodies are at the temperature around, as right after switching on.

The package's rule leaves 1e-9 of each value, its rounded corners less than 1e-8 where these circuits work, and brentq
1e-13: with the amplification from currents to small differences of voltages, 1e-6 is a hundred times what is expected.
At `off` the battery carries milliamperes, 0.1 mV over its resistance; there its corner between charging and discharging
is met, which the package rounds over 0.2 mV: with a charging resistance of a dozen times the other the voltage may lie
two or three such widths off, 0.5 mV, a twentieth of a meter's digit.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq, least_squares

import circuitsim as cs
from circuitsim.engine.operating import compile_netlist
from circuitsim.engine.points import Points

Array = NDArray[np.float64]
AGREE = 1e-6
CORNER = 5e-4  # V
COPPER = 0.00393  # 1/K, IEC 60028


class Numbers:
    """One random circuit: its values, and the resistance of each part on a path at the temperature around."""

    def __init__(self, circuit: cs.Circuit, changed: dict[tuple[str, str], float], air: float) -> None:
        self.elements, self.changed, self.air = circuit.net.elements, changed, air

    def __call__(self, element: str, parameter: str) -> float:
        return self.changed.get((element, parameter), self.elements[element].values[parameter])

    def ohms(self, *names: str) -> float:
        return sum(self._ohms(name) for name in names)

    def _ohms(self, name: str) -> float:
        kind, warmer = self.elements[name].kind, self.air - 20.0
        if kind == "wire":
            plain = self(name, "resistivity") * self(name, "length") / (self(name, "area") * self(name, "strands"))
            return plain * (1 + COPPER * warmer)
        if kind == "switch":
            return self(name, "on_resistance") * (1 + 0.0039 * warmer)
        if kind == "thermal-cutout":
            return self(name, "on_resistance")
        if kind in ("ladder", "resistor"):
            return self(name, "resistance")
        return self(name, "resistance") * (1 + self(name, "coefficient") * warmer)

    def battery(self) -> float:
        return self("BAT", "emf") + self("BAT", "temperature_coefficient") * (self.air - 25)

    def motor(self) -> tuple[float, float]:
        """Winding and constant at the temperature around."""
        warmer = self.air - 20.0
        return (
            self("M1", "resistance") * (1 + COPPER * warmer),
            self("M1", "constant") * (1 + self("M1", "magnet_coefficient") * warmer),
        )

    def fan(self) -> float:
        """Torque over speed², N·m·s²/rad²: affinity laws, the duct's restriction on the fan's own curve."""
        free = self("FAN1", "free_delivery") ** -2
        flow = (free + self("FAN1", "restriction") * self("FAN1", "impeller") ** 4 * (1 - free)) ** -0.5
        share = self("FAN1", "shutoff_torque") + (1 - self("FAN1", "shutoff_torque")) * flow
        air = self("FAN1", "density") / 1.2 * 293.15 / (273.15 + self.air)
        return self("FAN1", "torque") * air * self("FAN1", "impeller") ** 5 * share / self("FAN1", "speed") ** 2

    def speed(self, current: float) -> float:
        """The speed at which fan and friction take the motor's torque: a quadratic; none below breakaway."""
        left = self.motor()[1] * current - self("M1", "friction")
        if left <= 0:
            return 0.0
        fan, viscous = self.fan(), self("M1", "viscous")
        return 2 * left / (viscous + np.sqrt(viscous**2 + 4 * fan * left))

    def motor_volts(self, current: float) -> float:
        """Over winding, brushes and back-EMF."""
        winding, constant = self.motor()
        brushes = self("M1", "brush_drop") * np.tanh(current / self("M1", "brush_onset"))
        return winding * current + brushes + constant * self.speed(current)


MOTOR = ("X4.A", "M1.lead+", "M1.crimp+", "M1.choke", "M1.brush+", "M1.brush-", "M1.crimp-", "M1.lead-", "X4.B")
BATTERY_GROUND = ("X0.3", "W9", "G0.eyelet")


def tractor(n: Numbers) -> dict[str, float]:
    """The linear stage: everything follows from the motor's current; one equation is left for that."""
    behind = n("BAT", "resistance") + n.ohms("X0.1", "W1", "X0.2", *BATTERY_GROUND)
    feed = n.ohms("F7.in", "F7", "F7.out", "K1", "X2.1", "W2")
    own_feed = n.ohms("F9.in", "F9", "F9.out", "S1", "X2.2", "W4", "X5.1")
    low, power, signal = n.ohms("W3", "X5.2"), n.ohms("X5.3", "W5"), n.ohms("X5.4", "W6")
    rung = n.ohms("X5.5", "W7", "X6.1", "S2", "X6.2", "W8", "G2.eyelet")
    on = n("U1", "on_resistance") * (1 + n("U1", "on_coefficient") * (n.air - 25))

    def around(current: float) -> dict[str, float]:
        """Supply, grounds and command for a motor current: linear but for the idle current, which is constant awake."""
        idle, shared = n("U1", "quiescent"), n.ohms("G1.eyelet")
        pull, sense = 1 / n("U1", "pull_up"), 1 / n("U1", "input_resistance")
        # Unknowns: own supply s, command c, signal ground g, all against the chassis.
        #   s = E - behind·(I + j) - own_feed·j,  j = idle + pull·(s - c)
        #   c/rung = pull·(s - c) - sense·(c - g);  g = shared·(I + k) + signal·k,  k = idle + sense·(c - g)
        series = behind + own_feed
        matrix = np.array(
            [
                [1 + series * pull, -series * pull, 0.0],
                [-pull, 1 / rung + pull + sense, -sense],
                [0.0, -(shared + signal) * sense, 1 + (shared + signal) * sense],
            ]
        )
        right = [n.battery() - behind * current - series * idle, 0.0, shared * current + (shared + signal) * idle]
        s, c, g = np.linalg.solve(matrix, right)
        j = idle + pull * (s - c)
        ground = g - signal * (idle + sense * (c - g)) + power * current
        return {"s": s, "c": c, "g": g, "box": s + own_feed * j, "ground": ground}

    def stage(current: float, at: dict[str, float]) -> float:
        """Low side against the chassis: gain × command + offset, not below on-resistance × current; off it leaks."""
        level = n("U1", "gain") * (at["c"] - at["g"]) + n("U1", "offset") + at["g"] - at["ground"]
        leak = n("U1", "leakage")
        level = max(level, on * current / (1 + on * leak))
        return at["ground"] + min(level, current / leak)

    def missing(current: float) -> float:
        at = around(current)
        path = feed + n.ohms(*MOTOR) + low
        return at["box"] - path * current - n.motor_volts(current) - stage(current, at)

    current = brentq(missing, 0.0, 200.0, xtol=1e-15, rtol=1e-14)
    at = around(current)
    return {
        "current": current, "speed": n.speed(current), "U1.supply": at["s"], "U1.cmd": at["c"],
        "MOT+": at["box"] - feed * current, "MOT-": stage(current, at) + low * current,
    }  # fmt: skip


def coach(n: Numbers, step: str) -> dict[str, float]:
    """The resistor pack: one loop."""
    to_pack = ("SP1", "X6.4", "TC1")
    ways = {
        "1": (*to_pack, "R3", "R2", "R1", "X6.1", "W4", "X7.1", "S1.1"),
        "2": (*to_pack, "R3", "R2", "X6.2", "W5", "X7.2", "S1.2"),
        "3": (*to_pack, "R3", "X6.3", "W6", "X7.3", "S1.3"),
        "4": ("SP2", "W7", "X7.4", "S1.4"),
    }
    behind = n("BAT", "resistance") + n.ohms("X0.1", "W1", "X0.2", *BATTERY_GROUND)
    feed = n.ohms("F3.in", "F3", "F3.out", "K2", "X2.1", "W2")
    low = n.ohms("W3", *ways[step], "X7.5", "W8", "G1.eyelet")
    ohms = behind + feed + n.ohms(*MOTOR) + low

    def missing(current: float) -> float:
        return n.battery() - ohms * current - n.motor_volts(current)

    current = brentq(missing, 0.0, 1000.0, xtol=1e-15, rtol=1e-14)
    return {
        "current": current, "speed": n.speed(current), "MOT-": low * current,
        "MOT+": n.battery() - (behind + feed) * current,
    }  # fmt: skip


def minibus(n: Numbers) -> dict[str, float]:
    """The chopping stage, averaged: what is off goes round by the diode to the supply pin. Four unknowns."""
    behind = n("BAT", "resistance") + n.ohms("X0.1", "W1", "X0.2", *BATTERY_GROUND)
    behind += n.ohms("F4.in", "F4", "F4.out", "K3", "X2.1", "W2")
    motor_feed, own_feed = n.ohms("SP1", "W3"), n.ohms("SP2", "W4", "X5.1")
    low, power, signal = n.ohms("W5", "X5.2"), n.ohms("X5.3", "W6", "G1.eyelet"), n.ohms("X5.4", "W7", "G2.eyelet")
    duty = n("U2", "duty")
    wires = n.ohms("X5.5", "W8", "X6.1", "X6.2", "W11", "G3.eyelet")
    # Thévenin: with its source held, the line is its wires and the controller's two resistors in parallel, beside the leakage.
    seen = 1 / (1 / (wires + 1 / (1 / n("U1", "pull_up") + 1 / n("U1", "input_resistance"))) + n("U2", "leakage"))
    pulled = duty / ((1 - duty) * seen + n("U2", "on_resistance")) + n("U2", "leakage")
    line = wires + 1 / pulled
    on = n("U1", "on_resistance") * (1 + n("U1", "on_coefficient") * (n.air - 25))

    def at(x: Array) -> tuple[Array, dict[str, float]]:
        """Motor current, own supply, command, signal ground → what is missing in four equations."""
        current, s, c, g = x
        share = min(max(n("U1", "gain") * (1 - (c - g) / (s - g)) + n("U1", "offset"), 0.0), 1.0)
        sensed = (c - g) / n("U1", "input_resistance")
        pull = (s - c) / n("U1", "pull_up")
        # What leaks at the low side goes to power ground whether the switch is on or off.
        ground = 0.0
        for _ in range(12):
            level = (1 - share) * (s + n("U1", "diode_drop") - ground)
            over = share * on + (1 - share) * n("U1", "diode_resistance")
            through = (current - n("U1", "leakage") * level) / (1 + n("U1", "leakage") * over)
            level += over * through
            ground = power * (share * through + n("U1", "leakage") * level)
        drawn = n("U1", "quiescent") + pull - (1 - share) * through
        splice = n.battery() - behind * (current + drawn)
        path = motor_feed + n.ohms(*MOTOR) + low
        gaps = [
            splice - path * current - n.motor_volts(current) - level - ground,
            splice - own_feed * drawn - s,
            line * (pull - sensed) - c,
            signal * (n("U1", "quiescent") + sensed) - g,
        ]
        named = {
            "MOT+": splice - motor_feed * current, "MOT-": level + ground + low * current, "duty": share,
            "F4": current + drawn,
        }  # fmt: skip
        return np.array(gaps), named

    start = np.array([8.0, n.battery(), n.battery() * (1 - duty), 0.0])
    found = least_squares(
        lambda x: at(x)[0], start, x_scale=[1.0, 1.0, 1.0, 1e-3], xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=400
    )
    assert np.abs(found.fun).max() < 1e-11, "scipy must have found it"
    current = float(found.x[0])
    return {
        "current": current,
        "speed": n.speed(current),
        "U1.supply": found.x[1],
        "U1.cmd": found.x[2],
        **at(found.x)[1],
    }


# Random circuits --------------------------------------------------------------------------------------------------


def drawn(circuit: cs.Circuit, step: str, sets: int, rng: np.random.Generator) -> dict[tuple[str, str], Array]:
    """Random values for everything with a tolerance, and the step's own values for what depends on it."""
    k = circuit.step_index(step)
    spread = {
        (name, p): (e.values[p], t) for name, e in circuit.net.elements.items() for p, t in e.tolerances.items()
    }  # fmt: skip
    spread |= {key: (table.values[k], table.tolerances[k]) for key, table in circuit.step_tables.items()}
    found = {}
    for key, (nominal, tolerance) in spread.items():
        if tolerance is None:
            found[key] = np.full(sets, nominal)
        elif tolerance.kind == "lognormal":
            found[key] = nominal * np.exp(tolerance.log_sigma * rng.standard_normal(sets))
        else:
            found[key] = nominal + np.sqrt(3) * tolerance.standard(nominal) * rng.uniform(-1, 1, sets)
    found |= {key: np.ones(sets) for key, condition in circuit.switched.items() if condition == "ignition"}
    return found


def compare(name: str, step: str, by_hand: Callable[[Numbers], dict[str, float]], sets: int, loose: float = 0.0) -> None:
    """Solve the package's batch and each sample by hand, and compare all that the hand gives."""
    circuit = cs.load(name)
    rng = np.random.default_rng([7, circuit.step_index(step)])
    values, air = drawn(circuit, step, sets, rng), rng.uniform(-25.0, 60.0, sets)
    points = Points(compile_netlist(circuit.net).solve(values, ambient=air, frozen=True, size=sets))
    points.require(f"step {step}")
    read = {"current": points.current("M1"), "speed": points.speed("FAN")}
    for k in range(sets):
        one = {key: float(v[k]) for key, v in values.items()}
        for what, expected in by_hand(Numbers(circuit, one, float(air[k]))).items():
            if what not in read:
                read[what] = points.output("U1", what) if what == "duty" else (
                    points.current(what) if what == "F4" else points.voltage(what)
                )  # fmt: skip
            assert read[what][k] == pytest.approx(expected, rel=AGREE, abs=loose), f"{what}, set {k}"


@pytest.mark.parametrize("step", ["off", "1", "2", "3", "4"])
def test_tractor_cab_fan(step: str) -> None:
    """1,000 points: 200 random circuits at each step, each at a temperature of its own."""
    compare("tractor-cab-fan", step, tractor, 200, loose=CORNER if step == "off" else 0.0)


@pytest.mark.parametrize("step", ["1", "2", "3", "4"])
def test_coach_defroster_fan(step: str) -> None:
    """800 points; off, only the leakage of open switches is left of this circuit."""
    compare("coach-defroster-fan", step, lambda n: coach(n, step), 200)


@pytest.mark.parametrize("step", ["1", "2", "3"])
def test_minibus_condenser_fan(step: str) -> None:
    """300 points. The package adds 1 µV to the supply that it divides by: 1e-7 of it."""
    compare("minibus-condenser-fan", step, minibus, 100)
