"""The chart as text: what stands in a cell, columns that fit a width, nothing lost, Markdown that shows as meant."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

import pytest
from markdown_it import MarkdownIt

import circuitsim as cs
from circuitsim.engine.verdicts import NO_READING
from circuitsim.measure import METERS
from circuitsim.measure.waving import LEVEL
from circuitsim.report import chart_lines, chart_markdown, chart_text
from circuitsim.report.sheet import Cell, sheet_of
from circuitsim.report.typeset import ROLES, cells
from circuitsim.studies.chart import Chart, OperatingPoint, Reading

MakeReading = Callable[..., Reading]
MakeChart = Callable[..., Chart]


@pytest.fixture(scope="module")
def tractor() -> tuple[Chart, cs.Circuit]:
    circuit = cs.load("tractor-cab-fan")
    return cs.predict(circuit, supply="12.3 V"), circuit


# What stands in a cell. A row has one unit, that in which the meter shows its largest reading. -----------------------

VOLTS = {"expected": 12.0, "low": 11.8, "high": 12.2, "display": "12.00 V"}
SMALL = {"expected": 0.25013, "low": 0.2031, "high": 0.31249, "display": "250.1 mV"}
CELLS: dict[str, tuple[list[dict[str, Any]], list[Cell]]] = {
    "as the meter shows it": ([VOLTS], [Cell("12.00 V", "11.80…12.20")]),
    "millivolts in a row of volts": ([VOLTS, SMALL], [Cell("12.00 V", "11.80…12.20"), Cell("0.250 V", "0.203…0.312")]),
    "millivolts alone": ([SMALL], [Cell("250.1 mV", "203.1…312.5")]),
    "nothing left of one band of a row": (
        [VOLTS, {"expected": 1e-5, "low": -1e-4, "high": 2e-4, "display": "0.0 mV"}],
        [Cell("12.00 V", "11.80…12.20"), Cell("0.000 V", "0.000…0.000")],
    ),
    "nothing left of any band of a row": (
        [{"low": 8.499, "high": 8.501}, {"expected": 1e-5, "low": -1e-4, "high": 2e-4, "display": "0.0 mV"}],
        [Cell("8.50 V"), Cell("0.000 V")],
    ),
    "an ohmmeter on a live circuit": (
        [{"instrument": "ohmmeter", "unit": "Ω", "verdict": "live: no ohms reading", "floating": True,
          "expected": math.nan, "low": math.nan, "high": math.nan, "display": "-"}],
        [Cell("– (1)", kind="verdict")],
    ),
    "below zero": (
        [{"expected": -1.5, "low": -1.52, "high": -1.484, "display": "-1.500 V"}],
        [Cell("-1.500 V", "-1.520…-1.484")],
    ),
    "no sign on zero": (
        [{"expected": -1e-9, "low": -4e-5, "high": 2e-4, "display": "0.0 mV"}],
        [Cell("0.0 mV", "0.0…0.2")],
    ),
    "no reading": (
        [{"expected": math.nan, "low": math.nan, "high": math.nan, "display": "-", "verdict": "runs away at X4.A"}],
        [Cell("– (1)", kind="verdict")],
    ),
    "floats": ([{**SMALL, "floating": True}], [Cell("250.1 mV", "floats", "floats")]),
    "an ohmmeter on a part that floats": (
        [{"instrument": "ohmmeter", "unit": "Ω", "expected": 81.2, "low": 60.0, "high": 99.96, "display": "81.2 Ω",
          "floating": True}],
        [Cell("81.2 Ω", "60.0…100.0")],
    ),
    "kilohms": (
        [{"unit": "Ω", "expected": 12345.0, "low": 12000.0, "high": 12700.0, "display": "12.35 kΩ"}],
        [Cell("12.35 kΩ", "12.00…12.70")],
    ),
    "overload": ([{"unit": "Ω", "expected": 1e9, "low": 9e8, "high": 2e9, "display": "OL"}], [Cell("OL")]),
    "amperes": (
        [{"unit": "A", "expected": 0.0, "low": -0.047, "high": 0.05, "display": "0.00 A"}],
        [Cell("0.00 A", "-0.05…0.05")],
    ),
    "a lamp that is surely dim": (
        [{"unit": "1", "expected": 0.2, "low": 0.1, "high": 0.3, "display": "dim"}],
        [Cell("dim")],
    ),
    "a lamp that may be bright": (
        [{"unit": "1", "expected": 0.5, "low": 0.3, "high": 0.7, "display": "dim"}], [Cell("dim", "dim…bright")],
    ),
}  # fmt: skip


@pytest.mark.parametrize(("given", "expected"), CELLS.values(), ids=CELLS)
def test_cells(given: list[dict[str, Any]], expected: list[Cell], make_reading: MakeReading, make_chart: MakeChart) -> None:
    readings = [make_reading(step=str(k), **fields) for k, fields in enumerate(given)]
    (section,) = sheet_of(make_chart(*readings)).sections
    (row,) = section.rows
    assert [row.cells[s] for s in section.steps] == expected


def test_rows_are_grouped_by_state_and_keep_the_steps_in_the_circuit_s_order(
    make_reading: MakeReading, make_chart: MakeChart
) -> None:
    readings = [
        make_reading(step="off", label="battery", ignition="off"), make_reading(step="2", label="feed", red="MOT+"),
        *(make_reading(step=s) for s in ("off", "1", "2")), make_reading(step="1", unplugged=("X4",)),
        make_reading(step="1", unplugged=("X4",), ignition="off"),
    ]  # fmt: skip
    points = tuple(OperatingPoint(s, 1.0, 1.0, 1.0, "running", "", 0.0, 1) for s in ("off", "1", "2"))
    sheet = sheet_of(make_chart(*readings, operating_points=points))
    assert [(s.heading, s.steps) for s in sheet.sections] == [
        ("Everything plugged, ignition off", ("off",)), ("Everything plugged, ignition on", ("off", "1", "2")),
        ("X4 unplugged", ("1",)), ("X4 unplugged, ignition off", ("1",)),
    ]  # fmt: skip
    assert [row.label for row in sheet.sections[1].rows] == ["feed", "motor low side"]


def test_a_connector_s_title_and_the_probe_points_come_from_the_circuit(
    make_reading: MakeReading, make_chart: MakeChart, bench: cs.Circuit
) -> None:
    sheet = sheet_of(make_chart(make_reading(unplugged=("X1",))), bench)
    assert sheet.sections[0].heading == "X1 (motor connector) unplugged"
    assert sheet.places == (("MOT-", "BU", "back of the motor connector"), ("GND", "", "frame"))


def test_every_lead_and_clamp_in_use_has_its_place(make_reading: MakeReading, make_chart: MakeChart, bench: cs.Circuit) -> None:
    readings = (
        make_reading(red="X1.A/harness", black="X1.B/part"), make_reading(red="F1/out", black="GND"),
        *(make_reading(instrument="clamp", red="", black="", at=at) for at in ("M1", "X1.B", "W1", "R1", "jumper-1")),
    )  # fmt: skip
    bench.net.elements["W1"].details.update(colour="RD", run="feed")
    assert sheet_of(make_chart(*readings), bench).places == (
        ("GND", "", "frame"), ("X1.A/harness", "RD", "motor connector X1, pin A, the half on the wires"),
        ("X1.B/part", "", "motor connector X1, pin B, the half on M1"), ("F1/out", "RD", "where F1, W1 meet"),
        ("clamp on M1", "", "round one wire of M1, never both, at the motor connector X1"),
        ("clamp on X1.B", "", "round the wire at motor connector X1, pin B"), ("clamp on W1", "RD", "round this wire (feed)"),
        ("clamp on R1", "", "round the wire at motor connector X1, pin B"),
        ("clamp on jumper-1", "", "round a lead of jumper-1, which is fitted"),
        ("", "", "/harness is the half of a connector on the wires, /part the half on the part that it plugs into"),
    )  # fmt: skip
    assert sheet_of(make_chart(*readings)).places == ()


@pytest.mark.parametrize("name", cs.circuit_names())
def test_the_places_are_all_there_in_every_circuit(name: str) -> None:
    circuit = cs.load(name)
    chart = cs.predict(circuit, step="1")
    places = sheet_of(chart, circuit).places
    used = {n for r in chart.readings for n in (r.red, r.black) if n} | {f"clamp on {r.at}" for r in chart.readings if r.at}
    assert used == {place[0] for place in places} - {""}
    assert all(place[2] for place in places)


def test_instruments_other_than_a_voltmeter_are_named(make_reading: MakeReading, make_chart: MakeChart) -> None:
    clamp = make_reading(label="motor current", instrument="clamp", red="", black="", at="M1", unit="A", display="2.00 A")
    probe = make_reading(label="MOT- : GND", instrument="lamp", unit="1", display="dim")
    (section,) = sheet_of(make_chart(clamp, probe)).sections
    assert [(row.label, row.leads) for row in section.rows] == [
        ("motor current", "clamp on M1"),
        ("lamp MOT- : GND", ""),
    ]


def test_operating_points(make_reading: MakeReading, make_chart: MakeChart) -> None:
    points = (
        OperatingPoint("off", 1.2e-7, 0.0, 0.0, "at rest", "", 0.0, 1),
        OperatingPoint("1", 17.893, 325.16, 11.9, "running", "", 0.0, 1),
        OperatingPoint("2", 300.0, 0.0, 11.9, "runs away at M1", "", 0.0, 1),
    )
    motor = sheet_of(make_chart(make_reading(), operating_points=points)).motor
    found = {row.label: [row.cells[s].shown for s in motor.steps] for row in motor.rows}
    # 325.16 rad/s · 60/(2π) = 3105.05 rpm
    assert found == {
        "motor current": ["0.00 A", "17.89 A", "–"], "motor speed": ["0 rpm", "3105 rpm", "–"],
        "state": ["at rest", "running", "– (1)"],
    }  # fmt: skip


def test_the_hottest_part_is_told_when_warm(make_reading: MakeReading, make_chart: MakeChart) -> None:
    points = (
        OperatingPoint("1", 2.0, 1.0, 1.0, "running", "", 0.0, 1, "M1", 78.4),
        OperatingPoint("2", math.nan, math.nan, math.nan, "runs away at M1", "", 0.0, 1, "M1", 900.0),
    )
    warm = make_chart(make_reading(), operating_points=points, conditions={"since": "warm"})
    row = sheet_of(warm).motor.rows[-1]
    assert (row.label, row.cells["1"], row.cells["2"]) == ("hottest part", Cell("78 °C", "M1"), Cell("–"))
    assert "hottest" not in chart_text(make_chart(make_reading(), operating_points=points, conditions={"since": "cold"}))
    many = tuple(make_reading(step=str(k)) for k in range(10))
    alike = tuple(OperatingPoint(str(k), 2.0, 1.0, 1.0, "running", "", 0.0, 1, "M1", 78.4) for k in range(10))
    text = chart_text(make_chart(*many, operating_points=alike, conditions={"since": "warm"}), width=80)
    assert re.search(r"^9 .* running +78 °C M1$", text, re.MULTILINE), "a step a line has the name behind the figure"


VERDICTS = {
    "runs away at X4.A": "(1) runs away at X4.A: overheats: no steady state with these parts; read it cold, or see X4.A",
    "outside validity at jumper-1: the fuse of the jumper opens": (
        "(1) outside validity at jumper-1: the fuse of the jumper opens; that part is past"
    ),
    "live: no ohms reading": "(1) live: no ohms reading; an ohmmeter reads nothing on a circuit under voltage",
    "unstable": "(1) unstable: the circuit leaves that point by itself",
    "unconverged": "(1) unconverged: no point was found",
}


@pytest.mark.parametrize("verdict", VERDICTS)
def test_a_verdict_that_is_no_reading_has_a_note(verdict: str, make_reading: MakeReading, make_chart: MakeChart) -> None:
    lost = {"expected": math.nan, "low": math.nan, "high": math.nan, "display": "-", "verdict": verdict}
    point = OperatingPoint("2", math.nan, math.nan, math.nan, verdict, "", 0.0, 1)
    for chart in (make_chart(make_reading(**lost)), make_chart(make_reading(), operating_points=(point,))):
        (note,) = sheet_of(chart).notes
        assert note.startswith(VERDICTS[verdict])


def test_every_kind_of_verdict_that_is_no_reading_is_looked_at() -> None:
    assert {verdict for verdict in VERDICTS if verdict.startswith(NO_READING)} == set(VERDICTS)
    assert all(any(verdict.startswith(kind) for verdict in VERDICTS) for kind in NO_READING)


def test_the_supply_in_use_is_told(make_reading: MakeReading, make_chart: MakeChart, bench: cs.Circuit) -> None:
    assert "engine off, battery at 12.6 V, the circuit's own" in chart_text(make_chart(make_reading()), bench)
    measured = make_chart(make_reading(), conditions={"supply": 12.3})
    assert "the circuit's own" not in chart_text(measured, bench)
    tractor = cs.load("tractor-cab-fan")
    running = cs.predict(tractor, engine="running", step="2", probe="MOT-:GND")
    volts = tractor.net.elements["ALT"].values["regulated"]
    assert f"alternator regulating to {volts:.4g} V, the circuit's own" in chart_text(running, tractor)


def test_the_accuracy_on_ohms_is_told_where_ohms_are_read(make_reading: MakeReading, make_chart: MakeChart) -> None:
    ohms = make_reading(instrument="ohmmeter", unit="Ω", display="8.5 Ω")
    for m in METERS.values():
        told = f"±({100 * m.ohms[0].share:g} % + {m.ohms[0].counts:g} digits) on ohms"
        assert told in chart_text(make_chart(ohms, meter=m.note()))
        assert "on ohms" not in chart_text(make_chart(make_reading(), meter=m.note()))


def test_words_are_explained_only_where_they_stand(make_reading: MakeReading, make_chart: MakeChart) -> None:
    assert "floats:" not in chart_text(make_chart(make_reading()))
    text = chart_text(make_chart(make_reading(floating=True), make_reading(step="2", display="OL")))
    assert "floats: that part has no path to ground" in text
    assert "OL: beyond the largest range" in text


def test_options_of_the_circuit_are_told(make_reading: MakeReading, make_chart: MakeChart) -> None:
    chart = make_chart(make_reading(), options={"nominal": "24 V", "steps": "3"})
    assert "Options: nominal 24 V, steps 3" in chart_text(chart)
    assert "Options" not in chart_text(make_chart(make_reading()))


# Layouts -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [*range(30, 170, 3), None])
def test_no_line_is_too_wide_and_no_figure_is_lost(tractor: tuple[Chart, cs.Circuit], width: int | None) -> None:
    chart, circuit = tractor
    lines = chart_text(chart, circuit, width).splitlines()
    assert width is None or max(map(cells, lines)) <= width
    together = re.sub(r"\s+", "", "".join(lines))
    sheet = sheet_of(chart, circuit)
    rows = [row for section in (*sheet.sections, sheet.motor) for row in section.rows]
    figures = [text for row in rows for c in row.cells.values() for text in (c.shown, c.band)]
    assert len(figures) > 100
    for figure in figures:
        assert figure.replace(" ", "") in together
    texts = [text for row in rows for text in (row.rule, row.leads)] if width is None or width < 80 else []
    for text in [
        *sheet.cautions,
        *(p[2] for p in sheet.places if width is None or width > 60),
        *(texts if width else []),
    ]:
        assert text.replace(" ", "") in together


def test_steps_are_columns_on_a_terminal_of_80_columns(tractor: tuple[Chart, cs.Circuit]) -> None:
    text = chart_text(*tractor, width=80)
    found = re.search(r"motor low side  MOT- : GND\n((?: +[0-9.]+ V){5})\n((?: +[0-9.]+…[0-9.]+){5})\n", text)
    assert found, text
    heads = [x for x in text.splitlines() if re.fullmatch(r"step(?: +(?:off|\d))+", x)]
    assert len(heads) == len(sheet_of(*tractor).sections)


def test_steps_stand_beside_label_and_rule_where_there_is_room(tractor: tuple[Chart, cs.Circuit]) -> None:
    for width in (120, None):
        row = next(x for x in chart_text(*tractor, width=width).splitlines() if x.startswith("motor low side "))
        assert re.fullmatch(r"motor low side(?: +[0-9.]+ V){5}  supply when off.*", row)


def test_many_steps_become_one_reading_a_line(make_reading: MakeReading, make_chart: MakeChart) -> None:
    readings = [make_reading(step=s, rule="about 0.2 V") for s in ("off", *map(str, range(1, 10)))]
    lines = chart_text(make_chart(*readings), width=80).splitlines()
    at = lines.index("motor low side  MOT- : GND")
    assert lines[at + 1 : at + 3] == ["  off  8.50 V  8.25…8.75", "  1    8.50 V  8.25…8.75"]
    assert lines[at + 11] == "  rule: about 0.2 V"
    assert "step  motor current  motor speed    state" in lines


def test_a_verdict_stands_once_in_a_note_and_by_its_mark_in_the_cells(make_reading: MakeReading, make_chart: MakeChart) -> None:
    lost = {"expected": math.nan, "low": math.nan, "high": math.nan, "display": "-"}
    verdicts = ("outside validity at X4.A: joint temperature", "runs away at M1", "outside validity at X4.A: joint temperature")
    readings = [make_reading(step=str(k), verdict=verdict, **lost) for k, verdict in enumerate(verdicts)]
    chart = make_chart(*readings, make_reading(step="3"))
    for width in (30, 80, None):
        text = " ".join(chart_text(chart, width=width).split())
        assert text.count("outside validity at X4.A: joint temperature") == 1
        assert text.count("runs away at M1") == 1
        assert text.count("– (1)") == 2
        assert text.count("– (2)") == 1
    assert chart_markdown(chart).count("| – (1) | – (2) | – (1) | 8.50 V") == 1


def test_a_chart_with_no_readings_still_tells_the_motor(make_chart: MakeChart) -> None:
    point = OperatingPoint("1", 2.0, 100.0, 4.0, "running", "", 0.0, 1)
    assert "motor current" in chart_text(make_chart(operating_points=(point,)))


HOSTILE = (
    "[gnd]",
    "[/x]",
    "a|b",
    "`c`",
    "*d*",
    "_e_",
    "~f~",
    "<b>&amp;",
    "\\",
    "電圧",
    "#1",
    "- x",
    "1. y",
    "$z$",
    "![i](j)",
)


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_stands_in_text_as_it_is(name: str, make_reading: MakeReading, make_chart: MakeChart) -> None:
    chart = make_chart(make_reading(label=name, red=name, rule=name), title=name, cautions=(name,))
    text = chart_text(chart)
    assert text.count(name) >= 4


def test_control_characters_are_escaped(make_reading: MakeReading, make_chart: MakeChart) -> None:
    evil = "x\x1b]0;title\x07\r\n| y"
    reading = make_reading(label=evil, red=evil, rule=evil, step="1")
    text = chart_text(make_chart(reading, title=evil, summary=evil, meter=evil, cautions=(evil,), options={evil: evil}))
    assert all(line.isprintable() for line in text.splitlines())
    assert "x\\x1b]0;title\\x07 | y" in text


def test_every_role_is_a_known_one(tractor: tuple[Chart, cs.Circuit]) -> None:
    assert {span.role for spans in chart_lines(*tractor, width=80) for span in spans} <= set(ROLES)


# Markdown: GitHub Flavored Markdown, 4.10 Tables (extension); read here by a parser of CommonMark with tables. -------


def tables(text: str) -> list[list[list[str]]]:
    """Give the tables of a Markdown text as rows of cells, text as a reader sees it."""
    found: list[list[list[str]]] = []
    for token in MarkdownIt("commonmark").enable("table").parse(text):
        if token.type == "table_open":
            found.append([])
        elif token.type == "tr_open":
            found[-1].append([])
        elif token.type == "inline" and found and token.level > 3:
            children = token.children or []
            found[-1][-1].append("".join("\n" if c.type == "html_inline" else c.content for c in children))
    return found


def test_markdown_is_one_table_a_section_with_every_figure(tractor: tuple[Chart, cs.Circuit]) -> None:
    sheet = sheet_of(*tractor)
    found = tables(chart_markdown(*tractor))
    assert len(found) == len(sheet.sections) + 2  # the motor, and where the leads go
    for section, table in zip(sheet.sections, found, strict=False):
        assert table[0][1 : 1 + len(section.steps)] == list(section.steps)
        for row, shown in zip(section.rows, table[1:], strict=True):
            assert shown[0] == "\n".join(text for text in (row.label, row.leads) if text)
            for s, text in zip(section.steps, shown[1:], strict=False):
                c = row.cells.get(s, Cell(""))
                assert text == "\n".join(part for part in (c.shown, c.band) if part)
            if row.rule:
                assert shown[-1] == row.rule


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_stands_in_markdown_as_it_is(name: str, make_reading: MakeReading, make_chart: MakeChart) -> None:
    chart = make_chart(make_reading(label=name, red=name, rule=name, step=name), title="t", cautions=(name,))
    text = chart_markdown(chart)
    first = tables(text)[0]
    assert first == [["at step", name, "rule of thumb"], [f"{name}\n{name} : GND", "8.50 V\n8.25…8.75", name]]
    inlines = [token for token in MarkdownIt("commonmark").parse(text) if token.type == "inline"]
    assert "".join(child.content for child in inlines[-1].children or []) == name


def test_a_function_names_its_row_and_a_lamp_its_section(make_reading: MakeReading, make_chart: MakeChart) -> None:
    lamp = "lamp:A:B"
    given = [
        make_reading(label="low side, duty", instrument="duty", unit="1", expected=0.5, low=0.45, high=0.55, display="50.0 %"),
        make_reading(label="low side, least", instrument="min", capture=1e-3, display="8.50 V"),
        make_reading(label="low side", fitted=(lamp,)),
    ]
    first, second = sheet_of(make_chart(*given)).sections
    assert [row.leads for row in first.rows] == ["duty MOT- : GND", "min of 1 ms MOT- : GND"]
    assert first.rows[0].cells["1"] == Cell("50.0 %", "45.0…55.0")
    assert second.heading == "Everything plugged, ignition on, lamp from A to B"
    # What is fitted for all of the chart stands in its facts.
    (whole,) = sheet_of(make_chart(given[2], conditions={"ignition": "on", "fitted": [lamp]})).sections
    assert whole.heading == "Everything plugged, ignition on"


def test_a_level_has_no_duty_and_no_note(make_reading: MakeReading, make_chart: MakeChart) -> None:
    lost = {"expected": math.nan, "low": math.nan, "high": math.nan, "display": "-", "verdict": LEVEL}
    sheet = sheet_of(make_chart(make_reading(instrument="duty", unit="1", **lost)))
    assert sheet.sections[0].rows[0].cells["1"] == Cell("–")
    assert sheet.notes == ()
