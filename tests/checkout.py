"""What tests share of the checkout around them: its benchmarks as modules, and the readings of a good vehicle."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parents[1]
GOOD = (ROOT / "examples" / "readings" / "good.csv").read_text(encoding="utf-8").partition("\n")[2]
"""The example's readings, from its supply on."""


def load_benchmark(name: str) -> ModuleType:
    """Load a benchmark by its path: the checkout's, wherever the tests run."""
    if str(ROOT) not in sys.path:  # at the end: benchmarks find each other, and a package that is installed stays in front
        sys.path.append(str(ROOT))
    spec = importlib.util.spec_from_file_location(f"{name}_benchmark", ROOT / "benchmarks" / f"{name}.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
