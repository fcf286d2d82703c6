"""Lists of names with their titles."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from circuitsim.report.typeset import Line, Span, cells, clean, line, pad, wrap

__all__ = ["listing"]

_GAP = "  "


def listing(groups: Mapping[str, Sequence[tuple[str, str]]], width: int | None = None) -> list[Line]:
    """Give the lines of groups of (name, title), one line each unless it is wider than `width`."""
    clear = {heading: [(clean(name), clean(title)) for name, title in rows] for heading, rows in groups.items()}
    longest = max((cells(name) for rows in clear.values() for name, _ in rows), default=0)
    taken = longest + 2 * len(_GAP)
    found: list[Line] = []
    for heading, rows in clear.items():
        found += [*([()] if found else []), line(heading, "heading")]
        for name, title in rows:
            texts = wrap(title, None if width is None else max(width - taken, 20)) or [""]
            found.append((Span(_GAP + pad(name, longest), "label"), Span(_GAP + texts[0])))
            found += [line(" " * taken + text) for text in texts[1:]]
    return found
