"""The resistance that all else shows between the ends of an element whose law asks for it (`Element.seen`), at every point.

The nodes of such an element's line are those that its ends reach along wires and joints (`Element.joins`). With all other
values held (the supply, the two ends of a controller's input, speed, heat), what the line is to the element follows from the
slopes of the laws there: a current put in at one end and taken out at the other lifts the ends apart by R for each ampere.
The element's own part is left out by taking it idle. That is Thévenin's resistance where the line is linear, as wires,
joints, meters and inputs are; of a law that bends it is the one of its tangent.

Being a matter of the line alone, R is known before anything is solved, as closely as the line is linear: so laws are matched
first, and looked at again once a point is found.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Domain
from circuitsim.engine.elimination import Plan
from circuitsim.engine.mixing import Mixing
from circuitsim.engine.newton import Solution, refind
from circuitsim.engine.system import Column, Evaluator, System

__all__ = ["Line", "line_plan", "lines", "matched", "rematched"]

Array = NDArray[np.float64]

_CHUNK = 4096  # samples at a time, whose slopes are to stay in the cache
_ROUNDS = 20  # a linear line takes none, one whose joints warm takes one, one with a lamp or two collectors some five
_SAME = 1e-9  # of a conductance: it has come to rest
_NONE = 1e-12  # S; less than that is rounding beside a joint's thousand siemens, and moves no reading


class Line(NamedTuple):
    """An element that asks for the resistance between its ends: its name, that parameter, the one that idles it, its bounds."""

    element: str
    resistance: Column
    idle: Column
    low: float
    high: float

    def pull(self, plan: Plan, size: int) -> Array:
        """Give a current of 1 A put in at the first end and taken out at the second, by balance of its nodes: (n, batch)."""
        system = plan.system
        e = system.net.elements[self.element]
        out = np.zeros((plan.n, size))
        for terminal, current in zip(e.ends or (), (1.0, -1.0), strict=True):
            at = plan.position[system.index[e.nodes[terminal]]]
            if at >= 0:  # a given node takes it in
                out[at] += current
        return out

    def across(self, plan: Plan, laws: Evaluator, x: Array, *, back: bool = False) -> Array:
        """Give by how much each node of the line is lifted for each ampere, (n, batch), V/A; `back`: by transposed slopes."""
        cells = plan.cells(self.idled(laws)(x)[1])
        pull = self.pull(plan, laws.size)
        return plan.solve_transposed(cells, pull) if back else plan.solve(plan.factor(cells), pull)

    def idled(self, laws: Evaluator) -> Evaluator:
        """Give the laws with the element idle."""
        return laws.with_columns({self.idle: np.zeros(laws.size)})


def lines(system: System) -> list[Line]:
    """List the elements that ask for the resistance between their ends."""
    found = []
    for g, group in enumerate(system.groups):
        kind = group.statement.element
        if kind.seen is not None and kind.ends is not None:
            asked = kind.parameter(kind.seen.resistance)
            resistance, idle = (group.statement.parameters.index(name) for name in (kind.seen.resistance, kind.seen.idle))
            found += [Line(n, (g, resistance, k), (g, idle, k), asked.low, asked.high) for k, n in enumerate(group.names)]
    return found


def line_plan(system: System, element: str) -> Plan:
    """Give the elimination of the nodes of an element's line, made once."""
    kept = system.__dict__.setdefault("_line_plans", {})
    if element not in kept:
        kept[element] = Plan(system, _own_nodes(system, element))
    plan: Plan = kept[element]
    return plan


def _own_nodes(system: System, element: str) -> NDArray[np.bool_]:
    """Find the rows of x that are nodes of the line: from both ends of the element along wires and joints, up to ground."""
    near: dict[str, set[str]] = {}
    for e in system.net.elements.values():
        if e.joins and e.ends:
            a, b = (e.nodes[t] for t in e.ends)
            near.setdefault(a, set()).add(b)
            near.setdefault(b, set()).add(a)
    ends = system.net.elements[element]
    left = [ends.nodes[t] for t in ends.ends or ()]
    given, found = {system.net.ground, Domain.ELECTRICAL.reference}, set()
    while left:
        node = left.pop()
        if node not in found and node not in given:
            found.add(node)
            left += near.get(node, ())
    mask = np.zeros(len(system.index_rows), bool)
    mask[[k for n in found if (k := system.index[n]) < len(system.variables)]] = True
    return mask


def matched(laws: Evaluator, x: Array, columns: NDArray[np.intp] | None = None) -> Evaluator:
    """Give laws with the resistances that are seen at x; themselves where no element asks for one.

    x: (rows of x, batch), or such that column columns[k] of it is for sample k.
    """
    asked = lines(laws.system)
    if not asked or not laws.size:
        return laws
    found: dict[Column, Array] = {line.resistance: np.empty(laws.size) for line in asked}
    for k in range(0, laws.size, _CHUNK):
        piece = slice(k, k + _CHUNK)
        some, at = laws.take(piece), x[:, piece if columns is None else columns[piece]]
        for line in asked:
            found[line.resistance][piece] = _resistance(line, some, at)
    return laws.with_columns(found)


def _resistance(line: Line, laws: Evaluator, x: Array) -> Array:
    """Give what is seen, Ω, within the parameter's range: with nothing on the line it would be infinite."""
    plan = line_plan(laws.system, line.element)
    with np.errstate(all="ignore"):
        ohms = (line.pull(plan, laws.size) * line.across(plan, laws, x)).sum(axis=0)
    return np.clip(np.where(np.isfinite(ohms), ohms, line.high), line.low, line.high)


def rematched(plan: Plan, laws: Evaluator, solution: Solution) -> Evaluator:
    """Match laws at points that were found with them, and find those again whose resistances have moved, in `solution`.

    A sample whose resistances do not come to rest is not accepted any more. Gives the laws that the points are of.
    """
    asked = lines(laws.system)
    if not asked:
        return laws
    tried, seen = _numbers(asked, laws), _numbers(asked, matched(laws, solution.x))
    moving = np.flatnonzero(_apart(tried, seen) & solution.accepted)
    tried, seen = tried[:, moving], seen[:, moving]
    low, high = (np.array([getattr(line, bound) for line in asked])[:, None] for bound in ("low", "high"))
    mixing = Mixing(1.0 + tried)
    for _ in range(_ROUNDS if moving.size else 0):
        tried = np.clip(mixing.next(tried, seen), low, high)
        some = laws.take(moving).with_columns({line.resistance: ohms for line, ohms in zip(asked, tried, strict=True)})
        solution.put(moving, refind(plan, some, solution.x[:, moving]))
        seen = _numbers(asked, matched(some, solution.x[:, moving]))
        if not (_apart(tried, seen) & solution.accepted[moving]).any():
            break
    solution.accepted[moving] &= ~_apart(tried, seen)
    whole = _numbers(asked, laws)
    whole[:, moving] = tried
    return laws.with_columns({line.resistance: ohms for line, ohms in zip(asked, whole, strict=True)}) if moving.size else laws


def _numbers(asked: list[Line], laws: Evaluator) -> Array:
    """Give the resistances that laws have, (lines, batch)."""
    return np.stack([laws.number(line.resistance) for line in asked])


def _apart(tried: Array, seen: Array) -> NDArray[np.bool_]:
    """Say in which samples what is seen differs by more than counts from what was tried, both (lines, batch)."""
    with np.errstate(all="ignore"):
        old, new = 1 / tried, 1 / seen
        return np.asarray((np.abs(new - old) > _SAME * np.abs(old) + _NONE).any(axis=0))
