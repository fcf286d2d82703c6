"""The reduced unknowns of a circuit: chains of two-terminal elements become one current each.

What is left to find is the current of each chain, the nodes that chains meet at, and what belongs to elements with no
current form (motor, controller, battery). Nodes inside a chain, and bodies that only their own current warms, follow
from the chain's current.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from circuitsim.engine.elimination import Plan
from circuitsim.engine.series import Form, form_of
from circuitsim.engine.system import Evaluator, Group

__all__ = ["Chain", "Member", "Reduction"]


@dataclass(frozen=True)
class Member:
    """One element of a chain: its group and place in it; sign: +1 when walked from its first end to its second.

    closed: its bodies' temperatures are put in; conductance: the least of the cold element at the nominal points, S.
    """

    group: int
    element: int
    sign: int
    form: Form
    closed: bool
    conductance: float


@dataclass(frozen=True)
class Chain:
    """Elements in a row, with the rows of x at their joints: one more than elements, the two outer ones first and last.

    weakest: place of the member with the largest resistance; the sums of drops from both sides meet there, where what
    is left of the chain's balance does least harm to the balances of the nodes.
    """

    members: tuple[Member, ...]
    joints: tuple[int, ...]

    @property
    def weakest(self) -> int:
        """Give the place of the member with the least conductance."""
        return min(range(len(self.members)), key=lambda k: self.members[k].conductance)


class Reduction:
    """Which rows of x are found by elimination (`kept`), which follow from chains, and which elements are in chains.

    `laws` holds the parameters of the nominal points: a switch that is open at one of them is its chain's weakest member.
    Unknown k of the reduced system is x[kept[k]], then come the chains' currents.
    """

    def __init__(self, plan: Plan, laws: Evaluator) -> None:
        self.plan, self.system = plan, plan.system
        self._free = {*plan.free.tolist()}
        self._users = self._incidences()
        candidates = self._candidates(laws)
        self.chains = tuple(c for c in self._walk(candidates) if len(c.members) > 1 or c.members[0].closed)
        self.in_chains = {(m.group, m.element) for c in self.chains for m in c.members}
        inner = {row for c in self.chains for row in c.joints[1:-1]}
        bodies = {row for c in self.chains for m in c.members if m.closed for row in self.bodies(m).values()}
        self.kept = tuple(row for row in plan.free.tolist() if row not in inner | bodies)
        self.size = len(self.kept) + len(self.chains)

    def group(self, m: Member) -> Group:
        """Give the group of a member."""
        return self.system.groups[m.group]

    def row(self, m: Member, variable: str) -> int:
        """Give the row of x that a variable of a member reads."""
        group = self.group(m)
        return int(group.reads[group.statement.variables.index(variable), m.element])

    def bodies(self, m: Member) -> dict[str, int]:
        """Give the rows of the temperatures of a closed member, by terminal."""
        return {name: self.row(m, name) for name in m.form.bodies}

    @cached_property
    def pairs(self) -> list[int]:
        """Pair each reduced balance with the reduced unknown it is solved for."""
        place = {row: k for k, row in enumerate(self.kept)}
        found = [place.get(self.system.pivots[row], k) for k, row in enumerate(self.kept)]
        return [*found, *range(len(self.kept), self.size)]

    @cached_property
    def first(self) -> set[int]:
        """Unknowns of elements' own and of chains: their own slope is never zero, or they give a node's."""
        nodes = sum(":" not in name for name in self.system.variables)
        return {k for k, row in enumerate(self.kept) if row >= nodes} | set(range(len(self.kept), self.size))

    def _incidences(self) -> dict[int, list[tuple[int, int, str]]]:
        found: dict[int, list[tuple[int, int, str]]] = {}
        for g, group in enumerate(self.system.groups):
            for v, name in enumerate(group.statement.variables):
                for e, row in enumerate(group.reads[v].tolist()):
                    found.setdefault(row, []).append((g, e, name))
        return found

    def _candidates(self, laws: Evaluator) -> dict[tuple[int, int], Member]:
        """Give every element that has a current form, walked from its first end."""
        _, slopes = laws(self.system.rest(np.full(laws.size, 20.0)))
        found = {}
        for g, group in enumerate(self.system.groups):
            form, ends = form_of(group.statement.element), group.statement.element.ends
            if not form.there or ends is None:
                continue
            rows, variables = group.statement.rows, group.statement.variables
            at = group.statement.jacobian.index((rows.index(ends[0]), variables.index(ends[0])))
            cold = slopes[self.system.jac_blocks[g]].reshape(-1, len(group.names), laws.size)[at].min(axis=1)
            # What carries nothing at all somewhere, such as a meter that is not connected there, has no drop by current.
            for e in np.flatnonzero(cold > 0.0).tolist():
                member = Member(g, e, 1, form, False, float(cold[e]))
                found[g, e] = Member(g, e, 1, form, self._closes(member), float(cold[e]))
        return found

    def _closes(self, m: Member) -> bool:
        """Whether the member's temperatures are its own affair: free bodies of its own, all else that it sees given."""
        if not m.form.bodies:
            return False
        ends = self.group(m).statement.element.ends or ()
        others = [v for v in self.group(m).statement.variables if v not in (*ends, *m.form.bodies)]
        alone = all(body in self._free and len(self._users[body]) == 1 for body in self.bodies(m).values())
        return alone and not any(self.row(m, v) in self._free for v in others)

    def _ends(self, m: Member) -> tuple[int, int]:
        a, b = self.group(m).statement.element.ends or ("", "")
        return self.row(m, a), self.row(m, b)

    def _walk(self, candidates: dict[tuple[int, int], Member]) -> list[Chain]:
        """Join candidates at nodes that only two of them share."""

        def inner(row: int) -> bool:
            users = self._users[row]
            both = len(users) == 2 and users[0][:2] != users[1][:2]
            return both and row in self._free and all(u[:2] in candidates for u in users)

        def grow(member: Member, row: int, forward: bool) -> list[tuple[Member, int]]:
            """Give the members beyond `row`, each with the joint at its far side."""
            found = []
            while inner(row) and left:
                g, e, _ = next(u for u in self._users[row] if u[:2] != (member.group, member.element))
                if (g, e) not in left:
                    break
                left.discard((g, e))
                a, b = self._ends(candidates[g, e])
                ahead = a == row
                c = candidates[g, e]
                sign = 1 if ahead == forward else -1
                member, row = Member(g, e, sign, c.form, c.closed, c.conductance), b if ahead else a
                found.append((member, row))
            return found

        left = set(candidates)
        chains = []
        while left:
            at = min(left)
            left.discard(at)
            a, b = self._ends(candidates[at])
            after, before = grow(candidates[at], b, True), grow(candidates[at], a, False)
            members = [m for m, _ in reversed(before)] + [candidates[at]] + [m for m, _ in after]
            joints = [row for _, row in reversed(before)] + [a, b] + [row for _, row in after]
            chains.append(Chain(tuple(members), tuple(joints)))
        return chains
