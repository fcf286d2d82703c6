"""exp, expm1, log1p and tanh of vectors of doubles, as LLVM functions without branches.

The C library's functions take one number a call; lane by lane they would cost twice as much as all other work of a
compiled circuit. These take some 30 operations for all lanes together. Methods are the usual ones: exp by
x = n·ln 2 + r and the Taylor series of r; log by u = 2^k·m and the odd series of s = (m - 1)/(m + 1), with the
coefficients that Sun Microsystems published in FDLIBM (s_log1p.c, 1993). Infinities, NaN, overflow and the sign of zero
come out as in the C library; exp is 0 below exp(-708) = 3.3e-308, so that what it gives is never denormal. Errors are
held below 2.5 units in the last place by the tests.
"""

from __future__ import annotations

import math

from circuitsim.engine.llvmtext import Code

__all__ = ["FUNCTIONS", "functions"]

FUNCTIONS = ("exp", "expm1", "log1p", "tanh")
"""What there is; called as `v8.exp` for vectors of eight."""
_LN2_HIGH = float.fromhex("0x1.62e42feep-1")  # 32 bits, so that n·_LN2_HIGH is exact even where products are rounded
_LN2_LOW = float.fromhex("0x1.a39ef35793c76p-33")
_ROUNDER = 1.5 * 2.0**52  # adding it leaves a whole number in the low bits
_ONE, _HALF = 1023 << 52, 1022 << 52  # the bits of 1.0 and 0.5
_HALF_ROOT = 0x3FE6A09E667F3BCD  # the bits of √½
_MANTISSA = (1 << 52) - 1
_LOG = [
    6.666666666666735130e-01, 3.999999999940941908e-01, 2.857142874366239149e-01, 2.222219843214978396e-01,
    1.818357216161805012e-01, 1.531383769920937332e-01, 1.479819860511658591e-01,
]  # fmt: skip


def functions(width: int) -> tuple[list[str], set[str]]:
    """Give the texts of all functions for vectors of `width` doubles, and the declarations they need."""
    texts, declared = [], set()
    for name, write in zip(FUNCTIONS, (_exp, _expm1, _log1p, _tanh), strict=True):
        code = Code(width)
        result = write(code, "%x")
        texts.append(code.function(f"internal {code.vector} @v{width}.{name}({code.vector} %x)", f"{code.vector} {result}"))
        declared |= code.declared
    return texts, declared


def _reduced(c: Code, x: str) -> tuple[str, str]:
    """Give r = x - n·ln 2 and 2^(n-1), which is a double for n = 1024 too."""
    raised = c.fma(x, 1 / math.log(2), _ROUNDER)
    n = c.binary("fsub", raised, _ROUNDER)
    r = c.fma(n, -_LN2_LOW, c.fma(n, -_LN2_HIGH, x))
    return r, c.double(c.integer("add", c.integer("shl", c.bits(raised), 52), _HALF))


def _exp(c: Code, x: str) -> str:
    r, scale = _reduced(c, c.at_most(x, 710.0))
    twice = c.polynomial(r, [2 / math.factorial(k) for k in range(14)])
    return c.choose("olt", x, -708.0, 0.0, c.binary("fmul", twice, scale))


def _expm1(c: Code, x: str) -> str:
    # 2^n·(e^r - 1) + 2^n - 1, halved until the end.
    r, scale = _reduced(c, c.at_least(c.at_most(x, 710.0), -50.0))
    square = c.binary("fmul", r, r)
    grown = c.fma(square, c.polynomial(r, [1 / math.factorial(k) for k in range(2, 14)]), r)
    half = c.fma(grown, scale, c.binary("fsub", scale, 0.5))
    return c.intrinsic("copysign", c.binary("fadd", half, half), x)


def _log1p(c: Code, x: str) -> str:
    u = c.binary("fadd", x, 1.0)
    lost = c.binary("fdiv", c.binary("fsub", x, c.binary("fsub", u, 1.0)), u)  # log(1 + x) - log(u)
    shifted = c.integer("add", c.bits(u), _ONE - _HALF_ROOT)
    raised = c.integer("or", c.integer("lshr", shifted, 52), 0x433 << 52)  # the double 2^52 + 1023 + k
    k = c.binary("fsub", c.double(raised), 2.0**52 + 1023)
    m = c.double(c.integer("add", c.integer("and", shifted, _MANTISSA), _HALF_ROOT))  # √½ to √2
    f = c.binary("fsub", m, 1.0)
    s = c.binary("fdiv", f, c.binary("fadd", f, 2.0))
    z = c.binary("fmul", s, s)
    half = c.binary("fmul", c.binary("fmul", f, 0.5), f)
    rest = c.fma(z, c.polynomial(z, _LOG), half)
    small = c.fma(s, rest, c.fma(k, _LN2_LOW, lost))
    log = c.fma(k, _LN2_HIGH, c.binary("fadd", c.binary("fsub", small, half), f))
    log = c.choose("oeq", x, -1.0, -math.inf, log)
    log = c.choose("olt", x, -1.0, math.nan, log)
    log = c.choose("oeq", x, math.inf, math.inf, log)
    return c.intrinsic("copysign", log, x)


def _tanh(c: Code, x: str) -> str:
    size = c.intrinsic("fabs", x)
    grown = c.call(f"v{c.width}.expm1", c.binary("fmul", size, 2.0))
    # Below 1 as t/(t + 2), above as 1 - 2/(t + 2): neither cancels there.
    top = c.choose("olt", size, 1.0, grown, -2.0)
    base = c.choose("olt", size, 1.0, 0.0, 1.0)
    share = c.binary("fadd", base, c.binary("fdiv", top, c.binary("fadd", grown, 2.0)))
    return c.intrinsic("copysign", share, x)
