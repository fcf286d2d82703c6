"""Writes recorded values as numpy calls."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["RUN", "SETUP", "Value", "Writer", "plain_code"]

SETUP, RUN = 1, 2
"""When a value is known: from parameters alone, or in each run."""


@dataclass(frozen=True)
class Value:
    """A recorded value: its operation, what that takes (numbers of values, constants), and when it is known."""

    operation: str
    arguments: tuple[Any, ...]
    stage: int


class Writer:
    """Writes run-stage values as numpy calls into buffers that are handed on as soon as they are free."""

    def __init__(
        self, values: Sequence[Value], slot: Mapping[int, int], last: Mapping[int, int], constants: dict[float, str]
    ) -> None:
        self.values, self.slot, self.last, self.constants = values, slot, last, constants
        self.lines: list[str] = []
        self.place: dict[int, str] = {}
        self.free: list[int] = []
        self.count = 0

    def emit(self, v: int, targets: Sequence[tuple[str, int]]) -> int:
        """Write one value; give 1 if it went straight to its first target, which nothing else then reads."""
        value = self.values[v]
        if value.operation == "input":
            self.place[v] = value.arguments[0]
            return 0
        arguments = [self._text(a) for a in value.arguments]
        gone = [a for a in value.arguments if isinstance(a, int) and self.last.get(a) == v]
        for a in dict.fromkeys(gone):
            self._free(a)
        operation = value.operation
        if operation == "reciprocal":  # numpy divides twice as fast
            operation, arguments = "divide", [self._text(1.0), *arguments]
        if len(targets) == 1 and targets[0][1] > 0 and v not in self.last:
            self.lines.append(f"{operation}({', '.join(arguments)}, out={targets[0][0]})")
            return 1
        if not self.free:
            self.free.append(self.count)
            self.count += 1
        buffer = self.free.pop()
        self.place[v] = f"r[{buffer}]"
        self.lines.append(f"{operation}({', '.join(arguments)}, out=r[{buffer}])")
        return 0

    def _text(self, a: Any) -> str:
        if isinstance(a, int):
            return f"s[{self.slot[a]}]" if a in self.slot else self.place[a]
        return self.constants.setdefault(a, f"c{len(self.constants)}")

    def _free(self, a: int) -> None:
        place = self.place.get(a, "")
        if place.startswith("r[") and a not in self.slot:
            self.free.append(int(place[2:-1]))

    def store(self, v: int, code: str, sign: int) -> None:
        """Copy a value, with its sign, to where it was asked for."""
        place = self.place[v]
        self.lines.append(f"negative({place}, out={code})" if sign < 0 else f"copyto({code}, {place})")

    def release(self, v: int, targets: Mapping[int, Any]) -> None:
        """Free a value that was only stored."""
        if v not in self.last and v in targets:
            self._free(v)


def plain_code(value: Value) -> str:
    """Give a value of the setup stage as an expression of numpy."""
    a = [f"v{x}" if isinstance(x, int) else repr(x) for x in value.arguments]
    if value.operation == "input":
        return str(value.arguments[0])
    signs = {"add": "+", "subtract": "-", "multiply": "*", "divide": "/"}
    if value.operation in signs:
        return f"{a[0]} {signs[value.operation]} {a[1]}"
    if value.operation == "negative":
        return f"-{a[0]}"
    if value.operation == "reciprocal":
        return f"1.0 / {a[0]}"
    return f"np.{value.operation}({', '.join(a)})"
