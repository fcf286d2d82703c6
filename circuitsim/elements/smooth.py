"""Smooth limits used inside element laws, with exact derivatives and safe numerics.

Every limit has exponential tails, so that away from the corner it equals the sharp law to the last digit. The
numeric forms never overflow. Widths in a law are multiplied by the law's `smooth` symbol (1 in every reading), so
that the solver can start wide and a test can halve them all.
"""

from __future__ import annotations

from typing import Any

import numpy as np

__all__ = ["NUMERIC", "beyond", "clamp", "keep_positive", "positive_part", "step"]

Expr = Any


def positive_part(x: Expr, width: Expr) -> Expr:
    """max(x, 0), rounded over `width` (same unit as x)."""
    from circuitsim.elements.limits import softplus

    return width * softplus(x / width)


def step(x: Expr, width: Expr) -> Expr:
    """0 for x < 0 and 1 for x > 0, rounded over `width`."""
    from circuitsim.elements.limits import logistic

    return logistic(x / width)


def clamp(x: Expr, low: Expr, high: Expr, width: Expr) -> Expr:
    """Hold x between low and high, rounded over `width`; monotone, low and high are never passed."""
    return low + positive_part(x - low, width) - positive_part(x - high, width)


def beyond(x: Expr, edge: Expr, width: Expr) -> Expr:
    """Give what of x lies beyond -edge … edge, rounded over `width`: odd, exactly 0 at 0, and x itself for edge 0."""
    from circuitsim.elements.limits import dead_zone

    return width * dead_zone(x / width, edge / width)


def keep_positive(x: Expr) -> Expr:
    """Keep a factor positive: itself from 0.1 up, below that a curve that still rises but never reaches 0."""
    from circuitsim.elements.limits import kept_positive

    return kept_positive(x)


def _softplus(x: Any) -> Any:
    return np.logaddexp(0.0, x)


def _logistic(x: Any) -> Any:
    return np.exp(-np.logaddexp(0.0, -np.asarray(x)))


def _kept_positive(x: Any) -> Any:
    return 0.01 / (0.2 - np.minimum(x, 0.1)) + np.maximum(x - 0.1, 0.0)


def _kept_positive_slope(x: Any) -> Any:
    return np.square(0.1 / (0.2 - np.minimum(x, 0.1)))


def _dead_zone(x: Any, edge: Any) -> Any:
    """Evaluate without the cancellation that the difference of two softplus would have near x = 0.

    With a = |x|: ln(1 + k·exp(a - e)), k = (1 - exp(-2a))/(1 + exp(-a - e)); a part of a large exponent goes in front.
    """
    size = np.abs(x)
    share = -np.expm1(-2.0 * size) / (1.0 + np.exp(-np.maximum(size + edge, -700.0)))
    over = size - edge
    spare = np.maximum(over - 600.0, 0.0)  # exp(600) is still a number
    return np.sign(x) * (spare + np.log1p(share * np.exp(over - spare) + np.expm1(-spare)))


NUMERIC = {
    "dead_zone": _dead_zone,
    "softplus": _softplus,
    "logistic": _logistic,
    "kept_positive": _kept_positive,
    "kept_positive_slope": _kept_positive_slope,
}
"""The numpy form of each function, by the name that printed code uses."""
