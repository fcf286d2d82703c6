"""Healthy beside faulty: overlap against closed forms, who tells them apart, and the table of faults and tests."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.stats import norm
from small_circuits import circuit_of

import circuitsim as cs
from circuitsim.errors import InputError, UnknownNameError
from circuitsim.library.circuit import StandardReading
from circuitsim.measure import meter
from circuitsim.report.comparing import (
    comparison_markdown,
    comparison_text,
    detectability_figure,
    detectability_pages,
    detectability_text,
)
from circuitsim.studies.compare import SURE, TELLS, Detectability, bayes_error_of_two, compare, detectability

PROBES = ("MOT+:GND", "MOT-:GND", "U1-:BAT-", "at:M1")


@cache
def _matrix(severity: str = "usual") -> Detectability:
    return detectability(cs.load("tractor-cab-fan"), severity=severity, probe=PROBES, step=("2", "4"))


# Overlap of two normals -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("gap", "error"), [(0.0, 0.5), (1.0, 0.30854), (2.0, 0.15866), (3.29, 0.05), (4.0, 0.02275)])
def test_equal_spreads_give_the_normal_table(gap: float, error: float) -> None:
    """Φ(-gap / 2σ): decision theory, with the printed table of the normal distribution (five digits; Φ(-1.645) = 0.0500)."""
    assert float(bayes_error_of_two(gap, 1.0, 1.0)) == pytest.approx(error, abs=1e-4 if gap == 3.29 else 6e-6)


@pytest.mark.parametrize(
    ("gap", "first", "second"),
    [(0.0, 1.0, 1.0001), (0.3, 1.0, 1.5), (2.0, 1.01, 1.0), (0.0, 1.0, 100.0), (5.0, 100.0, 1.0), (-5.0, 1.0, 3.0),
     (1e-3, 2e-4, 1e-4), (0.0, 1e-3, 1e3)],
)  # fmt: skip
def test_unequal_spreads_give_the_integral(gap: float, first: float, second: float) -> None:
    """½∫min(p, q), by scipy's quadrature over pieces of a fourth of each deviation."""

    def least(x: float) -> float:
        densities = (math.exp(-0.5 * ((x - m) / s) ** 2) / (s * math.sqrt(2 * math.pi)) for m, s in ((0, first), (gap, second)))
        return min(densities)

    ends = np.unique([np.linspace(-9, 9, 73) * first, gap + np.linspace(-9, 9, 73) * second])
    exact = 0.5 * sum(quad(least, a, b, epsabs=1e-14, epsrel=1e-9)[0] for a, b in pairwise(ends))
    assert float(bayes_error_of_two(gap, first, second)) == pytest.approx(exact, rel=1e-6)  # the kink lies inside a piece


def test_overlap_is_the_same_both_ways_in_any_unit_and_falls_with_the_gap() -> None:
    rng = np.random.default_rng(3)
    gap, first, second = 3 * rng.standard_normal(200), *np.exp(rng.standard_normal((2, 200)))
    error = bayes_error_of_two(gap, first, second)
    assert bayes_error_of_two(-gap, second, first) == pytest.approx(error, rel=1e-12)
    assert bayes_error_of_two(1e-3 * gap, 1e-3 * first, 1e-3 * second) == pytest.approx(error, rel=1e-9)
    assert (bayes_error_of_two(1.2 * gap, first, second) < error).all()
    assert ((error > 0) & (error <= 0.5)).all()


# Two vehicles -----------------------------------------------------------------------------------------------------------


def _joint(load_ohms: float = 10.0) -> cs.Circuit:
    """A source of 12 V ± 3 % (rectangular) behind a good joint, with a load: what is read there has a closed formula."""
    net = cs.Netlist("joint")
    net.chain("GND", cs.VoltageSource("V0", emf="12 V ±3 %"), "top")
    net.chain("top", cs.Contact("X1", resistance=1e-6, coefficient=0.0), "mid")
    net.chain("mid", cs.Resistor("R2", resistance=load_ohms), "GND")
    return circuit_of(net, StandardReading("behind the joint", "voltmeter", "mid", "GND"))


def test_overlap_is_that_of_the_uncertainties_by_hand() -> None:
    """GUM by hand: source ±3 % and meter ±(0.5 % + 2 digits of 1 mV or 10 mV), both rectangular: u² = sum of a²/3."""
    (pair,) = compare(_joint(), ["X1:corroded=0.5Ω"]).pairs
    tool, values = meter("standard"), (12.0, 12.0 * 10 / 10.5)
    spread = [math.hypot(0.03 * v, tool.limit(v, "V")) / math.sqrt(3) for v in values]
    assert tool.limit(12.0, "V") == pytest.approx(0.005 * 12 + 0.02)  # of the range to 60 V
    assert (pair.healthy.expected, pair.faulty.expected) == pytest.approx(values, rel=1e-5)  # 10 MΩ beside 10 Ω
    assert (pair.healthy.standard, pair.faulty.standard) == pytest.approx(spread, rel=2e-3)
    between = float(norm.cdf(-abs(values[0] - values[1]) / sum(spread)))  # of nearly equal deviations
    assert pair.overlap == pytest.approx(between, rel=0.01)
    assert not pair.tells


@pytest.mark.parametrize(("ohms", "tells", "sure"), [("10 mΩ", False, False), ("0.7 Ω", True, False), ("3 Ω", True, True)])
def test_who_can_tell(ohms: str, tells: bool, sure: bool) -> None:
    (pair,) = compare(_joint(), [f"X1:corroded={ohms}"]).pairs
    assert (pair.tells, pair.sure) == (tells, sure)
    assert (pair.overlap < TELLS, pair.overlap < SURE) == (tells, sure)


def test_no_ohms_to_speak_of_are_mistaken_every_other_time() -> None:
    found = compare("tractor-cab-fan", ["X4.A:corroded=10 µΩ"], step="4", probe=PROBES)
    assert all(p.overlap == pytest.approx(0.5, abs=1e-3) for p in found.pairs)
    assert not any(p.tells for p in found.pairs)


def test_a_clear_fault_shows_where_it_should() -> None:
    """A bad power ground: its own drop tells; the feed's does not. Common practice, no source."""
    found = compare("tractor-cab-fan", ["G1.eyelet:corroded=100mΩ"], step="4", probe=PROBES)
    told = {p.healthy.leads: p for p in found.pairs}
    assert told["U1- : BAT-"].sure
    assert told["U1- : BAT-"].faulty.expected > 1.0  # volts, of some 0.1 Ω and 15 A
    assert not told["MOT+ : GND"].tells
    assert found.faulty.conditions["faults"] == ["G1.eyelet:corroded=100 mΩ"]
    assert found.healthy.conditions["faults"] == []


def test_a_fuse_that_opens_is_open_in_every_reading() -> None:
    found = compare("tractor-cab-fan", ["W2:chafed-to-ground=60mΩ"], probe=["MOT+:GND", "F7.a:GND", "at:M1"])
    assert found.blown == ("F7",)
    assert found.faults == ("W2:chafed-to-ground=60 mΩ",)
    for p in found.pairs:
        assert math.isfinite(p.faulty.expected)
        if p.healthy.leads == "F7.a : GND":
            assert p.faulty.expected > 12.0  # the battery stands before it
        else:
            assert abs(p.faulty.expected) < 0.01  # dead behind it
    assert "F7 opens" in comparison_text(found)
    assert "F7 opens" in comparison_markdown(found)


def test_a_point_that_is_no_reading_is_said_and_no_traceback() -> None:
    """Warm, a stage without air passes what it stands: there is no number, and nobody takes it for a good circuit."""
    found = compare("tractor-cab-fan", ["U1:blocked-cooling-duct=1", "M1:seized"], step="3", probe=["MOT-:GND"], since="warm")
    (pair,) = found.pairs
    assert pair.faulty.verdict.startswith("runs away at ")
    assert pair.sure
    assert found.records()[0]["faulty"] is None
    json.dumps(found.to_dict(), allow_nan=False)
    assert f"none: {pair.faulty.verdict}" in " ".join(comparison_text(found, 200).split())


def test_a_lamp_is_told_by_its_looks() -> None:
    state = {"probe": ["X4.A/harness:X4.B/harness"], "instrument": "lamp", "unplug": "X4", "step": "4"}
    bright = compare("tractor-cab-fan", ["W2:broken-strands=50mΩ"], **state).pairs[0]
    dark = compare("tractor-cab-fan", ["W2:broken-strands=500Ω"], **state).pairs[0]
    assert (bright.overlap, bright.faulty.display) == (0.5, "bright")
    assert (dark.overlap, dark.faulty.display) == (0.0, "dark")


def test_a_duty_is_a_number_and_no_lamp() -> None:
    """A duty that is off by a few thousandths is hard to tell; its unit is 1, as a lamp's."""
    state = {"probe": ["MOT-:GND"], "instrument": "duty", "step": "2"}
    near = compare("generic-pwm", ["U1:regulation-off=0.003"], **state).pairs[0]
    assert abs(near.faulty.expected - near.healthy.expected) == pytest.approx(0.003, rel=0.05)
    assert 0.2 < near.overlap < 0.5


@pytest.mark.parametrize(
    ("faults", "error", "told"),
    [
        ([], InputError, "needs a fault"),
        (["X4.A:corodded"], UnknownNameError, "corroded"),
        (["X9:open"], UnknownNameError, "X9"),
    ],
)
def test_what_can_not_be_compared(faults: list[str], error: type[InputError], told: str) -> None:
    with pytest.raises(error, match=told) as caught:
        compare("tractor-cab-fan", faults)
    assert (caught.value.key or "").startswith("fault")


# All faults and tests ---------------------------------------------------------------------------------------------------


def test_the_table_agrees_with_vehicles_one_by_one() -> None:
    """One batch for all faults gives what comparing each alone gives.

    Of faults that add or scale: their numbers keep their tolerances in the batch, which next to the fault are small.
    """
    found = _matrix()
    for fault in ("M1:dragging", "X4.A:corroded", "M1:weak-magnets", "W3:chafed-to-ground", "FAN1:fouled-wheel"):
        j = next(k for k, name in enumerate(found.faults) if name.startswith(fault + "="))
        pairs = compare("tractor-cab-fan", [found.faults[j]], probe=PROBES, step=("2", "4")).pairs
        alone = {f"clamp {r.healthy.placed}" if r.healthy.at else r.healthy.placed: r for r in pairs}
        assert list(alone) == list(found.tests)
        for k, test in enumerate(found.tests):  # three digits of a severity are written
            assert found.overlap[j, k] == pytest.approx(alone[test].overlap, abs=0.01), (found.faults[j], test)


def test_every_lasting_fault_is_in_the_table_and_the_summary_counts_it() -> None:
    found = _matrix()
    assert found.overlap.shape == (len(found.faults), len(found.tests)) == (len(set(found.faults)), 8)
    assert not any(":intermittent" in f for f in found.faults)
    assert ((found.overlap >= 0) & (found.overlap <= 0.5)).all()
    telling: NDArray[np.bool_] = found.overlap < TELLS
    assert found.blind == tuple(f for f, row in zip(found.faults, telling, strict=True) if not row.any())
    counts = [n for _, n in found.best]
    assert counts == sorted(counts, reverse=True)
    assert dict(found.best) == {t: int(n) for t, n in zip(found.tests, telling.sum(axis=0), strict=True)}


def test_what_shows_nowhere_and_what_shows_everywhere() -> None:
    """Backwards: nothing electrical. An open motor: current and low side. Common practice, no source."""
    found = _matrix()
    assert "M1:reversed" in found.blind
    row = dict(zip(found.tests, found.overlap[found.faults.index("M1:open-winding")], strict=True))
    assert row["clamp on M1 at step 4"] < SURE
    assert row["MOT- : GND at step 2"] < SURE
    # On a regulated step a bad joint in the motor leaves the low side good: only the current shows it.
    crimp = dict(
        zip(found.tests, found.overlap[[f.startswith("M1.crimp+:loose") for f in found.faults].index(True)], strict=True)
    )
    assert crimp["clamp on M1 at step 2"] < TELLS < crimp["MOT- : GND at step 2"]


def test_worse_faults_show_to_more_tests() -> None:
    low, high = _matrix("low"), _matrix("high")
    assert (low.overlap < TELLS).sum() < 0.7 * (high.overlap < TELLS).sum()
    assert len(low.blind) > len(high.blind)


def test_plain_values_and_text_of_the_table() -> None:
    found = _matrix()
    plain = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert plain["unseen"] == list(found.blind)
    assert len(found.records()) == found.overlap.size
    text = detectability_text(found, 80)
    assert max(map(len, text.splitlines())) <= 80
    assert "X4.A:corroded, spread, loose-crimp=360 mΩ" in detectability_text(found, 140)  # one row for what reads alike
    assert len(text.splitlines()) < len(found.faults) + 60


def _panels(figure: Any) -> list[Any]:
    return [axes for axes in figure.axes if axes.images]


def _labels(figure: Any) -> list[str]:
    return [t.get_text() for axes in _panels(figure) for t in axes.get_yticklabels()]


@cache
def _at_all_steps(probe: tuple[str, ...]) -> Detectability:
    return detectability(cs.load("tractor-cab-fan"), probe=probe)


FEW = pytest.param(("MOT-:GND",), marks=pytest.mark.slow)


@pytest.mark.parametrize("probe", [PROBES, FEW, (*PROBES, "CMD:GND", "BAT+:GND", "BAT+:MOT+", "MOT+:MOT-", "at:F7")])
def test_the_pages_have_a_square_for_every_row_and_test(probe: tuple[str, ...]) -> None:
    """On A4 on its side (ISO 216: 297 × 210 mm), all rows once, in the circuit's order; no label is small or cut off."""
    found = _at_all_steps(probe)
    pages = detectability_pages(found)
    rows = [text for page in pages for text in _labels(page)]
    assert len(rows) == len(set(rows))
    assert 60 < len(rows) < len(found.faults)
    assert [r.partition(":")[0] for r in rows] == sorted((r.partition(":")[0] for r in rows), key=_sites(found).index)
    for page in pages:
        assert page.get_size_inches() * 25.4 == pytest.approx([297, 210], abs=0.1)
        for axes in _panels(page):
            assert axes.images[0].get_array().shape[1] == len(found.tests)
            steps = [t.get_text() for t in axes.texts]
            assert steps == [t.rpartition(" at step ")[2] for t in found.tests]
            labels = [*axes.get_yticklabels(), *axes.get_xticklabels()]
            assert min(t.get_fontsize() for t in labels) >= 7
            page.canvas.draw()
            boxes = [t.get_window_extent() for t in labels]
            assert min(min(b.x0, b.y0) for b in boxes) >= 0
            high = [b.y0 for b in boxes[: len(axes.get_yticklabels())]]
            assert max(np.diff(high)) < -7 * page.dpi / 72  # rows do not run into each other


def _sites(found: Detectability) -> list[str]:
    return list(dict.fromkeys(name.partition(":")[0] for name in found.faults))


def test_one_page_shows_the_rows_that_most_tests_show() -> None:
    """All where they fit; else the best, with how many there are in all, and where."""
    found = _at_all_steps(PROBES)
    everything = [text for page in detectability_pages(found) for text in _labels(page)]
    figure = detectability_figure(found)
    kept = set(_labels(figure))
    telling = {name: int((row < TELLS).sum()) for name, row in zip(found.faults, found.overlap, strict=True)}
    count = {t: telling.get(t, telling[next(f for f in found.faults if f.startswith(t.partition(",")[0]))]) for t in everything}
    assert kept < set(everything)
    assert min(count[t] for t in kept) >= max(count[t] for t in everything if t not in kept)
    assert f"the {len(kept)} of {len(everything)} rows that most tests show; all, on" in figure.texts[1].get_text()
    few = replace(found, faults=found.faults[:9], overlap=found.overlap[:9])
    assert len(_labels(detectability_figure(few))) == len(_labels(detectability_pages(few)[0]))
    assert detectability_figure(few).texts[1].get_text() == ""


def test_a_severity_that_is_none() -> None:
    with pytest.raises(InputError, match="accepted: low, usual, high"):
        detectability("tractor-cab-fan", severity="worst", probe=["MOT-:GND"])
