"""Circuits read once a run, variants of them with other parts, and whole batches of them solved with no meter on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import circuitsim as cs
from circuitsim.elements import Element
from circuitsim.engine.operating import Compiled, compile_netlist
from circuitsim.engine.points import Points
from circuitsim.measure.conditions import Conditions, make_bench
from circuitsim.measure.readings import step_values

Load = Callable[[str], cs.Circuit]
Variant = Callable[..., cs.Circuit]
Solve = Callable[..., Points]
ChartOf = Callable[[str], cs.Chart]


@cache
def _load(name: str) -> cs.Circuit:
    return cs.load(name)


@pytest.fixture
def load() -> Load:
    """Give a circuit by name; nobody changes it."""
    return _load


@cache
def _chart(name: str) -> cs.Chart:
    return cs.predict(_load(name))


@pytest.fixture
def chart_of() -> ChartOf:
    """Give the standard chart of a circuit by name."""
    return _chart


def _variant(
    circuit: cs.Circuit,
    values: Mapping[tuple[str, str], Any] | None = None,
    *,
    add: Iterable[Element] = (),
    without: Iterable[str] = (),
    moved: Mapping[tuple[str, str], str] | None = None,
) -> cs.Circuit:
    """Give the circuit with some parameters replaced, elements added or left out, terminals moved to other nodes."""
    net = circuit.net.copy(without=without)
    for (name, parameter), value in (values or {}).items():
        net.elements[name] = net.elements[name].replaced(**{parameter: value})
    for (name, terminal), node in (moved or {}).items():
        net.elements[name].nodes[terminal] = node
    for element in add:
        net.add(element)
    tables = {key: t for key, t in circuit.step_tables.items() if key[0] in net.elements and key not in (values or {})}
    return replace(circuit, net=net, step_tables=tables)


@pytest.fixture
def variant() -> Variant:
    """Give the maker of variants."""
    return _variant


def _solve(
    circuit: cs.Circuit,
    steps: str | Iterable[str] = (),
    *,
    values: Mapping[tuple[str, str], Any] | None = None,
    unplug: Iterable[str] = (),
    fit: Iterable[str] = (),
    extra: Iterable[Element] = (),
    **conditions: Any,
) -> Points:
    """Solve the steps (all, or one for a sweep of `values`) under conditions; every point must be accepted."""
    wanted = (steps,) if isinstance(steps, str) else tuple(steps) or circuit.steps
    state = Conditions.read(circuit, unplug=unplug, fit=fit, **conditions)
    bench = make_bench(circuit, state.unplugged, state.fitted, extra)
    size = max([len(wanted), *(np.size(v) for v in (values or {}).values())])
    steps_of = list(wanted) if len(wanted) == size else list(wanted) * size
    given = {**step_values(circuit, [(s, state) for s in steps_of]), **(values or {})}
    given = {key: v for key, v in given.items() if key[0] in bench.net.elements}
    points = Points(compile_netlist(bench.net).solve(given, ambient=state.ambient, frozen=state.since == "cold", size=size))
    points.require(state.sentence())
    return points


@pytest.fixture
def solve() -> Solve:
    """Give the solver of whole batches."""
    return _solve


def _tolerances(circuit: cs.Circuit, step: str) -> dict[tuple[str, str], tuple[float, Any]]:
    """Give every uncertain parameter at a step: (element, parameter) → nominal, tolerance."""
    found = {
        (name, parameter): (e.values[parameter], tolerance)
        for name, e in circuit.net.elements.items()
        for parameter, tolerance in e.tolerances.items()
        if (name, parameter) not in circuit.step_tables
    }
    k = circuit.step_index(step)
    for key, table in circuit.step_tables.items():
        if table.tolerances[k] is not None:
            found[key] = (table.values[k], table.tolerances[k])
    return found


def _drawn(circuit: cs.Circuit, step: str, size: int, rng: np.random.Generator) -> dict[tuple[str, str], Any]:
    """Draw every uncertain parameter from its own distribution, held to the range that its kind accepts."""
    values: dict[tuple[str, str], NDArray[np.float64]] = {}
    for (name, parameter), (nominal, tolerance) in _tolerances(circuit, step).items():
        if tolerance.kind == "lognormal":
            found = nominal * np.exp(tolerance.log_sigma * rng.standard_normal(size))
        elif tolerance.kind == "normal":
            found = nominal + tolerance.standard(nominal) * rng.standard_normal(size)
        else:
            found = nominal + np.sqrt(3.0) * tolerance.standard(nominal) * rng.uniform(-1, 1, size)
        p = circuit.net.elements[name].parameter(parameter)
        values[name, parameter] = np.clip(found, p.low, p.high)
    return values


@pytest.fixture
def drawn() -> Callable[..., dict[tuple[str, str], Any]]:
    """Give the maker of random parameter sets within the tolerances."""
    return _drawn


def _plain(circuit: cs.Circuit) -> Compiled:
    return compile_netlist(make_bench(circuit).net)


@pytest.fixture
def plain() -> Callable[[cs.Circuit], Compiled]:
    """Compile a circuit, all plugged and nothing fitted."""
    return _plain
