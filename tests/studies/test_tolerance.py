"""Tolerance studies: known distributions, the same bytes whoever computes, constant memory, stopping early."""

from __future__ import annotations

import json
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from typing import Any

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit, StandardReading, Supply
from circuitsim.quantities import Tolerance
from circuitsim.studies import tolerance as module
from circuitsim.studies.sampling import Uncertain, corner, draw
from circuitsim.studies.tolerance import CHUNK, tolerance


def four(widths: tuple[float, ...]) -> Circuit:
    """Sources in series, each with a rectangular emf of the given standard uncertainty: their sum is one reading."""
    net = cs.Netlist("four")
    at = "GND"
    for k, u in enumerate(widths):
        end = "top" if k == len(widths) - 1 else f"n{k}"
        net.chain(at, cs.VoltageSource(f"V{k}", emf=f"25 V ±{u * 3**0.5:.12f} V"), end)
        at = end
    net.chain("top", cs.Resistor("R", resistance=1e6), "GND")
    net.add(cs.Motor("M1", "top", "GND", "s", resistance=1e6, constant=1.0, friction=0.1))
    reading = StandardReading("sum", "voltmeter", "top", "GND")
    return Circuit("four", "", 100.0, net, ("off",), "M1", Supply("V0", None, "top", "GND"), readings=(reading,))


@pytest.mark.parametrize(
    ("widths", "u", "half"),
    [
        ((1.0, 1.0, 1.0, 1.0), 2.0, 3.88),  # JCGM 101, 9.2.3: u 2.00, 95 % ±3.88
        ((1.0, 1.0, 1.0, 10.0), 10.149, 17.0),  # JCGM 101, 9.2.4: u 10.1, 95 % ±17.0
    ],
)
def test_sums_of_rectangles(widths: tuple[float, ...], u: float, half: float) -> None:
    (spread,) = tolerance(four(widths), samples=4 * CHUNK).spreads
    # 16,384 scrambled Sobol vehicles: a standard deviation to 0.2 %, a 2.5 % quantile to under 1 %.
    assert spread.deviation == pytest.approx(u, rel=0.005)
    assert (spread.high - spread.low) / 2 == pytest.approx(half, rel=0.01)
    assert spread.median == pytest.approx(100.0, abs=0.05 * u)
    shares = dict(spread.shares)
    assert shares["V3.emf"] == pytest.approx((widths[3] / u) ** 2, abs=0.01)
    # Corners: every rectangle at its end.
    assert spread.corner_high == pytest.approx(100 + sum(widths) * 3**0.5, rel=1e-6)


@pytest.mark.parametrize("name", ["tractor-cab-fan", "coach-defroster-fan"])
def test_first_order_bands_agree_with_monte_carlo(name: str) -> None:
    """Where tolerances are a few per cent and joints ×/÷ 2, the two differ by at most 15 % of the band's width."""
    report = tolerance(cs.load(name), samples=CHUNK, since="warm")
    assert report.refused == 0
    for s in report.spreads:
        if s.high - s.low > 1e-4:
            assert s.differs < 0.15, f"{s.label} at {s.step}"
            assert s.minimum <= s.low <= s.median <= s.high <= s.maximum
            assert sum(share for _, share in s.shares) < 1.05


def _as_json(report: module.ToleranceReport) -> str:
    return json.dumps(report.to_dict())


def test_the_same_bytes_on_any_executor() -> None:
    circuit = cs.load("tractor-cab-fan")
    options: dict[str, Any] = {"samples": 2 * CHUNK, "seed": 5, "rows": ["low side", "motor current"]}
    here = _as_json(tolerance(circuit, **options))
    with ThreadPoolExecutor(2) as pool:
        assert _as_json(tolerance(circuit, executor=pool, **options)) == here
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        assert _as_json(tolerance(circuit, executor=pool, **options)) == here
    assert _as_json(tolerance(circuit, **{**options, "seed": 6})) != here


def test_memory_does_not_grow_with_the_number_of_vehicles() -> None:
    """What is kept between chunks has one size; the peak of 2 and of 12 chunks differs by less than a chunk's own."""
    import tracemalloc

    circuit = four((1.0, 1.0, 1.0, 1.0))
    peaks = []
    tolerance(circuit, samples=CHUNK)
    for chunks in (2, 12):
        tracemalloc.start()
        tolerance(circuit, samples=chunks * CHUNK)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.1 * peaks[0]


def test_stopping_early_gives_what_was_finished() -> None:
    def stop(done: int) -> None:
        if done >= 2 * CHUNK:
            raise KeyboardInterrupt

    report = tolerance(four((1.0, 1.0, 1.0, 1.0)), samples=50 * CHUNK, progress=stop)
    assert not report.complete
    assert report.samples == 2 * CHUNK


def test_draws_are_balanced_and_seeded() -> None:
    numbers = tuple(
        Uncertain(("R", "resistance"), None, 10.0, Tolerance(kind, size), 1e-6, np.inf)
        for kind, size in (("uniform", 1.0), ("normal", 1.0), ("lognormal", 2.0))
    )
    z = draw(numbers, CHUNK, 3, 0)
    assert np.abs(z.mean(axis=1)).max() < 1e-3  # a balanced set, far closer than chance (1/64)
    assert z.std(axis=1) == pytest.approx([1.0, 1.0, 1.0], abs=2e-3)
    assert (draw(numbers, CHUNK, 3, 0) == z).all()
    assert (draw(numbers, CHUNK, 3, 1) != z).any()
    assert corner(numbers[0], 1.0) == pytest.approx(11.0)
    assert corner(numbers[2], -1.0) == pytest.approx(5.0)


@pytest.fixture
def plain() -> Circuit:
    return replace(four((1.0, 1.0, 1.0, 1.0)), readings=())


def test_it_is_there_from_the_package_root() -> None:
    assert cs.tolerance is tolerance


def test_what_is_not_accepted(plain: Circuit) -> None:
    with pytest.raises(InputError, match="no such plugged reading"):
        tolerance(plain)
    with pytest.raises(InputError, match="1 or more"):
        tolerance(four((1.0, 1.0, 1.0, 1.0)), samples=0)
    with pytest.raises(InputError, match="plugged"):
        tolerance(cs.load("tractor-cab-fan"), unplug="X4")


@pytest.mark.parametrize("form", ["table", "json", "csv"])
def test_from_the_command_line(form: str) -> None:
    command = [sys.executable, "-m", "circuitsim", "tolerance", "tractor-cab-fan", "--samples", "4096", "--rows", "low side"]
    done = subprocess.run([*command, "--format", form], capture_output=True, text=True, encoding="utf-8", check=False)
    assert (done.returncode, done.stderr) == (0, "")
    if form == "json":
        spreads = json.loads(done.stdout)["spreads"]
        assert {s["step"] for s in spreads} == {"off", "1", "2", "3", "4"}
    else:
        assert "motor low side" in done.stdout
    if form == "table":
        assert "95 % of vehicles" in done.stdout


def test_bad_input_from_the_command_line() -> None:
    for words, text in ((["--samples", "none"], "samples"), (["--rows", "zzz"], "no such plugged reading")):
        command = [sys.executable, "-m", "circuitsim", "tolerance", "tractor-cab-fan", *words]
        done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
        assert done.returncode == 2
        assert text in done.stderr
        assert done.stderr.count("\n") == 1
