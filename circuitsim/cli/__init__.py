"""The command line: parse, call, print. Only click and the standard library load before a command runs."""

from __future__ import annotations

__all__ = ["main"]


def main() -> None:
    """Run the command line on the arguments of this process, and leave with its exit code."""
    from circuitsim.cli.app import program

    program()
