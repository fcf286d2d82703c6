"""Text of LLVM functions on vectors of doubles: one operation a line, each result named once."""

from __future__ import annotations

import struct
from collections.abc import Sequence

__all__ = ["Code", "Operand", "constant"]

Operand = str | float
"""The name of a vector, or a number that stands in all lanes."""


def constant(value: float) -> str:
    """Write a double bit by bit, so that NaN, infinities and denormals need no rules of their own."""
    return f"0x{struct.unpack('<Q', struct.pack('<d', value))[0]:016X}"


class Code:
    """The body of a function on vectors of `width` doubles.

    Methods add an operation and give the name of its result.
    """

    def __init__(self, width: int) -> None:
        self.width = width
        self.vector = f"<{width} x double>"
        self.whole = f"<{width} x i64>"
        self.truth = f"<{width} x i1>"
        self.lines: list[str] = []
        self.declared: set[str] = set()
        self._count = 0

    def add(self, text: str) -> str:
        """Add an operation as it is written."""
        self._count += 1
        self.lines.append(f"  %v{self._count} = {text}")
        return f"%v{self._count}"

    def value(self, a: Operand) -> str:
        """Give an operand's text."""
        return a if isinstance(a, str) else f"splat (double {constant(a)})"

    # Doubles --------------------------------------------------------------------------------------------------

    def binary(self, operation: str, a: Operand, b: Operand) -> str:
        """Add fadd, fsub, fmul or fdiv, with its flags."""
        return self.add(f"{operation} {self.vector} {self.value(a)}, {self.value(b)}")

    def negative(self, a: Operand) -> str:
        """Add -a."""
        return self.add(f"fneg {self.vector} {self.value(a)}")

    def call(self, name: str, *operands: Operand, flags: str = "") -> str:
        """Add a call of a function of vectors."""
        listed = ", ".join(f"{self.vector} {self.value(a)}" for a in operands)
        return self.add(f"call {flags}{self.vector} @{name}({listed})")

    def intrinsic(self, name: str, *operands: Operand, flags: str = "") -> str:
        """Add a call of one of LLVM's own functions of vectors."""
        full = f"llvm.{name}.v{self.width}f64"
        self.declared.add(f"declare {self.vector} @{full}({', '.join([self.vector] * len(operands))})")
        return self.call(full, *operands, flags=flags)

    def fma(self, a: Operand, b: Operand, c: Operand) -> str:
        """Add a·b + c, rounded once where the processor can do so at once."""
        return self.intrinsic("fmuladd", a, b, c)

    def polynomial(self, x: str, coefficients: Sequence[float]) -> str:
        """Add Σ c_k·x^k by pairs (Estrin's scheme): no longer than one after another, and less waiting in between."""
        parts: list[Operand] = [*coefficients]
        while len(parts) > 1:
            joined: list[Operand] = [self.fma(high, x, low) for low, high in zip(parts[::2], parts[1::2], strict=False)]
            parts = joined + parts[2 * len(joined) :]
            if len(parts) > 1:
                x = self.binary("fmul", x, x)
        return self.value(parts[0])

    def choose(self, test: str, left: Operand, right: Operand, a: Operand, b: Operand) -> str:
        """Add `a if left <test> right else b`, lane by lane; tests are LLVM's, such as olt, which NaN never meets."""
        met = self.add(f"fcmp {test} {self.vector} {self.value(left)}, {self.value(right)}")
        return self.add(f"select {self.truth} {met}, {self.vector} {self.value(a)}, {self.vector} {self.value(b)}")

    def at_most(self, x: str, limit: float) -> str:
        """Add the smaller of x and a limit; NaN stays NaN."""
        return self.choose("olt", limit, x, limit, x)

    def at_least(self, x: str, limit: float) -> str:
        """Add the larger of x and a limit; NaN stays NaN."""
        return self.choose("ogt", limit, x, limit, x)

    # Whole numbers --------------------------------------------------------------------------------------------

    def bits(self, x: Operand) -> str:
        """Add the bits of a double, as a whole number."""
        return self.add(f"bitcast {self.vector} {self.value(x)} to {self.whole}")

    def double(self, bits: str) -> str:
        """Add the double that has these bits."""
        return self.add(f"bitcast {self.whole} {bits} to {self.vector}")

    def integer(self, operation: str, a: str, b: str | int) -> str:
        """Add an operation on whole numbers."""
        return self.add(f"{operation} {self.whole} {a}, {b if isinstance(b, str) else f'splat (i64 {b})'}")

    # The function ---------------------------------------------------------------------------------------------

    def function(self, head: str, result: str = "void") -> str:
        """Give the text of the function whose body this is, from its head (with its type) and what it returns."""
        body = "\n".join([*self.lines, f"  ret {result}"])
        return f"define {head} {{\n{body}\n}}\n"
