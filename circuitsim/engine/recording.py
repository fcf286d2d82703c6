"""Records the reduced circuit: laws, chains, elimination and the measures of the acceptance rule, into a `Trace`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import reduce
from typing import Any

from circuitsim.engine.chains import Chain, Member, Reduction
from circuitsim.engine.elimination import eliminate
from circuitsim.engine.newton import CORRECTION, FLOOR
from circuitsim.engine.series import THROUGH, Closed, Ratio, Series, series_of
from circuitsim.engine.tracing import RUN, SETUP, Term, Trace

__all__ = ["GUARD", "Factor", "Recorder", "State"]

GUARD = 0.1
"""Factors that laws keep positive are taken as they stand from here up; below, the sample is refused."""

Cells = dict[tuple[int, int], list[Term]]


@dataclass
class State:
    """The balances and their slopes (unless left out) at one place, as terms; by reduced unknown.

    spread: one a chain, for what follows from its current.
    """

    cells: Cells = field(default_factory=dict)
    sums: dict[int, list[Term]] = field(default_factory=dict)
    spread: list[_Spread] = field(default_factory=list)


@dataclass(frozen=True)
class Factor:
    """An eliminated matrix: by pivot row the inverse of the pivot, what stands beside it, and the shares below it."""

    inverse: dict[int, Term]
    upper: dict[tuple[int, int], Term]
    shares: dict[tuple[int, int], Term]


@dataclass
class _Spread:
    """A chain at work: current, its square; of each member the impedance and its slope by the current's square."""

    current: Term
    square: Term
    impedance: list[Term]
    slope: list[Term]


class Recorder:
    """Records corrections of a reduced system; inputs are x[k] (reduced unknowns), p[…] (parameters), g[…] (given)."""

    def __init__(self, reduction: Reduction, trace: Trace) -> None:
        self.reduction, self.trace, self.system = reduction, trace, reduction.system
        self.place = {row: k for k, row in enumerate(reduction.kept)}
        self.offsets = [0]
        for group in self.system.groups:
            self.offsets.append(self.offsets[-1] + len(group.statement.parameters) * len(group.names))
        n = len(self.system.variables)
        ambient = self.system.index["ambient"] - n
        self.given = {
            row: trace.input(f"g[{row - n if row >= n else ambient}]", SETUP)  # frozen bodies read the ambient's
            for row in range(len(self.system.index_rows)) if row >= n or row not in set(reduction.plan.free.tolist())
        }  # fmt: skip
        self._order: Any = None

    def unknowns(self) -> list[Term]:
        """Give the inputs that stand for the reduced unknowns."""
        return [self.trace.input(f"x[{k}]", RUN) for k in range(self.reduction.size)]

    def moved(self, x: list[Term], steps: list[Term]) -> list[Term]:
        """Record corrected unknowns."""
        return [self.trace.add(a, b) for a, b in zip(x, steps, strict=True)]

    # Balances and slopes --------------------------------------------------------------------------------------

    def assemble(self, x: list[Term], slopes: bool = True) -> State:
        """Record every law where the reduced unknowns are x, with slopes or without."""
        state = State(sums={k: [] for k in range(self.reduction.size)})
        values = {**self.given, **{row: x[k] for row, k in self.place.items()}}
        for g, group in enumerate(self.system.groups):
            for e in range(len(group.names)):
                if (g, e) not in self.reduction.in_chains:
                    self._element(g, e, values, state, slopes)
        for j, chain in enumerate(self.reduction.chains):
            self._chain(len(self.reduction.kept) + j, chain, values, x, state, slopes)
        return state

    def _names(self, g: int, e: int, values: dict[int, Term]) -> dict[str, Term]:
        """Give an element's variables (those known here) and parameters by name."""
        group = self.system.groups[g]
        names: dict[str, Term] = {"smooth": 1.0}
        for v, name in enumerate(group.statement.variables):
            row = int(group.reads[v, e])
            if row in values:
                names[name] = values[row]
        for j, name in enumerate(group.statement.parameters):
            names[name] = self.trace.input(f"p[{self.offsets[g] + j * len(group.names) + e}]", SETUP)
        return names

    def _element(self, g: int, e: int, values: dict[int, Term], state: State, sloped: bool) -> None:
        group = self.system.groups[g]
        names = self._names(g, e, values)
        rows, slopes = group.statement.factored
        for row, expression in enumerate(rows):
            at = self.place.get(int(group.writes[row, e]))
            if at is not None:
                state.sums[at].append(self.trace.expression(expression, names))
        if not sloped:
            return
        for (row, column), slope in zip(group.statement.jacobian, slopes, strict=True):
            at, to = self.place.get(int(group.writes[row, e])), self.place.get(int(group.reads[column, e]))
            if at is not None and to is not None:
                state.cells.setdefault((at, to), []).append(self.trace.expression(slope, names))

    def _chain(
        self, own: int, chain: Chain, values: dict[int, Term], x: list[Term], state: State, sloped: bool
    ) -> None:  # fmt: skip
        t, current = self.trace, x[own]
        spread = _Spread(current, t.product([current, current]), [], [])
        for m in chain.members:
            if m.closed:
                self._closed(m, values, spread, sloped)
            else:
                self._open(own, m, values, spread, state, sloped)
        state.spread.append(spread)
        total = t.sum(spread.impedance)
        start, end = chain.joints[0], chain.joints[-1]
        state.sums[own] += [values[start], t.negative(values[end]), t.negative(t.multiply(current, total))]
        outer = [(self.place[row], sign) for row, sign in ((start, 1.0), (end, -1.0)) if row in self.place]
        for at, sign in outer:
            state.sums[at].append(t.multiply(sign, current))
        if sloped:
            bend = t.multiply(2.0, t.multiply(spread.square, t.sum(spread.slope)))
            state.cells[own, own] = [t.negative(total), t.negative(bend)]
            for at, sign in outer:
                state.cells.setdefault((at, own), []).append(sign)
                state.cells.setdefault((own, at), []).append(sign)

    def _series(self, m: Member) -> Series:
        series = series_of(self.reduction.group(m).statement.element)
        if series is None:
            raise ValueError("the element has no current form")
        return series

    def _closed_form(self, m: Member) -> Closed:
        closed = self._series(m).closed
        if closed is None:
            raise ValueError("the element has no closed form")
        return closed

    def _closed(self, m: Member, values: dict[int, Term], spread: _Spread, sloped: bool) -> None:
        closed = self._closed_form(m)
        names = self._names(m.group, m.element, values)
        value, slope = self.ratio(closed.impedance, names, spread.square, sloped)
        spread.impedance.append(value)
        spread.slope.append(slope)
        for guard in closed.guards:
            self._guard(guard, names, spread.square)
        self.trace.guards.append(self._denominator(closed.impedance, names, spread.square))

    def _guard(self, guard: Ratio, names: dict[str, Term], square: Term) -> None:
        """Ask for a factor to stay positive: a/(1 - b·s) with b >= 0 is at least a while the denominator is positive.

        Where b < 0 the sample is refused (and goes the general way).
        """
        t = self.trace
        if len(guard.above) > 1 or len(guard.below) > 1:
            t.guards.append(self.ratio(guard, names, square, False)[0])
            return
        falling = [t.expression(c, names) for c in guard.below]
        wrong = [t.function("maximum", c, 0.0) if not isinstance(c, float) else max(c, 0.0) for c in falling]
        t.guards.append(t.sum([t.expression(guard.above[0], names), *(t.multiply(-1e30, c) for c in wrong)]))

    def _open(
        self, own: int, m: Member, values: dict[int, Term], spread: _Spread, state: State, sloped: bool
    ) -> None:  # fmt: skip
        t, group = self.trace, self.reduction.group(m)
        series = self._series(m)
        names = self._names(m.group, m.element, values)
        signed = spread.current if m.sign > 0 else t.negative(spread.current)
        names[THROUGH] = signed
        spread.impedance.append(t.expression(series.impedance, names))
        spread.slope.append(0.0)
        writes = {row: self.place.get(int(group.writes[k, m.element])) for k, row in enumerate(group.statement.rows)}
        for row, expression in series.rows.items():
            if (at := writes[row]) is not None:
                state.sums[at].append(t.expression(expression, names))
        if not sloped:
            return
        for variable, slope in series.by_variable.items():
            to = self.place.get(self.reduction.row(m, variable))
            if to is not None:
                moved = t.multiply(spread.current, t.expression(slope, names))
                state.cells.setdefault((own, to), []).append(t.negative(moved))
        for (row, variable), slope in series.slopes.items():
            if (at := writes[row]) is None:
                continue
            if variable == THROUGH:
                state.cells.setdefault((at, own), []).append(t.multiply(float(m.sign), t.expression(slope, names)))
            elif (to := self.place.get(self.reduction.row(m, variable))) is not None:
                state.cells.setdefault((at, to), []).append(t.expression(slope, names))

    def _denominator(self, r: Ratio, names: dict[str, Term], square: Term) -> Term:
        return self.trace.add(1.0, self._polynomial([0.0, *(self.trace.expression(c, names) for c in r.below)], square))

    def _polynomial(self, coefficients: list[Term], s: Term) -> Term:
        total: Term = 0.0
        for c in reversed(coefficients):
            total = self.trace.add(c, self.trace.multiply(total, s))
        return total

    def ratio(self, r: Ratio, names: dict[str, Term], s: Term, sloped: bool = True) -> tuple[Term, Term]:
        """Record a ratio and its slope by s (0 when not asked for)."""
        t = self.trace
        above = [t.expression(c, names) for c in r.above]
        below = [t.expression(c, names) for c in r.below]
        inverse = t.reciprocal(self._denominator(r, names, s))
        value = t.multiply(self._polynomial(above, s), inverse)
        if not sloped:
            return value, 0.0
        up = self._polynomial([t.multiply(float(k), c) for k, c in enumerate(above)][1:], s)
        down = self._polynomial([t.multiply(float(k), c) for k, c in enumerate(below, start=1)], s)
        return value, t.multiply(t.subtract(up, t.multiply(value, down)), inverse)

    # Elimination ----------------------------------------------------------------------------------------------

    def factor(self, state: State) -> Factor:
        """Record the elimination of the slopes.

        Terms of a cell are summed when the cell is first needed, so that what an element's own unknown adds to its
        terminals is joined to that element's slopes before it is spread over the nodes.
        """
        t = self.trace
        if self._order is None:
            self._order = eliminate(sorted(state.cells), self.reduction.pairs, self.reduction.size, self.reduction.first)[1]
        terms = {cell: list(parts) for cell, parts in state.cells.items()}
        done = Factor({}, {}, {})
        for r, c, below, beside in self._order:
            for j in beside:
                done.upper[r, j] = t.sum(terms.get((r, j), []))
            done.inverse[r] = t.reciprocal(t.sum(terms[r, c]))
            for i in below:
                share = done.shares[i, r] = t.multiply(t.sum(terms[i, c]), done.inverse[r])
                for j in beside:
                    terms.setdefault((i, j), []).append(t.negative(t.multiply(share, done.upper[r, j])))
        return done

    def corrections(self, factor: Factor, state: State) -> list[Term]:
        """Record the corrections of the reduced unknowns, -A⁻¹·F, with the slopes of one place and the balances of another."""
        t = self.trace
        right = {k: [t.negative(b) for b in parts] for k, parts in state.sums.items()}
        row_of: dict[int, Term] = {}
        for r, _, below, _ in self._order:
            row_of[r] = t.sum(right[r])
            for i in below:
                right[i].append(t.negative(t.multiply(factor.shares[i, r], row_of[r])))
        steps: dict[int, Term] = {}
        for r, c, _, beside in reversed(self._order):
            rest = self._substituted(row_of[r], [(factor.upper[r, j], steps[j]) for j in beside])
            steps[c] = t.multiply(rest, factor.inverse[r])
        return [steps[k] for k in range(self.reduction.size)]

    def _substituted(self, right: Term, parts: list[tuple[Term, Term]]) -> Term:
        """Give right - Σ slope·step; opposite slopes share one product with the difference of their steps."""
        t = self.trace
        joined: dict[Any, Term] = {}
        for slope, step in parts:
            key = slope if isinstance(slope, float) else slope[1]
            signed = step if isinstance(slope, float) or slope[0] > 0 else t.negative(step)
            joined[key] = t.add(joined[key], signed) if key in joined else signed
        for key, step in joined.items():
            right = t.subtract(right, t.multiply(key if isinstance(key, float) else (1, key), step))
        return right

    # What follows from the reduced unknowns -------------------------------------------------------------------

    def rows(self, x: list[Term], state: State) -> dict[int, Term]:
        """Give the value at `state` of every row of x."""
        t = self.trace
        value = {**self.given, **{row: x[k] for row, k in self.place.items()}}
        for chain, spread in zip(self.reduction.chains, state.spread, strict=True):
            # The drops are summed from both ends up to the weakest member.
            count = len(chain.members)
            walk = [(k, k, k + 1, t.subtract) for k in range(chain.weakest)]
            walk += [(k, k + 1, k, t.add) for k in range(count - 1, chain.weakest, -1)]
            for member, near, far, join in walk:
                drop = t.multiply(spread.current, spread.impedance[member])
                value[chain.joints[far]] = join(value[chain.joints[near]], drop)
            for m in chain.members:
                if m.closed:
                    names, form = self._names(m.group, m.element, value), self._closed_form(m)
                    for body, row in self.reduction.bodies(m).items():
                        value[row] = self.ratio(form.temperatures[body], names, spread.square, False)[0]
        return value

    # Measures -------------------------------------------------------------------------------------------------

    def measures(
        self, x: list[Term], steps: list[Term], state: State, bent: State, factor: Factor, rows: dict[int, Term]
    ) -> list[Term]:
        """Record the sign of the determinant, a bound of the backward error, the largest correction over allowed, the guard.

        Balances of nodes and unknowns: |F|/Σ|A||x|. What is left of a chain's balance goes through its weakest member,
        between joints a and b, into the balances of those: there it is at most |F|/(|v_a| + |v_b|). A node may have
        both, so the bound is twice the largest. Where next to no current flows, a node's balance is measured by what
        its voltage would send through the chains at it, which is less than the slopes that it has as it was drawn.
        """
        t = self.trace
        count = len(self.reduction.kept)
        units = [self.system.units[row] for row in self.reduction.kept] + ["A"] * len(self.reduction.chains)
        floors: list[Term] = [FLOOR.get(unit, 1e-9) for unit in units]
        sizes = [t.function("absolute", v) for v in x]
        scales: dict[int, list[Term]] = {}
        for (r, c), parts in bent.cells.items():
            if r < count:
                part = t.multiply(t.function("absolute", t.sum(parts)), t.add(sizes[c], floors[c]))
                scales.setdefault(r, []).append(part)
        allowed = [t.multiply(CORRECTION, size) for size in sizes]
        for j, chain in enumerate(self.reduction.chains, start=count):
            # What the nodes' voltages alone would send through the chain: the rounding of those is in its current.
            for row in {chain.joints[0], chain.joints[-1]} & {*self.place}:
                sent = t.multiply(sizes[self.place[row]], t.function("absolute", factor.inverse[j]))
                scales[self.place[row]].append(sent)
                allowed[j] = t.add(allowed[j], t.multiply(CORRECTION, sent))
            joints = chain.joints[chain.weakest : chain.weakest + 2]
            scales[j] = [2 * FLOOR["V"], *(t.function("absolute", rows[row]) for row in joints)]
        errors = [
            t.divide(t.function("absolute", t.sum(state.sums[k])), t.sum(scales[k])) for k in range(self.reduction.size)
        ]  # fmt: skip
        off = [
            t.divide(t.function("absolute", step), t.add(most, floor))
            for step, most, floor in zip(steps, allowed, floors, strict=True)
        ]  # fmt: skip
        turn: Term = 1.0
        for inverse in factor.inverse.values():
            turn = t.multiply(turn, t.function("sign", inverse))
        return [turn, t.multiply(2.0, self._largest(errors)), self._largest(off), self._guards()]

    def _largest(self, terms: list[Term]) -> Term:
        """Give the largest of terms that are not constants; 0 where there is none."""
        return self._reduced(self.trace.maximum, terms) or 0.0

    def _guards(self) -> Term:
        """Give the smallest guard; of negated values the largest is taken before it is turned."""
        t = self.trace
        turned = [g for g in t.guards if not isinstance(g, float) and g[0] < 0]
        plain = [g for g in t.guards if g not in turned]
        fixed = min((g for g in t.guards if isinstance(g, float)), default=1.0)
        if fixed < GUARD:
            return fixed
        largest = self._reduced(t.maximum, [t.negative(g) for g in turned])
        return self._reduced(t.minimum, [*plain, *([] if largest is None else [t.negative(largest)])]) or 1.0

    def _reduced(self, of: Callable[[Term, Term], Term], terms: list[Term]) -> Term | None:
        """Take terms together two by two, constants left out, those known earliest first."""
        found: list[Term] = sorted({t for t in terms if not isinstance(t, float)}, key=lambda t: (self.trace.stage(t), t))
        return reduce(of, found) if found else None
