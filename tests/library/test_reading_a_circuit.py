"""What a good file gives: netlist, values, tolerances, step tables, conditions, fittings."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from circuitsim.elements import Element, Law, Parameter, Resistor, Symbols, electrical
from circuitsim.elements import base as elements_base
from circuitsim.engine.points import solve
from circuitsim.library import Circuit, load, parts, schema
from circuitsim.library.circuit import StepTable
from circuitsim.quantities import Tolerance

Read = Callable[..., Circuit]


def test_a_run_joins_its_items_in_order(read: Read) -> None:
    net = read().net
    assert net.path("BAT+", "M1+") == ["F1", "K1", "W1", "X1.A"]
    assert net.elements["W1"].nodes["a"] == "K1/out"
    assert net.elements["R1"].nodes == {"a": "LOW", "b": "GND"}


def test_a_pin_has_a_harness_half_and_a_part_half_whichever_way_it_is_walked(read: Read) -> None:
    net = read().net
    assert net.node("X1.A/part") == "M1+"
    assert net.node("X1.A/harness") == net.elements["W1"].nodes["b"]
    assert net.node("X1.B/part") == "M1-"
    assert net.node("X1.B/harness") == "LOW"


def test_values_are_si(read: Read) -> None:
    elements = read().net.elements
    assert elements["W1"].values["area"] == 1.5e-6
    assert elements["W1"].values["length"] == 2.0
    assert elements["M1"].values["constant"] == 0.03
    assert elements["F1"].values["rating"] == 10.0


def test_what_the_circuit_does_not_give_comes_from_the_part(read: Read) -> None:
    part = parts()["vehicle-cable"]
    wire = read().net.elements["W1"]
    assert wire.values["resistivity"] == part.numbers["resistivity"]
    assert wire.tolerances["resistivity"] == part.spreads["resistivity"]


def test_a_value_without_tolerance_keeps_the_parts_share_and_one_with_it_does_not(read: Read) -> None:
    plain = read().net.elements["W1"]
    assert plain.tolerances["length"] == Tolerance("uniform", 0.1, relative=True)
    own = read(('length = "2 m"', 'length = "2 m ±0.5 m"')).net.elements["W1"]
    assert own.tolerances["length"] == Tolerance("uniform", 0.5)


def test_an_absolute_tolerance_of_a_part_goes_with_its_own_value_only(read: Read) -> None:
    assert read().net.elements["BAT"].tolerances["emf"] == Tolerance("uniform", 0.15)
    changed = read(('part = "battery-12v"', 'part = "battery-12v"\nemf = "12.0 V"')).net.elements["BAT"]
    assert changed.values["emf"] == 12.0
    assert "emf" not in changed.tolerances


def test_a_tolerance_alone_applies_to_the_elements_own_default(read: Read) -> None:
    fuse = read().net.elements["F1"]
    assert fuse.values["resistance"] == pytest.approx(0.115 * 10**-1.19, rel=1e-12)  # the default of a 10 A fuse, rounding only
    assert fuse.tolerances["resistance"] == Tolerance("lognormal", 1.5, relative=True)


def test_another_way_of_giving_a_value_overrides_the_part(read: Read) -> None:
    battery = read(('part = "battery-12v"', 'part = "battery-12v"\ncharge = "50 %"')).net.elements["BAT"]
    # The tolerance is for rounding only.
    assert battery.values["emf"] == pytest.approx(12.2, abs=1e-9)  # US Army TM 5-3805-262-20, p. 5-142: 12.2 V at half charge


def test_a_step_table_has_a_value_and_a_tolerance_a_step(read: Read) -> None:
    circuit = read()
    spread = Tolerance("uniform", 0.05, relative=True)
    assert circuit.step_tables["R1", "resistance"] == StepTable((1e6, 4.0, 0.1), (None, spread, None))
    assert circuit.net.elements["R1"].values["resistance"] == 1e6  # the netlist stands at 'off'


def test_a_state_is_a_condition_or_a_list_of_steps(read: Read) -> None:
    assert dict(read().switched) == {("K1", "closed"): "ignition"}
    listed = read(('closed = "ignition"', 'closed = ["2"]'))
    assert listed.step_tables["K1", "closed"].values == (0.0, 0.0, 1.0)
    assert not listed.switched


@pytest.mark.parametrize(("word", "values"), [('"on"', (0, 1, 1)), ('"top"', (0, 0, 1))])
def test_a_state_may_hold_at_all_steps_that_are_on_or_at_the_top(read: Read, word: str, values: tuple[int, ...]) -> None:
    assert read(('closed = "ignition"', f"closed = {word}")).step_tables["K1", "closed"].values == values


@pytest.mark.parametrize(("written", "value"), [("0", 0.0), ("1", 1.0), ("true", 1.0), ("false", 0.0)])
def test_a_state_may_be_fixed(read: Read, written: str, value: float) -> None:
    circuit = read(('closed = "ignition"', f"closed = {written}"))
    assert circuit.net.elements["K1"].values["closed"] == value
    assert not circuit.switched


def test_details_say_where_an_element_comes_from(read: Read) -> None:
    wire = read().net.elements["W1"]
    assert wire.details["part"] == "vehicle-cable"
    assert wire.details["colour"] == "RDBU"
    assert wire.details["run"] == "feed"
    assert wire.details["title"] == parts()["vehicle-cable"].title


def test_details_say_which_tolerances_are_the_parts(read: Read) -> None:
    eyelet = 'part = "eyelet-m6"'
    kept = read((eyelet, f'{eyelet}, resistance = "50 mΩ"')).net.elements["G1"]
    assert kept.details["tolerance"] == "from part: resistance"
    assert kept.tolerances["resistance"] == parts()["eyelet-m6"].spreads["resistance"]
    own = read((eyelet, f'{eyelet}, resistance = "50 mΩ ±5 %"')).net.elements["G1"]
    assert "tolerance" not in own.details
    none = read((eyelet, f'{eyelet}, resistance = "50 mΩ ±0 %"')).net.elements["G1"]
    assert none.tolerances["resistance"].standard(0.05) == 0.0
    assert "tolerance" not in none.details
    assert "tolerance" not in read().net.elements["G1"].details  # all of it is the part's


def test_details_say_so_for_a_table_by_step_too() -> None:
    assert load("tractor-cab-fan").net.elements["S2"].details["tolerance"] == "from part: resistance"


def test_connectors_probes_readings_and_supply(read: Read) -> None:
    circuit = read()
    assert circuit.connectors["X1"].pins == ("X1.A", "X1.B")
    assert circuit.probes["low"].node == "LOW"
    assert circuit.node("low") == "LOW"
    assert circuit.net.node("low") == "LOW"  # a probe point is a second name of its node
    assert [r.steps for r in circuit.readings] == [("1", "2"), ("off", "1", "2")]
    assert (circuit.supply.battery, circuit.supply.alternator) == ("BAT", None)
    assert circuit.nominal == 12.0


def test_the_bench_runs(read: Read) -> None:
    net = read().net.copy()
    net.elements["R1"] = net.elements["R1"].replaced(resistance="0.1 Ω")
    point = solve(net)
    assert point.verdict == "running"
    assert 1.0 < point.current("M1") < 10.0  # between idling and the fuse's rating


def test_parts_of_its_own(read: Read) -> None:
    own = '\n[part.short-lead]\nkind = "wire"\ntitle = "a short lead"\n'
    own += 'rise = { value = "9 m·K/W", from = "assumed: for this test" }\n'
    wire = read(('part = "vehicle-cable"', 'part = "short-lead"'), more=own).net.elements["W1"]
    assert wire.values["rise"] == 9.0


def test_a_new_element_class_works_at_once(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(elements_base, "_KINDS", dict(elements_base._KINDS))  # gone again after this test

    class Heater(Element):
        kind = "test-heater"
        terminals = (electrical("in"), electrical("out"))
        parameters = (Parameter("resistance", "Ω", "hot"), Parameter("on", "1", "mode", 0.0, high=1.0, state=True))
        conducts = (("in", "out"),)
        ends = ("in", "out")

        @staticmethod
        def law(s: Symbols) -> Law:
            i = (s["in"] - s.out) / s.resistance
            return Law(flows={"in": i, "out": -i}, outputs={"current": (i, "A")}, heat=(s["in"] - s.out) * i)

    circuit = read(('resistor = "R1", resistance = {', 'test-heater = "R1", on = "engine", resistance = {'))
    assert isinstance(circuit.net.elements["R1"], Heater)
    assert circuit.switched["R1", "on"] == "engine"
    assert circuit.step_tables["R1", "resistance"].values == (1e6, 4.0, 0.1)


def test_order_of_tables_does_not_matter_for_elements(read: Read, tmp_path: Path) -> None:
    text = (tmp_path / "bench.toml").read_text(encoding="utf-8") if read() else ""
    start, end = text.index("[element.FAN1]"), text.index("[connector.X1]")
    moved = tmp_path / "moved.toml"
    moved.write_text(text[:start] + text[end:] + text[start:end], encoding="utf-8")
    assert set(load(moved).net.elements) == set(read().net.elements)


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_line_ends_and_byte_order_mark_do_not_matter(read: Read, tmp_path: Path, ending: str, mark: bytes) -> None:
    names = list(read().net.elements)
    path = tmp_path / "bench.toml"
    text = path.read_text(encoding="utf-8").replace("\n", ending)
    path.write_bytes(mark + text.encode())
    assert list(load(path).net.elements) == names


def test_each_load_gives_a_circuit_of_its_own(read: Read) -> None:
    first = read()
    first.net.add(Resistor("extra", "LOW", "GND", resistance=1.0))
    assert "extra" not in read().net.elements


def test_schema_knows_every_table() -> None:
    found = schema()
    assert {"run", "element", "part", "connector", "probe", "reading", "options", "supply"} <= set(found["properties"])
    assert found["additionalProperties"] is False
    assert set(found["required"]) == {"name", "title", "nominal", "steps", "motor", "supply", "run"}
