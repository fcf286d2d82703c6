"""Periodic orbits against closed forms, published rows, and an implicit integrator run to the steady state."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuitsim.engine.exponentials import first_phi, second_phi, split_modes
from circuitsim.engine.waveforms import Affine, Guard, Orbit, Outputs, Phase, Waves, periodic_orbit

LEAK = 1e-9  # S over the open switch; moves a current by 14 nA and an average voltage by less than 1e-6 V
CURRENT, MOTOR, LOW = 0, 1, 2


def chopped(
    *, supply: float, resistance: float, inductance: float, frequency: object, duty: object, emf: object = 0.0,
    diode: float = 0.0, switch: float = 0.0,
) -> tuple[Orbit, Waves, Outputs]:  # fmt: skip
    """A motor between supply and a switch to ground, a diode from the switch back to supply; ideal but for the drops."""
    e, f, share = np.broadcast_arrays(*(np.atleast_1d(np.asarray(v, float)) for v in (emf, frequency, duty)))
    one, zero = np.ones(e.shape), np.zeros(e.shape)
    a = np.full((1, 1, e.size), -resistance / inductance)
    off = (supply + diode) * one
    modes = [
        Affine(a, ((supply - switch - e) / inductance)[None]),
        Affine(a, (-(e + diode) / inductance)[None], (Guard(one[None], -LEAK * off, 2),)),
        Affine(a - 1 / (LEAK * inductance), ((supply - e) / inductance)[None], (Guard(-one[None] / LEAK, off, 1),)),
    ]
    orbit = periodic_orbit(modes, [Phase(share / f, (0,)), Phase((1 - share) / f, (1, 2))])
    c = np.array([[[one], [zero], [zero]], [[one], [zero], [zero]], [[one], [-one / LEAK], [one / LEAK]]])
    d = np.array([[zero, supply - switch + zero, switch + zero], [zero, -diode + zero, off], [zero, supply + zero, zero]])
    probes = Outputs(c, d)
    assert orbit.accepted.all()
    return orbit, orbit.waves(probes), probes


def closed_form(
    supply: float, resistance: float, inductance: float, frequency: float, duty: float, emf: float, diode: float
) -> dict[str, float]:
    """Textbook algebra of the chopper with R-L and back-EMF load (section by section, continuous or not)."""
    tau, period = inductance / resistance, 1 / frequency
    a, b = duty * period / tau, (1 - duty) * period / tau
    up, down = (supply - emf) / resistance, -(emf + diode) / resistance
    high = (up * (1 - np.exp(-a)) + down * (1 - np.exp(-b)) * np.exp(-a)) / (1 - np.exp(-a - b))
    low = down + (high - down) * np.exp(-b)
    if low > 0:
        average = (duty * supply - (1 - duty) * diode - emf) / resistance
        return {"low": low, "high": high, "average": average, "motor": duty * supply - (1 - duty) * diode}
    high = up * (1 - np.exp(-a))
    share = tau * np.log(1 + high * resistance / (emf + diode)) / period
    motor = duty * supply - share * diode + (1 - duty - share) * emf
    return {"low": 0.0, "high": high, "average": (motor - emf) / resistance, "motor": motor, "share": share}


def test_a_segment_too_short_to_be_seen_is_passed_over() -> None:
    """A duty of 1e-30 has its switch on for 1e-33 s: at the beginning of the period the low side is that of the switch off."""
    orbit, waves, probes = chopped(supply=12.0, resistance=0.5, inductance=1e-3, frequency=1e3, duty=1e-30)
    seen = orbit.at(np.array([0.0, 1e-7, 5e-4]), probes)[:, LOW, 0]
    assert seen == pytest.approx(12.0, abs=1e-6)
    assert float(waves.low[LOW, 0]) == pytest.approx(12.0, abs=1e-6)


# Published and printed rows ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("time", "amperes"), [(2.5e-3, 3.68), (5e-3, 1.35), (10e-3, 0.183)])
def test_decay_of_a_coil(time: float, amperes: float) -> None:
    """OpenStax College Physics 2e, m42425: 7.50 mH, 3.00 Ω, 10.0 A. Printed to three digits."""
    decay = split_modes([np.full((1, 1, 1), -3.0 / 7.5e-3)], [np.zeros((1, 1))])
    after = decay.after(np.zeros(1, np.intp), np.array([[10.0]]), np.array([time]))
    assert float(after[0, 0]) == pytest.approx(amperes, abs=0.005)


def test_rise_of_a_coil() -> None:
    """OpenStax University Physics 2, m58752: 2.0 V, 4.0 Ω, 4.0 H: 0.43 A and 0.27 V at two time constants (two digits)."""
    rise = split_modes([np.full((1, 1, 1), -1.0)], [np.full((1, 1), 0.5)])
    current = float(rise.after(np.zeros(1, np.intp), np.zeros((1, 1)), np.array([2.0]))[0, 0])
    assert current == pytest.approx(0.43, abs=0.005)
    assert 2.0 - 4.0 * current == pytest.approx(0.27, abs=0.005)


def test_chopper_with_a_resistor() -> None:
    """A worked page (info4eee.com, step-down chopper with resistive load): 220 V, 10 Ω, half on, 2 V drop: 109, 154.15 V."""
    one, zero = np.ones((1, 1)), np.zeros((1, 1))
    modes = [Affine(np.zeros((0, 0, 1)), np.zeros((0, 1)))] * 2
    orbit = periodic_orbit(modes, [Phase(0.5e-3 * one[0], (0,)), Phase(0.5e-3 * one[0], (1,))])
    waves = orbit.waves(Outputs(np.zeros((2, 1, 0, 1)), np.array([218.0 * one, zero])))
    assert waves.mean[0, 0] == pytest.approx(109.0, rel=1e-12)
    assert waves.rms[0, 0] == pytest.approx(154.15, abs=0.005)  # printed to two decimals


# I1, I2, average and RMS: the first row is a power-electronics textbook's example (its print from memory), the second a
# problem without a printed answer; both derived by the closed form to the digits shown.
ROWS = [
    (220.0, 5.0, 7.5e-3, 1000.0, (18.367, 25.633, 22.0, 22.1005)),
    (220.0, 15.0, 10e-3, 1500.0, (5.537, 9.129, 7.333, 7.407)),
]


@pytest.mark.parametrize(("supply", "ohms", "henry", "hertz", "expected"), ROWS)
def test_chopper_with_a_coil(supply: float, ohms: float, henry: float, hertz: float, expected: tuple[float, ...]) -> None:
    _, waves, _ = chopped(supply=supply, resistance=ohms, inductance=henry, frequency=hertz, duty=0.5)
    found = [float(w[CURRENT, 0]) for w in (waves.low, waves.high, waves.mean, waves.rms)]
    assert found == pytest.approx(expected, abs=6e-4)  # half a unit of the last digit


# Derived by closed form and by an integrator alike, to the digits shown: 13.5 V, 0.25 Ω, 150 µH, half on, 0.7 V diode.
PROJECT = [
    (20e3, (5.0084, 6.1916, 5.6, 5.6104, 6.4, 7.1), 0.5),
    (400.0, (0.0, 29.7665, 12.42914, 16.62644, 8.10728, 5.39272), 0.200476),
]


@pytest.mark.parametrize(("hertz", "expected", "share"), PROJECT)
def test_motor_with_back_emf_in_both_conduction_modes(hertz: float, expected: tuple[float, ...], share: float) -> None:
    orbit, waves, _ = chopped(supply=13.5, resistance=0.25, inductance=150e-6, frequency=hertz, duty=0.5, emf=5.0, diode=0.7)
    i, low = (waves.low, waves.high, waves.mean, waves.rms), (waves.mean[MOTOR], waves.mean[LOW])
    found = [float(w[CURRENT, 0]) for w in i] + [float(v[0]) for v in low]
    assert found == pytest.approx(expected, abs=6e-5)
    assert float(orbit.moments[0][1, 0]) == pytest.approx(share, abs=6e-7)


def test_the_averaged_formula_is_wrong_by_more_than_two_where_the_current_stops() -> None:
    _, waves, _ = chopped(supply=13.5, resistance=0.25, inductance=150e-6, frequency=400.0, duty=0.5, emf=5.0, diode=0.7)
    averaged = (0.5 * 13.5 - 0.5 * 0.7 - 5.0) / 0.25
    assert float(waves.mean[CURRENT, 0]) > 2.0 * averaged


def test_fast_ripple_is_largest_at_half() -> None:
    """Fast limit with ideal parts: ripple = V·D(1 - D)·T/L; textbook algebra, first order in T·R/L = 1e-3 here."""
    duty = np.linspace(0.1, 0.9, 9)
    _, waves, _ = chopped(supply=12.0, resistance=0.1, inductance=1e-3, frequency=1e5, duty=duty)
    ripple = waves.high[CURRENT] - waves.low[CURRENT]
    assert ripple == pytest.approx(12.0 * duty * (1 - duty) / (1e5 * 1e-3), rel=1e-3)
    assert duty[np.argmax(ripple)] == 0.5


# Properties -------------------------------------------------------------------------------------------------------

VALUES = {
    "resistance": st.floats(0.02, 5.0), "inductance": st.floats(2e-5, 5e-3), "frequency": st.floats(20.0, 5e4),
    "emf": st.floats(0.0, 12.0), "diode": st.floats(0.1, 1.0),
}  # fmt: skip


@settings(max_examples=100, deadline=None)
@given(duty=st.floats(0.01, 0.99), **VALUES)
def test_any_orbit_is_the_closed_form(duty: float, **values: float) -> None:
    _, waves, _ = chopped(supply=13.5, duty=duty, **values)
    expected = closed_form(13.5, duty=duty, **values)
    # The leakage of 1 nS carries 14 nA at most while the formula has none.
    assert float(waves.mean[CURRENT, 0]) == pytest.approx(expected["average"], rel=1e-8, abs=1e-7)
    assert float(waves.mean[MOTOR, 0]) == pytest.approx(expected["motor"], rel=1e-8, abs=1e-7)
    assert float(waves.low[CURRENT, 0]) == pytest.approx(expected["low"], rel=1e-8, abs=1e-7)
    assert float(waves.high[CURRENT, 0]) == pytest.approx(expected["high"], rel=1e-8, abs=1e-7)


@settings(max_examples=60, deadline=None)
@given(**VALUES)
def test_motor_voltage_rises_with_duty_and_stays_between_the_rails(**values: float) -> None:
    _, waves, _ = chopped(supply=13.5, duty=np.linspace(0.0, 1.0, 33), **values)
    assert (np.diff(waves.mean[MOTOR]) >= -1e-9).all()  # rounding
    diode = values["diode"]
    # While nothing carries, the diode's margin is zero to within the leakage times the winding.
    assert (waves.low[MOTOR] >= -diode - 1e-4).all()
    assert (waves.high[MOTOR] <= 13.5 + 1e-9).all()
    # 13.5² kept to sixteen digits is a root of 2e-7.
    assert (waves.rms >= np.abs(waves.mean) * (1 - 1e-9) - 1e-6).all()


@settings(max_examples=60, deadline=None)
@given(duty=st.floats(0.0, 1.0), **VALUES)
def test_power_is_neither_made_nor_lost(duty: float, **values: float) -> None:
    """Over a period what the motor's terminals take is R·i² (RMS) plus back-EMF times average current."""
    orbit, waves, probes = chopped(supply=13.5, duty=duty, **values)
    power = mean_product(orbit, probes, MOTOR, CURRENT)
    taken = values["resistance"] * waves.mean_square[CURRENT, 0] + values["emf"] * waves.mean[CURRENT, 0]
    assert power == pytest.approx(float(taken), rel=1e-9, abs=1e-9)


def mean_product(orbit: Orbit, y: Outputs, one: int, two: int) -> float:
    """Average of a product of two outputs, from the mean squares of their sum and difference."""
    sums = Outputs(y.c[:, [one, one]] + y.c[:, [two, two]] * np.array([1, -1])[None, :, None, None],
                   y.d[:, [one, one]] + y.d[:, [two, two]] * np.array([1, -1])[None, :, None])  # fmt: skip
    square = orbit.waves(sums).mean_square[:, 0]
    return float(square[0] - square[1]) / 4


@pytest.mark.parametrize("duty", [0.0, 1.0])
@pytest.mark.parametrize("emf", [0.0, 6.0])
def test_never_or_always_on_is_direct_current(duty: float, emf: float) -> None:
    _, waves, _ = chopped(supply=13.5, resistance=0.25, inductance=150e-6, frequency=400.0, duty=duty, emf=emf, diode=0.7)
    current = (13.5 - emf) / 0.25 if duty else LEAK * (13.5 - emf)
    for found in (waves.mean, waves.rms, waves.low, waves.high):
        assert float(found[CURRENT, 0]) == pytest.approx(current, rel=1e-8)
        assert float(found[LOW, 0]) == pytest.approx(0.0 if duty else 13.5 - emf, rel=1e-8)


def test_a_trace_is_periodic_and_goes_through_its_marks() -> None:
    orbit, waves, probes = chopped(
        supply=13.5, resistance=0.25, inductance=150e-6, frequency=400.0, duty=0.5, emf=5.0, diode=0.7
    )
    period = float(orbit.period[0])
    times = (np.arange(4000) + 0.5) * period / 4000  # none at an edge, where rounding would choose the side
    trace = orbit.at(times, probes)[:, :, 0]
    assert orbit.at(times + 3 * period, probes)[:, :, 0] == pytest.approx(trace, abs=1e-9)
    assert [mode for mode, _, _ in orbit.marks(0)] == [0, 1, 2]
    assert orbit.marks(0)[-1][2] == pytest.approx(period, rel=1e-12)
    # A rectangle rule over 4,000 points, with jumps: good to a few points' share of the largest jump.
    assert trace.mean(axis=0) == pytest.approx(waves.mean[:, 0], abs=14.2 / 1000)
    dead = trace[(times > orbit.marks(0)[2][1]) & (times < orbit.marks(0)[2][2])]
    assert dead[1:, LOW] == pytest.approx(13.5 - 5.0, abs=1e-6)  # the plateau is supply less back-EMF


# Exponentials -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("z", [0.0, 1e-12, -1e-6, -0.3, 0.49, -0.51, -5.0, -800.0, 0.2 + 3j, 1e-5j])
def test_phi_functions_against_many_digits(z: complex) -> None:
    """mpmath with 40 digits; the numpy forms keep all but two digits of a double."""
    mp = pytest.importorskip("mpmath")
    with mp.workdps(40):
        w = mp.mpmathify(z)
        one = mp.expm1(w) / w if z else mp.mpf(1)
        two = (mp.expm1(w) - w) / w**2 if z else mp.mpf(1) / 2
    assert complex(first_phi(np.array(z), np.array(1.0))) == pytest.approx(complex(one), rel=1e-14)
    assert complex(second_phi(np.array(z), np.array(1.0))) == pytest.approx(complex(two), rel=5e-14)


MATRICES = {
    "real": [[-2e3, 500.0], [300.0, -8e3]],
    "ringing": [[-100.0, -5e4], [4e4, -50.0]],
    "critically damped": [[0.0, 1.0], [-1e6, -2e3]],
    "stiff": [[-1e11, 1e4], [1e3, -2e3]],
}


@pytest.mark.parametrize("name", MATRICES)
def test_integrals_of_the_state_against_quadrature(name: str) -> None:
    a, b, x = np.array(MATRICES[name]), np.array([3e3, -7e3]), np.array([1.5, -0.5])
    modal, mode, t = split_modes([a[:, :, None]], [b[:, None]]), np.zeros(1, np.intp), 2e-3
    whole, square = modal.integrals(mode, x[None], np.array([t]))
    from scipy.integrate import solve_ivp

    def slopes(_: float, y: np.ndarray) -> np.ndarray:
        return np.concatenate([a @ y[:2] + b, y[:2], np.outer(y[:2], y[:2]).ravel()])

    done = solve_ivp(slopes, (0, t), np.concatenate([x, np.zeros(6)]), method="Radau", rtol=1e-10, atol=1e-13)
    # The integrator is good to about 1e-8; moving a defective matrix by 1e-10 of its size moves less than that.
    assert modal.after(mode, x[None], np.array([t]))[0] == pytest.approx(done.y[:2, -1], rel=1e-7, abs=1e-9)
    assert whole[0] == pytest.approx(done.y[2:4, -1], rel=1e-7, abs=1e-10)
    assert square[0].ravel() == pytest.approx(done.y[4:, -1], rel=1e-7, abs=1e-10)


# Several states ---------------------------------------------------------------------------------------------------


def test_the_yardstick_says_when_it_has_not_come_to_rest(chopping: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chopping, "PERIODS", 1)
    with pytest.raises(SystemExit, match=r"Chopper\(.* has not come to rest after 1 periods"):
        chopping.by_expm(chopping.draw(1)[0])


def test_random_circuits_against_an_implicit_integrator(chopping: ModuleType) -> None:
    """Radau, rtol 1e-9, restarted at every event, to the steady state; one and two states. The benchmark does 200."""
    picked = [c for c in chopping.draw(60) if 200 < c.frequency < 5e3 and c.inductance * c.frequency < 3 * c.winding]
    # Of two states one whose dead time is short: the integrator takes ten seconds over one that rings through it.
    ones, twos = [c for c in picked if not c.capacitor][:3], [c for c in picked if c.capacitor and c.duty > 0.5][:1]
    assert len(ones) == 3
    assert len(twos) == 1
    for some in (ones, twos):
        found = chopping.solved(*chopping.matrices_of(some))
        for k, circuit in enumerate(some):
            # 1e-5 of the value or of 1 V or 1 A: what the integrator's own tolerance adds up to over its last periods.
            assert chopping.error(found[k], chopping.by_radau(circuit)) < 1e-5


def test_charge_of_a_capacitor_and_flux_of_a_coil_balance(chopping: ModuleType) -> None:
    """Over a period no charge is left in a capacitor and no flux in a coil: C·dv/dt and L·di/dt average to zero."""
    circuits = [c for c in chopping.draw(40) if c.capacitor]
    modes, _, duty, frequency = chopping.matrices_of(circuits)
    orbit = periodic_orbit(modes, [Phase(duty / frequency, (0,)), Phase((1 - duty) / frequency, (1, 2))])
    rates = orbit.waves(Outputs(np.array([m.a for m in modes]), np.array([m.b for m in modes])))
    swing = rates.high - rates.low
    assert (np.abs(rates.mean) <= 1e-9 * swing).all()
