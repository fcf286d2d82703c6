"""What an element is: terminals, parameters, unknowns of its own, and ONE statement of its physics.

A law is written once, as sympy expressions: the through variable INTO the element at each terminal, one balance (= 0)
for each unknown of its own, and the stored quantity behind each row that stores. All else (numeric functions, exact
Jacobian, parameter derivatives, formulas) is derived from it by the engine.

Signs: a current, torque or heat flow is positive INTO the element at that terminal; at every node they sum to zero.
Units: V, A, rad/s, N·m, °C, W; parameters in the SI unit each declares.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, ClassVar

from circuitsim.errors import InputError, NetworkError, UnknownNameError
from circuitsim.quantities import Tolerance, format_quantity, parse_with_tolerance

__all__ = [
    "Domain", "Element", "Law", "Limit", "Modes", "Parameter", "Seen", "Symbols", "Terminal", "Unknown",
    "electrical", "element_kinds", "rotational", "thermal",
]  # fmt: skip

Expr = Any


class Domain(Enum):
    """A physical domain: (across unit, through unit, name of the reference node)."""

    ELECTRICAL = ("V", "A", "GND")
    ROTATIONAL = ("rad/s", "N·m", "frame")
    THERMAL = ("°C", "W", "ambient")

    @property
    def reference(self) -> str:
        """Name of the node whose across value is given: 0 V, 0 rad/s, the ambient temperature."""
        return self.value[2]


@dataclass(frozen=True)
class Terminal:
    """A place where an element joins a node.

    `default` says where it goes when nobody names a node: None (must be named), "own" (a private node called
    NAME.terminal) or the name of a node.
    """

    name: str
    domain: Domain
    default: str | None = None


def electrical(name: str, default: str | None = None) -> Terminal:
    """Make an electrical terminal."""
    return Terminal(name, Domain.ELECTRICAL, default)


def rotational(name: str, default: str | None = None) -> Terminal:
    """Make a shaft terminal."""
    return Terminal(name, Domain.ROTATIONAL, default)


def thermal(name: str, default: str | None = "own") -> Terminal:
    """Make a heat terminal; by default on a private node."""
    return Terminal(name, Domain.THERMAL, default)


@dataclass(frozen=True)
class Parameter:
    """A number in a law.

    unit: SI unit; default: a value, a function of the values given so far, or None when it must be given;
    low, high: accepted range, ends included; state: a mode (0/1) that conditions set and that has no tolerance;
    meaning: what it is, and where the default comes from.
    """

    name: str
    unit: str
    meaning: str
    default: float | Callable[[Mapping[str, float]], float] | None = None
    low: float = 0.0
    high: float = float("inf")
    state: bool = False


@dataclass(frozen=True)
class Unknown:
    """An unknown of an element's own, with one balance row.

    pivot: terminals whose node variable the balance can be solved for (coefficient never zero), for when the
    balance may not depend on the unknown itself; empty when the balance's own slope is never zero.
    """

    name: str
    unit: str
    meaning: str
    pivot: tuple[str, ...] = ()


@dataclass(frozen=True)
class Limit:
    """A range in which a law holds: `value` must lie in [low, high]; outside, a point is a verdict, not a reading.

    lasting: for how long the range may be left, s, in a course of time; a steady state may not leave it at all.
    """

    what: str
    value: Expr
    low: Expr
    high: Expr
    lasting: float = 0.0


@dataclass(frozen=True)
class Law:
    """The physics of one element (see the module's text).

    flows: terminal → through variable into the element (terminals left out carry none);
    balances: unknown → expression that is zero; stores: terminal or unknown → stored quantity whose time
    derivative adds to that row; outputs: name → (expression, unit) worth reporting; limits: validity;
    source_power: power that enters from outside the three domains (chemistry, a generator's engine), W;
    heat: power turned into heat that no heat terminal carries, W.
    """

    flows: Mapping[str, Expr]
    balances: Mapping[str, Expr] = field(default_factory=dict)
    stores: Mapping[str, Expr] = field(default_factory=dict)
    outputs: Mapping[str, tuple[Expr, str]] = field(default_factory=dict)
    limits: tuple[Limit, ...] = ()
    source_power: Expr = 0
    heat: Expr = 0


class Symbols:
    """The symbols of a law by name: across variables, unknowns, parameters, and `smooth` (factor of all widths)."""

    def __init__(self, symbols: Mapping[str, Expr]) -> None:
        self._symbols = dict(symbols)

    def __getattr__(self, name: str) -> Expr:
        """Give the symbol of that name."""
        try:
            return self._symbols[name]
        except KeyError:
            raise AttributeError(f"the law uses {name!r}, which is no terminal, unknown or parameter") from None

    def __getitem__(self, name: str) -> Expr:
        """Give the symbol of that name."""
        return self._symbols[name]


@dataclass(frozen=True)
class Modes:
    """How an element that switches with a period behaves between two switchings, for the periodic steady state.

    laws: mode → class with the same terminals, parameters and unknown, whose law holds in that mode: affine in voltages and
    currents (its second derivatives are zero, which a test checks), the unknown being the current drawn at the terminal
    `through`. mean: such a class whose law is about the average of the modes, for Newton's steps. guards: mode → pairs
    (output of that law which is not negative while the mode lasts, mode that follows it). phases: the stretches of a
    period, the first with the switch on, each as the modes in which it may begin, in order of preference. share: output of
    `mean` with the share of the first phase. frequency: parameter, Hz. strongest: parameter with the largest current that
    the modes hold for, A.
    """

    laws: Mapping[str, type[Element]]
    mean: type[Element]
    guards: Mapping[str, tuple[tuple[str, str], ...]]
    phases: tuple[tuple[str, ...], ...]
    share: str = "duty"
    frequency: str = "frequency"
    strongest: str = "current_limit"
    through: str = "low"


@dataclass(frozen=True)
class Seen:
    """An element whose law asks for the resistance that all else shows between its two ends.

    resistance: the parameter that is it, which the engine finds for every point; its value in files is the first guess.
    idle: the parameter whose value is 0 while that resistance is taken, so that the element itself shows no more than what it
    always does.
    """

    resistance: str
    idle: str


_KINDS: dict[str, type[Element]] = {}


def element_kinds() -> dict[str, type[Element]]:
    """List every element class by the kind word that circuit files use (found by existing, not by registration)."""
    return dict(_KINDS)


class Element:
    """Base of all elements. A subclass declares `kind`, `terminals`, `parameters`, `unknowns` and `law`.

    Parameters
    ----------
    name : str
        Unique in a netlist, such as ``W1`` or ``X4.A``.
    *nodes : str
        Nodes for the terminals in their order; may be left out for a chain, which fills the two ends.
    **values : float | str
        A node for a terminal, or a value for a parameter: SI float, or text with unit and tolerance
        ("10 Ω ±5 %").

    Raises
    ------
    UnknownNameError
        A keyword that is neither terminal nor parameter.
    InputError
        A missing parameter, or one outside its accepted range (QuantityError when it can't be read).
    NetworkError
        More nodes than terminals.
    """

    kind: ClassVar[str] = ""
    terminals: ClassVar[tuple[Terminal, ...]] = ()
    parameters: ClassVar[tuple[Parameter, ...]] = ()
    unknowns: ClassVar[tuple[Unknown, ...]] = ()
    conducts: ClassVar[tuple[tuple[str, str], ...]] = ()
    """Pairs of electrical terminals between which direct current can pass (for the graph checks)."""
    ends: ClassVar[tuple[str, str] | None] = None
    """The two terminals that a chain joins, in the direction of walking."""
    shorts_below: ClassVar[str | None] = None
    """Name of a resistance parameter; under 1 µΩ the two end nodes are merged."""
    joins: ClassVar[bool] = False
    """Whether it is a wire or a joint, on whose other side a line goes on."""
    seen: ClassVar[Seen | None] = None
    """What an element between two ends has to know about all else (see `Seen`); None for most."""

    def __init_subclass__(cls, **kwargs: Any) -> None:
        """Enter the class under its kind."""
        super().__init_subclass__(**kwargs)
        if "kind" in cls.__dict__ and cls.kind:
            _KINDS[cls.kind] = cls

    def __init__(self, name: str, *nodes: str, **values: Any) -> None:
        if not name or not isinstance(name, str) or any(c in name for c in ":/|, \n"):
            raise NetworkError(f"element name {name!r} must be text without spaces and without : / | ,", part=name)
        self.name = name
        self.nodes = self._place(nodes, values)
        self.values, self.tolerances = self._read(values)
        self.details: dict[str, str] = {}

    @staticmethod
    def law(s: Symbols) -> Law:
        """State the physics; to be written by each subclass."""
        raise NotImplementedError

    @classmethod
    def modes(cls) -> Modes | None:
        """Declare the modes of an element that switches with a period; None for all others."""
        return None

    @classmethod
    def prepare(cls, values: dict[str, Any]) -> dict[str, Any]:
        """Turn other ways of giving the values into the declared parameters (none here)."""
        return values

    @classmethod
    def terminal(cls, name: str) -> Terminal:
        """Give the terminal of that name."""
        return next(t for t in cls.terminals if t.name == name)

    @classmethod
    def parameter(cls, name: str) -> Parameter:
        """Give the parameter of that name; UnknownNameError when there is none."""
        for parameter in cls.parameters:
            if parameter.name == name:
                return parameter
        raise UnknownNameError(f"parameter of {cls.kind}", name, [p.name for p in cls.parameters])

    def _place(self, nodes: tuple[str, ...], values: dict[str, Any]) -> dict[str, str]:
        if len(nodes) > len(self.terminals):
            raise NetworkError(
                f"{self.name}: {len(nodes)} nodes for the {len(self.terminals)} terminals of a {self.kind}",
                part=self.name,
            )
        placed = {t.name: node for t, node in zip(self.terminals, nodes, strict=False)}
        for t in self.terminals:
            if t.name in values:
                placed[t.name] = values.pop(t.name)
            elif t.name not in placed and t.default is not None:
                placed[t.name] = f"{self.name}.{t.name}" if t.default == "own" else t.default
        for terminal, node in placed.items():
            if not isinstance(node, str) or not node or any(c in node for c in ":,\n"):
                raise NetworkError(f"{self.name}: node {node!r} at {terminal} must be text without : and ,", part=self.name)
        return placed

    def _read(self, values: dict[str, Any]) -> tuple[dict[str, float], dict[str, Tolerance]]:
        values = self.prepare(dict(values))
        known = {p.name: p for p in self.parameters}
        for key in values:
            if key not in known:
                accepted = [*known, *(t.name for t in self.terminals)]
                raise UnknownNameError(f"key of {self.kind or type(self).__name__} {self.name}", key, accepted)
        read: dict[str, float] = {}
        tolerances: dict[str, Tolerance] = {}
        for p in self.parameters:
            if p.name in values:
                read[p.name], tolerance = parse_with_tolerance(values[p.name], p.unit)
                if tolerance is not None:
                    tolerances[p.name] = tolerance
            elif p.default is None:
                raise InputError(f"{self.kind} {self.name} needs {p.name} ({p.meaning}; unit {p.unit})", key=p.name)
            else:
                read[p.name] = float(p.default(read)) if callable(p.default) else p.default
            self.check_value(p, read[p.name])
        return read, tolerances

    def check_value(self, p: Parameter, value: float) -> None:
        """Raise InputError when a value lies outside its parameter's accepted range."""
        if not p.low <= value <= p.high:
            low, high = format_quantity(p.low, p.unit), format_quantity(p.high, p.unit)
            span = f"at least {low}" if p.high == float("inf") else f"from {low} to {high}"
            found = format_quantity(value, p.unit)
            raise InputError(f"{self.kind} {self.name}: {p.name} is {found}, accepted: {span}", key=p.name)

    def replaced(self, **values: Any) -> Element:
        """Give a copy with some parameters replaced (floats in SI, or text)."""
        copy = self.copy()
        for key, value in values.items():
            p = self.parameter(key)
            copy.values[key], tolerance = parse_with_tolerance(value, p.unit)
            self.check_value(p, copy.values[key])
            if tolerance is not None:
                copy.tolerances[key] = tolerance
        return copy

    def copy(self) -> Element:
        """Give an independent copy."""
        other = object.__new__(type(self))
        other.__dict__.update(self.__dict__)
        other.nodes, other.values = dict(self.nodes), dict(self.values)
        other.tolerances, other.details = dict(self.tolerances), dict(self.details)
        return other

    def __repr__(self) -> str:
        """Show name and nodes."""
        return f"{type(self).__name__}({self.name!r}, {self.nodes})"
