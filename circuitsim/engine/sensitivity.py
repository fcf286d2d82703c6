"""Exact first derivatives of answers against every parameter, by the adjoint of the solved system.

With F(x, p) = 0 and an answer y(x, p): dy/dp = ∂y/∂p - λᵀ ∂F/∂p, where Jᵀ λ = ∂y/∂x. One transposed solve a sample
serves all parameters. A resistance that an element sees (see `matching`) moves with the parameters of its line, and with it y:
exactly where the line is linear and has one such element.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.matching import Line, line_plan, lines
from circuitsim.engine.operating import Solved
from circuitsim.engine.system import Evaluator

__all__ = ["Answer", "adjoint", "current_answer", "sensitivities", "voltage_answer", "with_lines"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True)
class Answer:
    """A quantity read off each sample of a batch.

    value: (batch,); by_x: slope against every row of x, (rows, batch); by_parameter: explicit slopes against
    parameters, group → (parameters, elements, batch).
    """

    value: Array
    by_x: Array
    by_parameter: dict[int, Array]


def voltage_answer(solved: Solved, red: NDArray[np.intp], black: NDArray[np.intp]) -> Answer:
    """Voltage between two rows of x, which may differ from sample to sample; red, black: (batch,)."""
    samples = np.arange(solved.size)
    slope = np.zeros_like(solved.x)
    np.add.at(slope, (red, samples), 1.0)
    np.add.at(slope, (black, samples), -1.0)
    return Answer(solved.x[red, samples] - solved.x[black, samples], slope, {})


def current_answer(solved: Solved, element: str, output: str = "current") -> Answer:
    """Give an output of an element as an answer, with its explicit parameter slopes."""
    system = solved.system
    g, k = system.place[element]
    group = system.groups[g]
    names, kernel = group.statement.outputs
    inputs = solved.laws.inputs(g, solved.x)
    values = np.empty((len(names), len(group.names), solved.size))
    kernel(inputs, values)
    wanted, slope_kernel = group.statement.output_kernel(output)
    slopes = np.empty((len(wanted), len(group.names), solved.size))
    slope_kernel(inputs, slopes)
    by_x = np.zeros_like(solved.x)
    explicit = np.zeros((len(group.statement.parameters), len(group.names), solved.size))
    for name, slope in zip(wanted, slopes, strict=True):
        if name in group.statement.variables:
            by_x[group.reads[group.statement.variables.index(name), k]] += slope[k]
        else:
            explicit[group.statement.parameters.index(name), k] += slope[k]
    return Answer(values[names.index(output), k], by_x, {g: explicit})


def sensitivities(solved: Solved, answer: Answer, turned: Array | None = None, owner: Index | None = None) -> list[Array]:
    """Give dy/dp for every parameter: one array a group, (parameters, elements, answers).

    turned: what `adjoint` gives for the answer, if it is at hand; owner: the sample that each answer is of, by default one
    answer a sample. Samples whose matrix is singular give NaN.
    """
    turned = adjoint(solved, answer.by_x, owner) if turned is None else turned
    totals = _summed(solved.laws, solved.x, turned, owner)
    for g, explicit in answer.by_parameter.items():
        totals[g] += explicit
    return with_lines(solved.laws, solved.x, totals, owner)


def _summed(laws: Evaluator, x: Array, turned: Array, owner: Index | None = None) -> list[Array]:
    """Give -λᵀ ∂F/∂p for every parameter at x; turned: λ by balance, the last for given nodes; owner: see `sensitivities`."""
    found = []
    for g, group in enumerate(laws.system.groups):
        pairs, kernel = group.statement.by_parameter
        total = np.zeros((len(group.statement.parameters), len(group.names), turned.shape[1]))
        if pairs:
            slopes = np.empty((len(pairs), len(group.names), laws.size))
            with np.errstate(all="ignore"):
                kernel(laws.inputs(g, x), slopes)
            for (row, parameter), slope in zip(pairs, slopes, strict=True):
                total[parameter] -= turned[group.writes[row]] * (slope if owner is None else slope[:, owner])
        found.append(total)
    return found


def with_lines(laws: Evaluator, x: Array, totals: list[Array], owner: Index | None = None) -> list[Array]:
    """Give slopes (changed in place) with what parameters do by way of the resistances that elements see at points x.

    What an element is given as that resistance is a first guess, so that its own slope becomes 0. owner: see `sensitivities`.
    """
    for line in lines(laws.system):
        g, p, k = line.resistance
        by_resistance = totals[g][p, k].copy()
        totals[g][p, k] = 0.0
        for total, slopes in zip(totals, _resistance_slopes(line, laws, x), strict=True):
            total += by_resistance * (slopes if owner is None else slopes[..., owner])
    return totals


def _resistance_slopes(line: Line, laws: Evaluator, x: Array) -> list[Array]:
    """Give dR/dp of the resistance that an element sees, for every parameter.

    R = eᵀ J⁻¹ e of its line's nodes, so dR/dp = -wᵀ ∂J/∂p u with u = J⁻¹ e and w = J⁻ᵀ e. Flows being straight lines in the
    voltages there, ∂J/∂p u is what ∂F/∂p changes by when the voltages do by u; u is taken so small that it is a volt at most.
    """
    plan, idled = line_plan(laws.system, line.element), line.idled(laws)
    lifted, by_balance = (line.across(plan, laws, x, back=back) for back in (False, True))
    volt = 1 / np.maximum(np.abs(lifted).max(axis=0, initial=0.0), 1e-300)
    weights = np.zeros((len(laws.system.variables) + 1, laws.size))
    weights[plan.free] = by_balance
    moved = x.copy()
    moved[plan.free] += lifted * volt
    changes = [(a - b) / volt for a, b in zip(*(_summed(idled, at, weights) for at in (moved, x)), strict=True)]
    ohms = laws.number(line.resistance)
    free = (ohms > line.low) & (ohms < line.high)  # at a bound it stays
    for change in changes:
        change[..., ~free] = 0.0
    g, p, k = line.idle
    changes[g][p, k] = 0.0  # held at 0 while R is taken
    return changes


def adjoint(solved: Solved, by_x: Array, owner: Index | None = None) -> Array:
    """Solve Jᵀ λ = ∂y/∂x, by_x of (rows, answers); owner: the sample that each answer is of, by default one answer a sample.

    Gives λ by balance: by how much the answer rises for each unit that leaves that balance beside its own flows, with the
    sign turned; with a last row of zeros for the balances of given nodes (index -1). NaN where nothing was accepted.
    """
    plan = solved.compiled.plan(solved.frozen)
    _, slopes = solved.laws(solved.x)
    found = plan.solve_transposed(plan.cells(slopes), by_x[plan.free], owner)
    found[:, ~(solved.solution.accepted if owner is None else solved.solution.accepted[owner])] = np.nan
    out = np.zeros((len(solved.system.variables) + 1, by_x.shape[1]))
    out[plan.free] = found
    return out
