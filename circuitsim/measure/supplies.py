"""From the battery voltage that a technician measured to the supply in the model."""

from __future__ import annotations

import numpy as np

from circuitsim.engine.operating import compile_netlist
from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit
from circuitsim.measure.conditions import Conditions, make_bench
from circuitsim.measure.meters import Meter
from circuitsim.measure.readings import step_values
from circuitsim.measure.states import points_since
from circuitsim.quantities import Tolerance, format_quantity

__all__ = ["fitted_supply"]

_CLOSE = 1e-7  # V


def fitted_supply(
    circuit: Circuit, conditions: Conditions, meter: Meter
) -> tuple[dict[tuple[str, str], float], dict[tuple[str, str], Tolerance]]:
    """Find the battery's rest voltage (engine running: the regulator's) that gives the measured voltage at the posts.

    The voltage counts as measured on the plugged circuit at `conditions.supply_at`. Returns the parameters to set,
    and their tolerances: the meter's error in place of the part's own.

    Raises
    ------
    InputError
        When no setting gives that voltage, or the point at which it was measured is no reading.
    """
    if conditions.supply is None:
        return {}, {}
    at_rest = conditions.supply_at == "rest"
    running = conditions.engine == "running" and circuit.supply.alternator is not None and not at_rest
    key = (str(circuit.supply.alternator), "regulated") if running else (circuit.supply.battery, "emf")
    fixed: dict[tuple[str, str], float] = {}
    battery = circuit.net.elements[circuit.supply.battery]
    if running:
        # A battery above the measured voltage would hold it up: it is then as flat as that voltage says.
        fixed[circuit.supply.battery, "emf"] = min(battery.values["emf"], max(conditions.supply - 0.3, 0.0))
    state = conditions.but(unplugged=(), fitted=())
    if at_rest:
        state = state.but(ignition="off", engine="off")
    step = circuit.steps[0] if at_rest else conditions.supply_at
    setting = _settle(circuit, state, step, key, fixed, conditions.supply)
    tolerance = Tolerance("uniform", meter.limit(conditions.supply, "V"))
    return {**fixed, key: setting}, {key: tolerance, **{k: Tolerance("uniform", 0.0) for k in fixed}}


def _settle(
    circuit: Circuit,
    state: Conditions,
    step: str,
    key: tuple[str, str],
    fixed: dict[tuple[str, str], float],
    wanted: float,
) -> float:
    """Move the setting by what is missing until the posts show the wanted voltage (slope about one)."""
    compiled = compile_netlist(make_bench(circuit).net)
    values = {**step_values(circuit, [(step, state)]), **{k: np.array([v]) for k, v in fixed.items()}}
    setting = wanted
    for _ in range(30):
        values[key] = np.array([max(setting, 0.0)])
        points = points_since(compiled, values, state.since, ambient=state.ambient, size=1)
        points.require(f"battery measured {format_quantity(wanted, 'V')}")
        if not points.valid[0]:
            raise InputError(
                f"{format_quantity(wanted, 'V', 4)} can't have been measured at step {step} with the parts as they "
                f"are: {points.verdicts[0]}", key="supply",
            )  # fmt: skip
        missing = wanted - float(points.voltage(circuit.supply.plus, circuit.supply.minus)[0])
        if abs(missing) < _CLOSE:
            return setting
        setting += missing
    raise InputError(
        f"{format_quantity(wanted, 'V', 4)} can't be reached with the engine {state.engine}: "
        f"the posts stay at {format_quantity(wanted - missing, 'V', 4)}", key="supply",
    )  # fmt: skip
