"""Files of readings: what is accepted, and what each mistake is told as."""

from __future__ import annotations

from pathlib import Path

import pytest

import circuitsim as cs
from circuitsim.errors import InputError
from circuitsim.library.circuit import Circuit
from circuitsim.studies.evidence import Findings, load_findings, read_findings, read_shown

HEAD = "step,unplugged,red,black,reading"


@pytest.fixture(scope="module")
def circuit() -> Circuit:
    return cs.load("tractor-cab-fan")


def _read(circuit: Circuit, *lines: str) -> Findings:
    return read_findings(circuit, "\n".join(lines) + "\n", "r.csv")


@pytest.mark.parametrize(
    ("text", "unit", "value", "digit"),
    [("8.48 V", "V", 8.48, 0.01), ("412 mV", "V", 0.412, 0.001), ("12.1A", "A", 12.1, 0.1), ("-3.0 mV", "V", -0.003, 1e-4)],
)
def test_the_last_digit_is_the_one_that_was_written(text: str, unit: str, value: float, digit: float) -> None:
    shown = read_shown(text, unit)
    assert (shown.kind, shown.value) == ("number", pytest.approx(value))
    assert shown.digit == pytest.approx(digit)


def test_displays_that_are_no_number() -> None:
    assert read_shown("OL", "V").kind == "overload"
    jumping = read_shown("unstable 3-9 V", "V")
    assert (jumping.kind, jumping.low, jumping.high) == ("unstable", 3.0, 9.0)
    assert read_shown("Bright", "1").look == "bright"


def test_conditions_on_top_and_in_a_row(circuit: Circuit) -> None:
    found = _read(circuit, "# supply: 12.3 V", "# ambient: 5 degC", "# a remark: of no matter", HEAD + ",engine,instrument",
                  "4,,mot-,gnd,0.25 V,,", "4,X4,X4.A/harness,X4.B/harness,bright,running,lamp")  # fmt: skip
    first, second = found.readings
    assert (first.task.red, first.task.black, first.task.instrument) == ("MOT-", "GND", "voltmeter")
    assert (first.task.conditions.supply, first.task.conditions.ambient) == (12.3, 5.0)
    assert second.task.conditions.unplugged == ("X4",)
    assert second.task.conditions.engine == "running"
    assert second.task.instrument == "lamp"


def test_semicolons_and_rows_left_empty(circuit: Circuit) -> None:
    found = _read(circuit, HEAD.replace(",", ";"), "4;;MOT-;GND;0.25 V", "3;;MOT-;GND;")
    assert len(found.readings) == 1


def test_observations(circuit: Circuit) -> None:
    found = _read(circuit, "step,observe,value", "2,fan,slow", ",noisy,yes", ",plug melted,no", "4,,surges")
    assert [(o.step, o.word, o.seen) for o in found.observations] == [
        ("2", "slow", True), ("", "noisy", True), ("", "plug melted", False), ("4", "surges", True),
    ]  # fmt: skip


def test_minimum_and_maximum_far_apart_are_a_jump(circuit: Circuit) -> None:
    found = _read(circuit, HEAD + ",min,max", "4,,MOT+,MOT-,11.8 V,3.0 V,11.9 V", "4,,MOT+,GND,12.1 V,12.09 V,12.12 V")
    assert [r.shown.kind for r in found.readings] == ["unstable", "number"]


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ((HEAD, "4,,MOT-,GND,0.25"), "r.csv:2: reading: "),
        ((HEAD, "4,,MOT-,GND,0.25 A"), "r.csv:2: reading: "),
        ((HEAD, "9,,MOT-,GND,1 V"), "unknown step of tractor-cab-fan '9'"),
        ((HEAD, "4,,MOTT-,GND,1 V"), "did you mean 'MOT-'"),
        ((HEAD, "4,X44,MOT-,GND,1 V"), "did you mean 'X4'"),
        ((HEAD.replace("red", "redd"), "4,,MOT-,GND,1 V"), "did you mean 'red'"),
        (("# suply: 12 V", HEAD, "4,,MOT-,GND,1 V"), "did you mean 'supply'"),
        (("# supply: 12", HEAD, "4,,MOT-,GND,1 V"), "supply"),
        ((HEAD, "4,,MOT-,GND,1 V,extra"), "has 6 cells for 5 columns"),
        ((HEAD, "4,,MOT-,MOT-,1 V"), "both leads are on MOT-"),
        ((HEAD, "4,,,,1 V"), "needs red"),
        (("step,observe,value", "2,fan,slo"), "did you mean 'slow'"),
        ((HEAD + ",at", "4,,,,1 A,M2"), "unknown element for a clamp 'M2'"),
        ((HEAD, "4,,MOT-,GND,unstable V"), "is no range"),
        (("",), "has no readings"),
    ],
)  # fmt: skip
def test_a_mistake_names_its_place(circuit: Circuit, lines: tuple[str, ...], told: str) -> None:
    with pytest.raises(InputError) as caught:
        _read(circuit, *lines)
    text = str(caught.value)
    assert told in text
    assert text.startswith("r.csv")
    assert "\n" not in text


def test_a_file_in_another_encoding(circuit: Circuit, tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_bytes((HEAD + "\n4,,MOT-,GND,25 °C\n").encode("latin-1"))
    with pytest.raises(InputError, match="is no text in UTF-8"):
        load_findings(circuit, path)
