"""Quantities: what is read, what is refused and how it is told, what is written, and the way back."""

from __future__ import annotations

import itertools
import math
import re
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from circuitsim.errors import QuantityError
from circuitsim.quantities import (
    UNITS,
    parse,
    parse_tolerance,
    parse_with_tolerance,
)

# ---------------------------------------------------------------- reading

# Exact: each value is the float nearest to number times unit, as the units are defined (SI brochure, BIPM,
# 9th edition; inch and foot by the agreement of 1959).
EXACT = [
    ("4 mΩ", "Ω", 0.004),
    ("4mΩ", "Ω", 0.004),
    ("4 m\u2126", "Ω", 0.004),  # ohm sign instead of omega
    ("4 mohm", "Ω", 0.004),
    ("3.3 kohm", "Ω", 3300.0),
    ("10 Mohm", "Ω", 1e7),
    ("250 uohm", "Ω", 0.00025),
    ("250 \u00b5Ω", "Ω", 0.00025),  # micro sign
    ("250 \u03bcΩ", "Ω", 0.00025),  # mu
    ("1e-3 Ω", "Ω", 0.001),
    ("1E+3 Ω", "Ω", 1000.0),
    ("2.5 mm²", "m²", 2.5e-06),
    ("2.5 mm2", "m²", 2.5e-06),
    ("2.5mm^2", "m²", 2.5e-06),
    ("2.5 mm**2", "m²", 2.5e-06),
    ("0.7 mm²", "m²", 7e-07),
    ("1.8 m", "m", 1.8),
    ("30 cm", "m", 0.3),
    ("10 ft", "m", 3.048),
    ("0.1 in", "m", 0.00254),
    ("12.3V", "V", 12.3),
    (" 12.3 V ", "V", 12.3),
    ("12.3\u00a0V", "V", 12.3),  # no-break space
    ("-35 mV", "V", -0.035),
    ("\u221235 mV", "V", -0.035),  # true minus
    ("+.5 V", "V", 0.5),
    ("30 A", "A", 30.0),
    ("20 °C", "°C", 20.0),
    ("20degC", "°C", 20.0),
    ("20 ℃", "°C", 20.0),
    ("50 °F", "°C", 10.0),
    ("-40 degF", "°C", -40.0),
    ("293 K", "°C", 19.85),
    ("0 K", "°C", -273.15),
    ("5 K", "K", 5.0),
    ("10 min", "s", 600.0),
    ("2 h", "s", 7200.0),
    ("400 Hz", "Hz", 400.0),
    ("20 kHz", "Hz", 20000.0),
    ("0.0185 Ω·mm²/m", "Ω·m", 1.85e-08),
    ("0.0185 ohm*mm2/m", "Ω·m", 1.85e-08),
    ("7.98 mΩ/m", "Ω/m", 0.00798),
    ("7.98 ohm/km", "Ω/m", 0.00798),
    ("0.02 N·m/A", "V·s/rad", 0.02),
    ("20 mV·s/rad", "V·s/rad", 0.02),
    ("20 mV*s", "V·s/rad", 0.02),
    ("0.02 V/(rad/s)", "V·s/rad", 0.02),
    ("150 mN·m", "N·m", 0.15),
    ("150 mNm", "N·m", 0.15),
    ("0.15 N*m", "N·m", 0.15),
    ("1e-5 N·m/(rad/s)²", "N·m·s²/rad²", 1e-05),
    ("3 kg*m2", "kg·m²", 3.0),
    ("350 g·cm²", "kg·m²", 3.5e-05),
    ("36 m³/h", "m³/s", 0.01),
    ("10 L/s", "m³/s", 0.01),
    ("0.39 %/K", "1/K", 0.0039),
    ("0.39 %/°C", "1/K", 0.0039),
    ("0.00393 /K", "1/K", 0.00393),
    ("0.00393 1/K", "1/K", 0.00393),
    ("0.00393 K⁻¹", "1/K", 0.00393),
    ("3930 ppm/K", "1/K", 0.00393),
    ("1.5 °C/W", "K/W", 1.5),
    ("1.2 kg/m³", "kg/m³", 1.2),
    ("60 Ah", "A·s", 216000.0),
    ("50 %", "1", 0.5),
    ("50%", "1", 0.5),
    ("0.5", "1", 0.5),
    ("150 Pa", "Pa", 150.0),
    ("1.013 bar", "Pa", 101300.0),
    ("900 J/(kg·K)", "J/(kg·K)", 900.0),  # a product of SI units that has no name here
]


@pytest.mark.parametrize(("text", "unit", "expected"), EXACT)
def test_text_is_read_to_the_nearest_float(text: str, unit: str, expected: float) -> None:
    assert parse(text, unit) == expected


# A turn is 2π rad. rel 1e-15: a few roundings of 1.1e-16 each.
@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("1500 rpm", "rad/s", 50 * math.pi),
        ("1500 r/min", "rad/s", 50 * math.pi),
        ("1.2 mV/rpm", "V·s/rad", 0.0012 * 30 / math.pi),
        ("1.2 V/krpm", "V·s/rad", 0.0012 * 30 / math.pi),
        ("1e-9 N·m/rpm²", "N·m·s²/rad²", 1e-9 * (30 / math.pi) ** 2),
    ],
)
def test_revolutions(text: str, unit: str, expected: float) -> None:
    assert parse(text, unit) == pytest.approx(expected, rel=1e-15, abs=0)


def test_motor_constant_of_one_volt_per_thousand_rpm() -> None:
    # 9.5493e-3 V·s/rad is 60/(2π·1000), own derivation; half a unit of its last digit.
    assert parse("1 V/krpm", "V·s/rad") == pytest.approx(9.5493e-3, abs=0.5e-7, rel=0)


def test_units_agree_with_a_second_table() -> None:
    # scipy.constants holds the exact definitions from CODATA and the SI brochure.
    from scipy import constants as c

    table = {
        "in": c.inch,
        "ft": c.foot,
        "min": c.minute,
        "h": c.hour,
        "bar": c.bar,
        "L": c.liter,
        "g": c.gram,
    }
    units = {"in": "m", "ft": "m", "min": "s", "h": "s", "bar": "Pa", "L": "m³", "g": "kg"}
    prefixes = ["pico", "nano", "micro", "milli", "kilo", "mega", "giga"]
    found = {symbol: parse(f"1 {symbol}", unit) for symbol, unit in units.items()}
    assert found == pytest.approx(table, rel=3e-16, abs=0)  # theirs are products, rounded once or twice
    assert [parse(f"1 {p}V", "V") for p in "pnµmkMG"] == [getattr(c, name) for name in prefixes]
    assert parse("1 rpm", "rad/s") == pytest.approx(2 * c.pi / c.minute, rel=1e-15, abs=0)
    # rel 1e-14: theirs adds and subtracts 273.15 in floats
    assert parse("75 °F", "°C") == pytest.approx(c.convert_temperature(75.0, "F", "C"), rel=1e-14, abs=0)


# ASTM B258: diameter and area, computed from its formula with other software. Tolerance: half the last digit.
@pytest.mark.parametrize(
    ("size", "diameter_mm", "area_mm2"),
    [
        ("20", "0.8118", "0.5176"),
        ("18", "1.0237", "0.8230"),
        ("16", "1.2908", "1.3087"),
        ("14", "1.6277", "2.0809"),
        ("12", "2.0525", "3.3088"),
        ("10", "2.5882", "5.2612"),
        ("8", "3.2636", "8.3656"),
        ("6", "4.1154", "13.302"),
        ("4", "5.1894", "21.151"),
    ],
)
def test_wire_sizes(size: str, diameter_mm: str, area_mm2: str) -> None:
    area = parse(f"{size} AWG", "m²")
    for found, printed in ((area * 1e6, area_mm2), (math.sqrt(4 * area / math.pi) * 1e3, diameter_mm)):
        half_digit = 0.5 * 10.0 ** -len(printed.split(".")[1])
        assert found == pytest.approx(float(printed), abs=half_digit, rel=0)


def test_wire_sizes_that_define_the_gauge() -> None:
    # ASTM B258: No. 36 is 0.0050 in, No. 4/0 is 0.4600 in, and each step is 1.1229322 in diameter.
    # rel 1e-14: a power and a few products; rel 5e-8: the digits printed.
    inch = 0.0254
    assert parse("36 AWG", "m²") == pytest.approx(math.pi / 4 * (0.005 * inch) ** 2, rel=1e-14, abs=0)
    assert parse("4/0 AWG", "m²") == pytest.approx(math.pi / 4 * (0.46 * inch) ** 2, rel=1e-14, abs=0)
    sizes = ["4/0", "3/0", "2/0", "1/0", *map(str, range(1, 41))]
    areas = [parse(f"{size} AWG", "m²") for size in sizes]
    steps = [math.sqrt(thick / thin) for thick, thin in itertools.pairwise(areas)]
    assert steps == pytest.approx([1.1229322] * 43, rel=5e-8, abs=0)


@pytest.mark.parametrize("text", ["AWG 14", "AWG14", "14AWG", "14 awg"])
def test_wire_size_spellings(text: str) -> None:
    assert parse(text, "m²") == parse("14 AWG", "m²")
    assert parse("0000 AWG", "m²") == parse("4/0 AWG", "m²")
    assert parse("0 AWG", "m²") == parse("1/0 AWG", "m²")


@pytest.mark.parametrize("number", [12, 12.0, np.float64(12.0), np.float32(12.0), np.int64(12)])
def test_a_number_is_in_si_already(number: float) -> None:
    assert parse(number, "V") == 12.0
    assert type(parse(number, "V")) is float


# ---------------------------------------------------------------- refusing

REFUSED = [
    ("12 Vv", "V", "unknown unit 'Vv' in '12 Vv'; did you mean 'V'?"),
    ("12 v", "V", "unknown unit 'v' in '12 v'; did you mean 'V'?"),
    ("12 V DC", "V", "unknown unit 'V DC' in '12 V DC'; did you mean 'V'?"),
    ("4 mohn", "Ω", "unknown unit 'mohn' in '4 mohn'; did you mean 'mohm'?"),
    ("5C", "°C", "unknown unit 'C' in '5C'; did you mean 'degC' (°C)? expected a temperature (°C)"),
    ("75F", "°C", "unknown unit 'F' in '75F'; did you mean 'degF' (°F)? expected a temperature (°C)"),
    ("75 deg f", "°C", "unknown unit 'deg f' in '75 deg f'; did you mean 'degF' (°F)? expected a temperature (°C)"),
    ("20°", "°C", "unknown unit '°' in '20°'; did you mean 'degC' (°C) or 'degF' (°F)? expected a temperature (°C)"),
    (
        "20 degrees",
        "°C",
        "unknown unit 'degrees' in '20 degrees'; did you mean 'degC' (°C) or 'degF' (°F)? expected a temperature (°C)",
    ),
    ("20", "°C", "'20' has no unit; write e.g. '20 °C'"),
    ("75 F", "V", "'75 F' is a capacitance (F); expected a voltage (V)"),
    ("3 k", "Ω", "unknown unit 'k' in '3 k'; did you mean 'kΩ'?"),
    ("3 q", "Ω", "unknown unit 'q' in '3 q'; expected a resistance (Ω)"),
    ("1 zz/m", "Ω/m", "unknown unit 'zz' in '1 zz/m'; expected a resistance per length (Ω/m)"),
    ("4 m Ω", "Ω", "unknown unit 'm Ω' in '4 m Ω'; did you mean 'm'?"),
    ("4 mΩ", "V", "'4 mΩ' is a resistance (Ω); expected a voltage (V)"),
    ("3 mm", "m²", "'3 mm' is a length (m); expected an area (m²)"),
    ("5 %", "V", "'5 %' is a ratio (a number or %); expected a voltage (V)"),
    ("5 A/m", "V", "'5 A/m' is a quantity in A/m; expected a voltage (V)"),
    ("5 V·s·rad", "V·s/rad", "'5 V·s·rad' is a quantity in V·s·rad; expected a motor constant (V·s/rad)"),
    (
        "5 kg·m²",
        "N·m·s²/rad²",
        "'5 kg·m²' is a moment of inertia (kg·m²); expected a square-law torque coefficient (N·m·s²/rad²)",
    ),
    ("14 AWG", "Ω", "'14 AWG' is an area (m²); expected a resistance (Ω)"),
    ("50 Hz", "rad/s", "'50 Hz' is a frequency (Hz); expected a speed (rad/s)"),
    ("1500 rpm", "Hz", "'1500 rpm' is a speed (rad/s); expected a frequency (Hz)"),
    ("20 °C", "K", "'20 °C' is a temperature (°C); expected a temperature difference (K)"),
    ("5 mK", "°C", "'5 mK' is a temperature difference (K); expected a temperature (°C)"),
    ("12", "V", "'12' has no unit; write e.g. '12 V'"),
    ("2.5", "m²", "'2.5' has no unit; write e.g. '2.5 mm²'"),
    ("2,5 mm²", "m²", "'2,5 mm²' has a comma; use a point, as in '2.5 mm²'"),
    ("1,000 Ω", "Ω", "'1,000 Ω' has a comma; use a point, as in '2.5 Ω'"),
    ("nan", "1", "'nan' is not a number with a unit; write e.g. '12 %'"),
    ("inf V", "V", "'inf V' is not a number with a unit; write e.g. '12 V'"),
    ("", "V", "'' is not a number with a unit; write e.g. '12 V'"),
    ("١٢ V", "V", "'١٢ V' is not a number with a unit; write e.g. '12 V'"),
    ("12.3.4 V", "V", "'12.3.4 V' is not a number with a unit; write e.g. '12 V'"),
    ("9**9**9 V", "V", "unknown unit '**9**9 V' in '9**9**9 V'; expected a voltage (V)"),
    ("2.5² V", "V", "unknown unit '² V' in '2.5² V'; expected a voltage (V)"),
    ("5 V/", "V", "unknown unit 'V/' in '5 V/'; did you mean 'V'?"),
    ("5 (V", "V", "unknown unit '(V' in '5 (V'; did you mean 'V'?"),
    ("5 V)", "V", "unknown unit 'V)' in '5 V)'; did you mean 'V'?"),
    ("5 J/kg·K", "J/K", "unit 'J/kg·K' is ambiguous after '/'; use brackets, as in J/(kg·K)"),
    ("5 ((((%9)9)9)9)9", "1", "unit '((((%9)9)9)9)9' has absurd powers"),
    ("1e999 V", "V", "'1e999 V' is beyond any quantity"),
    ("1e400 V", "V", "'1e400 V' is beyond any quantity"),
    ("1e-400 V", "V", "'1e-400 V' is beyond any quantity"),
    ("-300 °C", "°C", "'-300 °C' is below absolute zero (-273.15 °C)"),
    (-300.0, "°C", "-300.0 is below absolute zero (-273.15 °C)"),
    ("41 AWG", "m²", "unknown wire size '41 AWG'; accepted: 4/0, 3/0, 2/0, 1/0 and 1 to 40 AWG"),
    ("10 Ω ±5 %", "Ω", "'10 Ω ±5 %' has a tolerance, and none is taken here"),
    ("12\n\x1b[31mV", "V", "unknown unit '\\x1b[31mV' in '12\\n\\x1b[31mV'; expected a voltage (V)"),
    (True, "V", "True is not a quantity; write e.g. '12 V'"),
    (np.True_, "V", "a bool is not a quantity; write e.g. '12 V'"),
    (None, "V", "None is not a quantity; write e.g. '12 V'"),
    ([12], "V", "a list is not a quantity; write e.g. '12 V'"),
    (math.nan, "V", "nan is not a finite number; write e.g. '12 V'"),
    (-math.inf, "rad/s", "-inf is not a finite number; write e.g. '12 rpm'"),
    (10**400, "V", "an integer of 1329 bits is not a finite number; write e.g. '12 V'"),
    ("12 V", "volt", "no quantity has the unit 'volt', asked for by the program"),
    ("12 V", "mV", "'mV', asked for by the program, is not an SI unit"),
    (12, "degC", "'degC', asked for by the program, is not an SI unit"),
]


@pytest.mark.parametrize(("text", "unit", "message"), REFUSED)
def test_what_cannot_be_read_is_told(text: str, unit: str, message: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text, unit)
    assert str(caught.value) == message


def test_megabytes_are_refused_without_being_echoed() -> None:
    for call in (parse, parse_tolerance, parse_with_tolerance):
        with pytest.raises(QuantityError) as caught:
            call("12 ±\n" * 2_000_000, "V")
        assert len(str(caught.value)) < 150


# What the dimension does not tell apart: torque and energy, and a temperature in kelvin.
SAME_KIND = {("N·m", "J"), ("J", "N·m"), ("K", "°C")}


@pytest.mark.parametrize("wanted", UNITS)
def test_every_unit_takes_its_own_kind_and_no_other(wanted: str) -> None:
    for unit in UNITS:
        text = "100 %" if unit == "1" else f"1 {unit}"
        if unit == wanted:
            assert parse(text, wanted) == 1.0
        elif (unit, wanted) not in SAME_KIND:
            with pytest.raises(
                QuantityError,
                match=re.escape(f"expected a{'n' * (UNITS[wanted][0] in 'aei')} {UNITS[wanted]}"),
            ):
                parse(text, wanted)


def outcome(text: str, unit: str) -> float | str:
    """The value read, or the text of the error."""
    try:
        return parse_with_tolerance(text, unit)[0]
    except QuantityError as error:
        return str(error)


@given(st.text("0123456789.,-+eE mkµΩVA²^*/·()%±x°CFKsrad", max_size=90) | st.text(max_size=90))
@example("1e" + "9" * 70 + " V")
@example("1 " + "(" * 70 + "V")
def test_any_text_is_a_number_or_one_clear_line(text: str) -> None:
    for unit in ("V", "°C", "1"):
        found = outcome(text, unit)
        if isinstance(found, float):
            assert math.isfinite(found)
        else:
            assert found.isprintable()
            assert len(found) < 400


# ---------------------------------------------------------------- cost


def test_reading_a_quantity_loads_nothing_heavy() -> None:
    heavy = {"numpy", "sympy", "scipy", "networkx", "matplotlib", "pydantic", "difflib"}
    code = "import sys; import circuitsim.quantities as q; q.parse('4 mΩ', 'Ω'); print(*sys.modules)"
    run = subprocess.run([sys.executable, "-X", "utf8", "-c", code], capture_output=True, text=True, check=True)
    loaded = set(run.stdout.split())
    assert "circuitsim.quantities" in loaded
    assert not heavy & loaded
