"""Solved points and what can be asked of them: voltages, currents, speeds, temperatures, outputs, verdicts."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.elements.base import Domain
from circuitsim.engine.operating import Compiled, Solved, compile_netlist
from circuitsim.engine.system import Values
from circuitsim.engine.verdicts import NO_READING, STANDING, find_verdicts, limit_breaches
from circuitsim.errors import InputError, SolveError, UnknownNameError, shown
from circuitsim.network import Netlist

__all__ = ["Point", "Points", "solve", "solve_batch"]

Array = NDArray[np.float64]
_METHODS = (
    "Newton from rest",
    "narrowing widths from rest",
    "settling in time from rest",
    "predicted from the nominal point",
    "periodic steady state from rest",
    "averaged over a period: the stage's current limit acts",
    "no periodic steady state found",
)
_NO_ORBIT = len(_METHODS) - 1  # the averaged point is there, the orbit about it is not
_RESOLVED = 1e-3  # Ω; below this (a - b)/R loses digits and a balance is the better source of a current


class Points:
    """A solved batch. Every answer is an array with one entry a sample, NaN where the point was not accepted.

    A point that was accepted but is no reading (see `valid`) answers with its numbers, for those who look why.

    Attributes
    ----------
    residual : array
        Backward error of each point: max |balance| over the sum of its terms' sizes.
    iterations : array
        Newton corrections spent.
    accepted : array of bool
        Whether the acceptance rule holds; where it does not, there is no operating point.
    """

    def __init__(self, solved: Solved) -> None:
        self.solved = solved
        self.system = solved.system
        solution = solved.solution
        for array in (solution.x, solution.residual, solution.iterations, solution.accepted):
            array.flags.writeable = False
        self.residual, self.correction = solution.residual, solution.correction
        self.iterations, self.accepted = solution.iterations, solution.accepted

    @property
    def size(self) -> int:
        """Number of samples."""
        return self.solved.size

    @cached_property
    def verdicts(self) -> tuple[str, ...]:
        """What each point is: running, stalled, locked, at rest, steady, or why it is no reading.

        'runs away at X' and 'outside validity at X' are points at which a law no longer holds; 'unstable' is a point
        that a disturbance would leave; 'unconverged' one that was not accepted.
        """
        return find_verdicts(self.solved)

    @cached_property
    def valid(self) -> NDArray[np.bool_]:
        """Whether each point may serve as a reading."""
        return np.array([not v.startswith(NO_READING) for v in self.verdicts], dtype=bool)

    @cached_property
    def sound(self) -> NDArray[np.bool_]:
        """Whether each point is accepted and every law holds there: `valid` but for stability, which large batches skip."""
        sound = self.accepted.copy()
        sound[list(limit_breaches(self.solved))] = False
        return sound

    @property
    def branches(self) -> tuple[str, ...]:
        """How each point was reached from rest at ambient."""
        if self.solved.stopped is not None:  # followed in time
            return (self.solved.heat,) * self.size
        return tuple(f"{_METHODS[m]}; {self.solved.heat}" for m in self.solved.method)

    def _row(self, node: str, domain: Domain) -> Array:
        known = self.system.domains
        found = node if node in known else self.system.net.node(node)
        if known[found] is not domain:
            raise InputError(f"node {node!r} is {known[found].name.lower()}, not {domain.name.lower()}", key=node)
        return np.where(self.accepted, self.solved.x[self.system.index[found]], np.nan)

    def voltage(self, red: str, black: str | None = None) -> Array:
        """Voltage of node `red` against `black` (ground unless given), V."""
        black = self.system.net.ground if black is None else black
        volts: Array = self._row(red, Domain.ELECTRICAL) - self._row(black, Domain.ELECTRICAL)
        return volts

    def speed(self, shaft: str) -> Array:
        """Speed of a shaft, rad/s; below breakaway it stands still, and is 0."""
        speed = self._row(shaft, Domain.ROTATIONAL)
        return np.where(np.abs(speed) < STANDING, 0.0, speed)

    def temperature(self, body: str) -> Array:
        """Temperature of a body, °C."""
        return self._row(body, Domain.THERMAL)

    def output(self, element: str, name: str) -> Array:
        """Give a named output of an element, such as ``("M1", "back emf")``, in its SI unit."""
        outputs = self.outputs(element)
        if name not in outputs:
            raise UnknownNameError(f"output of {element}", name, list(outputs))
        return outputs[name]

    def outputs(self, element: str) -> dict[str, Array]:
        """Give all outputs of an element: name → array; `source power` and `heat` among them, W."""
        if element not in self.system.place:
            self.system.net.element(element)
            return {"current": self.current(element)}
        g, k = self.system.place[element]
        names, kernel = self.system.groups[g].statement.outputs
        out = np.empty((len(names), len(self.system.groups[g].names), self.size))
        kernel(self.solved.laws.inputs(g, self.solved.x), out)
        out[:, :, ~self.accepted] = np.nan
        return dict(zip(names, out[:, k], strict=True))

    def current(self, element: str) -> Array:
        """Current through an element from its first end to its second, A (into the first terminal).

        Near a short it comes from the balance at one of its nodes, since (a - b)/R would lose digits there.
        """
        if element in self.system.place and not self._near_short(element):
            outputs = self.outputs(element)
            if "current" not in outputs:
                raise InputError(f"{element} has no current of its own", key=element)
            return outputs["current"]
        return self._balanced(element)

    def _near_short(self, element: str) -> bool:
        e = self.system.net.elements[element]
        if e.shorts_below is None:
            return False
        g, p, k = self.system.column(element, e.shorts_below)
        return bool((self.solved.laws.parameters[g][p, k] < _RESOLVED).any())

    def _balanced(self, element: str) -> Array:
        """Sum the other flows at whichever end has no second short on it."""
        net = self.system.net
        e = net.element(element)
        if e.ends is None:
            raise InputError(f"{element} has no current of its own", key=element)
        for end, sign in zip(e.ends, (-1.0, 1.0), strict=True):
            node = e.nodes[end]
            others = [
                (o, t.name) for o in net.elements.values() for t in o.terminals
                if o.nodes[t.name] == node and o.name != element
            ]  # fmt: skip
            if node != net.ground and all(o.name in self.system.place and not self._near_short(o.name) for o, _ in others):
                return sign * sum((self.flow(o.name, t) for o, t in others), np.zeros(self.size))
        if element in self.system.place:
            return self.outputs(element)["current"]
        raise InputError(f"the share of {element} in a group of dead shorts is not determined", key=element)

    def flow(self, element: str, terminal: str) -> Array:
        """Through variable into an element at one of its terminals: A, N·m or W."""
        flows = self.flows(element)
        if terminal not in flows:
            raise UnknownNameError(f"terminal of {element}", terminal, list(flows))
        return flows[terminal]

    def flows(self, element: str) -> dict[str, Array]:
        """Give the through variables into an element at all its terminals."""
        self.system.net.element(element)
        if element not in self.system.place:
            raise InputError(f"{element} is a dead short here; ask for its current", key=element)
        g, k = self.system.place[element]
        group = self.system.groups[g]
        statement = group.statement
        out = np.empty((len(statement.rows), len(group.names), self.size))
        statement.residual(self.solved.laws.inputs(g, self.solved.x), out)
        terminals = {t.name for t in statement.element.terminals}
        found = {r: out[j, k] for j, r in enumerate(statement.rows) if r in terminals}
        return {t: found.get(t, np.zeros(self.size)) for t in (t.name for t in statement.element.terminals)}

    def require(self, condition: str = "") -> None:
        """Raise SolveError, naming circuit, condition and worst node, if any point was not accepted."""
        lost = np.flatnonzero(~self.accepted)
        lost = lost[[self.verdicts[k] == "unconverged" for k in lost]] if lost.size else lost
        if lost.size:
            what = "no periodic state" if self.solved.method[lost[0]] == _NO_ORBIT else "no operating point"
            raise SolveError(
                f"{what} for {lost.size} of {self.size} samples" if self.size > 1 else what,
                circuit=self.system.net.name,
                condition=condition or None,
                worst=self.worst(int(lost[0])),
                residual=float(self.residual[lost[0]]),
            )

    def worst(self, sample: int) -> str:
        """Name the balance that is worst at a sample."""
        plan = self.solved.compiled.plan(self.solved.frozen)
        x = self.solved.x[:, sample : sample + 1]
        entries, slopes = self.solved.laws.take(slice(sample, sample + 1))(x)
        with np.errstate(all="ignore"):
            error = np.abs(plan.balances(entries)) / (plan.scale(entries, slopes, x) + 1e-300)
        return self.system.variables[int(plan.free[int(np.argmax(np.nan_to_num(error[:, 0], nan=np.inf)))])]


class Point:
    """One solved point: as `Points`, with plain floats."""

    def __init__(self, points: Points, sample: int = 0) -> None:
        self.points, self.sample = points, sample

    def __repr__(self) -> str:
        """Show the verdict and how it was reached."""
        return f"<Point of {self.points.system.net.name}: {self.verdict}; {self.branch}>"

    @property
    def residual(self) -> float:
        """Backward error."""
        return float(self.points.residual[self.sample])

    @property
    def iterations(self) -> int:
        """Newton corrections spent."""
        return int(self.points.iterations[self.sample])

    @property
    def verdict(self) -> str:
        """What the point is (see `Points.verdicts`)."""
        return self.points.verdicts[self.sample]

    @property
    def branch(self) -> str:
        """How the point was reached."""
        return self.points.branches[self.sample]

    def voltage(self, red: str, black: str | None = None) -> float:
        """Voltage of `red` against `black` (ground unless given), V."""
        return float(self.points.voltage(red, black)[self.sample])

    def current(self, element: str) -> float:
        """Current through an element from its first end to its second, A."""
        return float(self.points.current(element)[self.sample])

    def speed(self, shaft: str) -> float:
        """Speed of a shaft, rad/s."""
        return float(self.points.speed(shaft)[self.sample])

    def temperature(self, body: str) -> float:
        """Temperature of a body, °C."""
        return float(self.points.temperature(body)[self.sample])

    def output(self, element: str, name: str) -> float:
        """Give a named output of an element, in its SI unit."""
        return float(self.points.output(element, name)[self.sample])

    def flow(self, element: str, terminal: str) -> float:
        """Through variable into an element at a terminal: A, N·m or W."""
        return float(self.points.flow(element, terminal)[self.sample])


def solve_batch(net: Netlist | Compiled, values: Values | None = None, **options: Any) -> Points:
    """Solve a batch; see `Compiled.solve` for `values` and options. Raises nothing for points that are not accepted.

    For a circuit with a chopping stage the points are `PeriodicPoints`: averages of the periodic steady state.
    """
    from circuitsim.engine.periodic_points import periodic_points  # it knows of these points

    compiled = net if isinstance(net, Compiled) else compile_netlist(net)
    return periodic_points(compiled, values, **options)


def solve(net: Netlist, *, ambient: float = 20.0, frozen: bool = False) -> Point:
    """Solve a netlist for the operating point that it reaches from rest at ambient.

    Parameters
    ----------
    net : Netlist
        Checked first (`Netlist.check`).
    ambient : float
        Temperature of the surroundings, °C.
    frozen : bool
        Keep all bodies at ambient: the state right after switching on.

    Raises
    ------
    NetworkError
        The graph can't be right.
    SolveError
        No point passes the acceptance rule; names the worst node.
    """
    if not isinstance(net, Netlist):
        raise InputError(f"{shown(net)} is no Netlist; cs.predict takes a circuit", key="net")
    net.check()
    points = solve_batch(net, ambient=ambient, frozen=frozen)
    points.require("warm" if not frozen else "cold")
    return Point(points)
