"""Cautions below a report: what to take care of, under one heading."""

from __future__ import annotations

from collections.abc import Sequence

from circuitsim.report.markdown import escaped
from circuitsim.report.typeset import Line, clean, line, wrap

__all__ = ["care", "care_markdown"]


def care(cautions: Sequence[str], width: int | None) -> list[Line]:
    """Give cautions under their heading, after an empty line; nothing for none."""
    if not cautions:
        return []
    found: list[Line] = [(), line("Take care", "heading")]
    return found + [line(text, "caution") for c in cautions for text in wrap(clean(f"- {c}"), width, "  ")]


def care_markdown(cautions: Sequence[str]) -> list[str]:
    """Give cautions under their heading, as parts of a page of Markdown."""
    return ["## Take care", "\n".join(f"- {escaped(clean(c))}" for c in cautions)] if cautions else []
