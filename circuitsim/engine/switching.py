"""From a netlist with one switching element to a piecewise-affine system: its electrical part in each mode.

Speeds and temperatures are held; the states are what stores electrical energy (a winding's current, a capacitor's voltage).
Within a mode each law is taken as the straight line that has, over what the mode goes through, the same mean and the same
mean product with the states (statistical linearisation: law values at 2n points mean ± √n·spread, where n is the number of
states; exact for laws that are affine). So a mean is a mean of the laws themselves, and power is neither made nor lost. With
no ripple it is the tangent; a brush drop, which the law rounds off as tanh(i/onset), becomes what it is at the currents that
flow.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Domain, Modes
from circuitsim.engine.elimination import Plan
from circuitsim.engine.newton import newton
from circuitsim.engine.system import Evaluator, Rows, System
from circuitsim.engine.waveforms import Affine, Guard

__all__ = ["LinearMode", "Spread", "Switching", "Totals", "switching_of"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Moved = Callable[[Array], Array]
_LEAST_STORE = 1e-15  # H or F; less counts as this
_AT_ONCE = 1e15  # 1/s


class Totals:
    """Sums what all elements write into the balance of each variable."""

    def __init__(self, system: System) -> None:
        self.system, self.size = system, len(system.variables)
        row = np.where(system.entry_row >= 0, system.entry_row, self.size)
        self._order: Index = np.argsort(row, kind="stable")[: np.count_nonzero(row < self.size)]
        self._hit, self._starts = np.unique(row[self._order], return_index=True)

    def at(self, laws: Evaluator, x: Array) -> Array:
        """Give the balances at x, (rows, batch), or at several points a sample, (points, rows, batch): rows → variables."""
        s, points = self.system, x.reshape(-1, *x.shape[-2:])
        read = np.take(points, s.all_reads, axis=1)
        rows = np.empty((len(points), s.entry_row.size, x.shape[-1]))
        for k, group in enumerate(s.groups):
            shape = (len(points), -1, len(group.names), x.shape[-1])
            views, reads = rows[:, s.row_blocks[k]].reshape(shape), read[:, s.read_blocks[k]].reshape(shape)
            inputs = [*reads.swapaxes(0, 1), *laws.parameters[k], laws.smooth]
            group.statement.residual(inputs, Rows([*views.swapaxes(0, 1)]))
        out = np.zeros((len(points), self.size, x.shape[-1]))
        out[:, self._hit] = np.add.reduceat(rows[:, self._order], self._starts, axis=1)
        return out.reshape(*x.shape[:-2], self.size, x.shape[-1])


@dataclass(frozen=True)
class Spread:
    """Where a mode is linearised: mean of all rows of x, (rows, B), and directions of its spread, (n, rows, B).

    states: the directions' own states, (n, n, B): column k belongs to direction k.
    """

    mean: Array
    directions: Array
    states: Array

    @classmethod
    def point(cls, x: Array, n: int) -> Spread:
        """Give one with no spread."""
        return cls(x, np.zeros((n, *x.shape)), np.zeros((n, n, x.shape[1])))

    @classmethod
    def of(cls, lines: LinearMode, w: Array, covariance: Array) -> Spread:
        """Give that of a mode whose states have a mean w, (n, B), and a covariance, (n, n, B)."""
        if len(w) == 1:
            states = np.sqrt(np.maximum(covariance, 0.0))
        else:
            values, vectors = np.linalg.eigh(np.moveaxis(covariance, -1, 0))
            states = np.moveaxis(vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :], 0, -1)
        return cls(lines.at(w), np.einsum("rnb,nkb->krb", lines.slope, states), states)

    def take(self, chosen: Index) -> Spread:
        """Give some of the samples."""
        return Spread(self.mean[:, chosen], self.directions[..., chosen], self.states[..., chosen])

    def points(self) -> Array:
        """Give the points at which laws are looked at, (2n or 1, rows, B)."""
        n = len(self.directions)
        if n == 0:
            return self.mean[None]
        reach = np.sqrt(n) * self.directions
        return np.concatenate([self.mean + reach, self.mean - reach])


@dataclass(frozen=True)
class LinearMode:
    """A mode as straight lines: x = origin + slope·w, shapes (rows, B) and (rows, n, B), and w' with its guards."""

    origin: Array
    slope: Array
    flow: Affine

    def at(self, w: Array) -> Array:
        """Give x at states w, (n, B)."""
        return np.asarray(self.origin + np.einsum("rnb,nb->rb", self.slope, w))


class Switching:
    """The modes of a system with one switching element (see the module's text).

    Attributes
    ----------
    element, modes
        Name of the element, and what its class declares.
    given, system, systems
        The system as it came; with the element's law replaced by that of its mean; and by that of each mode.
    electrical, states : array
        Rows of x that are electrical, and those of them that store.
    """

    def __init__(self, system: System, element: str, modes: Modes) -> None:
        self.element, self.modes, self.given = element, modes, system
        self.system = _in_mode(system, element, modes.mean)
        system = self.system
        self.electrical, self.states = _electrical_rows(system)
        algebraic = np.zeros(len(system.index_rows), bool)
        algebraic[self.electrical] = True
        algebraic[self.states] = False
        self.names = tuple(modes.laws)
        self.systems = [_in_mode(system, element, kind) for kind in modes.laws.values()]
        self.plans = [Plan(s, algebraic) for s in self.systems]
        self._all_rows = np.isin(np.arange(len(system.index_rows)), self.electrical)
        self._still: dict[int, Plan] = {}
        self.total, self.totals = Totals(system), [Totals(s) for s in self.systems]
        self._inside = [_Slopes(s, self.electrical, self.states) for s in self.systems]

    @property
    def n(self) -> int:
        """Number of states."""
        return int(self.states.size)

    @cached_property
    def phases(self) -> list[tuple[int, ...]]:
        """Numbers of the modes in which each phase may begin."""
        return [tuple(self.names.index(m) for m in phase) for phase in self.modes.phases]

    def mean_laws(self, given: Evaluator) -> Evaluator:
        """Give the laws with the element's mean, for the parameters of an evaluator of the given system."""
        return _carried(self.given, self.system, given)

    def laws(self, mean: Evaluator) -> list[Evaluator]:
        """Give the laws of each mode, for the parameters of an evaluator of `system`."""
        return [_carried(self.system, s, mean) for s in self.systems]

    def carrying(self, given: Evaluator, x: Array) -> Array:
        """Give x of the given system as one of `system`: the element's unknown is then the current that it draws."""
        g, k = self.given.place[self.element]
        group = self.given.groups[g]
        statement = group.statement
        out = np.empty((len(statement.rows), len(group.names), x.shape[1]))
        statement.residual(given.inputs(g, x), out)
        moved = x.copy()
        for unknown in statement.element.unknowns:
            own = group.reads[statement.variables.index(unknown.name), k]
            moved[own] = out[statement.rows.index(self.modes.through), k]
        return moved

    def stores(self, laws: Evaluator, x: Array) -> Array:
        """Give how much each state stores a unit of it (-L, or C), (n, B)."""
        found = np.zeros((self.n, x.shape[1]))
        place = {int(row): k for k, row in enumerate(self.states)}
        for g, group in enumerate(self.system.groups):
            pairs, kernel, _ = group.statement.stores
            out = np.empty((len(pairs), len(group.names), x.shape[1]))
            if pairs:
                kernel(laws.inputs(g, x), out)
            for (row, column), slope in zip(pairs, out, strict=True):
                for e, (w, r) in enumerate(zip(group.writes[row], group.reads[column], strict=True)):
                    if w == r and int(w) in place:
                        found[place[int(w)]] += slope[e]
        return np.where(np.abs(found) < _LEAST_STORE, np.copysign(_LEAST_STORE, found), found)

    def lines(self, mode: int, laws: Evaluator, spread: Spread, stores: Array, still: NDArray[np.bool_]) -> LinearMode:
        """Make a mode's straight lines about a spread; where `still` says so, with no stores: x then is where it comes to rest.

        That is for samples in which what stores has no way to: an unplugged winding. Its states decay at once to zero.
        """
        with np.errstate(all="ignore"):  # an open loop has no solution with a current in it
            found = self._linear(mode, laws, spread, stores)
        if not still.any():
            return found
        at = np.flatnonzero(still)
        if mode not in self._still:
            self._still[mode] = Plan(self.systems[mode], self._all_rows)
        rest = _at_rest(self._still[mode], laws.take(at), spread.mean[:, at])
        found.origin[:, at], found.slope[..., at] = rest, 0.0
        found.flow.a[..., at], found.flow.b[:, at] = -_AT_ONCE * np.eye(self.n)[:, :, None], 0.0
        return replace(found, flow=replace(found.flow, guards=self._guards(mode, laws, found)))

    def nowhere(self, spread: Spread) -> LinearMode:
        """Give lines of a mode that stays where it is: for one that is not expected to come up."""
        size = spread.mean.shape[1]
        never = Guard(np.zeros((self.n, size)), np.full(size, -1.0), 0)
        flow = Affine(np.zeros((self.n, self.n, size)), np.zeros((self.n, size)), (never,))
        return LinearMode(spread.mean, np.zeros((spread.mean.shape[0], self.n, size)), flow)

    def _linear(self, mode: int, laws: Evaluator, spread: Spread, stores: Array) -> LinearMode:
        plan, totals, n, size = self.plans[mode], self.totals[mode], self.n, spread.mean.shape[1]
        _, slopes = laws(spread.mean)
        values = totals.at(laws, spread.points())
        mean, bent = values.mean(axis=0), self._bends(mode, slopes, values, spread)
        by_state = self._inside[mode].by_state(slopes) + bent
        free, own = plan.free, self.states
        factored = plan.factor(plan.cells(slopes))
        shift = plan.solve(factored, -mean[free])
        moves = [plan.solve(factored, -by_state[free, k]) for k in range(n)]
        slope = np.zeros((spread.mean.shape[0], n, size))
        for k, move in enumerate(moves):
            slope[free, k], slope[own[k], k] = move, 1.0
        centre = spread.mean.copy()
        centre[free] += shift
        # How the states' own balances move with the others, and with the states.
        others = self._inside[mode].of_states(slopes)
        rows = others(centre - spread.mean) + mean[own]
        across = [others(_without(slope[:, k], own)) + by_state[own, k] for k in range(n)]
        a = -np.array(across).reshape(n, n, size).transpose(1, 0, 2) / stores[:, None]
        w = spread.mean[own]
        b = -rows / stores - np.einsum("ijb,jb->ib", a, w)
        origin = centre - np.einsum("rnb,nb->rb", slope, w)
        bare = LinearMode(origin, slope, Affine(a, b))
        return LinearMode(origin, slope, Affine(a, b, self._guards(mode, laws, bare)))

    def _bends(self, mode: int, slopes: Array, values: Array, spread: Spread) -> Array:
        """Slope of each balance against the states that its tangent leaves out, (variables, n, B)."""
        n, size = self.n, spread.mean.shape[1]
        out = np.zeros((self.totals[mode].size, n, size))
        if n == 0:
            return out
        straight = self._inside[mode].everything(slopes)
        chord = (values[:n] - values[n:]) / (2 * np.sqrt(n)) - np.array([straight(d) for d in spread.directions])
        ripple = np.abs(spread.states).max(axis=(0, 1)) > 1e-9 * (1e-3 + np.abs(spread.mean[self.states]).max(axis=0))
        box = np.where(ripple, spread.states, np.eye(n)[:, :, None])
        inverse = 1 / box if n == 1 else np.moveaxis(np.linalg.pinv(np.moveaxis(box, -1, 0), rcond=1e-9), 0, -1)
        out += np.einsum("kvb,kjb->vjb", chord, inverse)
        return np.where(ripple, out, 0.0)

    def _guards(self, mode: int, laws: Evaluator, lines: LinearMode) -> tuple[Guard, ...]:
        wanted = self.modes.guards.get(self.names[mode], ())
        if not wanted:
            return ()
        names, values = self._outputs(mode, laws, lines.origin)
        beside = [self._outputs(mode, laws, lines.origin + lines.slope[:, k])[1] - values for k in range(self.n)]
        found = []
        for output, follows in wanted:
            j = names.index(output)
            slope = np.array([move[j] for move in beside]).reshape(self.n, values.shape[1])
            found.append(Guard(slope, values[j], self.names.index(follows)))
        return tuple(found)

    def _outputs(self, mode: int, laws: Evaluator, x: Array) -> tuple[tuple[str, ...], Array]:
        g, k = self.systems[mode].place[self.element]
        group = self.systems[mode].groups[g]
        names, kernel = group.statement.outputs
        out = np.empty((len(names), len(group.names), x.shape[1]))
        kernel(laws.inputs(g, x), out)
        return names, out[:, k]


def _at_rest(plan: Plan, laws: Evaluator, x: Array) -> Array:
    """Solve the electrical part of a mode with nothing stored: Newton where it succeeds, and one plain step more."""
    found = newton(plan, laws, x, limit=12)
    rest = np.where(found.accepted, found.x, x)
    entries, slopes = laws(rest)
    cells, right = plan.cells(slopes), -plan.balances(entries)
    step = plan.solve(plan.factor(cells), right)
    poor = ~np.isfinite(step).all(axis=0)  # the fixed order met a pivot of zero
    step[:, poor] = plan.solve_dense(cells[:, poor], right[:, poor])
    rest[plan.free] += step
    return rest


def _without(x: Array, rows: Index) -> Array:
    found = x.copy()
    found[rows] = 0.0
    return found


class _Slopes:
    """Parts of the Jacobian of a mode, as functions of the list of all slopes."""

    def __init__(self, system: System, electrical: Index, states: Index) -> None:
        self.system, self.states = system, states
        self.size = len(system.variables)
        inside = np.isin(system.slope_row, electrical)
        self.to_state = [np.flatnonzero(inside & (system.slope_column == s)) for s in states]
        plain = np.isin(system.slope_column, np.setdiff1d(electrical, states))
        self.from_state = [np.flatnonzero((system.slope_row == s) & plain) for s in states]
        self.used = np.flatnonzero((system.slope_row >= 0) & np.isin(system.slope_column, electrical))

    def by_state(self, slopes: Array) -> Array:
        """Give the slope of each balance against each state, (variables, n, B)."""
        out = np.zeros((self.size, len(self.states), slopes.shape[1]))
        for k, at in enumerate(self.to_state):
            np.add.at(out[:, k], self.system.slope_row[at], slopes[at])
        return out

    def of_states(self, slopes: Array) -> Moved:
        """Give the function that says how the states' balances move with the other electrical rows of x."""
        parts = [(slopes[at], self.system.slope_column[at]) for at in self.from_state]

        def moved(x: Array) -> Array:
            return np.array([(s * x[c]).sum(axis=0) for s, c in parts]).reshape(len(parts), slopes.shape[1])

        return moved

    def everything(self, slopes: Array) -> Moved:
        """Give the function that says how all balances move with the electrical rows of x, by the tangent."""
        at, rows, columns = self.used, self.system.slope_row[self.used], self.system.slope_column[self.used]

        def moved(x: Array) -> Array:
            out = np.zeros((self.size, slopes.shape[1]))
            np.add.at(out, rows, slopes[at] * x[columns])
            return out

        return moved


def _electrical_rows(system: System) -> tuple[Index, Index]:
    """Find the electrical rows of x (nodes, and unknowns whose balance reads such) and those of them that store."""
    nodes = {system.index[n] for n, d in system.domains.items() if d is Domain.ELECTRICAL}
    found = {k for k in nodes if k < len(system.variables)}
    first_unknown = sum(":" not in name for name in system.variables)
    while True:
        reading = np.isin(system.slope_column, np.array(sorted(found | nodes)))
        more = {int(k) for k in system.slope_row[reading] if k >= first_unknown} - found
        if not more:
            break
        found |= more
    stored = set()
    for group in system.groups:
        for row, column in group.statement.stores[0]:
            hits = [(int(w), int(r)) for w, r in zip(group.writes[row], group.reads[column], strict=True)]
            stored |= {w for w, r in hits if w in found and w == r}
    return np.array(sorted(found), np.intp), np.array(sorted(stored), np.intp)


def _in_mode(system: System, element: str, kind: type) -> System:
    net = system.net.copy()
    net.elements[element].__class__ = kind
    return System(net)


def _carried(base: System, system: System, laws: Evaluator) -> Evaluator:
    """Give an evaluator of a mode's system with the same parameters."""
    places = []
    for group in system.groups:
        g, ks = base.place[group.names[0]][0], [base.place[name][1] for name in group.names]
        places.append((g, ks))
    arrays = [laws.base[g][:, ks] for g, ks in places]
    columns = {}
    for (g, p, k), array in laws.columns.items():
        name = base.groups[g].names[k]
        to, at = system.place[name]
        columns[to, p, at] = array
    return Evaluator(system, arrays, columns, laws.size, laws.smooth)


def switching_of(system: System) -> Switching | None:
    """Give the modes of the system's switching element; None when there is none, or more than one."""
    found = [(e.name, m) for e in system.net.elements.values() if (m := type(e).modes()) and e.name in system.place]
    return Switching(system, *found[0]) if len(found) == 1 else None
