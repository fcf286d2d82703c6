"""The commands as people use them: list, show, and predict with each of its options."""

from __future__ import annotations

import csv
import json
import subprocess
from collections.abc import Callable
from typing import Any

import pytest
from click.testing import Result

import circuitsim as cs
from circuitsim.cli.naming import spelled

Run = Callable[..., Result]
Process = Callable[..., subprocess.CompletedProcess[bytes]]

TRACTOR = "tractor-cab-fan"
LOW = ("--probe", "MOT-:GND")
READING = {
    "step", "unplugged", "instrument", "red", "black", "at", "quantity", "unit", "expected", "low", "high", "display",
}  # fmt: skip


def strict(text: str) -> Any:
    """Read JSON as RFC 8259 has it: no NaN, no Infinity."""

    def refuse(word: str) -> None:
        raise ValueError(word)

    return json.loads(text, parse_constant=refuse)


def predicted(run: Run, *args: str) -> Any:
    result = run("predict", "--format", "json", *args)
    assert result.exit_code == 0, result.stderr
    assert result.stderr == ""
    return strict(result.stdout)


# list and show -------------------------------------------------------------------------------------------------------


def test_list_tells_every_circuit_in_a_line(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a narrow terminal too: what does not fit is cut, and --long has it, with the parts."""
    monkeypatch.setattr("circuitsim.cli.commands.terminal_width", lambda _: 60)
    head, *lines = run("list").stdout.splitlines()
    assert head == "Circuits"
    assert [line.split()[0] for line in lines[: len(cs.circuit_names())]] == list(cs.circuit_names())
    assert lines[len(cs.circuit_names()) :] == [
        "",
        f"{len(cs.part_names())} parts, and more of each circuit: circuitsim list --long",
    ]
    assert max(map(len, lines)) <= 60
    assert any(line.endswith("…") for line in lines)


def test_list_long_tells_every_circuit_and_part_with_its_title(run: Run) -> None:
    lines = run("list", "--long").stdout.splitlines()
    assert any(line.endswith("command falls as speed rises; 12 V, steps off, 1, 2, 3, 4") for line in lines)
    for name in (*cs.circuit_names(), *cs.part_names()):
        assert [line for line in lines if line.split()[:1] == [name] and len(line.split()) > 1]


def test_list_as_json(run: Run) -> None:
    found = strict(run("list", "--format", "json").stdout)
    assert [c["name"] for c in found["circuits"]] == list(cs.circuit_names())
    assert [p["name"] for p in found["parts"]] == list(cs.part_names())
    assert all(entry["title"] for group in found.values() for entry in group)


def test_show(run: Run) -> None:
    text = run("show", TRACTOR).stdout
    for heading in ("Current path", "Single points of failure", "Probe points", "Connectors that can be unplugged",
                    "Parts: ", "Where the numbers come from", "Take care"):  # fmt: skip
        assert f"\n{heading}" in text
    short = text.partition("\n\n")[0].splitlines()  # a few lines that say what it is, before all else
    assert short[0].endswith(f"({TRACTOR})")
    assert len(short) <= 8
    for words in ("Nominal 12 V; steps off, 1, 2, 3, 4; motor M1", "Fuses F7 30 A", "Probe points BAT+, BAT-, GND, MOT+",
                  "Can be unplugged X4 (M1), X5 (U1)", "Below: current path"):  # fmt: skip
        assert any(words in line for line in short), words


def test_show_as_json_and_at_a_width(run: Run) -> None:
    assert strict(run("show", TRACTOR, "--format", "json").stdout)["circuit"] == TRACTOR
    assert max(map(len, run("show", TRACTOR, "--width", "60").stdout.splitlines())) <= 60


def test_show_takes_the_options_of_a_generic_circuit(run: Run) -> None:
    found = strict(run("show", "generic-linear", "--nominal", "24V", "--steps", "2", "--format", "json").stdout)
    assert (found["nominal"], found["steps"]) == (24.0, ["off", "1", "2"])


# predict -------------------------------------------------------------------------------------------------------------


def test_the_chart_of_a_circuit_as_a_user_types_it(process: Process) -> None:
    done = process("predict", TRACTOR)
    assert (done.returncode, done.stderr) == (0, b"")
    text = done.stdout.decode()
    assert "\x1b" not in text, "no colours where no terminal is"
    for words in (
        f"({TRACTOR})", "Ignition on, engine off, 20 °C around", "motor low side", "X4 (motor connector) unplugged",
        "Motor at each step", "Where the leads go", "Take care",
    ):  # fmt: skip
        assert words in text


def test_json_has_the_promised_keys_in_si_units(run: Run) -> None:
    found = predicted(run, TRACTOR, "--supply", "12.3V", "--ambient", "68degF")
    assert {"circuit", "conditions", "readings", "operating_points"} <= set(found)
    assert (found["circuit"], found["conditions"]["supply"], found["conditions"]["ambient"]) == (TRACTOR, 12.3, 20.0)
    assert all(set(r) >= READING for r in found["readings"])
    assert {r["unit"] for r in found["readings"]} <= {"V", "A", "Ω", "1"}
    points = found["operating_points"]
    assert [p["step"] for p in points] == ["off", "1", "2", "3", "4"]
    for p in points:
        assert {"motor_current", "motor_speed", "residual", "verdict"} <= set(p)
        assert p["residual"] < 1e-12  # the acceptance rule of the design
    battery = next(r for r in found["readings"] if r["step"] == "off" and r["red"] == "BAT+" and r["ignition"] == "on")
    # The supply is what the meter showed, and it is the meter's 0.5 % + 2 digits that are left open about it.
    assert battery["expected"] == pytest.approx(12.3, abs=0.005 * 12.3 + 0.02)


def test_the_same_call_in_python_gives_the_same_readings(run: Run) -> None:
    chart = cs.predict(cs.load(TRACTOR), supply="12.3 V", step="2")
    found = predicted(run, TRACTOR, "--supply", "12.3V", "--step", "2")
    assert found["readings"] == strict(json.dumps(chart.records(), allow_nan=False))


def test_steps_and_probes_choose_what_is_read(run: Run) -> None:
    found = predicted(run, TRACTOR, "--step", "2", "--step", "4", *LOW, "--probe", "at:M1")
    places = [(r["step"], r["instrument"], r["red"], r["black"], r["at"]) for r in found["readings"]]
    assert places == [
        ("2", "voltmeter", "MOT-", "GND", ""), ("4", "voltmeter", "MOT-", "GND", ""),
        ("2", "clamp", "", "", "M1"), ("4", "clamp", "", "", "M1"),
    ]  # fmt: skip


def test_conditions_reach_the_model(run: Run) -> None:
    plain = predicted(run, TRACTOR, "--step", "4", "--probe", "BAT+:BAT-")["readings"][0]
    checks: list[tuple[tuple[str, ...], Callable[[Any], bool]]] = [
        (("--engine", "running"), lambda r: r["expected"] > plain["expected"] + 0.5),
        (("--engine", "RUNNING"), lambda r: r["engine"] == "running"),
        (("--ignition", "off"), lambda r: r["ignition"] == "off" and r["expected"] > plain["expected"]),
        (("--ambient", "-10degC"), lambda r: r["expected"] != plain["expected"]),
        (("--ambient=-10degC",), lambda r: r["expected"] != plain["expected"]),
        (("--since", "warm"), lambda r: r["expected"] != plain["expected"]),
        (("--unplug", "X4"), lambda r: r["unplugged"] == ["X4"] and r["expected"] > plain["expected"]),
        (("--fit", "jumper:MOT-:GND"), lambda r: r["fitted"] == ["jumper:MOT-:GND"]),
        (("--meter", "precise"), lambda r: r["high"] - r["low"] < plain["high"] - plain["low"]),
    ]
    for args, wanted in checks:
        (reading,) = predicted(run, TRACTOR, "--step", "4", "--probe", "BAT+:BAT-", *args)["readings"]
        assert wanted(reading), args


def test_the_state_in_which_the_supply_was_measured(run: Run) -> None:
    probe = ("--probe", "BAT+:BAT-", "--step", "4", "--supply", "12.3V")
    (at_off,), (at_four,), (at_rest,) = (
        predicted(run, TRACTOR, *probe, *more)["readings"] for more in ((), ("--supply-at", "4"), ("--supply-at", "rest"))
    )
    # What was measured under load is read again under load; the solver leaves 1e-6 V open at most.
    assert at_four["expected"] == pytest.approx(12.3, abs=1e-5)
    assert at_off["expected"] < 12.3
    assert at_rest["expected"] < 12.3


def test_other_instruments_read_the_probes(run: Run) -> None:
    lamp = ("--probe", "MOT+:GND", "--instrument", "lamp", "--step", "1")
    assert predicted(run, TRACTOR, *lamp)["readings"][0]["display"] == "bright"
    ohms = ("--unplug", "X4", "--probe", "X4.A/part:X4.B/part", "--instrument", "ohmmeter", "--step", "off")
    (reading,) = predicted(run, TRACTOR, *ohms)["readings"]
    assert (reading["unit"], reading["floating"]) == ("Ω", True)


def test_rows_are_chosen_by_label_or_leads(run: Run) -> None:
    found = predicted(run, TRACTOR, "--step", "4", "--rows", "MOTOR current", "--rows", "cmd : gnd")
    assert [r["label"] for r in found["readings"]] == ["command", "motor current"]


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        (("--step", "OFF", "--probe", "mot-:gnd"), ("--step", "off", "--probe", "MOT-:GND")),
        (("--unplug", "x4", "--probe", "x4.b/HARNESS:bat-"), ("--unplug", "X4", "--probe", "X4.B/harness:BAT-")),
        (("--probe", "AT:m1", "--fit", "Jumper:mot-:gnd"), ("--probe", "at:M1", "--fit", "jumper:MOT-:GND")),
        (("--meter", "Basic", *LOW), ("--meter", "basic", *LOW)),
        (("--supply", "12V", "--supply-at", "REST", *LOW), ("--supply", "12V", "--supply-at", "rest", *LOW)),
    ],
)
def test_names_may_be_typed_in_any_case(typed: tuple[str, ...], meant: tuple[str, ...], run: Run) -> None:
    assert predicted(run, TRACTOR.title(), *typed) == predicted(run, TRACTOR, *meant)


@pytest.mark.parametrize(
    ("typed", "accepted", "found"),
    [
        ("mot-", ["MOT-", "GND"], "MOT-"), ("u1S", ["U1S", "U1s"], "u1S"), ("U1s", ["U1S", "U1s"], "U1s"),
        ("x", ["MOT-"], "x"),
    ],
)  # fmt: skip
def test_a_name_in_another_case_must_leave_one_choice(typed: str, accepted: list[str], found: str) -> None:
    assert spelled(typed, accepted) == found


def test_a_rule_stands_only_where_its_state_is(run: Run) -> None:
    def rules(*args: str) -> dict[str, str]:
        return {r["label"]: r["rule"] for r in predicted(run, TRACTOR, "--step", "2", *args)["readings"]}

    plugged, parted = rules(), rules("--unplug", "X4")
    assert plugged["motor low side"]
    assert not parted["motor low side"], "nothing of 'supply when off, standing' holds with the motor unplugged"
    assert parted["motor unplugged: feed at the plug"] == plugged["motor unplugged: feed at the plug"] != ""


def test_a_circuit_of_the_user_s_own_is_not_called_a_good_one(run: Run, tmp_path: Any) -> None:
    from circuitsim.library.shelf import circuit_file

    (tmp_path / "mine.toml").write_bytes(circuit_file(TRACTOR).read_bytes())
    own = run("predict", "mine.toml", "--rows", "feed").stdout
    assert "on a circuit with its parts as in mine.toml, and the band" in own
    parted = run("predict", TRACTOR, "--unplug", "X4", "--fit", "jumper:MOT-:GND", "--rows", "feed").stdout
    assert "on a good circuit with X4 unplugged and jumper from MOT- to GND, and the band" in parted


def test_options_of_a_generic_circuit(run: Run) -> None:
    plain = ("--nominal", "24V", "--steps", "2", "--fuse", "20A", "--current", "9A")
    pairs = [x for o in ("nominal=24V", "steps=2", "fuse = 20A", "current=9A") for x in ("--set", o)]
    one, two = (predicted(run, "generic-linear", *LOW, *args) for args in (plain, pairs))
    assert one == two
    assert {"nominal": "24V", "steps": "2", "fuse": "20A", "current": "9A"}.items() <= one["options"].items()
    assert [p["step"] for p in one["operating_points"]] == ["off", "1", "2"]
    low = {r["step"]: r["expected"] for r in one["readings"]}
    assert low["off"] > 20
    # Full speed of a generic circuit draws roughly what it was asked to: a factor of 1.3 is the width of 'roughly'.
    assert 9 / 1.3 < one["operating_points"][-1]["motor_current"] < 9 * 1.3


def test_csv_reads_back_with_conditions_on_top(run: Run) -> None:
    text = run("predict", "generic-linear", "--steps", "2", "--supply", "12.3V", "--format", "csv").stdout
    notes = [line for line in text.splitlines() if line.startswith("#")]
    assert {"# circuit: generic-linear", "# option steps: 2", "# supply: 12.3 V", "# ambient: 20 °C"} <= set(notes)
    rows = list(csv.DictReader(text.splitlines()[len(notes) :]))
    assert list(rows[0])[:9] == ["step", "unplugged", "red", "black", "reading", "expected", "low", "high", "unit"]
    for row in rows:
        assert float(row["low"]) <= float(row["expected"]) <= float(row["high"])
        assert row["unit"] == {"voltmeter": "V", "clamp": "A", "lamp": "1", "ohmmeter": "Ω"}[row["instrument"]]
        if row["instrument"] == "lamp":
            assert float(row["low"]) >= 0
        else:
            number, unit = row["reading"].split()
            shown = float(number) * {"m": 1e-3, "V": 1.0, "A": 1.0}[unit[0]]
            # Both stand to the last digit of the display; 1e-9 is for reading decimal fractions.
            assert float(row["expected"]) == pytest.approx(shown, abs=1e-9)


def test_markdown(run: Run) -> None:
    text = run("predict", TRACTOR, *LOW, "--format", "markdown").stdout
    assert text.startswith("# ")
    assert "\n| at step | off | 1 | 2 | 3 | 4 |\n| --- | --: | --: | --: | --: | --: |\n| **MOT- : GND** | " in text


def test_a_width_can_be_asked_for(run: Run) -> None:
    for width in (40, 80):
        text = run("predict", TRACTOR, "--width", str(width)).stdout
        assert width - 8 <= max(map(len, text.splitlines())) <= width


def test_a_circuit_may_be_a_file_with_any_name(run: Run, tmp_path: Any) -> None:
    from circuitsim.library.shelf import circuit_file

    text = circuit_file(TRACTOR).read_text(encoding="utf-8")
    for name in ("mine.toml", "my fan Ω.toml", "-odd.toml"):
        (tmp_path / name).write_text(text, encoding="utf-8")
        assert predicted(run, *LOW, "--step", "4", "--", name)["circuit"] == TRACTOR
    assert predicted(run, "./-odd.toml", *LOW, "--step", "4")["circuit"] == TRACTOR
