"""Charge and energy of every element kind, at random states, by what its law declares.

Charge: the currents into an element's electrical terminals sum to zero. Energy: what comes in as v·i, as torque times
speed and as heat, plus what the law names as a source, is what it names as heat that no terminal carries. An element
with unknowns of its own owes this only where its balances are zero, so those are solved first.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from circuitsim.elements import element_kinds
from circuitsim.elements.base import Domain, Element, Law, Parameter, Symbols, electrical, rotational, thermal
from circuitsim.engine.statement import Statement, statement_of

Array = NDArray[np.float64]
Values = dict[str, Array]
Sample = Callable[..., Values]
RowsOf = Callable[[type[Element], Values], Values]

KINDS = {name: kind for name, kind in element_kinds().items() if kind.__module__.startswith("circuitsim.")}
STATES = 2000
# Sums of a few products of floats; smooth limits are differences of terms up to a hundred times their size.
ROUNDING = 1e-13
# Smooth limits may carry an error current of 1 % of what a 10 MΩ meter draws at 12 V, against voltages up to 60 V.
SMOOTHING = 12e-9 * 60


def slopes(statement: Statement, drawn: Values) -> Array:
    """All slopes of the rows against the variables, (states, rows, variables)."""
    out = np.empty((len(statement.rows) + len(statement.slopes), STATES))
    statement.evaluate([drawn[name] for name in statement.inputs], out)
    full = np.zeros((STATES, len(statement.rows), len(statement.variables)))
    for (r, c), slope in zip(statement.jacobian, out[len(statement.rows) :], strict=True):
        full[:, r, c] = slope
    return full


def columns_for(statement: Statement) -> list[int]:
    """Pair each balance with a terminal it can be solved for: its pivot, or the first that it depends on."""
    taken: list[int] = []
    for u in statement.element.unknowns:
        row = statement.rows.index(u.name)
        wanted = [statement.variables.index(name) for name in u.pivot] or [c for r, c in statement.jacobian if r == row]
        taken.append(next(c for c in wanted if c not in taken))
    return taken


def balanced(kind: type[Element], drawn: Values, rows_of: RowsOf) -> Values:
    """Move the across values so that every balance of the element's own is zero (Newton)."""
    statement = statement_of(kind)
    if not kind.unknowns:
        return drawn
    found = dict(drawn)
    rows = [statement.rows.index(u.name) for u in kind.unknowns]
    columns = columns_for(statement)
    for _ in range(30):
        now = rows_of(kind, found)
        right = np.stack([now[u.name] for u in kind.unknowns], axis=1)
        steps = np.linalg.solve(slopes(statement, found)[:, rows][:, :, columns], -right[:, :, None])[:, :, 0]
        for c, step in zip(columns, steps.T, strict=True):
            found[statement.variables[c]] = found[statement.variables[c]] + step
    left = rows_of(kind, found)
    assert max(np.abs(left[u.name]).max() for u in kind.unknowns) < 1e-9
    return found


def outputs(kind: type[Element], drawn: Values) -> Values:
    names, kernel = statement_of(kind).outputs
    out = np.empty((len(names), STATES))
    kernel([drawn[name] for name in statement_of(kind).inputs], out)
    return dict(zip(names, out, strict=True))


def incoming(kind: type[Element], drawn: Values, rows_of: RowsOf, *domains: Domain) -> list[Array]:
    """Power into each terminal of some domains: v·i, ω·τ, or the heat flow itself."""
    rows = rows_of(kind, drawn)
    terminals = [t for t in kind.terminals if t.domain in domains and t.name in rows]
    return [rows[t.name] * (1.0 if t.domain is Domain.THERMAL else drawn[t.name]) for t in terminals]


def check_charge(kind: type[Element], drawn: Values, rows_of: RowsOf) -> None:
    rows = rows_of(kind, drawn)
    currents = [rows[t.name] for t in kind.terminals if t.domain is Domain.ELECTRICAL and t.name in rows]
    if currents:
        assert (np.abs(sum(currents)) <= ROUNDING * sum(np.abs(i) for i in currents)).all(), "charge is made"


def check_energy(kind: type[Element], drawn: Values, rows_of: RowsOf) -> None:
    state = balanced(kind, drawn, rows_of)
    given = outputs(kind, state)
    terms = [*incoming(kind, state, rows_of, *Domain), given["source power"], -given["heat"]]
    assert (np.abs(sum(terms)) <= ROUNDING * sum(np.abs(term) for term in terms) + 1e-12).all(), "energy is made"


def made_heat(kind: type[Element], state: Values, rows_of: RowsOf) -> Array:
    """Heat made of other power: what leaves by heat terminals more than enters, and the named rest."""
    into = incoming(kind, state, rows_of, Domain.THERMAL)
    return outputs(kind, state)["heat"] - sum(into, np.zeros(STATES))


@pytest.mark.parametrize("name", KINDS)
def test_charge(name: str, sample: Sample, rows_of: RowsOf) -> None:
    check_charge(KINDS[name], sample(KINDS[name], STATES), rows_of)


@pytest.mark.parametrize("name", KINDS)
def test_energy(name: str, sample: Sample, rows_of: RowsOf) -> None:
    check_energy(KINDS[name], sample(KINDS[name], STATES), rows_of)


@pytest.mark.parametrize("name", KINDS)
def test_heat_is_made_and_never_used_up(name: str, sample: Sample, rows_of: RowsOf) -> None:
    """No element turns heat back into electricity or motion; supplies are fed the right way round."""
    kind = KINDS[name]
    drawn = sample(kind, STATES)
    if "supply" in drawn:
        grounds = [drawn[t.name] for t in kind.terminals if t.name.endswith("ground")]
        drawn["supply"] = np.abs(drawn["supply"]) + np.maximum.reduce(grounds)
    state = balanced(kind, drawn, rows_of)
    power = sum(np.abs(term) for term in incoming(kind, state, rows_of, *Domain))
    assert (made_heat(kind, state, rows_of) >= -ROUNDING * power - SMOOTHING).all()


class Leaky(Element):
    """Loses charge and energy: half of its current vanishes, and its heat is counted once too little."""

    terminals = (electrical("a"), electrical("b"), thermal("body"), rotational("shaft"))
    parameters = (Parameter("resistance", "Ω", "between the ends"),)

    @staticmethod
    def law(s: Symbols) -> Law:
        i = (s.a - s.b) / s.resistance
        return Law(flows={"a": i, "b": -0.5 * i, "body": -(s.a - s.b) * i, "shaft": 0.1 * s.shaft})


class Cooler(Element):
    """Balances energy and charge, but takes it from the heat around."""

    terminals = (electrical("a"), electrical("b"), thermal("body"))
    parameters = (Parameter("resistance", "Ω", "between the ends"),)

    @staticmethod
    def law(s: Symbols) -> Law:
        i = -(s.a - s.b) / s.resistance
        return Law(flows={"a": i, "b": -i, "body": -(s.a - s.b) * i})


def test_planted_bad_elements_are_caught(sample: Sample, rows_of: RowsOf) -> None:
    for check in (check_charge, check_energy):
        with pytest.raises(AssertionError, match="is made"):
            check(Leaky, sample(Leaky, STATES), rows_of)
        check(Cooler, sample(Cooler, STATES), rows_of)
    assert made_heat(Cooler, sample(Cooler, STATES), rows_of).min() < 0
