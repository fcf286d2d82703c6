"""The library's parts: each number has an origin, and those with a published source agree with it."""

from __future__ import annotations

import pytest

from circuitsim.elements import Fuse, element_kinds
from circuitsim.library import load, part_names, parts
from circuitsim.library.part_reader import ORIGINS

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
    # Every source of which a page was seen that bears on a part; a new one is added here once its numbers are checked.
    seen = (
        "IEC 60028", "IEC 60228", "33 CFR 183.425", "MIL-DTL-83454A", "TM 5-3805-262-20", "TM 9-2330-356-14",
        "TM 5-2410-240-23-1", "TM 5-2420-230-24-1",
    )  # fmt: skip
    assert any(source in told for source in seen)


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
    # TM 9-2330-356-14: 13.6 to 14.2 V. TM 5-2410-240-23-1: 24 to 28 V.
    for name, low, high in (
        ("alternator-12v", 13.6, 14.2),
        ("any-alternator", 13.6, 14.2),
        ("alternator-24v", 24.0, 28.0),
    ):
        assert low <= PARTS[name].numbers["regulated"] <= high


@pytest.mark.parametrize("name", ["eyelet-m8", "any-stud"])
def test_a_good_stud_lies_in_the_published_range(name: str) -> None:
    # MIL-DTL-83454: at most 7.5 mV at 25 to 43 A, which is 0.30 to 0.174 mΩ.
    assert 0.174e-3 <= PARTS[name].numbers["resistance"] <= 0.30e-3


# One maker's typical cold resistances of medium blade fuses, mΩ, and the body's colour; large ones of 40 and 50 A.
# Second-hand, no standard: other makers' scatter, which the tolerances are for.
FUSES = {
    "3": (31.1, "violet"), "5": (17.85, "tan"), "7.5": (10.91, "brown"), "10": (7.70, "red"), "15": (4.80, "blue"),
    "20": (3.38, "yellow"), "25": (2.52, "white or clear"), "30": (1.97, "green"),
}  # fmt: skip
LARGE_FUSES = {"40": 1.4, "50": 1.1}


@pytest.mark.parametrize("rating", FUSES)
def test_a_fuse_of_a_rating_has_the_makers_resistance_and_colour(rating: str) -> None:
    milliohm, colour = FUSES[rating]
    part = PARTS[f"blade-fuse-{rating}"]
    assert part.numbers["rating"] == float(rating)
    assert part.numbers["resistance"] == pytest.approx(milliohm / 1000, rel=0.002, abs=0)  # rounded to three digits
    assert part.title == f"medium blade fuse, {rating} A, {colour}"
    assert part.sources["resistance"].startswith("assumed")


@pytest.mark.parametrize(
    ("part", "rating", "milliohm"),
    [("blade-fuse", r, ohm) for r, (ohm, _) in FUSES.items()]
    + [("large-blade-fuse", r, ohm) for r, ohm in LARGE_FUSES.items()],
)
def test_the_band_of_a_fuse_of_any_rating_covers_the_makers_resistance(part: str, rating: str, milliohm: float) -> None:
    nominal = Fuse("F", "a", "b", rating=float(rating)).values["resistance"]
    spread = PARTS[part].spreads["resistance"]
    reach = spread.size if spread.kind == "lognormal" else 1 + spread.size
    low = 1 / reach if spread.kind == "lognormal" else 1 - spread.size
    assert low <= milliohm / 1000 / nominal <= reach


@pytest.mark.parametrize("rating", [*FUSES, *LARGE_FUSES])
def test_the_generic_fuse_follows_the_makers_resistances_over_the_ratings(rating: str) -> None:
    milliohm = FUSES[rating][0] if rating in FUSES else LARGE_FUSES[rating]
    fuse = load("generic-linear", fuse=f"{rating} A", current="2 A").net.elements["F1"]
    deviation = milliohm / 1000 / fuse.values["resistance"] - 1
    # The power law is good to 6 %, a quarter of the tolerance.
    assert abs(deviation) < 0.06 < fuse.tolerances["resistance"].size / 4


def test_battery_cable_cools_as_the_published_currents_imply() -> None:
    # 33 CFR 183.425 table 5, 105 °C insulation, 30 °C around: 120 A for 6 AWG, 160 A for 4 AWG. ASTM B258 resistances.
    for amperes, ohms_per_metre in ((120.0, 1.2962e-3), (160.0, 0.8152e-3)):
        implied = 75.0 / (amperes**2 * ohms_per_metre * (1 + 0.00393 * 85))
        assert implied == pytest.approx(PARTS["battery-cable"].numbers["rise"], rel=0.10)  # a third of its tolerance


def test_a_generic_part_is_at_least_as_wide_as_the_known_one() -> None:
    for known, generic, key in (
        ("battery-12v", "any-battery", "resistance"), ("pin-6.3", "any-power-pin", "resistance"),
        ("vehicle-cable", "any-cable", "length"), ("blade-fuse-30", "any-fuse", "resistance"),
        ("linear-stage-12v", "any-linear-stage", "gain"), ("cab-fan-motor-12v", "any-fan-motor", "constant"),
        ("speed-ladder", "any-ladder", "resistance"), ("wire-wound-section", "any-section", "resistance"),
    ):  # fmt: skip
        narrow, wide = PARTS[known].spreads[key], PARTS[generic].spreads[key]
        assert wide.standard(1.0) > narrow.standard(1.0)
