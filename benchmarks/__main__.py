"""All benchmarks with one command: a table of ratios, each against a yardstick measured in the same run.

Run: python -m benchmarks [NAME …] [--quick]

Each runs in a process of its own, with one BLAS thread. `--quick` takes smaller sizes where that keeps the meaning.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
from pathlib import Path
from typing import Any

QUICK: dict[str, dict[str, Any]] = {
    "startup": {},
    "batches": {"samples": 50_000},
    "networks": {"largest": 10_000},
    "memory": {"samples": 262_144},
    "chopping": {},
    "transients": {},
    "fitting": {"vehicles": 20},
    "dialogue": {"names": ["tractor-cab-fan"], "cases": 4},
    "diagnosis": {"names": ["tractor-cab-fan"], "cases": 30, "others": 20, "outside": 10},
    "posterior": {"cases": 10},
    "outside": {"cases": 6},
    "next_tests": {"cases": 5},
}
"""The benchmarks in their order, and what `--quick` asks of each."""


def machine() -> str:
    """Describe what the figures were measured on."""
    import numpy as np

    cpu = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        named = [row for row in info.read_text().splitlines() if row.startswith("model name")]
        cpu = named[0].partition(":")[2].strip() if named else cpu
    blas = np.show_config(mode="dicts")["Build Dependencies"]["blas"]
    return (
        f"{cpu}, {os.cpu_count()} processors; {platform.system()}, Python {platform.python_version()}, "
        f"numpy {np.__version__} ({blas['name']}), one BLAS thread"
    )


def run(name: str, options: dict[str, Any]) -> list[dict[str, Any]]:
    """Run one benchmark in a process of its own; give its rows."""
    code = f"import json; from benchmarks import {name} as b; print(json.dumps(b.measure(**{options!r})))"
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    here = Path(__file__).resolve().parent.parent
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, cwd=here, env=environment, stdout=subprocess.PIPE, text=True, check=True)
    rows: list[dict[str, Any]] = json.loads(done.stdout.splitlines()[-1])
    return rows


def line(row: dict[str, Any]) -> str:
    """Write a row of the table."""
    target = "" if row.get("target") is None else f"{row['target']:g}"
    ratio = "" if row.get("ratio") is None else f"{row['ratio']:.3g}"
    return f"| {row['what']} | {number(row['value'])} | {number(row.get('yardstick'))} | {ratio} | {target} |"


def number(value: Any) -> str:
    """Write a figure to three digits."""
    return value if isinstance(value, str) else "" if value is None else f"{value:.3g}"


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(QUICK)}; all by default")
    parser.add_argument("--quick", action="store_true", help="smaller sizes")
    options = parser.parse_args()
    if unknown := [name for name in options.names if name not in QUICK]:
        parser.error(f"no benchmark {unknown[0]!r}; there are {', '.join(QUICK)}")
    notes: list[str] = []
    print(machine(), "Times in seconds.", "", sep="\n")
    print("| what | value | yardstick | ratio | target |\n| --- | --- | --- | --- | --- |")
    for name in options.names or QUICK:
        for row in run(name, QUICK[name] if options.quick else {}):
            print(line(row), flush=True)
            if row.get("note") and row["note"] not in notes:
                notes.append(row["note"])
    print("", *notes, sep="\n")


if __name__ == "__main__":
    main()
