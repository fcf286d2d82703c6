"""The current form of a two-terminal element: its drop as a function of the current through it.

Most joints, wires and fuses state i = (a - b)·g with g free of a and b. In a chain the same current passes them all,
so the drop i·z, z = 1/g, is the shorter way to say it: drops add up, and no node between is needed. Where its own bodies are
warmed by this element alone and their heat balances are straight lines in their temperatures, these are known once the
current is, and z becomes a ratio of polynomials in i².
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

from circuitsim.cache import fetch, fingerprint
from circuitsim.elements.base import Domain, Element
from circuitsim.engine.kernels import law_key
from circuitsim.engine.statement import Statement, statement_of

__all__ = ["THROUGH", "Closed", "Form", "Ratio", "Series", "form_of", "series_of"]

Expr = Any
THROUGH = "through"
"""Name of the current through the element, from its first end to its second, in the expressions here."""


@dataclass(frozen=True)
class Ratio:
    """Σ above[k]·s^k / (1 + Σ below[k]·s^(k+1)), s = current²; the coefficients hold parameters and given values."""

    above: tuple[Expr, ...]
    below: tuple[Expr, ...]


@dataclass(frozen=True)
class Closed:
    """An element whose temperatures are given by its current.

    impedance: as a ratio; temperatures: of each body, by the name of its terminal, with the same denominator; guards: factors
    that the law keeps positive, as ratios too.
    """

    impedance: Ratio
    temperatures: dict[str, Ratio]
    guards: tuple[Ratio, ...]


@dataclass(frozen=True)
class Series:
    """The current form of an element class.

    impedance: z in drop = current·z; by_variable: its slope against each variable it depends on; rows: the other
    balances with the drop put in; slopes: (row, variable) → slope, `THROUGH` among the variables; closed: the form
    with the temperatures of its bodies put in, or None.
    """

    impedance: Expr
    by_variable: dict[str, Expr]
    rows: dict[str, Expr]
    slopes: dict[tuple[str, str], Expr] = field(repr=False)
    closed: Closed | None


@dataclass(frozen=True)
class Form:
    """Whether an element class has a current form, and the terminals of the bodies that it closes."""

    there: bool
    bodies: tuple[str, ...]


_FORMS: dict[type[Element], Form] = {}


def form_of(kind: type[Element]) -> Form:
    """Say which current form a class has, without sympy where that is known on disk."""

    def find() -> str:
        series = series_of(kind)
        bodies = [] if series is None or series.closed is None else [*series.closed.temperatures]
        return json.dumps([series is not None, bodies])

    if kind not in _FORMS:
        key = law_key(kind)
        text = find() if key is None else fetch("series", (*key, fingerprint("engine/series.py")), find)
        there, bodies = json.loads(text)
        _FORMS[kind] = Form(there, tuple(bodies))
    return _FORMS[kind]


_KNOWN: dict[type[Element], Series | None] = {}


def series_of(kind: type[Element]) -> Series | None:
    """Give the current form of an element class, or None where it has none."""
    if kind not in _KNOWN:
        _KNOWN[kind] = _series(statement_of(kind))
    return _KNOWN[kind]


def _series(statement: Statement) -> Series | None:
    import sympy as sp

    ends = statement.element.ends
    if ends is None or statement.element.unknowns or not {*ends} <= {*statement.rows}:
        return None
    a, b = (sp.Symbol(end, real=True) for end in ends)
    flows = {row: sp.sympify(e) for row, e in zip(statement.rows, statement.expressions, strict=True)}
    into, out = flows.pop(ends[0]), flows.pop(ends[1])
    slope = sp.diff(into, a)
    # A straight line through zero in a - b, with the same current out at the other end?
    plain = slope != 0 and not slope.has(a, b) and sp.simplify(into - slope * (a - b)) == 0 and sp.simplify(into + out) == 0
    if not plain:
        return None
    impedance = 1 / slope
    rows = {row: e.subs(a, b + sp.Symbol(THROUGH, real=True) * impedance) for row, e in flows.items()}
    if any(e.has(a, b) for e in rows.values()):
        return None
    names = [v for v in statement.variables if v not in ends]
    by_variable = {v: sp.factor_terms(d) for v in names if (d := _slope(impedance, v)) != 0}
    slopes = {
        (row, v): sp.factor_terms(d) for row, e in rows.items() for v in (THROUGH, *names) if (d := _slope(e, v)) != 0
    }  # fmt: skip
    own = [t.name for t in statement.element.terminals if t.domain is Domain.THERMAL and t.default == "own"]
    closed = _closed(impedance, {v: rows[v] for v in own if v in rows})
    return Series(sp.factor_terms(impedance), by_variable, {r: sp.factor_terms(e) for r, e in rows.items()}, slopes, closed)


def _slope(expression: Expr, name: str) -> Expr:
    import sympy as sp

    return sp.diff(expression, sp.Symbol(name, real=True))


def _closed(impedance: Expr, balances: dict[str, Expr]) -> Closed | None:
    """Put in the bodies' temperatures, where their balances are straight lines in them and all stays even in the current."""
    import sympy as sp

    from circuitsim.elements.limits import kept_positive

    bodies = [sp.Symbol(name, real=True) for name in balances]
    every = (impedance, *balances.values())
    kept = sorted({e.args[0] for one in every for e in one.atoms(kept_positive)}, key=str)
    impedance, *heats = (e.replace(kept_positive, lambda x: x) for e in every)
    straight = all(e.is_polynomial(*bodies) and sp.Poly(e, *bodies).total_degree() == 1 for e in heats) if bodies else False
    if not (straight and impedance.has(*bodies)):
        return None
    found = sp.solve(heats, bodies, dict=True)
    if len(found) != 1 or len(found[0]) != len(bodies):
        return None
    values = {body: sp.cancel(sp.together(found[0][body])) for body in bodies}
    below = sp.lcm([sp.fraction(v)[1] for v in values.values()])
    ratios = [_ratio(e.subs(values), below) for e in (impedance, *bodies, *dict.fromkeys(kept))]
    if any(r is None for r in ratios):
        return None
    z, temperatures, guards = ratios[0], ratios[1 : 1 + len(bodies)], ratios[1 + len(bodies) :]
    return Closed(z, dict(zip(balances, temperatures, strict=True)), tuple(guards))  # type: ignore[arg-type]


def _ratio(expression: Expr, below: Expr) -> Ratio | None:
    """Write an expression over a denominator that is 1 at no current, or give None where that can't be done."""
    import sympy as sp

    through = sp.Symbol(THROUGH, real=True)
    above = sp.cancel(sp.together(expression) * below)
    if not (above.is_polynomial(through) and below.is_polynomial(through)):
        return None
    top, bottom = (sp.Poly(e, through).all_coeffs()[::-1] for e in (above, below))
    if any(c != 0 for c in (*top[1::2], *bottom[1::2])) or bottom[0] == 0:
        return None
    return Ratio(*(tuple(sp.factor(sp.cancel(c / bottom[0])) for c in part) for part in (top[::2], bottom[2::2])))
