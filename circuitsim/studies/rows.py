"""Rows of a chart by a text in their label or leads."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from circuitsim.errors import InputError, nearest, shown

__all__ = ["rows_with"]

_LISTED = 6  # labels in a message
_WHOLE = 80  # characters of one; more is cut


def rows_with(texts: Iterable[str], rows: Sequence[tuple[str, str]]) -> list[bool]:
    """Tell which rows have one of the texts, in any case.

    Parameters
    ----------
    texts
        What to look for; none takes every row.
    rows
        Label and leads of each.

    Raises
    ------
    InputError
        For a text that no row has, with the nearest label, and some of those that there are.
    """
    texts = list(texts)
    names = [f"{label} {leads}".casefold() for label, leads in rows]
    for text in texts:
        if not text.strip() or not any(text.casefold() in name for name in names):
            raise InputError(_no_row(text, list(dict.fromkeys(label for label, _ in rows))), key="rows")
    return [not texts or any(text.casefold() in name for text in texts) for name in names]


def _no_row(text: str, labels: list[str]) -> str:
    close = nearest(text, labels)
    listed = [one for one in labels if one != close][: _LISTED - bool(close)]
    more = len(labels) - len(listed) - bool(close)
    meant = f"did you mean {shown(close, _WHOLE)}? " if close else ""
    some = ", ".join([*(shown(one, _WHOLE) for one in listed), *([f"… and {more} more"] if more else [])])
    others = f"{'others' if close else 'labels'}: {some}" if some else ""
    return f"no row has {shown(text)} in its label or leads; {meant}{others}".rstrip()
