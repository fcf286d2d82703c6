"""Before anything loads numpy: one BLAS thread, since matrices here are small and two threads only wait for each other."""

from __future__ import annotations

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
