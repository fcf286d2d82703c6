"""A netlist as index arrays: which variable each terminal reads, which balance each flow enters.

The vector of across values and unknowns, `x`, has one row a variable and the batch as its last axis; the given values
(ground, frame, ambient) follow after the variables. Balance k belongs to variable k: a node's to the node, an
unknown's to the unknown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Domain, Element
from circuitsim.engine.kernels import Kernels, kernels_of
from circuitsim.errors import InputError, shown
from circuitsim.network import Netlist

__all__ = ["FLOOR", "TYPICAL", "Column", "Evaluator", "Group", "Rows", "System", "Values"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Values = Mapping[tuple[str, str], Any]
"""Replacements for parameters: (element, parameter) → SI value, or an array of them, one a sample."""


FLOOR = {"V": 1e-9, "A": 1e-9, "rad/s": 1e-9, "°C": 1e-6, "N·m": 1e-9, "1": 1e-9}
"""Values below which no answer is asked to be right, by unit: the floors of the acceptance rule."""
TYPICAL = {"V": 1.0, "A": 1.0, "rad/s": 10.0, "°C": 20.0, "N·m": 0.1}
"""Sizes by which lengths of steps are measured, by unit; the smallest for any other."""


@dataclass(frozen=True)
class Group:
    """All elements of one class: their statement, names, and index arrays of shape (…, elements).

    reads: row of `x` for each variable; writes: balance for each row, -1 for a given node; base: nominal parameters,
    (parameters, elements, 1).
    """

    statement: Kernels
    names: tuple[str, ...]
    reads: Index
    writes: Index
    base: Array


class System:
    """Index arrays of a netlist (see the module's text)."""

    def __init__(self, net: Netlist) -> None:
        self.net = net
        self.merged = net.merged()
        references = net.references()
        self.domains = {**net.nodes(), **references}
        domains = {self.merged.get(n, n): d for n, d in self.domains.items()}
        nodes = [n for n in domains if n not in references]
        units = [domains[n].value[0] for n in nodes]
        live = [e for e in net.elements.values() if not self._vanishes(e)]
        unknowns = [(f"{e.name}:{u.name}", u.unit) for e in live for u in e.unknowns]
        self.variables = (*nodes, *(name for name, _ in unknowns))
        self.units = (*units, *(unit for _, unit in unknowns))
        self.given = tuple(references)
        self.thermal = np.array([domains.get(v) is Domain.THERMAL for v in self.variables], dtype=bool)
        self.index = {name: k for k, name in enumerate((*self.variables, *self.given))}
        self.index.update({node: self.index[to] for node, to in self.merged.items()})
        self.groups = tuple(self._group(kind, members) for kind, members in _by_class(live).items())
        self.place = {name: (g, k) for g, group in enumerate(self.groups) for k, name in enumerate(group.names)}
        self._lay_out()
        self.pivots = self._pivots(live)

    def _vanishes(self, e: Element) -> bool:
        """An element under 1 µΩ whose ends are one node carries what the balance there asks for."""
        if e.shorts_below is None or e.ends is None:
            return False
        a, b = (e.nodes[end] for end in e.ends)
        return self.merged.get(a, a) == self.merged.get(b, b)

    def _group(self, kind: type[Element], members: list[Element]) -> Group:
        statement = kernels_of(kind)
        terminals = [t.name for t in kind.terminals]
        reads = np.array(
            [[self.index[e.nodes[t]] for e in members] for t in terminals]
            + [[self.index[f"{e.name}:{u.name}"] for e in members] for u in kind.unknowns],
            dtype=np.intp,
        ).reshape(len(statement.variables), len(members))
        n = len(self.variables)
        writes = np.array([reads[statement.variables.index(row)] for row in statement.rows], dtype=np.intp)
        writes = np.where(writes < n, writes, -1)
        base = np.array([[e.values[p] for e in members] for p in statement.parameters], dtype=float)
        return Group(statement, tuple(e.name for e in members), reads, writes, base.reshape(-1, len(members), 1))

    def _lay_out(self) -> None:
        """Number every flow and slope that any element writes, in one long list: first all rows, then all slopes."""
        rows, jac_rows, jac_cols = [], [], []
        self.row_blocks: list[slice] = []
        self.jac_blocks: list[slice] = []
        at_row = at_jac = 0
        for g in self.groups:
            r, c = (np.array([p[k] for p in g.statement.jacobian], dtype=np.intp) for k in (0, 1))
            rows.append(g.writes.ravel())
            jac_rows.append(g.writes[r].ravel())
            jac_cols.append(g.reads[c].ravel())
            self.row_blocks.append(slice(at_row, at_row + rows[-1].size))
            self.jac_blocks.append(slice(at_jac, at_jac + jac_rows[-1].size))
            at_row, at_jac = self.row_blocks[-1].stop, self.jac_blocks[-1].stop
        self.all_reads = np.concatenate([g.reads.ravel() for g in self.groups])
        edges = np.cumsum([0, *(g.reads.size for g in self.groups)]).tolist()
        self.read_blocks = [slice(a, b) for a, b in pairwise(edges)]
        self.entry_row = np.concatenate(rows)
        self.slope_row = np.concatenate(jac_rows)
        self.slope_column = np.concatenate(jac_cols)

    def _pivots(self, live: list[Element]) -> dict[int, int]:
        """Pair each balance with the variable it is solved for: its own, or, where an unknown says so, a node's."""
        pairs: dict[int, int] = {}
        n = len(self.variables)
        for e in live:
            for u in e.unknowns:
                own = self.index[f"{e.name}:{u.name}"]
                for terminal in u.pivot:
                    node = self.index[e.nodes[terminal]]
                    if node < n and node not in pairs:
                        pairs[own], pairs[node] = node, own
                        break
        return {k: pairs.get(k, k) for k in range(n)}

    def column(self, element: str, parameter: str) -> tuple[int, int, int]:
        """Give (group, parameter, element) indices of a parameter."""
        if element not in self.place:
            self.net.element(element)
            raise InputError(f"{element} is a dead short here; it has no parameter left to change", key=element)
        g, k = self.place[element]
        kind = self.groups[g].statement.element
        kind.parameter(parameter)
        return g, self.groups[g].statement.parameters.index(parameter), k

    def rest(self, ambient: Array) -> Array:
        """Give `x` at rest: no voltage, speed or current, every body at ambient. Shape (variables + given, batch)."""
        x = np.zeros((len(self.index_rows), ambient.size))
        x[: self.thermal.size][self.thermal] = ambient
        x[self.index[Domain.THERMAL.reference]] = ambient
        return x

    @cached_property
    def index_rows(self) -> tuple[str, ...]:
        """Names of all rows of `x`."""
        return (*self.variables, *self.given)


def _by_class(elements: list[Element]) -> dict[type[Element], list[Element]]:
    found: dict[type[Element], list[Element]] = {}
    for e in elements:
        found.setdefault(type(e), []).append(e)
    return found


Column = tuple[int, int, int]


class Evaluator:
    """Evaluates every law of a system for a batch of parameter values.

    base: what is the same for all samples, one array a group, (parameters, elements, 1); columns: what varies,
    (group, parameter, element) → (batch,); smooth: the common factor of all widths.
    """

    def __init__(
        self, system: System, base: list[Array], columns: Mapping[Column, Array], size: int, smooth: float = 1.0
    ) -> None:
        self.system, self.base, self.columns, self.size, self.smooth = system, base, columns, size, smooth

    @classmethod
    def of(cls, system: System, values: Values, size: int) -> Evaluator:
        """Build from nominal values and replacements.

        Raises UnknownNameError for a name that is not there, InputError for a value outside its range or an array
        of another length than `size`.
        """
        base = [g.base.copy() for g in system.groups]
        columns: dict[Column, Array] = {}
        for (element, parameter), value in values.items():
            g, p, k = system.column(element, parameter)
            array = _numbers(element, parameter, value)
            if array.ndim > 1 or (array.ndim == 1 and array.size not in (1, size)):
                raise InputError(f"{element}.{parameter}: {array.size} values for {size} samples", key=element)
            _check_range(system.net.elements[element], parameter, array)
            if array.size > 1:
                columns[g, p, k] = array
            else:
                base[g][p, k] = array.ravel()[0]
        return cls(system, base, columns, size)

    @cached_property
    def parameters(self) -> list[Array]:
        """All parameters, one array a group: (parameters, elements, batch), or 1 at the end where none varies."""
        filled = list(self.base)
        for g in {g for g, _, _ in self.columns}:
            filled[g] = np.repeat(self.base[g], self.size, axis=2)
        for (g, p, k), array in self.columns.items():
            filled[g][p, k] = array
        return filled

    def take(self, chosen: Any) -> Evaluator:
        """Give the evaluator of some of the samples (index array, mask or slice)."""
        kept = {key: array[chosen] for key, array in self.columns.items()}
        size = int(np.arange(self.size)[chosen].size)
        taken = Evaluator(self.system, self.base, kept, size, self.smooth)
        if "parameters" in self.__dict__ and self.size > 1:
            taken.__dict__["parameters"] = [p if p.shape[2] == 1 else p[:, :, chosen] for p in self.parameters]
        return taken

    def smoothed(self, smooth: float) -> Evaluator:
        """Give the same with all widths multiplied."""
        return Evaluator(self.system, self.base, self.columns, self.size, smooth)

    def with_columns(self, columns: Mapping[Column, Array]) -> Evaluator:
        """Give the same with some parameters set, one value a sample; without any, itself."""
        if not columns:
            return self
        return Evaluator(self.system, self.base, {**self.columns, **columns}, self.size, self.smooth)

    def number(self, column: Column) -> Array:
        """Give the values of a parameter, (batch,)."""
        g, p, k = column
        array = self.columns.get(column, self.base[g][p, k])
        return np.broadcast_to(array, (self.size,)).astype(float)

    def inputs(self, group: int, x: Array) -> list[Any]:
        """Give the arguments of a group's kernels."""
        g = self.system.groups[group]
        return [*np.take(x, g.reads, axis=0), *self.parameters[group], self.smooth]

    def __call__(self, x: Array) -> tuple[Array, Array]:
        """Evaluate all rows and all slopes at `x`: shapes (entries, batch) and (slopes, batch).

        Overflow far from any solution gives values that are not finite, which the iteration notices.
        """
        s = self.system
        rows = np.empty((s.entry_row.size, x.shape[1]))
        slopes = np.empty((s.slope_row.size, x.shape[1]))
        read = np.take(x, s.all_reads, axis=0)
        with np.errstate(all="ignore"):
            for k, g in enumerate(s.groups):
                shape = (-1, len(g.names), x.shape[1])
                views = [*rows[s.row_blocks[k]].reshape(shape), *slopes[s.jac_blocks[k]].reshape(shape)]
                inputs = [*read[s.read_blocks[k]].reshape(shape), *self.parameters[k], self.smooth]
                g.statement.evaluate(inputs, Rows(views))
        return rows, slopes


class Rows:
    """Lets a kernel write `out[k] = value` into separate views."""

    def __init__(self, views: list[Array]) -> None:
        self.views = views

    def __setitem__(self, k: int, value: Any) -> None:
        """Write into the view of that number."""
        self.views[k][...] = value


def _numbers(element: str, parameter: str, value: Any) -> Array:
    try:
        return np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        raise InputError(f"{element}.{parameter}: {shown(value)} in a batch is no number (SI)", key=element) from None


def _check_range(element: Element, parameter: str, array: Array) -> None:
    p = element.parameter(parameter)
    if not np.isfinite(array).all():
        raise InputError(f"{element.name}.{parameter}: a value that is no finite number", key=element.name)
    if array.size and not (p.low <= float(array.min()) and float(array.max()) <= p.high):
        worst = float(array.min()) if array.min() < p.low else float(array.max())
        element.check_value(p, worst)
