"""The library's parts: each number has an origin, and those with a published source agree with it."""

from __future__ import annotations

import pytest

from circuitsim.elements import element_kinds
from circuitsim.library import part_names, parts
from circuitsim.library.parts import ORIGINS

PARTS = parts()
VALUES = [(name, key) for name, part in PARTS.items() for key in part.sources]


@pytest.mark.parametrize("name", PARTS)
def test_a_part_is_of_a_kind_and_has_a_title(name: str) -> None:
    assert PARTS[name].kind in element_kinds()
    assert PARTS[name].title
    assert PARTS[name].file.endswith(".toml")


@pytest.mark.parametrize(("name", "key"), VALUES)
def test_a_value_has_an_origin_and_is_read(name: str, key: str) -> None:
    part = PARTS[name]
    assert part.sources[key].startswith(ORIGINS)
    assert (key in part.values) != (key in part.tolerances)
    assert (key in part.numbers) == (key in part.values)


@pytest.mark.parametrize(("name", "key"), [(n, k) for n, k in VALUES if PARTS[n].sources[k].startswith("published")])
def test_a_published_value_names_its_source(name: str, key: str) -> None:
    told = PARTS[name].sources[key]
    # A source has a number of its own, or is the one maker's data that the fuse figures come from.
    assert any(word in told for word in ("IEC", "CFR", "TM ", "MIL-", "one maker's"))


def test_names_are_listed_in_order() -> None:
    assert list(part_names()) == sorted(PARTS)


@pytest.mark.parametrize("name", ["vehicle-cable", "motor-lead", "any-cable", "battery-cable"])
def test_cable_lies_between_solid_copper_and_class_5(name: str) -> None:
    # IEC 60028: 1/58 Ω·mm²/m for solid copper. IEC 60228 class 5, plain: 7.98 mΩ/m at 2.5 mm², 0.780 at 25 mm².
    most = 0.780e-3 * 25e-6 if name == "battery-cable" else 7.98e-3 * 2.5e-6
    assert 1 / 58e6 < PARTS[name].numbers["resistivity"] <= most


def test_a_rested_battery_has_its_published_voltage() -> None:
    # US Army TM 5-3805-262-20, p. 5-142: 12.6 V or more when full. TM 5-2420-230-24-1: 25.2 V at rest.
    assert PARTS["battery-12v"].numbers["emf"] == 12.6
    assert PARTS["battery-24v"].numbers["emf"] == 25.2


def test_a_regulator_lies_in_its_published_window() -> None:
    # TM 9-2330-356-14: 13.6 to 14.2 V. TM 9-2350-311-20-1, p. 3-166: 27.5 to 28.5 V.
    for name, low, high in (
        ("alternator-12v", 13.6, 14.2),
        ("any-alternator", 13.6, 14.2),
        ("alternator-24v", 27.5, 28.5),
    ):
        assert low <= PARTS[name].numbers["regulated"] <= high


@pytest.mark.parametrize("name", ["eyelet-m8", "any-stud"])
def test_a_good_stud_lies_in_the_published_range(name: str) -> None:
    # MIL-DTL-83454: at most 7.5 mV at 25 to 43 A, which is 0.30 to 0.174 mΩ.
    assert 0.174e-3 <= PARTS[name].numbers["resistance"] <= 0.30e-3


def test_the_fuse_band_covers_the_published_resistances() -> None:
    # One maker's medium blade fuses, cold: 5 A 17.85 mΩ, 10 A 7.70, 15 A 4.80, 20 A 3.38, 30 A 1.97. The part gives
    # 65 mV over the rating ±20 %; 5 A lies a little above that band, as its thin element does.
    spread = PARTS["blade-fuse"].spreads["resistance"].size
    for rating, milliohm in ((10, 7.70), (15, 4.80), (20, 3.38), (30, 1.97)):
        assert abs(milliohm * rating / 65 - 1) <= spread


def test_a_generic_part_is_at_least_as_wide_as_the_known_one() -> None:
    for known, generic, key in (
        ("battery-12v", "any-battery", "resistance"), ("pin-6.3", "any-power-pin", "resistance"),
        ("vehicle-cable", "any-cable", "length"), ("blade-fuse", "any-fuse", "resistance"),
        ("linear-stage-12v", "any-linear-stage", "gain"), ("cab-fan-motor-12v", "any-fan-motor", "constant"),
        ("speed-ladder", "any-ladder", "resistance"), ("wire-wound-section", "any-section", "resistance"),
    ):  # fmt: skip
        narrow, wide = PARTS[known].spreads[key], PARTS[generic].spreads[key]
        assert wide.standard(1.0) > narrow.standard(1.0)
