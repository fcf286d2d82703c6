"""The output stage of the linear controller as a port: low side against power ground, walked by its own unknown."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

import circuitsim as cs
from circuitsim.engine.statement import statement_of

Array = NDArray[np.float64]
# 1 % of what a 10 MΩ meter draws at 12 V: the most that a smooth limit may carry where it should carry nothing.
ERROR_CURRENT = 12e-9


def port(supply: float = 12.6, command: float = 0.0, **values: float) -> tuple[Array, Array]:
    """Voltage over the output and current into it, along its curve; all grounds at 0 V, the body at 25 °C."""
    statement = statement_of(cs.LinearController)
    stage = cs.LinearController(
        "U1", supply="a", low="b", power_ground="GND", signal_ground="GND", command="c", **{"leakage": 0.0} | values
    )
    sizes = np.logspace(-6, 2, 4001)
    drive = np.concatenate([-sizes[::-1], [0.0], sizes])
    fixed = {"supply": supply, "command": command, "body": 25.0, "air": 25.0, "drive": drive, "smooth": 1.0}

    def rows(low: float | Array) -> dict[str, Array]:
        given = fixed | {"low": low}
        inputs = [
            np.broadcast_to(np.asarray(given.get(name, stage.values.get(name, 0.0))), drive.shape) for name in statement.inputs
        ]
        out = np.empty((len(statement.rows), drive.size))
        statement.residual(inputs, out)
        return dict(zip(statement.rows, out, strict=True))

    voltage = -rows(0.0)["drive"]  # the balance is low - f(drive)
    return voltage, rows(voltage)["low"]


STATES: dict[str, dict[str, float]] = {
    "fully on": {"command": -1.0},
    "fully on at command zero": {"command": 0.0},
    "bipolar, fully on": {"command": -1.0, "saturation_voltage": 0.8},
    "barely regulating": {"command": 0.005},
    "regulating low": {"command": 0.3},
    "regulating": {"command": 6.0},
    "off": {"command": 12.6},
    "no supply": {"supply": 0.0},
    "rising command": {"command": 6.0, "gain": -1.0, "offset": 12.0},
    "bypassed": {"command": -1.0, "bypass": 200.0, "bypass_command": 0.5},
}


@pytest.mark.parametrize("state", STATES.values(), ids=STATES.keys())
def test_output_is_monotone(state: dict[str, float]) -> None:
    """Voltage and current both rise along the walk: one current for each voltage, no negative resistance."""
    voltage, current = port(**state)
    # The walk ends at 100 A and 100 V, where a float's rounding is 1e-14.
    assert (np.diff(voltage) >= -1e-13).all()
    assert (np.diff(current) >= -1e-13).all()


@pytest.mark.parametrize("state", STATES.values(), ids=STATES.keys())
def test_output_makes_no_power(state: dict[str, float]) -> None:
    voltage, current = port(**state)
    assert (voltage * current >= -ERROR_CURRENT * np.abs(voltage)).all()


@pytest.mark.parametrize("state", STATES.values(), ids=STATES.keys())
def test_no_voltage_gives_no_current(state: dict[str, float]) -> None:
    voltage, current = port(**state)
    assert abs(np.interp(0.0, voltage, current)) <= ERROR_CURRENT


@pytest.mark.parametrize(("gain", "closed"), [(1.0, True), (-1.0, False)])
def test_bypass_closes_past_its_command(gain: float, closed: bool) -> None:
    """The relay shorts the stage below its command where the command falls, above it where it rises."""
    voltage, current = port(command=0.2, gain=gain, bypass=200.0, bypass_command=0.5)
    at_one_amp = float(np.interp(1.0, current, voltage))
    # 200 S carry one ampere at 5 mV; the stage alone holds 0.2 V, or 20 mΩ·1 A fully on.
    assert (at_one_amp < 0.0055) is closed


def test_gain_of_zero_holds_the_offset() -> None:
    """A stage that ignores its command holds its low side at the offset."""
    voltage, current = port(command=3.0, gain=0.0, offset=2.0)
    assert np.interp(1.0, current, voltage) == pytest.approx(2.0, abs=1e-3)  # a meter's digit on its 20 V range
