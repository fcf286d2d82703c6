"""What does a connector that ages from 2 to 200 mΩ do to the motor, and how hot does it get?

Run: python examples/corroded_connector.py
"""

import numpy as np

import circuitsim as cs
from circuitsim.measure import Conditions, make_bench
from circuitsim.measure.readings import step_values
from circuitsim.quantities import format_quantity

circuit = cs.load("tractor-cab-fan")
resistances = np.array([0.002, 0.005, 0.01, 0.02, 0.04, 0.08, 0.15, 0.2])
fastest = circuit.steps[-1]

values = step_values(circuit, [(fastest, Conditions())] * resistances.size)
values["X4.A", "resistance"] = resistances
points = cs.solve_batch(make_bench(circuit).net, values)

print(f"{circuit.name}, step {fastest}, warm: pin X4.A ages")
print("'runs away': the pin is past what it stands; the figures there are those of the laws, if nothing melted")
print("   pin        drop   motor current    pin temperature   verdict")
for k, resistance in enumerate(resistances):
    drop = points.voltage("X4.A/harness", "X4.A/part")[k]
    current, heat = points.current("M1")[k], points.temperature("X4.A.body")[k]
    print(
        f"{format_quantity(resistance, 'Ω'):>7} {format_quantity(drop, 'V'):>10} {format_quantity(current, 'A'):>13} "
        f"{format_quantity(heat, '°C'):>16}    {points.verdicts[k]}"
    )
