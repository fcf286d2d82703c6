"""Peak memory of a tolerance study, whatever the number of vehicles: each size in a fresh process.

Run: python benchmarks/memory.py [CIRCUIT] [--samples 1000000]

The figure is the most that the whole process ever had resident (`ru_maxrss`), interpreter, libraries and compiling
included, of `circuitsim tolerance CIRCUIT --samples N` on all processors. The yardstick is the smallest size in the
same run: a study in constant memory has ratios of about 1. The process that starts them loads no numpy, since what a
parent has resident can count in its child.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from typing import Any

CIRCUIT = "tractor-cab-fan"
SIZES = (16_384, 262_144, 1_000_000)
TARGET = 400.0
"""Most that the peak may be, MB (10⁶ bytes)."""


def peak(circuit: str, samples: int) -> tuple[float, float]:
    """Run one study in a process of its own; give its peak in MB and the seconds that it took."""
    begin = time.perf_counter()
    command = [sys.executable, "-m", "circuitsim", "tolerance", circuit, "--samples", str(samples), "--format", "json"]
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{' '.join(command)}: exit code {child.returncode}")
    unit = 1 if sys.platform == "darwin" else 1024  # bytes there, kibibytes elsewhere
    return usage.ru_maxrss * unit / 1e6, time.perf_counter() - begin


def measure(samples: int = SIZES[-1], circuit: str = CIRCUIT) -> list[dict[str, Any]]:
    """Measure the peak of each size up to `samples`: rows with what, value (MB), yardstick (MB), ratio, target (MB)."""
    rows: list[dict[str, Any]] = []
    for size in [*(s for s in SIZES if s < samples), samples]:
        value, seconds = peak(circuit, size)
        yardstick = rows[0]["value"] if rows else value
        rows.append(
            {
                "what": f"peak memory of a tolerance study of {circuit}, {size:,} vehicles ({seconds:.0f} s), MB",
                "value": value, "yardstick": yardstick, "ratio": value / yardstick, "target": TARGET,
            }
        )  # fmt: skip
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("circuit", nargs="?", default=CIRCUIT)
    parser.add_argument("--samples", type=int, default=SIZES[-1], help="the largest size; default 1000000")
    options = parser.parse_args()
    for row in measure(options.samples, options.circuit):
        print(f"{row['what']}: {row['value']:.0f} (target {row['target']:.0f}), {row['ratio']:.2f} of the smallest size")


if __name__ == "__main__":
    main()
