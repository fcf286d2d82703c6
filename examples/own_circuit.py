"""How do I build a circuit of my own and look at any point of it?

Run: python examples/own_circuit.py
"""

import circuitsim as cs

net = cs.Netlist("barrow sprayer pump")
net.chain(
    "GND",
    cs.Battery("BAT", emf="12.6 V", resistance="12 mΩ"),
    "BAT+",
    cs.Fuse("F1", rating="15 A"),
    cs.Wire("W1", area="1.5 mm²", length="2.2 m"),
    cs.Contact("X1.1", resistance="4 mΩ"),
    "PUMP+",
)
net.add(cs.Motor("M1", plus="PUMP+", minus="PUMP-", shaft="S", resistance="0.4 Ω", constant="0.03 V·s/rad"))
net.add(cs.ConstantTorque("PUMP", shaft="S", torque="0.15 N·m"))
net.chain("PUMP-", cs.Wire("W2", area="1.5 mm²", length="1.0 m"), cs.Contact("G1", resistance="2 mΩ"), "GND")

point = cs.solve(net)
print(f"{net.name}: {point.verdict}, {point.current('M1'):.2f} A, {point.speed('S') * 30 / 3.14159:.0f} rpm")
print(f"feed path, in order: {' '.join(net.path('BAT+', 'PUMP+'))}")
for element in net.path("BAT+", "PUMP+"):
    drop = point.voltage(f"{element}/in", f"{element}/out")
    print(f"  {element:<5} {1000 * drop:6.1f} mV   {point.temperature(f'{element}.body'):5.1f} °C")
