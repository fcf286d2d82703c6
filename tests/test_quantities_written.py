"""Quantities in output, with the way back, and what follows a ±."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from circuitsim.errors import QuantityError
from circuitsim.quantities import (
    UNITS,
    Tolerance,
    column_unit,
    convert,
    describe,
    format_number,
    format_quantity,
    parse,
    parse_tolerance,
    parse_with_tolerance,
)

# ---------------------------------------------------------------- writing


@pytest.mark.parametrize(
    ("value", "unit", "digits", "expected"),
    [
        (0.004, "Ω", 3, "4 mΩ"),
        (12.6, "V", 3, "12.6 V"),
        (1234.0, "Ω", 3, "1.23 kΩ"),
        (-0.035, "V", 3, "-35 mV"),
        (0.0, "V", 3, "0 V"),
        (-0.0, "V", 3, "0 V"),
        (0.9996, "V", 3, "1 V"),
        (0.9994, "V", 3, "999 mV"),
        (999.9, "Ω", 3, "1 kΩ"),
        (123.0, "V", 1, "100 V"),
        (12.3456, "V", 5, "12.346 V"),
        (2.5e-6, "m²", 3, "2.5 mm²"),
        (0.05, "m²", 3, "0.05 m²"),
        (20.0, "°C", 3, "20 °C"),
        (0.5, "1", 3, "0.5"),
        (0.00393, "1/K", 3, "0.00393 1/K"),
        (3600.0, "s", 3, "3600 s"),
        (0.012, "s", 3, "12 ms"),
        (1.7241e-8, "Ω·m", 3, "17.2 nΩ·m"),
        (0.00798, "Ω/m", 3, "7.98 mΩ/m"),
        (3.5e-5, "kg·m²", 3, "3.5e-05 kg·m²"),
        (0.3, "Pa", 3, "0.3 Pa"),
        (1e15, "V", 3, "1e+15 V"),
        (1.5e300, "V", 3, "1.5e+300 V"),
        (1e-20, "V", 3, "1e-20 V"),
        (math.nan, "V", 3, "nan V"),
        (math.inf, "Ω", 3, "inf Ω"),
        (-math.inf, "A", 3, "-inf A"),
        (0.02, "V·s/rad", 3, "20 mV·s/rad"),
        (0.0015, "Hz²", 3, "0.0015 Hz²"),  # a prefix before a power would change its size
    ],
)
def test_written_with_prefix(value: float, unit: str, digits: int, expected: str) -> None:
    assert format_quantity(value, unit, digits) == expected


@pytest.mark.parametrize(
    ("value", "unit", "display", "expected"),
    [
        (50 * math.pi, "rad/s", "rpm", "1500 rpm"),
        (0.5, "1", "%", "50 %"),
        (0.00393, "1/K", "%/K", "0.393 %/K"),
        (10.0, "°C", "°F", "50 °F"),
        (20.0, "°C", "K", "293 K"),
        (0.35, "V", "mV", "350 mV"),
        (12.6, "V", "mV", "12600 mV"),
        (600.0, "s", "min", "10 min"),
        (0.0095493, "V·s/rad", "V/krpm", "1 V/krpm"),
        (math.nan, "V", "mV", "nan mV"),
    ],
)
def test_written_in_the_unit_asked_for(value: float, unit: str, display: str, expected: str) -> None:
    assert format_quantity(value, unit, display=display) == expected


@pytest.mark.parametrize(
    ("unit", "display", "message"),
    [
        ("V", "mΩ", "a voltage (V) cannot be shown in 'mΩ'"),
        ("V", "Vv", "unknown unit 'Vv' to show a voltage (V) in"),
        ("K", "°F", "a temperature difference (K) cannot be shown in '°F'"),
        ("°C", "V", "a temperature (°C) cannot be shown in 'V'"),
    ],
)
def test_a_unit_of_another_kind_is_not_shown(unit: str, display: str, message: str) -> None:
    with pytest.raises(QuantityError) as caught:
        convert(1.0, unit, display)
    assert str(caught.value) == message


def test_a_column_shares_the_unit_of_its_largest_value() -> None:
    assert column_unit([0.0, 0.012, -0.35, math.nan, math.inf], "V") == "mV"
    assert column_unit([0.9999], "V") == "V"
    assert column_unit(np.array([1e-6, 2.5e-6]), "m²") == "mm²"
    assert column_unit([], "Ω") == column_unit([0.0], "Ω") == "Ω"
    assert format_number(convert(-0.35, "V", "mV")) == "-350"


def test_describe() -> None:
    assert describe("Ω") == "resistance (Ω)"
    assert describe("J/(kg·K)") == "quantity in J/(kg·K)"


def floats(low: float, high: float) -> st.SearchStrategy[float]:
    """Numbers spread over decades, of both signs."""
    decades = st.floats(math.log10(low), math.log10(high)).map(lambda power: 10.0**power)
    return st.builds(lambda size, sign: size * sign, decades, st.sampled_from([-1.0, 1.0]))


DIGITS = st.integers(1, 17)


def rounding(value: float, digits: int) -> float:
    """Largest change by rounding to so many digits: half the last, and two roundings of floats on the way."""
    return abs(value) * (0.5 * 10.0 ** (1 - digits) + 4e-16)


@given(st.sampled_from([unit for unit in UNITS if unit != "°C"]), floats(1e-16, 1e16), DIGITS)
def test_what_is_written_reads_back(unit: str, value: float, digits: int) -> None:
    assert abs(parse(format_quantity(value, unit, digits), unit) - value) <= rounding(value, digits)


@given(st.floats(-200.0, 2000.0), DIGITS)
def test_temperatures_read_back(value: float, digits: int) -> None:
    assert abs(parse(format_quantity(value, "°C", digits), "°C") - value) <= rounding(value, digits)
    # In another scale: rounding there, and 460 °F/K of offset at 1.1e-16 each for a few operations.
    for display, zero in (("K", 273.15), ("°F", 17.8)):
        back = parse(format_quantity(value, "°C", 17, display=display), "°C")
        assert abs(back - value) <= 1e-15 * (abs(value) + 10 * zero)


@given(
    st.sampled_from([("rad/s", "rpm"), ("1", "%"), ("V·s/rad", "V/krpm"), ("V", "mV"), ("s", "min"), ("m²", "mm²")]),
    floats(1e-9, 1e9),
)
def test_other_units_read_back(units: tuple[str, str], value: float) -> None:
    unit, display = units
    # rel 2e-15: a handful of roundings of 1.1e-16 each, both ways.
    assert parse(format_quantity(value, unit, 17, display=display), unit) == pytest.approx(value, rel=2e-15, abs=0)


@given(floats(1e-12, 0.99e12), st.integers(3, 17))
def test_never_a_thousand_of_a_prefix(value: float, digits: int) -> None:
    number = format_quantity(value, "V", digits).split(" ")[0]
    assert 1 <= abs(float(number)) < 1000
    assert "e" not in number


@given(st.fractions(Fraction(-(10**9)), Fraction(10**9), max_denominator=10**6), st.sampled_from("pnµmkMG"))
def test_reading_rounds_once(number: Fraction, prefix: str) -> None:
    # A float cast of the exact fraction is correctly rounded (Python's own int / int), a second way to it.
    decimal = Fraction(f"{float(number):.12f}")
    power = {"p": -12, "n": -9, "µ": -6, "m": -3, "k": 3, "M": 6, "G": 9}[prefix]
    assert parse(f"{float(number):.12f} {prefix}V", "V") == float(decimal * Fraction(10) ** power)


# ---------------------------------------------------------------- tolerances


@pytest.mark.parametrize(
    ("text", "unit", "nominal", "tolerance", "written"),
    [
        ("10 Ω ±5 %", "Ω", 10.0, Tolerance("uniform", 0.05, True), "10 Ω ±5 %"),
        ("10 Ω +-5%", "Ω", 10.0, Tolerance("uniform", 0.05, True), "10 Ω ±5 %"),
        ("10 Ω +/- 5 %", "Ω", 10.0, Tolerance("uniform", 0.05, True), "10 Ω ±5 %"),
        ("10 Ω ±5 % normal", "Ω", 10.0, Tolerance("normal", 0.05, True), "10 Ω ±5 % normal"),
        ("10 Ω ±5 % uniform", "Ω", 10.0, Tolerance("uniform", 0.05, True), "10 Ω ±5 %"),
        ("12.6 V ± 0.1 V", "V", 12.6, Tolerance("uniform", 0.1), "12.6 V ±0.1 V"),
        ("-35 mV ±500 µV", "V", -0.035, Tolerance("uniform", 0.0005), "-35 mV ±0.5 mV"),
        ("4 mΩ ×/÷ 2", "Ω", 0.004, Tolerance("lognormal", 2.0, True), "4 mΩ ×/÷ 2"),
        ("4 mΩ x/ 1.5", "Ω", 0.004, Tolerance("lognormal", 1.5), "4 mΩ ×/÷ 1.5"),
        ("2.5 mm² ±0.1 mm²", "m²", 2.5e-6, Tolerance("uniform", 1e-7), "2.5 mm² ±0.1 mm²"),
        ("20 °C ±9 °F", "°C", 20.0, Tolerance("uniform", 5.0), "20 °C ±5 K"),
        ("20 °C ±2 K", "°C", 20.0, Tolerance("uniform", 2.0), "20 °C ±2 K"),
        ("0.8 ±0.1", "1", 0.8, Tolerance("uniform", 0.1), "0.8 ±0.1"),
        ("80 % ±0.1", "1", 0.8, Tolerance("uniform", 0.1), "0.8 ±0.1"),
        ("0 A ±1 mA", "A", 0.0, Tolerance("uniform", 0.001), "0 A ±1 mA"),
        ("0.39 %/K ±5 %", "1/K", 0.0039, Tolerance("uniform", 0.05, True), "0.0039 1/K ±5 %"),
        ("10 Ω ±0 %", "Ω", 10.0, Tolerance("uniform", 0.0, True), "10 Ω ±0 %"),
    ],
)
def test_tolerances(text: str, unit: str, nominal: float, tolerance: Tolerance, written: str) -> None:
    assert parse_with_tolerance(text, unit) == (nominal, tolerance)
    assert tolerance.text(nominal, unit) == written
    assert parse_with_tolerance(written, unit) == (nominal, tolerance)
    assert parse_tolerance(tolerance.text(None, unit), unit) == tolerance


def test_no_tolerance_is_none() -> None:
    assert parse_with_tolerance(12, "V") == (12.0, None)
    assert parse_with_tolerance("12 V", "V") == (12.0, None)


@pytest.mark.parametrize(
    ("text", "unit", "message"),
    [
        ("10 Ω ±-5 %", "Ω", "tolerance ±-0.05 must be zero or more, and finite"),
        ("10 Ω ±5 A", "Ω", "'5 A' is a current (A); expected a resistance (Ω)"),
        ("10 Ω ±5", "Ω", "'5' has no unit; write e.g. '5 Ω'"),
        ("10 Ω ±", "Ω", "'10 Ω ±' has no size; write e.g. '±5 %' or '×/÷ 2'"),
        ("10 Ω ±5 % ±3 %", "Ω", "'5 % ±3 %' has a tolerance, and none is taken here"),
        ("±5 %", "Ω", "'±5 %' has no nominal value; write e.g. '12 Ω ±5 %'"),
        ("4 Ω x/ 1", "Ω", "tolerance factor 1.0 must be above 1, at most 1000000"),
        ("4 Ω ×/÷ 1e7", "Ω", "tolerance factor 10000000.0 must be above 1, at most 1000000"),
        ("4 Ω ×/÷ 2 normal", "Ω", "a tolerance factor is lognormal and cannot be normal"),
        ("20 °C ±5 %", "°C", "the tolerance of a temperature is no share of it; give it in K, not as '5 %'"),
        ("20 °C ×/÷ 2", "°C", "the tolerance of a temperature is no share of it; give it in K, not as '2'"),
        ("80 % ±5 %", "1", "'80 % ±5 %' may mean points or a share; write one of the two without %"),
        ("14 AWG ±1 AWG", "m²", "'1 AWG' is no tolerance; give it in percent or mm²"),
    ],
)
def test_tolerances_refused(text: str, unit: str, message: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_with_tolerance(text, unit)
    assert str(caught.value) == message


@pytest.mark.parametrize("text", ["10 Ω ±5 %", "5 %", "", 5])
def test_a_tolerance_alone_is_asked_for(text: str) -> None:
    with pytest.raises(QuantityError, match="is not a tolerance alone"):
        parse_tolerance(text, "Ω")


def test_a_tolerance_of_no_known_kind_is_refused() -> None:
    with pytest.raises(QuantityError, match="unknown tolerance 'triangular'; accepted: uniform, normal, lognormal"):
        Tolerance("triangular", 0.1)  # type: ignore[arg-type]
    for size in (math.nan, math.inf, -1.0):
        for kind in ("uniform", "normal", "lognormal"):
            with pytest.raises(QuantityError, match="must be"):
                Tolerance(kind, size)


def test_standard_uncertainty_of_a_limit() -> None:
    # GUM 4.3.7: rectangular from 7 to 10, half width 1.5, u = 1.5/√3, printed 0.87; half its last digit.
    assert Tolerance("uniform", 1.5).standard(8.5) == pytest.approx(0.87, abs=0.005, rel=0)
    # NIST Technical Note 1297, section 4: half width of 95 % divided by 1.960; half the last digit of that.
    assert Tolerance("normal", 1.0).standard(-3.0) == pytest.approx(1 / 1.960, rel=0.0005 / 1.960, abs=0)
    assert Tolerance("uniform", 0.05, relative=True).standard(-10.0) == pytest.approx(0.5 / math.sqrt(3), rel=1e-15)


@pytest.mark.parametrize("factor", [1.001, 1.2, 2.0, 10.0, 1e3])
def test_standard_uncertainty_of_a_factor(factor: float) -> None:
    # scipy's own lognormal: 95 % lie within the factor either way, and its standard deviation is ours.
    # rel 1e-9: for the smallest s, 5e-4, scipy's exp(s²) − 1 by difference keeps 1.1e-16/s² = 4e-10.
    from scipy.stats import lognorm

    tolerance = Tolerance("lognormal", factor)
    other = lognorm(tolerance.log_sigma, scale=0.004)
    assert other.interval(0.95) == pytest.approx((0.004 / factor, 0.004 * factor), rel=1e-10, abs=0)
    assert tolerance.standard(0.004) == pytest.approx(other.std(), rel=1e-9, abs=0)
