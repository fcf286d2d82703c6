"""Names as people type them: in any case where that leaves one choice, and where to look when a list is long."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from circuitsim.errors import InputError, UnknownNameError

if TYPE_CHECKING:
    from circuitsim.library import Circuit

__all__ = ["as_spelled", "pointing_to_show", "points_of", "spelled"]

_LONG = 12  # names; a message lists no more of them


def spelled(name: str, accepted: Iterable[str]) -> str:
    """Give the accepted name that `name` is in another case; `name` as it is when there is no such one, or two."""
    names = set(accepted)
    alike = [n for n in names if n.casefold() == name.casefold()]
    return alike[0] if name not in names and len(alike) == 1 else name


def points_of(circuit: Circuit) -> set[str]:
    """Give the names of all that a lead can be put on."""
    net = circuit.net
    return {*circuit.probes, *net.nodes(), *net.references(), *net.aliases()}


def as_spelled(circuit: Circuit, given: dict[str, Any]) -> dict[str, Any]:
    """Give the arguments of `predict` with steps, connectors, points, elements and meters spelled as they are called."""
    from circuitsim.measure import METERS

    net, points = circuit.net, points_of(circuit)
    return {
        **given,
        **({"meter": spelled(given["meter"], METERS)} if "meter" in given else {}),
        "step": tuple(spelled(s, circuit.steps) for s in given["step"]),
        "supply_at": spelled(given["supply_at"], (*circuit.steps, "rest")),
        "unplug": tuple(spelled(c, circuit.connectors) for c in given["unplug"]),
        "probe": tuple(_probe(text, points, net.elements) for text in given["probe"]),
        "fit": tuple(_fitted(text, points) for text in given["fit"]),
    }


def _probe(text: str, points: set[str], elements: Iterable[str]) -> str:
    first, colon, second = (part.strip() for part in text.partition(":"))
    if first.casefold() == "at" and first not in points:
        return f"at{colon}{spelled(second, elements)}"
    return f"{spelled(first, points)}{colon}{spelled(second, points)}"


def _fitted(text: str, points: set[str]) -> str:
    kind, *leads = text.split(":")
    return ":".join([kind.lower(), *(spelled(lead, points) for lead in leads)])


@contextmanager
def pointing_to_show(circuit: str) -> Iterator[None]:
    """Let an unknown name of a circuit, of which too many are accepted to list, say which command lists them."""
    try:
        yield
    except UnknownNameError as error:
        if len(error.accepted) <= _LONG:
            raise
        text = f"{error.message}; see 'circuitsim show {circuit}'"
        raise InputError(text, file=error.file, line=error.line, key=error.key) from None
