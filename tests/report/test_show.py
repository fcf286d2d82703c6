"""The description of a circuit: its path, single points of failure, parts with their sources, what is in reach."""

from __future__ import annotations

import json
import re

import pytest

import circuitsim as cs
from circuitsim.library import parts
from circuitsim.report.show import circuit_lines, circuit_record, circuit_text
from circuitsim.report.typeset import ROLES, cells


def test_the_path_runs_from_battery_plus_through_the_motor_to_battery_minus(bench: cs.Circuit) -> None:
    # At the last step the second selector contact is closed and the first, with its resistor, is open.
    assert circuit_record(bench)["path"] == ["F1", "W1", "X1.A", "M1", "X1.B", "S2"]
    assert "BAT+ → F1 → W1 → X1.A → M1 → X1.B → S2 → GND" in circuit_text(bench)


def test_single_points_of_a_plain_circuit(bench: cs.Circuit) -> None:
    expected = {"feed": ["F1", "W1", "X1.A"], "motor": ["M1"], "ground side": ["X1.B", "S2"]}
    assert circuit_record(bench)["single_points"] == expected


def test_what_has_a_way_round_it_is_no_single_point(bench: cs.Circuit) -> None:
    bench.net.chain("BAT+", cs.Fuse("F2", rating="20 A"), "F1/out")
    bench.net.chain("BAT+", cs.Fuse("F3", rating="20 A"), bench.net.node("F1/out"))
    assert circuit_record(bench)["single_points"]["feed"] == ["W1", "X1.A"]


def test_single_points_of_a_controller_tell_supply_grounds_and_command_apart() -> None:
    found = circuit_record(cs.load("tractor-cab-fan"))["single_points"]
    assert {"feed", "motor", "ground side", "supply of U1", "command of U1", "signal ground of U1"} == set(found)
    assert {"F7", "K1", "X4.A"} <= set(found["feed"])
    # The ground eyelet carries the motor's current: no input of the controller is a second way round it.
    assert {"X4.B", "U1", "G1.eyelet"} <= set(found["ground side"])
    assert {"S2", "X5.5"} <= set(found["command of U1"])
    assert "F7" not in found["supply of U1"]


def test_parts_have_values_with_tolerances_in_the_units_of_the_trade(bench: cs.Circuit) -> None:
    text = circuit_text(bench)
    assert "emf 12.6 V ±100 mV" in text
    assert "area 2.5 mm², length 1.8 m ±10 %" in text
    assert "rating 20 A" in text
    assert "at off: 800 mΩ ±5 %, at 1: 800 mΩ, at 2: 900 mΩ" in text
    assert "strands" not in text, "a parameter that nobody gave says nothing about this circuit"


@pytest.mark.parametrize(("name", "contacts"), [("coach-defroster-fan", 4), ("generic-pack", 4)])
def test_a_selector_s_contacts_say_at_which_step_they_are_closed(name: str, contacts: int) -> None:
    text = circuit_text(cs.load(name))
    assert re.findall(r"closed at step (\S+),", text) == [str(k + 1) for k in range(contacts)]
    assert "closed with the ignition on" in text


def test_what_can_be_reached_and_unplugged(bench: cs.Circuit) -> None:
    text = circuit_text(bench)
    assert re.search(r"MOT-  BU  back of the motor connector · LOW\n  GND +frame\n", text)
    assert "X1  motor connector; pins X1.A, X1.B; plugs into M1" in text
    assert "Not to be unplugged: X9" in text
    assert text.endswith("Take care\n- Keep fingers clear of the wheel.\n")


def test_every_source_of_a_part_in_use_is_listed_once() -> None:
    circuit = cs.load("tractor-cab-fan")
    text = circuit_text(circuit)
    used = {e.details["part"] for e in circuit.net.elements.values() if "part" in e.details}
    sources = {source for name in used for source in parts()[name].sources.values()}
    listed = re.findall(r"^  \[(\d+)\] +(.*)$", text, re.MULTILINE)
    assert [int(number) for number, _ in listed] == list(range(1, len(listed) + 1))
    assert {source for _, source in listed} == sources
    pointed = {int(number) for number in re.findall(r"\[±?(\d+)\]", text.partition("Where the numbers")[0])}
    assert pointed == set(range(1, len(listed) + 1))


def test_a_value_of_the_circuit_s_own_has_only_its_tolerance_from_the_part() -> None:
    record = circuit_record(cs.load("tractor-cab-fan"))
    wire = next(e for e in record["elements"] if e["name"] == "W2")
    assert "tolerance_source" in wire["values"]["length"]
    assert "source" not in wire["values"]["length"]
    assert "source" in wire["values"]["resistivity"]


@pytest.mark.parametrize("name", cs.circuit_names())
def test_every_circuit_can_be_shown(name: str) -> None:
    circuit = cs.load(name)
    record = json.loads(json.dumps(circuit_record(circuit), allow_nan=False))
    assert {e["name"] for e in record["elements"]} == set(circuit.net.elements)
    assert record["path"].count(circuit.motor) == 1
    assert record["single_points"]["feed"]
    assert record["single_points"]["ground side"]
    for width in (40, 80, 120):
        assert max(map(cells, circuit_text(circuit, width).splitlines())) <= width
    text = circuit_text(circuit)
    for e in circuit.net.elements:
        assert re.search(rf"^  {re.escape(e)}\s", text, re.MULTILINE)
    assert {span.role for spans in circuit_lines(circuit, 80) for span in spans} <= set(ROLES)


def test_control_characters_are_escaped(bench: cs.Circuit) -> None:
    from dataclasses import replace

    evil = "x\x1b[2J\r\ny"
    probe = replace(bench.probes["MOT-"], where=evil, colour=evil)
    circuit = replace(bench, title=evil, description=evil, cautions=(evil,), file=evil, probes={"MOT-": probe})
    circuit.net.elements["F1"].details.update(title=evil, note=evil, colour=evil, run=evil)
    assert all(text.isprintable() for text in circuit_text(circuit).splitlines())
