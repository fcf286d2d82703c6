"""Readings as people write them down: units, digits, states, observations, a printed chart; and every mistake in one line."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import circuitsim as cs
from circuitsim.errors import InputError, QuantityError, UnknownNameError
from circuitsim.library.circuit import Circuit
from circuitsim.measure import Conditions
from circuitsim.studies.evidence import (
    OBSERVATIONS,
    Findings,
    Observation,
    Shown,
    TakenReading,
    load_findings,
    read_findings,
    read_row,
    read_shown,
)

Load = Callable[[str], Circuit]
T = "tractor-cab-fan"
HEAD = "step,unplugged,red,black,reading\n"


@pytest.fixture
def read(load: Load) -> Callable[..., Findings]:
    """Read a text as the file f.csv of the tractor."""
    return lambda text, **conditions: read_findings(load(T), text, "f.csv", **conditions)


Read = Callable[..., Findings]


def _one(found: Findings) -> TakenReading:
    assert len(found.readings) == 1
    return found.readings[0]


# What a display showed ---------------------------------------------------------------------------------------------------

# The last digit written down is the display's; by the SI brochure's prefixes, m is 1e-3, k 1e3, M 1e6.
DIGITS = [
    ("8.48 V", "V", 8.48, 0.01),
    ("8.480V", "V", 8.48, 0.001),
    ("412 mV", "V", 0.412, 0.001),
    ("41.2 mV", "V", 0.0412, 0.0001),
    ("12 V", "V", 12.0, 1.0),
    (".5 V", "V", 0.5, 0.1),
    ("-0.02 V", "V", -0.02, 0.01),
    ("\u22120.02 V", "V", -0.02, 0.01),  # the sign of typeset text
    ("1.5e-3 V", "V", 0.0015, 0.0001),
    ("12.1 A", "A", 12.1, 0.1),
    ("850 mA", "A", 0.85, 0.001),
    ("0.4 Ω", "Ω", 0.4, 0.1),
    ("0.4 \u2126", "Ω", 0.4, 0.1),  # the ohm sign, which Unicode has twice
    ("4.70 kohm", "Ω", 4700.0, 10.0),
    ("1.2 MΩ", "Ω", 1.2e6, 1e5),
    ("45.0 %", "1", 0.45, 0.001),
    ("0.45", "1", 0.45, 0.01),
    ("1.25 kHz", "Hz", 1250.0, 10.0),
]


@pytest.mark.parametrize(("text", "unit", "value", "digit"), DIGITS)
def test_a_number_brings_its_digit(text: str, unit: str, value: float, digit: float) -> None:
    found = read_shown(text, unit)
    assert found.kind == "number"
    assert (found.value, found.digit) == pytest.approx((value, digit), rel=1e-12)


@given(st.integers(-99999, 99999), st.integers(0, 4), st.sampled_from([("", 1.0), ("m", 1e-3)]))
def test_any_display_is_read_as_written(count: int, places: int, prefix: tuple[str, float]) -> None:
    """count × digit, by the meaning of decimal notation; and its text reads back as the same."""
    letter, scale = prefix
    digit = 10.0**-places
    found = read_shown(f"{count * digit:.{places}f} {letter}V", "V")
    assert (found.value, found.digit) == pytest.approx((count * digit * scale, digit * scale), rel=1e-9, abs=1e-15)
    again = read_shown(found.text("V"), "V")
    assert (again.value, again.digit) == pytest.approx((found.value, found.digit), rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("text", ["OL", "ol", "O.L", "0L", "OL MΩ", "OL kohm", "overload"])
def test_overload(text: str) -> None:
    found = read_shown(text, "Ω")
    assert found == Shown("overload") or (found.kind, math.isnan(found.value)) == ("overload", True)
    assert found.text("Ω") == "OL"


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("unstable 3-9 V", 3.0, 9.0),
        ("Unstable: 9 - 3 V", 3.0, 9.0),
        ("unstable 3 to 9 V", 3.0, 9.0),
        ("unstable 3..9 V", 3.0, 9.0),
        ("unstable 3\u20139 V", 3.0, 9.0),
        ("unstable 300 mV - 9 V", 0.3, 9.0),
        ("unstable 300-900 mV", 0.3, 0.9),
        ("unstable -0.2-0.3 V", -0.2, 0.3),
    ],
)
def test_a_display_that_jumps(text: str, low: float, high: float) -> None:
    found = read_shown(text, "V")
    assert (found.kind, found.look) == ("unstable", "")
    assert (found.low, found.high) == pytest.approx((low, high))
    assert math.isnan(found.value)
    again = read_shown(found.text("V"), "V")
    assert (again.low, again.high) == pytest.approx((low, high))


def test_a_lamp_has_looks() -> None:
    assert [read_shown(text, "1").look for text in ("bright", "Dim", "DARK")] == ["bright", "dim", "dark"]
    with pytest.raises(UnknownNameError, match="did you mean 'bright'"):
        read_shown("brigt", "1")


@pytest.mark.parametrize(
    ("text", "unit", "words"),
    [
        ("8.48", "V", "'8.48' has no unit; write e.g. '8.48 V'"),
        ("12.1", "A", "write e.g. '12.1 A'"),
        ("8.48 A", "V", "is a current (A); expected a voltage (V)"),
        ("8,48 V", "V", "comma"),
        ("good", "V", "is not a number with a unit"),
        ("dim", "V", "put lamp into the column instrument"),
        ("unstable", "V", "such as unstable 3-9 V"),
        ("unstable 3-9", "V", "such as unstable 3-9 V"),
        ("unstable 3-9 A", "V", "is a current (A)"),
        ("1e999 V", "V", "1e999"),
    ],
)
def test_what_no_display_shows(text: str, unit: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        read_shown(text, unit)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


# Rows ----------------------------------------------------------------------------------------------------------------------


def test_a_plain_file(read: Read) -> None:
    found = read("# supply: 12.3 V\n" + HEAD + "4,,MOT-,GND,8.48 V\n\n2,X4,X4.A/harness,GND,12.31 V\n")
    assert found.file == "f.csv"
    assert [(r.line, r.task.step, r.task.red, r.task.black, r.task.instrument) for r in found.readings] == [
        (3, "4", "MOT-", "GND", "voltmeter"),
        (5, "2", "X4.A/harness", "GND", "voltmeter"),
    ]
    assert [r.task.conditions.unplugged for r in found.readings] == [(), ("X4",)]
    assert {r.task.conditions.supply for r in found.readings} == {12.3}
    assert (found.conditions, found.notes) == (Conditions(supply=12.3), ())


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_columns_in_any_order_and_separator(read: Read, mark: str) -> None:
    text = mark.join(("Reading", "BLACK", "red", "step")) + "\n" + mark.join(("8.48 V", "gnd", "mot-", "4")) + "\n"
    task = _one(read(text)).task
    assert (task.step, task.red, task.black) == ("4", "MOT-", "GND")


def test_ground_is_the_default_of_black(read: Read, load: Load) -> None:
    assert _one(read("step,red,reading\n4,MOT-,1 V\n")).task.black == load(T).net.ground


@pytest.mark.parametrize(
    ("row", "instrument"),
    [
        ({"red": "MOT-", "reading": "1 V"}, "voltmeter"),
        ({"at": "m1", "reading": "1 A"}, "clamp"),
        ({"red": "MOT+", "black": "MOT-", "reading": "dim"}, "lamp"),
        ({"red": "MOT+", "black": "MOT-", "reading": "0.4 Ω"}, "ohmmeter"),
        ({"red": "MOT+", "black": "MOT-", "reading": "4.2 kohm"}, "ohmmeter"),
        ({"red": "MOT+", "black": "MOT-", "reading": "OL", "instrument": "Ohmmeter"}, "ohmmeter"),
        ({"red": "MOT+", "black": "MOT-", "reading": "OL"}, "voltmeter"),
        ({"red": "MOT-", "reading": "45.0 %"}, "duty"),
        ({"red": "MOT-", "reading": "200 Hz"}, "frequency"),
        ({"red": "MOT-", "reading": "3.0 V", "instrument": "AC+DC"}, "ac+dc"),
        ({"at": "M1", "reading": "3.0 A", "instrument": "max"}, "clamp-max"),
    ],
)
def test_the_instrument_follows_from_the_row(load: Load, row: dict[str, str], instrument: str) -> None:
    found = read_row(load(T), {"step": "4", **row}, Conditions())
    assert isinstance(found, TakenReading)
    assert found.task.instrument == instrument
    assert found.task.at == ("M1" if "at" in row else "")


def test_over_what_time_a_maximum_is_averaged(load: Load) -> None:
    """As the row says, else as the circuit's chart says for that place, else 100 ms (common, from memory)."""
    row = {"step": "2", "red": "CMD", "reading": "12.0 V", "instrument": "max"}
    for circuit, cell, wanted in ((T, "1 ms", 0.001), (T, "", 0.1), ("generic-pwm", "", _charted_capture(load("generic-pwm")))):
        found = read_row(load(circuit), {**row, "capture": cell}, Conditions())
        assert isinstance(found, TakenReading)
        assert found.task.capture == wanted
    with pytest.raises(InputError, match="capture: 100 s is out of range"):
        read_row(load(T), {**row, "capture": "100 s"}, Conditions())


def _charted_capture(circuit: Circuit) -> float:
    return next((r.capture for r in circuit.readings if (r.instrument, r.red) == ("max", "CMD")), 0.1)


@pytest.mark.parametrize("text", ["X4 X5", "x4+x5", "X5;X4", "X4, X5"])
def test_several_connectors_in_a_cell(load: Load, text: str) -> None:
    row = {"step": "4", "unplugged": text, "red": "MOT+", "reading": "0.0 V"}
    found = read_row(load(T), row, Conditions())
    assert isinstance(found, TakenReading)
    assert found.task.conditions.unplugged == ("X4", "X5")


def test_a_row_changes_the_common_conditions(read: Read) -> None:
    """A supply of a row is the battery's voltage at that moment: at its step, or at rest with the ignition off."""
    text = (
        "# supply: 12.6 V\n# since: warm\nstep,red,reading,supply,since,engine,ignition,fitted\n"
        "4,MOT+,12 V,12.2 V,2 min,,,\n"
        "off,BAT+,12.5 V,12.5 V,,,off,\n"
        "3,MOT+,12 V,,,running,,jumper:mot-:gnd\n"
        "3,MOT+,12 V,,,,,\n"
    )
    first, second, third, last = (r.task.conditions for r in read(text).readings)
    assert (first.supply, first.supply_at, first.since) == (12.2, "4", 120.0)
    assert (second.supply, second.supply_at, second.ignition, second.since) == (12.5, "rest", "off", "warm")
    assert (third.supply, third.engine, [str(f) for f in third.fitted]) == (12.6, "running", ["jumper:MOT-:GND"])
    assert last == Conditions(supply=12.6, since="warm")


def test_with_the_ignition_off_no_step_is_needed(read: Read, load: Load) -> None:
    task = _one(read("step,red,black,reading,ignition\n,BAT+,BAT-,12.5 V,off\n")).task
    assert task.step == load(T).steps[0]


def test_minimum_and_maximum(read: Read) -> None:
    """Far apart they say that something came and went; close together they are beside the reading."""
    rows = ("12.1 V,3 V,12.4 V", "12.1 V,12.0 V,12.2 V", ",3 V,9 V", "6 V,3 V,9 V", "2.3 mV,1.9 mV,2.7 mV")
    found = read("step,red,reading,min,max\n" + "".join(f"4,MOT+,{row}\n" for row in rows)).readings
    far, close, alone, coarse, flickers = found
    assert (coarse.shown.kind, flickers.shown.kind) == ("unstable", "number")
    assert (far.shown.kind, far.shown.low, far.shown.high) == ("unstable", 3.0, 12.4)
    assert (close.shown.kind, close.shown.value) == ("number", 12.1)
    assert close.minimum is not None
    assert close.maximum is not None
    assert (close.minimum.value, close.maximum.value) == (12.0, 12.2)
    assert (alone.shown.kind, alone.shown.low, alone.shown.high) == ("unstable", 3.0, 9.0)


def test_rows_in_which_nothing_was_measured_are_passed_over(read: Read) -> None:
    assert read(HEAD + "4,,MOT-,GND,\n4,,MOT+,GND,-\n4,,CMD,GND,–\n,,,,\n").readings == ()
    assert read("step\n").readings == ()  # columns alone: nothing measured yet


# Observations --------------------------------------------------------------------------------------------------------------


def test_observations_alone(read: Read) -> None:
    rows = [
        "2,fan,slow",
        "4,noisy,yes",
        "3,noisy,",
        ",surges,no",
        ",fuse,open",
        "1,plug,melted",
        "2,motor,Hot  smell",
        "off,fan,always full",
    ]
    found = read("step,observe,value\n" + "\n".join(rows) + "\n").observations
    assert found == (
        Observation(2, "2", "slow"),
        Observation(3, "4", "noisy"),
        Observation(4, "3", "noisy"),
        Observation(5, "", "surges", seen=False),
        Observation(6, "", "fuse open"),
        Observation(7, "1", "plug melted"),
        Observation(8, "2", "hot smell"),
        Observation(9, "off", "always full"),
    )


@pytest.mark.parametrize("word", OBSERVATIONS)
def test_every_word_is_taken_in_both_columns(load: Load, word: str) -> None:
    for row in ({"observe": word}, {"observe": "fan", "value": word.upper()}, {"observe": word, "value": "yes"}):
        assert read_row(load(T), row, Conditions()) == Observation(0, "", word)


# What spreadsheets and editors make of a file ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "# supply: 12.3 V,,,,\n" + HEAD + "4,,MOT-,GND,0.25 V\n",  # empty cells behind
        '"# supply: 12.3 V",,,,\n' + HEAD + "4,,MOT-,GND,0.25 V\n",
        "\ufeff# supply: 12.3 V\n,,,,\n" + HEAD + "4,,MOT-,GND,0.25 V,\n".replace("V,", "V"),  # mark, an empty row
        "# supply: 12.3 V\r\n" + HEAD.replace("\n", "\r\n") + '4,,"MOT-","GND","0.25 V"\r\n',  # RFC 4180
        "# supply: 12.3 V\n# by: hand, in the yard\n# engineer on duty\n" + HEAD + "4,,MOT-,GND,0.25 V\n",
    ],
)
def test_a_file_from_elsewhere(load: Load, tmp_path: Path, text: str) -> None:
    (tmp_path / "f.csv").write_bytes(text.encode())
    found = load_findings(load(T), tmp_path / "f.csv")
    assert (_one(found).shown.value, found.conditions.supply) == (0.25, 12.3)


def test_a_note_with_a_line_break_keeps_the_line_numbers(read: Read) -> None:
    """RFC 4180, 2.6: a quoted cell may hold a line break."""
    found = read('step,red,reading,note\n4,MOT-,1 V,"wet,\nand cold"\n4,MOT+,bad,\n'.replace("bad", "12 V"))
    assert [(r.line, r.note) for r in found.readings] == [(3, "wet,\nand cold"), (4, "")]


def test_conditions_given_go_before_those_of_the_file(read: Read) -> None:
    text = "# supply: 12.3 V\n# supply_at: 4\n# ambient: 30 degC\n" + HEAD + "4,,MOT-,GND,1 V\n"
    assert read(text).conditions == Conditions(supply=12.3, supply_at="4", ambient=30.0)
    found = read(text, supply="12.0 V", engine=None).conditions
    assert found == Conditions(supply=12.0, supply_at="off", ambient=30.0)  # where the file's was measured is not this one's


def test_unplugged_and_fitted_may_stand_on_top(read: Read) -> None:
    found = read("# unplugged: x4\n# fitted: jumper:MOT-:GND\nstep,red,reading\n4,X4.A/harness,12 V\n")
    c = _one(found).task.conditions
    assert (c.unplugged, [str(f) for f in c.fitted]) == (("X4",), ["jumper:MOT-:GND"])


# Mistakes: one line that names file, line and column -------------------------------------------------------------------------

WRONG = [
    ("", "f.csv: has no readings"),
    ("stp,red,reading\n4,MOT-,1 V\n", "f.csv:1: unknown column 'stp'; did you mean 'step'?"),
    ("step,red,red,reading\n4,MOT-,MOT-,1 V\n", "f.csv:1: column 'red' is there twice"),
    ("step,red,black\n4,MOT-,GND\n", "f.csv:1: has no column 'reading'"),
    (HEAD + "4,,MOT-,GND,8.48\n", "f.csv:2: reading: '8.48' has no unit; write e.g. '8.48 V'"),
    (HEAD + "4,,MOT,GND,1 V\n", "f.csv:2: red: unknown probe point of tractor-cab-fan 'MOT'; did you mean 'MOT"),
    (HEAD + "4,,MOT-,GNT,1 V\n", "f.csv:2: black: unknown probe point of tractor-cab-fan 'GNT'; did you mean 'GND'?"),
    (HEAD + "4,,MOT-,MOT-,1 V\n", "f.csv:2: black: both leads are on MOT-"),
    (HEAD + "4,,FAN,GND,1 V\n", "f.csv:2: red: 'FAN' is no electrical point"),
    (HEAD + "4,,,GND,1 V\n", "f.csv:2: red: needs red (and black), or at for a clamp"),
    (HEAD + ",,MOT-,GND,1 V\n", "f.csv:2: step: needs the step; accepted: off, 1, 2, 3, 4"),
    (HEAD + "5,,MOT-,GND,1 V\n", "f.csv:2: step: unknown step of tractor-cab-fan '5'"),
    (HEAD + "4,X44,MOT-,GND,1 V\n", "f.csv:2: unplugged: unknown connector of tractor-cab-fan that can be unplugged 'X44'"),
    (HEAD + "4,,MOT-,GND,1 V,2 V\n", "f.csv:2: has 6 cells for 5 columns"),
    (HEAD + "\n# a comment\n4,,MOT-,GND,oops\n", "f.csv:4: reading: 'oops' is not a number with a unit"),
    ('step,red,reading,note\n4,MOT-,1 V,"open\n4,MOT-,1 V,\n', "f.csv:2: is no row of cells: a quote that does not end"),
    ("step,red,reading,instrument\n4,MOT-,1 V,voltmetre\n", "f.csv:2: instrument: unknown instrument 'voltmetre'; did"),
    ("step,red,reading,instrument\n4,MOT-,1 A,clamp\n", "f.csv:2: instrument: a clamp needs the element"),
    ("step,at,reading\n4,M2,1 A\n", "f.csv:2: at: unknown element for a clamp 'M2'"),
    ("step,at,reading,unplugged\n4,X4.A,1 A,X4\n", "f.csv:2: at: no clamp can sit on X4.A while it is unplugged"),
    ("step,at,red,reading\n4,M1,MOT-,1 A\n", "f.csv:2: at: a clamp goes round a wire"),
    ("step,red,reading,engine\n4,MOT-,1 V,runs\n", "f.csv:2: engine: unknown engine 'runs'; did you mean 'running'?"),
    ("step,red,reading,since\n4,MOT-,1 V,2\n", "f.csv:2: since: '2' has no unit"),
    ("step,red,reading,supply\n4,MOT-,1 V,120 V\n", "f.csv:2: supply: 120 V is out of range"),
    ("step,red,reading,fitted\n4,MOT-,1 V,jumpr:MOT-:GND\n", "f.csv:2: fitted: unknown thing to fit 'jumpr'"),
    ("step,red,reading,ignition,engine\n4,MOT-,1 V,off,running\n", "f.csv:2: ignition: the engine does not run"),
    ("step,red,reading,instrument\n4,MOT-,12 %,lamp\n", "f.csv:2: reading: '12 %' found; a lamp is bright, dim, dark"),
    ("step,red,reading,instrument\n4,MOT-,dim,duty\n", "f.csv:2: reading: 'dim' found; it can't be duty"),
    (HEAD + "4,,MOT-,GND,8.48 V\n4,,MOT+,GND,47 V\n", "f.csv:3: reading: '47 V' is more than any point of this circuit can"),
    ("step,red,reading,min,max\n4,MOT-,5 V,9 V,3 V\n", "f.csv:2: min: '9 V' is above the max, '3 V'"),
    ("step,red,reading,min\n4,MOT-,,3 V\n", "f.csv:2: reading: needs a reading (or min and max)"),
    ("step,red,reading,max\n4,MOT-,3 V,OL\n", "f.csv:2: max: 'OL' is no number with a unit"),
    ("step,observe,value\n4,fan,slwo\n", "f.csv:2: value: unknown observation 'slwo'; did you mean 'slow'?"),
    ("step,observe,value\n4,noisy,very\n", "f.csv:2: value: unknown value beside 'noisy' 'very'"),
    ("step,observe,value\n9,fan,slow\n", "f.csv:2: step: unknown step"),
    ("step,red,value\n4,MOT-,8.48 V\n", "f.csv:2: value: '8.48 V' is no observation; what was measured goes into"),
    ("step,red,reading,observe\n4,MOT-,8.48 V,slow\n", "f.csv:2: observe: a reading and an observation are rows of their own"),
    ("# supply: 12.3\n" + HEAD, "f.csv:1: supply: '12.3' has no unit"),
    ("# note: x\n# suply: 12.3 V\n" + HEAD, "f.csv:2: unknown condition 'suply'; did you mean 'supply'?"),
    ("# supply 12.3 V\n" + HEAD, "f.csv:1: is no condition; write '# supply: 12.3 V'"),
    ("# supply: 12 V\n# Supply: 13 V\n" + HEAD, "f.csv:2: supply: is given twice"),
    ("# supply_at: 4\n" + HEAD, "f.csv: supply_at: needs the voltage that was measured then"),
    ("# engine: runs\n" + HEAD, "f.csv:1: engine: unknown engine 'runs'"),
    ("# unplugged: X9\n" + HEAD, "f.csv:1: unplugged: unknown connector"),
    ("# ignition: off\n# engine: running\n" + HEAD, "f.csv: ignition: the engine does not run"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "words"), WRONG, ids=range(len(WRONG)))
def test_a_mistake_is_told_in_one_line(read: Read, text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        read(text)
    assert str(caught.value).startswith(words)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (HEAD.encode("utf-16"), "is no text in UTF-8; save it as 'CSV UTF-8'"),
        ((HEAD + "4,,MOT-,GND,0.4 Ω\n").encode("iso8859-7"), "is no text in UTF-8"),
        (None, "can't be read"),
    ],
)
def test_a_file_that_can_not_be_read(load: Load, tmp_path: Path, data: bytes | None, words: str) -> None:
    path = tmp_path / "f.csv"
    if data is not None:
        path.write_bytes(data)
    with pytest.raises(InputError, match="f.csv: " + words):
        load_findings(load(T), path)


@given(st.text(max_size=200))
def test_noise_gives_findings_or_one_line(text: str) -> None:
    circuit = _circuit()
    for body in (text, HEAD + text, HEAD + f"4,,MOT-,GND,{text}"):
        try:
            found = read_findings(circuit, body, "f.csv")
        except InputError as error:
            told = str(error)
        else:
            told = f"{len(found.readings)} readings, {len(found.observations)} observations"
        assert told
        assert "\n" not in told


@cache
def _circuit() -> Circuit:
    return cs.load(T)


def test_a_quantity_error_stays_one(read: Read) -> None:
    with pytest.raises(QuantityError) as caught:
        read(HEAD + "4,,MOT-,GND,8.48\n")
    assert (caught.value.file, caught.value.line, caught.value.key) == ("f.csv", 2, "reading")
