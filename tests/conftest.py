"""Before anything loads the package: one BLAS thread, and a cache of the tests' own.

Matrices here are small, and two threads only wait for each other. The cache lies in a folder that all processes of a run
share and that goes with it, so that no test depends on, or leaves anything in, the user's own.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from typing import Any

import pytest
from hypothesis import settings

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

if "PYTEST_XDIST_WORKER" not in os.environ:  # a worker has the folder from the process that started it
    os.environ["CIRCUITSIM_CACHE"] = tempfile.mkdtemp(prefix="circuitsim-tests-")
    atexit.register(shutil.rmtree, os.environ["CIRCUITSIM_CACHE"], ignore_errors=True)

settings.register_profile("any machine", deadline=None)  # no test asserts a time
settings.load_profile("any machine")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: Any, log: Any) -> Any:
    """With `-n 2` alone, neighbours stay on one worker; who has none left takes half of what another still has.

    Modules keep charts, tables of faults and courses that several of their tests look at: dealt out in turn they are computed
    on every worker. This stands here, not in pytest's options, so that nobody needs pytest-xdist who does not ask for it.
    """
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log) if config.getoption("dist") == "load" else None
