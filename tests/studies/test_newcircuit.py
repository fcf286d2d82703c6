"""A circuit file from answers: it loads, runs as told, says where each value is from, and what would narrow it most."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

import circuitsim as cs
from circuitsim.errors import InputError, UnknownNameError
from circuitsim.measure import INSTRUMENTS, Conditions, Task, fitted_supply, measure, meter
from circuitsim.studies.answers import motor_of
from circuitsim.studies.evidence import Findings, Shown, TakenReading
from circuitsim.studies.fit import fit
from circuitsim.studies.narrowing import narrow
from circuitsim.studies.newcircuit import Answers, Drafted, draft
from circuitsim.studies.predict import reading_plan

WAYS = [("linear", "falling"), ("linear", "rising"), ("pack", "falling"), ("pwm", "falling"), ("pwm", "rising")]
# Every kind, voltage and state of knowledge, the steps in turn; of chopped circuits, which take longest, one.
GRID = [
    (*way, volts, 1 + (3 * k + 2 * j + known) % 6, bool(known))
    for k, way in enumerate(WAYS) for j, volts in enumerate((12.0, 24.0)) for known in (0, 1)
    if (known == j or way == ("linear", "falling")) and (way[0] != "pwm" or known == j == k % 2)
]  # fmt: skip
EVERY = [
    (*way, volts, steps, known) for way in WAYS for volts in (12.0, 24.0) for steps in range(1, 7) for known in (False, True)
    if way[0] != "pwm" or known == (steps + round(volts / 12)) % 2
]  # fmt: skip


def answers(kind: str, command: str, volts: float, steps: int, known: bool) -> Answers:
    if not known:
        return Answers(volts, kind, steps, command=command)
    wires = (("feed", 2.5e-6, 3.0), ("low", 2.5e-6, None), ("ground", None, 0.7))
    return Answers(volts, kind, steps, 20.0, 11.0, 0.2 * volts / 12, wires, command=command, supply=1.1 * volts)


def check_round_trip(given: Answers, path: Path) -> None:
    """The file loads, the fan runs at every step, faster at each, and takes the current that it was told to take."""
    found = draft(given)
    path.write_text(found.text, encoding="utf-8")
    circuit = cs.load(path)
    assert circuit.steps == ("off", *(str(k) for k in range(1, given.steps + 1)))
    top = circuit.steps[-1]
    at = {"supply": given.supply, "supply_at": top} if given.supply else {}
    chart = cs.predict(circuit, probe="at:M1", **at)
    assert [p.verdict for p in chart.operating_points] == ["at rest", *["running"] * given.steps]
    speeds = [p.motor_speed for p in chart.operating_points]
    assert speeds == sorted(speeds)
    wanted = given.current or found.motor.current
    reading = chart.at(step=top, at="M1")
    # Values stand in the file with four digits, sizes with two: the current comes out to a third of a per cent.
    assert reading.expected == pytest.approx(wanted, rel=3e-3)
    assert reading.low < wanted < reading.high
    assert reading.expected < circuit.net.elements["F1"].values["rating"]
    assert chart.operating_points[-1].motor_speed == pytest.approx(2 * math.pi * 50, rel=0.01)


@pytest.mark.parametrize(("kind", "command", "volts", "steps", "known"), GRID)
def test_the_file_runs_as_told(kind: str, command: str, volts: float, steps: int, known: bool, tmp_path: Path) -> None:
    check_round_trip(answers(kind, command, volts, steps, known), tmp_path / "made.toml")


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "command", "volts", "steps", "known"), [c for c in EVERY if c not in GRID])
def test_every_file_runs_as_told(kind: str, command: str, volts: float, steps: int, known: bool, tmp_path: Path) -> None:
    check_round_trip(answers(kind, command, volts, steps, known), tmp_path / "made.toml")


@pytest.mark.parametrize(("volts", "command", "current"), [(6.0, "rising", 1.0), (48.0, "falling", 60.0)])
def test_the_ends_of_what_is_accepted_run_too(volts: float, command: str, current: float, tmp_path: Path) -> None:
    check_round_trip(Answers(volts, "linear", 9, current=current, command=command), tmp_path / "made.toml")


@pytest.fixture(scope="module")
def linear() -> Drafted:
    return draft(Answers(12.0, "linear", 4, 30.0, 14.0, wires=(("feed", 4e-6, 2.0), ("low", 4e-6, None)), supply=12.4))


@pytest.fixture(scope="module")
def guessed() -> Drafted:
    return draft(Answers(12.0, "linear", 3))


# What the file says ------------------------------------------------------------------------------------------------

_VALUED = re.compile(r'"[-+0-9.]+ ?[^"\s]')  # a quantity in quotes


@pytest.mark.parametrize(
    ("kind", "command"),
    [
        ("linear", "falling"), ("linear", "rising"), ("pack", "falling"), ("pwm", "rising"),
        pytest.param("pack", "rising", marks=pytest.mark.slow), pytest.param("pwm", "falling", marks=pytest.mark.slow),
    ],
)  # fmt: skip
def test_each_value_says_where_it_is_from(kind: str, command: str) -> None:
    text = draft(answers(kind, command, 24.0, 4, True)).text
    body = text[text.index("# ---- feed of the motor") : text.index("# ---- what a person can unplug")]
    lines = [line for line in body.splitlines() if _VALUED.search(line)]
    assert len(lines) > 25
    assert [line for line in lines if "#" not in line and "rule" not in line] == []
    words = ("assumed", "by the ", "by current", "by you", "made so that", "as printed")
    assert [line for line in lines if not any(word in line.partition("#")[2] for word in words)] == []


def test_answers_stand_on_top_and_what_is_not_known_is_said(linear: Drafted, guessed: Drafted) -> None:
    assert "#   motor current     14 A at full speed: measured by you at 12.4 V" in linear.text
    assert "#   feed wire         4 mm², about 2 m (fuse box to motor)" in linear.text
    assert "#   low wire          4 mm², length not known" in linear.text
    assert "#   motor current     not known; 19.5 A at full speed: assumed" in guessed.text
    assert "#   motor fuse        not known; 30 A, assumed" in guessed.text
    assert "circuitsim fit my-fan.toml" in guessed.text


def test_tolerances_are_those_of_what_is_known(linear: Drafted, guessed: Drafted) -> None:
    known, unknown = linear.circuit.net.elements, guessed.circuit.net.elements
    assert known["W2"].tolerances["area"].size == pytest.approx(0.05)
    assert known["W2"].tolerances["length"].size == pytest.approx(1.3)
    assert known["W3"].tolerances["area"].size == pytest.approx(0.05)
    assert known["W3"].tolerances["length"].size == unknown["W2"].tolerances["length"].size == pytest.approx(2.0)
    assert unknown["W2"].tolerances["area"].size == pytest.approx(1.5)


def band(found: Drafted, **conditions: object) -> float:
    """Half the width of the band of the current at full speed, over the current."""
    reading = cs.predict(found.circuit, probe="at:M1", step=found.circuit.steps[-1], **conditions).readings[0]  # type: ignore[arg-type]
    return (reading.high - reading.low) / 2 / reading.expected


def test_less_known_gives_a_wider_band(linear: Drafted, guessed: Drafted) -> None:
    """Measured with its voltage, without it, by the fuse alone, by nothing: each is wider than the one before."""
    no_volts = draft(Answers(12.0, "linear", 4, 30.0, 14.0))
    by_fuse = draft(Answers(12.0, "linear", 4, 30.0))
    widths = [band(linear, supply=12.4, supply_at="4"), band(no_volts), band(by_fuse), band(guessed)]
    assert widths == sorted(widths)
    # ±(2 % + 5 digits) of the clamp at 14 A is ±2.4 %, twice: the meter of then and of now; the motor's resistance adds some.
    assert 0.03 < widths[0] < 0.12
    assert 0.15 < widths[1] < 0.25
    assert widths[2] > 0.3
    assert widths[3] > 0.5


def test_the_measured_current_is_met_at_its_voltage(linear: Drafted) -> None:
    chart = cs.predict(linear.circuit, probe="at:M1", step="4", supply=12.4, supply_at="4")
    assert chart.readings[0].expected == pytest.approx(14.0, rel=3e-3)


def test_motor_and_fan_balance_by_hand(linear: Drafted) -> None:
    """The motor's two laws with the file's values: v = R·i + brush(i) + K·ω and K·i = friction + viscous·ω + torque·(ω/ω₀)²."""
    point = cs.predict(linear.circuit, step="4", supply=12.4, supply_at="4").operating_points[0]
    m, f = linear.circuit.net.elements["M1"].values, linear.circuit.net.elements["FAN1"].values
    i, w = point.motor_current, point.motor_speed
    volts = m["resistance"] * i + m["brush_drop"] * math.tanh(i / m["brush_onset"]) + m["constant"] * w
    assert volts == pytest.approx(point.motor_voltage, rel=1e-6)
    load = m["friction"] + m["viscous"] * w + f["torque"] * (w / f["speed"]) ** 2
    assert load == pytest.approx(m["constant"] * i, rel=1e-4)  # friction grips within 0.02 rad/s


def test_no_electrical_reading_depends_on_the_assumed_speed(linear: Drafted) -> None:
    """At twice the speed with half the torques the same currents flow: speed is a unit of the shaft's side alone."""
    circuit = linear.circuit
    net = circuit.net.copy()
    net.elements["M1"] = net.elements["M1"].replaced(
        **{k: v * net.elements["M1"].values[k] for k, v in (("constant", 0.5), ("friction", 0.5), ("viscous", 0.25))}
    )
    fan = net.elements["FAN1"].values
    net.elements["FAN1"] = net.elements["FAN1"].replaced(torque=0.5 * fan["torque"], speed=2 * fan["speed"])
    from dataclasses import replace

    one, other = cs.predict(circuit), cs.predict(replace(circuit, net=net))
    assert [r.display for r in one.readings] == [r.display for r in other.readings]
    assert other.operating_points[-1].motor_speed == pytest.approx(2 * one.operating_points[-1].motor_speed, rel=1e-3)


@pytest.mark.parametrize("kind", ["linear", pytest.param("pwm", marks=pytest.mark.slow)])
def test_the_command_goes_the_way_it_was_told(kind: str) -> None:
    for command, sign in (("falling", -1), ("rising", 1)):
        chart = cs.predict(draft(Answers(12.0, kind, 3, current=10.0, command=command)).circuit, probe="CMD:GND")
        volts = [sign * r.expected for r in chart.readings]
        assert volts == sorted(volts)
        assert volts[-1] - volts[0] > 4


def test_steps_are_evenly_spaced_in_the_low_side(linear: Drafted) -> None:
    """As the file says of its ladder: from 30 % of the motor's voltage up; two digits of resistors give 2 % of supply."""
    chart = cs.predict(linear.circuit, probe="MOT-:GND", step=("1", "2", "3"))
    shares = [1 - r.expected / 12.6 for r in chart.readings]
    assert shares == pytest.approx([0.3, 0.3 + 0.7 / 3, 0.3 + 1.4 / 3], abs=0.02)


# What follows from the answers ---------------------------------------------------------------------------------------


def test_a_fuse_is_found_for_a_current() -> None:
    """The next usual rating above the current over 0.75 (60 to 75 % of the rating: common practice, no source)."""
    assert [motor_of(Answers(12.0, "pack", 3, current=i)).fuse for i in (5.0, 11.0, 14.0, 40.0)] == [7.5, 15.0, 20.0, 60.0]


def test_a_resistance_holds_a_guessed_current_down() -> None:
    found = motor_of(Answers(12.0, "linear", 3, fuse=30.0, motor_resistance=0.5))
    assert found.current == pytest.approx(6.0)  # a quarter of 12 V over 0.5 Ω
    assert motor_of(Answers(12.0, "linear", 3, motor_resistance=0.27)).current == pytest.approx(6.0)  # 13.5 % of 12 V


@pytest.mark.parametrize(
    ("given", "key", "text"),
    [
        ({"control": "linar"}, "kind", "did you mean 'linear'"),
        ({"command": "up"}, "command", "accepted: falling, rising"),
        ({"nominal": 120.0}, "nominal", "120 V is out of range, accepted: 6 V to 48 V"),
        ({"nominal": math.nan}, "nominal", "out of range"),
        ({"steps": 0}, "steps", "accepted: 1 to 9"),
        ({"steps": 2.5}, "steps", "accepted: 1 to 9"),
        ({"fuse": 500.0}, "fuse", "accepted: 2 A to 100 A"),
        ({"current": 31.0, "fuse": 30.0}, "current", "above the fuse's rating of 30 A"),
        ({"current": 0.1}, "current", "out of range"),
        ({"supply": 12.0}, "supply", "give the current too"),
        ({"current": 9.0, "supply": 24.0}, "supply", "accepted: 9 V to 16.2 V"),
        ({"current": 14.0, "motor_resistance": 0.9}, "motor_resistance", "hardly turn; accepted: up to 390 mΩ"),
        ({"current": 14.0, "wires": (("feed", 0.5e-6, 20.0),)}, "current", "left for the motor at 14 A"),
        ({"wires": (("feed", 1.0, 2.0),)}, "feed_wire", "out of range"),
        ({"wires": (("fed", 1e-6, 2.0),)}, "wires", "did you mean 'feed'"),
        ({"meter": "golden"}, None, "golden"),
    ],
)
def test_answers_that_cannot_be_are_told(given: dict[str, object], key: str | None, text: str) -> None:
    with pytest.raises((InputError, UnknownNameError), match=re.escape(text)) as caught:
        draft(Answers(**{"nominal": 12.0, "control": "linear", "steps": 3, **given}))  # type: ignore[arg-type]
    assert caught.value.key == key


def test_a_title_can_hold_anything(tmp_path: Path) -> None:
    path = tmp_path / "odd.toml"
    path.write_text(draft(Answers(12.0, "linear", 1, title='Größe "9"\nnew {{ x }} \\ #')).text, encoding="utf-8")
    assert cs.load(path).title == 'Größe "9" new {{ x }} \\ #'


# What would narrow it most --------------------------------------------------------------------------------------------


class Direct:
    """The chart's covariance with the supply noted, and what is left of it after some readings, by solving outright."""

    def __init__(self, found: Drafted) -> None:
        tool, circuit = meter("standard"), found.circuit
        plan = reading_plan(circuit, Conditions(), circuit.steps[1:])
        self.tasks = [t for t, _ in plan if t.instrument in ("voltmeter", "clamp") and not t.conditions.unplugged]
        noted = Conditions(supply=circuit.net.elements["BAT"].values["emf"])
        first = measure(circuit, self.tasks, tool)
        known = measure(circuit, self.tasks, tool, *fitted_supply(circuit, noted, tool))
        size = len(self.tasks)
        self.covariance, self.own = np.zeros((size, size)), np.zeros(size)
        slopes = [{(c.what, self._step(circuit, c.what, m.task)): c.slope * c.tolerance.standard(c.nominal)
                   for c in m.contributions} for m in known]  # fmt: skip
        ranges = [tool.range_for(m.expected, INSTRUMENTS[m.task.instrument]) for m in known]
        for j in range(size):
            for k in range(size):
                self.covariance[j, k] = sum(v * slopes[k].get(key, 0.0) for key, v in slopes[j].items())
                if self.tasks[j].instrument == self.tasks[k].instrument:  # one meter, one gain
                    gains = [r.share * m.expected for r, m in ((ranges[j], known[j]), (ranges[k], known[k])) if r]
                    self.covariance[j, k] += gains[0] * gains[1] / 3
            self.own[j] = (ranges[j].counts * ranges[j].digit) ** 2 / 3 + ranges[j].digit ** 2 / 12  # type: ignore[union-attr]
        self.prior = np.array([m.band.standard**2 for m in first])

    @staticmethod
    def _step(circuit: cs.Circuit, what: str, task: Task) -> str:
        return task.step if tuple(what.rsplit(".", 1)) in circuit.step_tables else ""

    def after(self, taken: list[int]) -> np.ndarray:
        """Variance of every reading after some were taken."""
        c = self.covariance
        seen = c[np.ix_(taken, taken)] + np.diag(self.own[taken])
        return np.diag(c) + self.own - np.einsum("ij,ji->i", c[:, taken], np.linalg.solve(seen, c[taken]))


def test_proposed_readings_are_the_best_ones_by_direct_conditioning(linear: Drafted) -> None:
    direct, plan = Direct(linear), narrow(linear.circuit)
    places = [direct.tasks.index(n.task) for n in plan.readings]
    now = np.diag(direct.covariance) + direct.own
    # The band's own variance takes the last digit into the meter's limit, hence a per cent.
    assert plan.supply_left == pytest.approx(np.sqrt(now / direct.prior).mean(), rel=0.01)
    for k, n in enumerate(plan.readings):
        others = [j for j in range(len(direct.tasks)) if j not in places[: k + 1]]
        left = direct.after(places[: k + 1])
        assert n.left == pytest.approx(np.sqrt(left / direct.prior)[others].mean(), rel=0.01)
        assert 0 < n.most_left < 1
        last = direct.after(places[:k]) if k else now

        def gain(j: int, k: int = k, last: np.ndarray = last) -> float:
            """Relative variance that reading j would take off all others that are not taken."""
            rest = [i for i in range(len(direct.tasks)) if i not in (*places[:k], j)]
            return float(((last - direct.after([*places[:k], j])) / now)[rest].sum())

        best = max((j for j in range(len(direct.tasks)) if j not in places[:k]), key=gain)
        assert gain(places[k]) == pytest.approx(gain(best), rel=1e-6)
    shares = [plan.supply_left, *(n.left for n in plan.readings)]
    assert shares == sorted(shares, reverse=True)


def test_a_fit_to_the_proposed_readings_narrows_as_was_said(linear: Drafted) -> None:
    """The fit takes factors (×/÷ 2.5) in logarithms, narrowing as plain deviations, which are wider: within a tenth."""
    plan = linear.plan
    findings = Findings(
        tuple(TakenReading(k, n.task, Shown("number", n.expected, 0.0)) for k, n in enumerate(plan.readings)), (),
        Conditions(supply=plan.supply),
    )  # fmt: skip
    fitted = {r.placed: (r.after[2] - r.after[1]) / 2 for r in fit(linear.circuit, findings).readings}
    taken = {n.placed for n in plan.readings}
    shares = []
    for r in cs.predict(linear.circuit).readings:
        placed = r.placed if r.red else f"clamp {r.placed}"
        if r.instrument in ("voltmeter", "clamp") and r.step != "off" and not r.unplugged and placed not in taken:
            shares.append(fitted[placed] / (1.96 * r.standard))
    assert len(shares) > 25
    assert float(np.mean(shares)) == pytest.approx(plan.readings[-1].left, rel=0.1)


def test_proposed_readings_can_be_taken_as_told(guessed: Drafted) -> None:
    assert len(guessed.narrowing) == 3
    for n in guessed.narrowing:
        assert not n.task.conditions.unplugged
        assert n.task.step in ("1", "2", "3")
        assert n.low < n.expected < n.high
        assert n.where.startswith("clamp round" if n.task.at else "red on ")
