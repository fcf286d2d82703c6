"""What a chart costs as a whole process, from the second run on, against loading numpy and scipy's linear algebra.

Run: python benchmarks/startup.py [CIRCUIT] [--rounds 9]

Both sides are fresh processes of this interpreter with one BLAS thread, run in turn; medians. Both find their modules
compiled, as an installation has them: byte code goes into a folder of this run's own, so that it does not matter whether
the environment forbids writing it beside the sources. The cache is this run's own too; a run that fills both comes first.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROUNDS = 9
TARGET = 1.2
YARDSTICK = "import numpy, scipy.linalg"


def environment(folder: str) -> dict[str, str]:
    """Give the environment of both sides."""
    mine = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return mine | {
        "OPENBLAS_NUM_THREADS": "1", "PYTHONPYCACHEPREFIX": str(Path(folder) / "bytecode"),
        "CIRCUITSIM_CACHE": str(Path(folder) / "cache"),
    }  # fmt: skip


def run(words: list[str], env: dict[str, str]) -> float:
    """Run a command and give the seconds it took, from before its process starts until it has ended."""
    begin = time.perf_counter()
    subprocess.run([sys.executable, *words], env=env, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begin


def measure(circuit: str = "tractor-cab-fan", rounds: int = ROUNDS) -> list[dict[str, Any]]:
    """Measure the second run and its yardstick in turn.

    Returns
    -------
    list of dict
        One row each for the second run and the first: what, value, yardstick (both s), ratio, target (None for none).
    """
    chart, yard = ["-m", "circuitsim", "predict", circuit], ["-c", YARDSTICK]
    with tempfile.TemporaryDirectory() as folder:
        env = environment(folder)
        run(["-c", "import sympy, scipy.linalg, pydantic, networkx, circuitsim.cli.app"], env)  # compiled once
        run(chart, env | {"CIRCUITSIM_CACHE": "off"})
        first = run(chart, env)
        run(yard, env)
        pairs = [(run(chart, env), run(yard, env)) for _ in range(rounds)]
    value, yardstick = (statistics.median(p[k] for p in pairs) for k in (0, 1))
    return [
        _row(f"predict {circuit}, second run on, whole process", value, yardstick, TARGET),
        _row(f"predict {circuit}, first run (cache empty), once", first, yardstick, None),
    ]


def _row(what: str, value: float, yardstick: float, target: float | None) -> dict[str, Any]:
    return {"what": what, "value": value, "yardstick": yardstick, "ratio": value / yardstick, "target": target}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("circuit", nargs="?", default="tractor-cab-fan")
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    options = parser.parse_args()
    print(f"{platform.machine()}, {os.cpu_count()} processors, Python {platform.python_version()}; yardstick: {YARDSTICK}")
    for row in measure(options.circuit, options.rounds):
        target = "" if row["target"] is None else f"   (target: at most {row['target']})"
        print(f"{row['what']:52} {row['value']:6.3f} s / {row['yardstick']:6.3f} s = {row['ratio']:6.2f}{target}")


if __name__ == "__main__":
    main()
