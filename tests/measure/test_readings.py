"""Readings on a small bench: loading, sensitivities, unplugging, fitting, measured supply."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import qmc

import circuitsim as cs
from circuitsim.errors import InputError, UnknownNameError
from circuitsim.library.circuit import Circuit, Connector, ProbePoint, StandardReading, Supply
from circuitsim.measure import Conditions, Fitted, Task, make_bench, measure, meter

# Repeatable: a scrambled Sobol set from a fixed seed.
SEED = 7


def bench() -> Circuit:
    """A battery, a wire with a connector, a lamp of 10 Ω behind it: hand arithmetic is easy here."""
    net = cs.Netlist("bench")
    net.chain("GND", cs.Battery("BAT", emf="12 V ±2 %", resistance="0.1 Ω ±20 %"), "BAT+")
    net.chain(
        "BAT+", cs.Resistor("R1", resistance="1 Ω ±10 %"), cs.Pin("X1.1", resistance="0.02 Ω x/ 3"), "LOAD",
        cs.Resistor("R2", resistance="10 Ω ±5 %"), "GND",
    )  # fmt: skip
    net.add(cs.Motor("M1", "LOAD", "GND", "shaft", resistance="5 Ω ±5 %", constant=0.05, friction=0.02))
    probes = {n: ProbePoint(n, n, "on the bench") for n in ("BAT+", "LOAD", "GND")}
    return Circuit(
        "bench", "bench", 12.0, net, ("off",), "M1", Supply("BAT", None, "BAT+", "GND"),
        connectors={"X1": Connector("X1", "plug", ("X1.1",), "R2")}, probes=probes,
        readings=(StandardReading("load", "voltmeter", "LOAD", "GND"),),
    )  # fmt: skip


def task(red: str, black: str = "GND", instrument: str = "voltmeter", **conditions) -> Task:
    return Task("off", Conditions(**conditions), instrument, red, black)


def test_a_meter_loads_a_high_resistance():
    """LEC1, dcmeter: 24 V over 250 MΩ + 250 MΩ, a 10 MΩ meter across one shows 0.8889 V, not 12 V."""
    net = cs.Netlist("divider")
    net.chain("GND", cs.VoltageSource("V", emf=24.0), "top", cs.Resistor("A", resistance=250e6), "mid",
              cs.Resistor("B", resistance=250e6), "GND")  # fmt: skip
    net.add(cs.Motor("M1", "top", "GND", "s", resistance=1e6, constant=1.0, friction=0.1))
    circuit = Circuit("divider", "", 24.0, net, ("off",), "M1", Supply("V", None, "top", "GND"))
    (found,) = measure(circuit, [task("mid")], meter("standard"))
    assert found.expected == pytest.approx(0.8889, abs=5e-5)  # the printed digits


def test_one_batch_connects_one_meter_a_sample():
    """Each reading is as if its meter were the only one: alone or among others it is the same."""
    circuit = bench()
    tasks = [task("LOAD"), task("BAT+"), task("BAT+", "LOAD"), task("LOAD", "BAT+")]
    together = [m.expected for m in measure(circuit, tasks, meter("low-impedance"))]
    alone = [measure(circuit, [t], meter("low-impedance"))[0].expected for t in tasks]
    assert together == pytest.approx(alone, rel=1e-9)  # the solver's own acceptance
    assert together[2] == pytest.approx(-together[3], rel=1e-9)


def test_slopes_equal_finite_differences():
    """Exact parameter derivatives through the adjoint against central differences of whole solves."""
    circuit = bench()
    (found,) = measure(circuit, [task("LOAD")], meter("standard"))
    slopes = {c.what: (c.slope, c.nominal) for c in found.contributions}
    assert {"BAT.emf", "BAT.resistance", "R1.resistance", "X1.1.resistance", "R2.resistance"} <= set(slopes)
    for what, (slope, nominal) in slopes.items():
        element, _, parameter = what.rpartition(".")
        step = 1e-4 * nominal
        moved = [
            measure(circuit, [task("LOAD")], meter("standard"), {(element, parameter): nominal + s})[0].expected
            for s in (step, -step)
        ]
        # Central differences of values good to 1e-9 over steps of 1e-4: about 1e-5.
        assert slope == pytest.approx((moved[0] - moved[1]) / (2 * step), rel=1e-4, abs=1e-9)


def test_bands_agree_with_monte_carlo():
    """First-order bands against 4,096 scrambled Sobol samples of the full model, meter left out on both sides."""
    circuit = bench()
    (found,) = measure(circuit, [task("LOAD")], meter("standard"))
    parts = found.contributions
    u = qmc.Sobol(len(parts), seed=SEED).random(4096)
    values = {}
    for k, c in enumerate(parts):
        element, _, parameter = c.what.rpartition(".")
        if c.tolerance.kind == "lognormal":
            from scipy.stats import norm

            values[element, parameter] = c.nominal * np.exp(c.tolerance.log_sigma * norm.ppf(np.clip(u[:, k], 1e-9, 1 - 1e-9)))
        else:
            values[element, parameter] = c.nominal + np.sqrt(3) * c.tolerance.standard(c.nominal) * (2 * u[:, k] - 1)
    points = cs.solve_batch(circuit.net, values, frozen=True)
    assert points.accepted.all()
    low, high = np.quantile(points.voltage("LOAD"), (0.025, 0.975))
    limit = meter("standard").limit(found.expected, "V")
    # The meter widens the printed band; second-order physics moves a quantile by a few per cent of the width here.
    width = high - low
    assert found.band.low == pytest.approx(low - 0.2 * limit, abs=0.05 * width)
    assert found.band.high == pytest.approx(high + 0.2 * limit, abs=0.05 * width)


def test_unplugging_makes_two_nodes():
    circuit = bench()
    parted = {"unplugged": ("X1",)}
    harness, part = measure(
        circuit, [task("X1.1/harness", **parted), task("X1.1/part", **parted)], meter("standard")
    )  # fmt: skip
    # The feed side reads the battery (1.2 mV/K off its 25 °C voltage) less the meter's own 1.2 µA through 1.1 Ω.
    assert harness.expected == pytest.approx(12.0 - 5 * 0.0012, abs=1e-5)
    assert part.expected == pytest.approx(0.0, abs=1e-9)
    assert not harness.floating
    assert not part.floating


def test_a_part_with_no_path_floats():
    circuit = bench()
    net = circuit.net.copy()
    net.chain("LOAD", cs.Pin("X2.1", resistance=0.01), "tip", cs.Resistor("R9", resistance=5.0), "end")
    net.name_node("end-of-wire", "end")
    connectors = {**circuit.connectors, "X2": Connector("X2", "pigtail", ("X2.1",), "R9")}
    floating = Circuit("f", "", 12.0, net, ("off",), "M1", circuit.supply, connectors=connectors)
    (found,) = measure(floating, [task("tip", unplugged=("X2",))], meter("standard"))
    assert found.floating
    assert found.expected == pytest.approx(0.0, abs=1e-9)


def test_ohmmeter_cannot_clear_a_small_motor():
    """Leads on a 5 Ω motor read the brush film too (common practice, no source)."""
    circuit = bench()
    parted = {"unplugged": ("X1",)}
    (found,) = measure(circuit, [task("LOAD", "GND", "ohmmeter", **parted)], meter("standard"))
    # 10 Ω beside a motor of 5 Ω and brushes of 0.6 V over 0.5 A = 1.2 Ω: 62/16.2 Ω at a small current.
    assert found.expected == pytest.approx(62 / 16.2, rel=1e-3)  # tanh of 0.3 mA over 0.5 A is straight to 1e-5


def test_jumper_and_lamp():
    circuit = bench()
    free, shorted, lit = measure(
        circuit,
        [
            task("LOAD"),
            task("LOAD", fitted=(Fitted("jumper", "LOAD", "GND"),)),
            task("BAT+", "GND", "lamp"),
        ],
        meter("standard"),
    )  # fmt: skip
    assert shorted.expected < 0.05 * free.expected
    assert 0.8 < lit.expected < 1.1


def test_measured_supply_is_met():
    circuit = bench()
    chart = cs.predict(circuit, supply="11.4 V", probe="BAT+:GND")
    assert chart.readings[0].expected == pytest.approx(11.4, abs=1e-5)  # 1.2 µA of meter through 0.1 Ω, and 0.1 µV
    spread = chart.readings[0].high - chart.readings[0].low
    assert spread < 4 * meter("standard").limit(11.4, "V")  # the battery's own ±2 % no longer counts


def test_a_supply_out_of_reach_says_so():
    with pytest.raises(InputError, match="out of range"):
        cs.predict(bench(), supply="200 V")


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"unplug": "X9"}, "unknown connector of bench that can be unplugged 'X9'; accepted: X1"),
        ({"engine": "runing"}, "unknown engine 'runing'; did you mean 'running'"),
        ({"since": "hot"}, "unknown time on 'hot'"),
        ({"step": "7"}, "unknown step of bench '7'"),
        ({"probe": "LOADD:GND"}, "did you mean 'LOAD'"),
        ({"probe": "LOAD"}, "is not RED:BLACK"),
        ({"probe": "shaft:GND"}, "no electrical point"),
        ({"fit": "fuse:A:B"}, "unknown thing to fit 'fuse'"),
        ({"fit": "lamp:LOAD"}, "is not KIND:A:B"),
        ({"supply": "12"}, "no unit"),
        ({"supply": "4 Ω"}, "voltage"),
        ({"ambient": "400 °C"}, "out of range"),
        ({"instrument": "ohmeter", "probe": "LOAD:GND"}, "did you mean 'ohmmeter'"),
        ({"meter": "fast"}, "unknown meter 'fast'"),
    ],
)
def test_bad_conditions_name_the_option(options, text):
    with pytest.raises(InputError) as caught:
        cs.predict(bench(), **options)
    assert text in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_bench_leaves_the_circuit_alone():
    circuit = bench()
    before = set(circuit.net.elements)
    make_bench(circuit, ("X1",), (Fitted("lamp", "LOAD", "GND"),))
    assert set(circuit.net.elements) == before


def test_unknown_clamp_place():
    with pytest.raises(UnknownNameError, match="R12"):
        cs.predict(bench(), probe="at:R12")


def test_an_ohmmeter_on_a_live_circuit_reads_nothing():
    """With 12 V behind it an ohmmeter shows nonsense: no number, and the verdict says why (common practice)."""
    circuit = bench()
    live, dead = measure(
        circuit,
        [task("LOAD", instrument="ohmmeter"), task("X1.1/part", instrument="ohmmeter", unplugged=("X1",))],
        meter("standard"),
    )
    assert live.verdict == "live: no ohms reading"
    assert np.isnan(live.expected)
    assert dead.expected > 1


def test_a_jumper_across_the_battery_is_no_reading():
    (found,) = cs.predict(bench(), fit="jumper:BAT+:GND", probe="BAT+:GND").readings
    assert found.verdict == "outside validity at jumper-1: the fuse of the jumper opens"
    assert np.isnan(found.expected)


def test_a_clamp_goes_round_a_fitted_jumper():
    chart = cs.predict(bench(), fit="jumper:BAT+:LOAD", probe="at:jumper-1")
    assert chart.readings[0].expected > 1


def test_rest_voltage_does_not_hold_the_running_engine():
    """12.3 V measured with the ignition off says what the battery is, not what the alternator makes of it."""
    circuit = cs.load("tractor-cab-fan")
    chart = cs.predict(circuit, supply="12.3 V", supply_at="rest", engine="running")
    running = chart.at(step="off", red="BAT+", black="BAT-")
    rest = chart.at(step="off", red="BAT+", black="BAT-", ignition="off")
    assert rest.expected == pytest.approx(12.3, abs=1e-3)  # the relay's and the meter's own leakage
    assert running.expected > 13.5


def test_a_supply_measured_at_a_point_that_is_none():
    """Full speed cannot have been measured warm on a circuit that overheats there."""
    circuit = cs.load("tractor-cab-fan")
    net = circuit.net.copy()
    net.elements["X4.B"] = net.elements["X4.B"].replaced(resistance="60 mΩ")
    from dataclasses import replace

    with pytest.raises(InputError, match="can't have been measured at step 4"):
        cs.predict(replace(circuit, net=net), supply="12.5 V", supply_at="4", since="warm")


def test_the_engine_does_not_run_without_ignition():
    with pytest.raises(InputError, match="ignition off"):
        cs.predict(bench(), ignition="off", engine="running")


def test_names_numbers_and_nonsense_as_arguments():
    chart = cs.predict("tractor-cab-fan", step=2, probe="MOT-:GND")
    assert [r.step for r in chart.readings] == ["2"]
    with pytest.raises(InputError, match="is no circuit"):
        cs.predict(5)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="is no Netlist"):
        cs.solve(5)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="no number of °C"):
        cs.solve(bench().net, ambient="20 degC")  # type: ignore[arg-type]
