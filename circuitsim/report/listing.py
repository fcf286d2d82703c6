"""Lists of names with their titles."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from circuitsim.library import Circuit
from circuitsim.quantities import format_quantity
from circuitsim.report.typeset import Line, Span, cells, clean, line, pad, wrap

__all__ = ["listing", "long_title"]

_GAP = "  "


def listing(groups: Mapping[str, Sequence[tuple[str, str]]], width: int | None = None, *, cut: bool = False) -> list[Line]:
    """Give the lines of groups of (name, title), one line each unless it is wider than `width`.

    cut: whether a title that is too wide ends in '…' in place of going on in another line.
    """
    clear = {heading: [(clean(name), clean(title)) for name, title in rows] for heading, rows in groups.items()}
    longest = max((cells(name) for rows in clear.values() for name, _ in rows), default=0)
    taken = longest + 2 * len(_GAP)
    found: list[Line] = []
    for heading, rows in clear.items():
        found += [*([()] if found else []), line(heading, "heading")]
        for name, title in rows:
            room = None if width is None else max(width - taken, 20)
            texts = wrap(title, room) or [""]
            if cut and room is not None and len(texts) > 1:
                texts = [wrap(title, room - 1)[0].rstrip(" ,:") + "…"]
            found.append((Span(_GAP + pad(name, longest), "label"), Span(_GAP + texts[0])))
            found += [line(" " * taken + text) for text in texts[1:]]
    return found


def long_title(circuit: Circuit) -> str:
    """Give a circuit's title with its voltage and steps."""
    return f"{circuit.title}; {format_quantity(circuit.nominal, 'V')}, steps {', '.join(circuit.steps)}"
