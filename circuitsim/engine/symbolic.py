"""The closed formulas behind the numbers: the law of an element, and a whole linear circuit solved exactly."""

from __future__ import annotations

from typing import Any

from circuitsim.elements.base import Domain, Element
from circuitsim.engine.statement import statement_of
from circuitsim.errors import InputError
from circuitsim.network import Netlist

__all__ = ["law_latex", "law_text", "solve_exactly"]

Expr = Any


def law_text(element: type[Element]) -> list[str]:
    """Write the law of an element class in plain text: one line a flow, then one a balance."""
    statement = statement_of(element)
    units = {t.name: t.domain.value[1] for t in element.terminals}
    lines = [f"into {row} [{units[row]}] = {statement.law.flows.get(row, 0)}" for row in statement.rows if row in units]
    return lines + [f"0 = {statement.law.balances[u.name]}   ({u.name}: {u.meaning})" for u in element.unknowns]


def law_latex(element: type[Element]) -> list[str]:
    """Write the law of an element class in LaTeX, in the order of `law_text`."""
    import sympy as sp

    law = statement_of(element).law
    flows = [rf"\phi_{{\mathrm{{{row}}}}} = {sp.latex(flow)}" for row, flow in law.flows.items()]
    return flows + [f"0 = {sp.latex(balance)}" for balance in law.balances.values()]


def solve_exactly(net: Netlist, parameters: dict[tuple[str, str], Expr] | None = None) -> dict[str, Expr]:
    """Solve a circuit that is linear in its node voltages and unknowns, exactly.

    Parameters
    ----------
    net : Netlist
        Electrical elements only.
    parameters : dict
        (element, parameter) → sympy expression, to keep it as a symbol or a fraction; all others are taken as
        the exact value of their float.

    Returns
    -------
    dict
        Node or ``ELEMENT:unknown`` → expression.

    Raises
    ------
    InputError
        When the circuit has other domains, or is not linear, or has no single solution.
    """
    import sympy as sp
    from sympy.solvers.solveset import NonlinearError

    names = [n for n in net.nodes() if n != net.ground]
    if any(d is not Domain.ELECTRICAL for n, d in net.nodes().items() if n not in net.references()):
        raise InputError(f"{net.name}: an exact solution needs electrical elements alone")
    symbols = {n: sp.Symbol(n, real=True) for n in names}
    unknowns = {f"{e.name}:{u.name}": sp.Symbol(f"{e.name}:{u.name}") for e in net.elements.values() for u in e.unknowns}
    balances: dict[str, Expr] = dict.fromkeys(names, sp.Integer(0))
    rows: list[Expr] = []
    for e in net.elements.values():
        law = statement_of(type(e)).law
        values = _values(e, net, {**symbols, **unknowns}, parameters or {})
        for terminal, flow in law.flows.items():
            if e.nodes[terminal] in balances:
                balances[e.nodes[terminal]] += sp.sympify(flow).subs(values, simultaneous=True)
        rows += [sp.sympify(b).subs(values, simultaneous=True) for b in law.balances.values()]
    wanted = [*symbols.values(), *unknowns.values()]
    try:
        solutions = sp.linsolve([*balances.values(), *rows], wanted)
    except NonlinearError as error:
        raise InputError(f"{net.name}: not linear, so it has no closed solution here ({error})") from None
    found = list(solutions)
    if not found or any(w in s.free_symbols for s in found[0] for w in wanted):
        raise InputError(f"{net.name}: no single solution")
    return dict(zip([*symbols, *unknowns], found[0], strict=True))


def _values(e: Element, net: Netlist, symbols: dict[str, Expr], parameters: dict[tuple[str, str], Expr]) -> dict[Expr, Expr]:
    """Give what to put in place of the symbols of an element's law."""
    import sympy as sp

    found: dict[Expr, Expr] = {sp.Symbol("smooth", real=True): sp.Integer(1)}
    for t in e.terminals:
        found[sp.Symbol(t.name, real=True)] = symbols.get(e.nodes[t.name], sp.Integer(0))
    for u in e.unknowns:
        found[sp.Symbol(u.name, real=True)] = symbols[f"{e.name}:{u.name}"]
    for p, value in e.values.items():
        found[sp.Symbol(p, real=True)] = sp.sympify(parameters.get((e.name, p), sp.Rational(repr(value))))
    return found
