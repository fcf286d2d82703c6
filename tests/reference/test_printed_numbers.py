"""The comparison that all reference checks use must itself be able to fail."""

from __future__ import annotations

from collections.abc import Callable

import pytest


@pytest.mark.parametrize(
    ("value", "printed"), [(2.004, "2.00"), (2.005, "2.00"), (-0.2, "-0.20"), (3019.9, "3.02e3"), (115_999.6, "116000")]
)
def test_what_rounds_to_the_printed_number_matches(matches: Callable[[float, str], None], value: float, printed: str) -> None:
    matches(value, printed)


@pytest.mark.parametrize(("value", "printed"), [(2.0051, "2.00"), (-0.2, "0.20"), (3025.1, "3.02e3"), (2.0, "2.1")])
def test_the_next_digit_is_caught(matches: Callable[[float, str], None], value: float, printed: str) -> None:
    with pytest.raises(AssertionError):
        matches(value, printed)
