"""What should the motor's low side read at each step, with the battery as I measured it?

Run: python examples/good_readings.py
"""

import circuitsim as cs

circuit = cs.load("tractor-cab-fan")
chart = cs.predict(circuit, supply="12.3 V", probe="MOT-:GND")

for reading in chart.readings:
    print(f"step {reading.step:>3}: {reading.display:>9}   95 % band {reading.low:.2f} to {reading.high:.2f} V")
