"""What can be looked at along an orbit: voltages, currents and other outputs of elements, as lines in the states."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from circuitsim.engine.switching import LinearMode, Spread, Switching
from circuitsim.engine.system import Evaluator, System
from circuitsim.engine.waveforms import Outputs

__all__ = ["element_outputs", "flow_outputs", "mean_flows", "mean_outputs", "plain_output", "voltage_outputs"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Lines = Sequence[LinearMode]
Look = Callable[[System, Evaluator, Array], tuple[tuple[str, ...], Array]]


def voltage_outputs(lines: Lines, red: Index, black: Index) -> Outputs:
    """Voltages between rows of x, which may differ from sample to sample; red, black: (p,) or (p, B)."""
    return Outputs(
        np.array([_rows(line.slope, red) - _rows(line.slope, black) for line in lines]),
        np.array([_rows(line.origin, red) - _rows(line.origin, black) for line in lines]),
    )


def _rows(x: Array, rows: Index) -> Array:
    """Give rows of x, one choice for all samples or one a sample: (p, …, B)."""
    if rows.ndim == 1:
        return x[rows]
    return np.moveaxis(x[rows, ..., np.arange(rows.shape[1])], 1, -1)


def element_outputs(switching: Switching, laws: Sequence[Evaluator], lines: Lines, element: str, name: str) -> Outputs:
    """Give an output of an element, such as its current; one that all modes have and that is linear in the states."""
    return _straight(switching, laws, lines, lambda s, e, x: _outputs(s, e, element, x), name)


def plain_output(system: System, laws: Evaluator, element: str, name: str, x: Array) -> Array:
    """Give an output of an element at x, (B,)."""
    names, values = _outputs(system, laws, element, x)
    return np.asarray(values[names.index(name)])


def flow_outputs(switching: Switching, laws: Sequence[Evaluator], lines: Lines, element: str, terminal: str) -> Outputs:
    """Give the current into an element at a terminal."""
    return _straight(switching, laws, lines, lambda s, e, x: _flows(s, e, element, x), terminal)


def _straight(switching: Switching, laws: Sequence[Evaluator], lines: Lines, look: Look, name: str) -> Outputs:
    slopes, levels = [], []
    for system, law, line in zip(switching.systems, laws, lines, strict=True):
        names, values = look(system, law, line.origin)
        at = names.index(name)
        levels.append(values[at])
        beside = [look(system, law, line.origin + line.slope[:, k])[1][at] - values[at] for k in range(switching.n)]
        slopes.append(np.array(beside).reshape(switching.n, values.shape[1]))
    return Outputs(np.array(slopes)[:, None], np.array(levels)[:, None])


def mean_outputs(
    switching: Switching, laws: Sequence[Evaluator], spreads: Sequence[Spread], share: Array, element: str
) -> dict[str, Array]:
    """Average of each output of an element that all modes have, over the period."""
    return _averaged(switching, laws, spreads, share, lambda s, e, x: _outputs(s, e, element, x))


def mean_flows(
    switching: Switching, laws: Sequence[Evaluator], spreads: Sequence[Spread], share: Array, element: str
) -> dict[str, Array]:
    """Average of the through variable at each terminal of an element that has one, over the period."""
    return _averaged(switching, laws, spreads, share, lambda s, e, x: _flows(s, e, element, x))


def _averaged(
    switching: Switching, laws: Sequence[Evaluator], spreads: Sequence[Spread], share: Array, look: Look
) -> dict[str, Array]:
    found: dict[str, Array] = {}
    shared: set[str] | None = None
    for system, law, spread, part in zip(switching.systems, laws, spreads, share, strict=True):
        looks = [look(system, law, x) for x in spread.points()]
        values = np.mean([v for _, v in looks], axis=0)
        names = looks[0][0]
        shared = set(names) if shared is None else shared & set(names)
        for name, value in zip(names, values, strict=True):
            found[name] = found.get(name, 0.0) + np.where(part > 0, part * value, 0.0)
    return {name: value for name, value in found.items() if shared is not None and name in shared}


def _outputs(system: System, laws: Evaluator, element: str, x: Array) -> tuple[tuple[str, ...], Array]:
    g, k = system.place[element]
    names, kernel = system.groups[g].statement.outputs
    out = np.empty((len(names), len(system.groups[g].names), x.shape[1]))
    kernel(laws.inputs(g, x), out)
    return names, out[:, k]


def _flows(system: System, laws: Evaluator, element: str, x: Array) -> tuple[tuple[str, ...], Array]:
    g, k = system.place[element]
    statement = system.groups[g].statement
    out = np.empty((len(statement.rows), len(system.groups[g].names), x.shape[1]))
    statement.residual(laws.inputs(g, x), out)
    return statement.rows, out[:, k]
