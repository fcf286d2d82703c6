"""Exact first derivatives of answers against every parameter, by the adjoint of the solved system.

With F(x, p) = 0 and an answer y(x, p): dy/dp = ∂y/∂p - λᵀ ∂F/∂p, where Jᵀ λ = ∂y/∂x. One transposed solve a sample
serves all parameters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.operating import Solved

__all__ = ["Answer", "adjoint", "current_answer", "sensitivities", "voltage_answer"]

Array = NDArray[np.float64]


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


def sensitivities(solved: Solved, answer: Answer, turned: Array | None = None) -> list[Array]:
    """Give dy/dp for every parameter: one array a group, (parameters, elements, batch).

    turned: what `adjoint` gives for the answer, if it is at hand. Samples whose matrix is singular give NaN.
    """
    turned = adjoint(solved, answer.by_x) if turned is None else turned
    found = []
    for g, group in enumerate(solved.system.groups):
        pairs, kernel = group.statement.by_parameter
        total = np.zeros((len(group.statement.parameters), len(group.names), solved.size))
        if g in answer.by_parameter:
            total += answer.by_parameter[g]
        if pairs:
            slopes = np.empty((len(pairs), len(group.names), solved.size))
            with np.errstate(all="ignore"):
                kernel(solved.laws.inputs(g, solved.x), slopes)
            for (row, parameter), slope in zip(pairs, slopes, strict=True):
                total[parameter] -= turned[group.writes[row]] * slope
        found.append(total)
    return found


def adjoint(solved: Solved, by_x: Array) -> Array:
    """Solve Jᵀ λ = ∂y/∂x, by_x of (rows, batch).

    Gives λ by balance: by how much the answer rises for each unit that leaves that balance beside its own flows, with the
    sign turned; with a last row of zeros for the balances of given nodes (index -1). NaN where nothing was accepted.
    """
    plan = solved.compiled.plan(solved.frozen)
    _, slopes = solved.laws(solved.x)
    found = plan.solve_transposed(plan.cells(slopes), by_x[plan.free])
    found[:, ~solved.solution.accepted] = np.nan
    out = np.zeros((len(solved.system.variables) + 1, solved.size))
    out[plan.free] = found
    return out
