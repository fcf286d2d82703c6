"""The command line: parse, call, print. Only click and the standard library load before a command runs."""

from __future__ import annotations

__all__ = ["main"]


def main() -> None:
    """Run the command line on the arguments of this process, and leave with its exit code."""
    import atexit
    import gc
    import os

    # Modules and circuits stay until the end: searching them for garbage, again and again and once more on leaving, takes a
    # tenth of a chart's time. Long work still searches, every hundred thousand objects.
    gc.set_threshold(100_000, 20, 20)
    atexit.register(gc.freeze)
    # All linear algebra here is of many small matrices, which threads only get in the way of, badly so on a busy machine.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from circuitsim.cli.app import program

    program()
