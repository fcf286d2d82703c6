"""Every error this package raises on purpose, in one tree.

::

    CircuitsimError(Exception)
    ├── InputError(ValueError)               what a person typed or wrote in a file
    │   ├── QuantityError                    a number, its unit, its dimension, its tolerance
    │   ├── UnknownNameError(LookupError)    a name that is not one of those accepted
    │   ├── CircuitFileError                 a circuit or part file
    │   └── NetworkError                     the graph: floating node, duplicate name, short
    └── SolveError(ArithmeticError)          no operating point that can be trusted

Each class is also the builtin in its brackets, so that code which knows nothing of this package can catch it.
The text of every error is one readable line whatever it was given; the values travel along as attributes,
and survive pickling, because work is handed to other processes.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterable
from itertools import islice
from os import PathLike
from typing import TypeVar

__all__ = [
    "CircuitFileError",
    "CircuitsimError",
    "InputError",
    "NetworkError",
    "QuantityError",
    "SolveError",
    "UnknownNameError",
    "blaming",
    "nearest",
    "one_line",
    "shown",
    "with_place",
]

_MESSAGE_LIMIT = 1000
_NAME_LIMIT = 100  # a longer text is noise, not a misspelt name
_LISTED = 12
_ALIKE = 0.6  # share of letters in common from which a name is worth suggesting


def one_line(text: str, limit: int = _MESSAGE_LIMIT) -> str:
    """Return ``text`` with everything unprintable escaped, and cut at ``limit`` characters.

    Line breaks, control characters, direction marks and lone surrogates become backslash escapes. Only the
    part that is kept is looked at, so megabytes of noise cost nothing.
    """
    kept = text[:limit]
    if not kept.isprintable():
        kept = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in kept)[:limit]
    return kept + ("…" if len(text) > limit else "")


def shown(value: object, limit: int = 40) -> str:
    """Return a found value as it may stand in a message: short, quoted if text, on one line.

    Parameters
    ----------
    value
        What was found: text, a number, or anything a TOML file or a caller may hold.
    limit
        Longest text shown, in characters; what is longer ends in an ellipsis.

    Examples
    --------
    >>> print(shown("12 Vv"), shown(3), shown([1, 2]))
    '12 Vv' 3 a list
    """
    if isinstance(value, str):
        return f"'{one_line(value, limit)}'"
    if isinstance(value, int) and value.bit_length() > 128:  # Python itself refuses to print the longest
        return f"an integer of {value.bit_length()} bits"
    if isinstance(value, float):
        return repr(float(value))  # numpy's floats would name their type
    if value is None or isinstance(value, int):
        return str(value)
    if isinstance(value, dict | list | tuple):  # as files call them
        return "a table" if isinstance(value, dict) else "a list"
    return f"a {one_line(type(value).__name__, limit)}"


class CircuitsimError(Exception):
    """Root of the tree; never raised itself.

    Parameters
    ----------
    message
        What was found, where, the likely cause and what to do; made one line if it is not.
    """

    def __init__(self, message: str) -> None:
        super().__init__(one_line(message))

    @property
    def message(self) -> str:
        """The message without its place."""
        return str(self.args[0])

    def __reduce__(self) -> tuple[object, ...]:
        # The inherited way calls the class with ``args`` alone and fails for keyword arguments.
        return _rebuild, (type(self), self.args, self.__dict__.copy())


def _rebuild(kind: type[CircuitsimError], args: tuple[object, ...], state: dict[str, object]) -> CircuitsimError:
    error = kind.__new__(kind, *args)
    error.__dict__.update(state)
    return error


class InputError(CircuitsimError, ValueError):
    """Something that a person typed, or wrote in a file, cannot be used.

    Parameters
    ----------
    message
        What was found and what is accepted.
    file
        The file it stands in.
    line
        The line in that file, counted from 1.
    key
        The key, option or argument it was given for, such as ``"parts.W1.length"``.
    """

    file: str | None
    line: int | None
    key: str | None

    def __init__(
        self,
        message: str,
        *,
        file: str | PathLike[str] | None = None,
        line: int | None = None,
        key: str | None = None,
    ) -> None:
        super().__init__(message)
        self.file = None if file is None else str(file)
        self.line = line
        self.key = key

    def __str__(self) -> str:
        """Return ``file:line: key: message``, of which only the parts that are known."""
        place = "" if self.file is None else one_line(self.file, 300)
        if self.line is not None:
            place = f"{place}:{self.line}" if place else f"line {self.line}"
        key = "" if self.key is None else one_line(self.key, _NAME_LIMIT)
        return ": ".join(part for part in (place, key, self.message) if part)


class QuantityError(InputError):
    """A number, its unit, its dimension or its tolerance cannot be used."""


class UnknownNameError(InputError, LookupError):
    """A name is not one of those accepted.

    Parameters
    ----------
    what
        What the name should have named: ``"circuit"``, ``"step"``, ``"node"``.
    found
        The name as given.
    accepted
        The names that would do, in the order to list them.
    suggestion
        The likeliest of them; found with `nearest` when not given.
    file, line, key
        As in `InputError`.

    Examples
    --------
    >>> print(UnknownNameError("step", "ful", ["off", "1", "full"]))
    unknown step 'ful'; did you mean 'full'? accepted: off, 1, full
    """

    def __init__(
        self,
        what: str,
        found: str,
        accepted: Iterable[str],
        *,
        suggestion: str | None = None,
        file: str | PathLike[str] | None = None,
        line: int | None = None,
        key: str | None = None,
    ) -> None:
        self.what = what
        self.found = found
        self.accepted = tuple(accepted)
        self.suggestion = nearest(found, self.accepted) if suggestion is None else suggestion
        super().__init__(_unknown(what, found, self.accepted, self.suggestion), file=file, line=line, key=key)


def _unknown(what: str, found: str, accepted: tuple[str, ...], suggestion: str | None) -> str:
    message = f"unknown {what} {shown(found)}; "
    if suggestion is not None:
        message += f"did you mean {shown(suggestion)}? "
    if not accepted:
        return message + "none is defined"
    listed = ", ".join(one_line(name, 40) for name in accepted[:_LISTED])
    more = len(accepted) - _LISTED
    return f"{message}accepted: {listed}" + (f", … and {more} more" if more > 0 else "")


class CircuitFileError(InputError):
    """A circuit or part file cannot be read, or says something that makes no circuit."""


class NetworkError(InputError):
    """The graph of a network is wrong: a floating node, a duplicate name, a short across a source.

    Parameters
    ----------
    message
        What is wrong. The part and the node are added unless it quotes them (with `shown`) already.
    part, node
        The part and the node it was found at.
    file, line, key
        As in `InputError`.
    """

    def __init__(
        self,
        message: str,
        *,
        part: str | None = None,
        node: str | None = None,
        file: str | PathLike[str] | None = None,
        line: int | None = None,
        key: str | None = None,
    ) -> None:
        self.part = part
        self.node = node
        sites = [f"{word} {shown(name)}" for word, name in (("part", part), ("node", node)) if name is not None]
        missing = [site for site in sites if site.split(" ", 1)[1] not in message]
        super().__init__(message + (f" ({', '.join(missing)})" if missing else ""), file=file, line=line, key=key)


class SolveError(CircuitsimError, ArithmeticError):
    """No operating point was found that can be trusted.

    Parameters
    ----------
    symptom
        What failed, such as ``"no operating point"``.
    circuit
        Name of the circuit.
    condition
        The condition it was solved for, such as ``"step 2, X4 unplugged"``.
    worst
        The node or element whose balance is worst.
    residual
        Its backward error, a ratio without unit.
    cause, remedy
        The likely cause, and what to do about it.
    """

    def __init__(
        self,
        symptom: str,
        *,
        circuit: str | None = None,
        condition: str | None = None,
        worst: str | None = None,
        residual: float | None = None,
        cause: str = "a value far from that of any real part, or a state that has no rest",
        remedy: str = "check the values of the parts there",
    ) -> None:
        self.circuit = circuit
        self.condition = condition
        self.worst = worst
        self.residual = residual
        self.cause = cause
        self.remedy = remedy
        super().__init__(f"{symptom}{self._where()}; likely cause: {cause}; {remedy}")

    def _where(self) -> str:
        named = (("in circuit", self.circuit), ("at", self.condition), ("worst balance at", self.worst))
        text = "".join(f", {word} {shown(name, 80)}" for word, name in named if name is not None)
        if self.residual is None:
            return text
        number = f"{self.residual:.2g}" if math.isfinite(self.residual) else "not finite"
        return f"{text}, backward error {number}"


def nearest(name: str, accepted: Iterable[str]) -> str | None:
    """Return the accepted name that ``name`` most likely stands for, or None when none is like it.

    Case is ignored at first and then settles ties (``"mv"`` means ``"mV"`` rather than ``"MV"``). A name of
    three letters or more may also stand for one that begins so (``"tracter"`` for ``"tractor-cab-fan"``).

    Parameters
    ----------
    name
        What was typed. Nothing is like a text of more than 100 characters.
    accepted
        The names to choose from; of equals the first wins. At most the first 5000 are compared.
    """
    if not name or len(name) > _NAME_LIMIT:
        return None
    best: tuple[float, float] = (_ALIKE, -1.0)
    found: str | None = None
    for candidate in islice(accepted, 5000):
        score = _likeness(name, candidate, best[0])
        if score > best:
            best, found = score, candidate
    return found


def _likeness(name: str, candidate: str, floor: float) -> tuple[float, float]:
    """Return how alike two names are, without and with regard to case; zeros when surely below ``floor``."""
    from difflib import SequenceMatcher  # only where something went wrong: it would slow every start

    if len(candidate) > _NAME_LIMIT:
        return 0.0, 0.0
    plain, other = name.casefold(), candidate.casefold()
    matcher = SequenceMatcher(None, plain, other, autojunk=False)
    whole = matcher.ratio() if matcher.quick_ratio() >= floor else 0.0
    start = 0.0
    if len(plain) > 2 and len(other) > len(plain):
        start = 0.95 * SequenceMatcher(None, plain, other[: len(plain)], autojunk=False).ratio()
    alike = max(whole, start)
    if alike < floor:
        return 0.0, 0.0
    return alike, SequenceMatcher(None, name, candidate, autojunk=False).ratio()


_Error = TypeVar("_Error", bound=InputError)


def blaming(error: _Error, key: str) -> _Error:
    """Return a copy of ``error``, of the same class, that names another key: what the user wrote, not what was made of it.

    Examples
    --------
    >>> print(blaming(InputError("is empty", key="unplug"), "unplugged"))
    unplugged: is empty
    """
    blamed = copy.copy(error)
    blamed.key = key
    return blamed


def with_place(
    error: _Error,
    *,
    file: str | PathLike[str] | None = None,
    line: int | None = None,
    key: str | None = None,
) -> _Error:
    """Return a copy of ``error``, of the same class, that also tells its place.

    Only what the error does not know yet is filled in: the innermost place is the most exact.

    Examples
    --------
    >>> print(with_place(QuantityError("no unit"), file="fan.toml", line=4, key="supply.voltage"))
    fan.toml:4: supply.voltage: no unit
    """
    placed = copy.copy(error)
    if placed.file is None and file is not None:
        placed.file = str(file)
    if placed.line is None:
        placed.line = line
    if placed.key is None:
        placed.key = key
    placed.__cause__ = error.__cause__
    return placed.with_traceback(error.__traceback__)
