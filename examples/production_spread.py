"""How far do good motors' currents spread, and which parts are to blame? Work shared by two processes.

Any executor will do: with dask installed, `Client(LocalCluster()).get_executor()` spreads the same work over a cluster,
and the numbers are the same to the last bit.
"""

from concurrent.futures import ProcessPoolExecutor

import circuitsim as cs


def main() -> None:
    with ProcessPoolExecutor(2) as pool:
        report = cs.tolerance("tractor-cab-fan", samples=8192, rows="motor current", step=["1", "4"], executor=pool)
    print(f"{report.samples} vehicles of {report.circuit}")
    for s in report.spreads:
        print(
            f"step {s.step}: 95 % between {s.low:.2f} and {s.high:.2f} A; corners {s.corner_low:.2f} and {s.corner_high:.2f} A"
        )
        print("   moved by " + ", ".join(f"{what} ({share:.0%})" for what, share in s.shares[:3]))


if __name__ == "__main__":  # process pools import this file anew in each process
    main()
