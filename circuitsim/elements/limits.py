"""The sympy functions behind every smooth limit (kept apart, so that sympy loads only when a law is stated)."""

from __future__ import annotations

from typing import Any

import sympy as sp

__all__ = ["dead_zone", "kept_positive", "kept_positive_slope", "logistic", "softplus"]

Expr = Any


class softplus(sp.Function):  # noqa: N801 - sympy functions are written in lower case
    """ln(1 + exp(x)): zero far below the corner, x far above it."""

    nargs = 1

    def fdiff(self, argindex: int = 1) -> Expr:
        """Give the derivative, the logistic function."""
        return logistic(self.args[0])

    def _eval_is_extended_real(self) -> bool:
        return True


class logistic(sp.Function):  # noqa: N801
    """1/(1 + exp(-x)): from 0 to 1."""

    nargs = 1

    def fdiff(self, argindex: int = 1) -> Expr:
        """Give the derivative, logistic(x)·logistic(-x) (no cancellation in the tails)."""
        return logistic(self.args[0]) * logistic(-self.args[0])

    def _eval_is_extended_real(self) -> bool:
        return True


class kept_positive(sp.Function):  # noqa: N801
    """x from 0.1 up, exactly; below, 0.01/(0.2 - x): positive, rising, smooth to first order, towards 0 far below."""

    nargs = 1

    def fdiff(self, argindex: int = 1) -> Expr:
        """Give the derivative."""
        return kept_positive_slope(self.args[0])

    def _eval_is_extended_real(self) -> bool:
        return True


class kept_positive_slope(sp.Function):  # noqa: N801
    """Slope of `kept_positive`: 1 from 0.1 up, (0.1/(0.2 - x))² below. Its own slope is not used."""

    nargs = 1

    def _eval_is_extended_real(self) -> bool:
        return True


class dead_zone(sp.Function):  # noqa: N801
    """softplus(x - e) - softplus(-x - e): what of x lies beyond -e … e; odd in x, and x itself for e = 0."""

    nargs = 2

    def fdiff(self, argindex: int = 1) -> Expr:
        """Give the derivative against x, or against the edge e."""
        x, edge = self.args
        above, below = logistic(x - edge), logistic(-x - edge)
        return above + below if argindex == 1 else below - above

    def _eval_is_extended_real(self) -> bool:
        return True
