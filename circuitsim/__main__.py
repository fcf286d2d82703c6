"""``python -m circuitsim``: the command line."""

from __future__ import annotations

from circuitsim.cli import main

if __name__ == "__main__":
    main()
