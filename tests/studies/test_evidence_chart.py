"""A printed chart as a form to fill in: it reads back as what was printed, or as what was written into it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from small_circuits import blocked

import circuitsim as cs
from circuitsim.library.circuit import Circuit
from circuitsim.measure.faults import with_faults
from circuitsim.studies.diagnose import diagnose
from circuitsim.studies.evidence import AS_PRINTED, read_findings

Load = Callable[[str], Circuit]
T = "tractor-cab-fan"
HEAD = "step,unplugged,red,black,reading\n"


@pytest.mark.parametrize("name", [T, "generic-pack"])
def test_a_chart_reads_back(load: Load, chart_of: Callable[[str], cs.Chart], name: str) -> None:
    """What `predict` writes is what it means: place, state, and its display to the digit."""
    chart = chart_of(name)
    found = read_findings(load(name), chart.to_csv())
    wanted = [r for r in chart.readings if r.display != "-"]
    assert len(found.readings) == len(wanted)
    for taken, r in zip(found.readings, wanted, strict=True):
        t = taken.task
        assert (t.step, t.red, t.black, t.at, t.instrument) == (r.step, r.red, r.black, r.at, r.instrument)
        assert (t.conditions.unplugged, t.conditions.ignition, t.conditions.engine) == (r.unplugged, r.ignition, r.engine)
        if r.shown is not None:
            assert taken.shown.value == pytest.approx(r.expected, abs=0.51 * taken.shown.digit)
        else:
            assert taken.shown.look == r.display
    assert len(found.notes) == 1
    assert AS_PRINTED.partition("{}")[2] in found.notes[0]


def test_a_chart_handed_back_as_printed_is_told_in_one_line() -> None:
    """Eight numbers or more, with the printed values beside them or without; not with one digit off, or fewer numbers."""
    circuit = blocked("normal")
    chart = cs.predict(circuit, probe=["BAT+:GND", "MOT+:GND", "BAT+:MOT+", "at:M1"])
    rows = [f"{r.step},{r.red},{r.black},{r.at},{r.display}\n" for r in chart.readings]
    assert len(rows) == 8
    head, told = "step,red,black,at,reading\n", [AS_PRINTED.format(8)]
    text = head + "".join(rows)
    assert said(circuit, text) == told
    assert text.count("11.91 V") == 2
    assert said(circuit, text.replace("11.91 V", "11.92 V", 1)) == []
    assert said(circuit, head + "".join(rows[:7])) == []
    assert said(circuit, chart.to_csv()) == told


def said(circuit: Circuit, text: str) -> list[str]:
    """What a diagnosis says of readings being those of the chart."""
    found = diagnose(circuit, read_findings(circuit, text), next_test=False)
    return [note for note in found.notes if note.endswith(AS_PRINTED.partition("{}")[2])]


def test_rows_left_as_printed_are_not_measured(load: Load, chart_of: Callable[[str], cs.Chart]) -> None:
    """Common practice, no source: nobody measures all rows of a sheet."""
    lines = chart_of(T).to_csv().splitlines()
    k = next(k for k, text in enumerate(lines) if text.startswith("4,,MOT-,GND"))
    lines[k] = lines[k].replace(lines[k].split(",")[4], "0.61 V", 1)
    found = read_findings(load(T), "\n".join(lines))
    assert [(r.task.red, r.shown.value) for r in found.readings] == [("MOT-", 0.61)]
    rows = len(chart_of(T).readings) - 1
    left = f"{rows} rows of the chart still hold what was printed: not counted as measured"
    assert found.notes == (f"{left} (empty the column expected of those that were)",)


def test_a_row_that_happens_to_read_as_printed_can_be_kept(load: Load, chart_of: Callable[[str], cs.Chart]) -> None:
    lines = chart_of(T).to_csv().splitlines()
    for k, text in enumerate(lines):
        cells = text.split(",")
        if text.startswith("4,,MOT-,GND"):
            lines[k] = text.replace(cells[4], "0.61 V", 1)
        if text.startswith("4,,MOT+,GND"):
            lines[k] = text.replace(f",{cells[5]},", ",,", 1)
    assert {r.task.red for r in read_findings(load(T), "\n".join(lines)).readings} == {"MOT-", "MOT+"}


def test_a_chart_of_a_faulty_circuit_is_a_vehicle(load: Load) -> None:
    """All of it counts, even after one reading was changed by hand."""
    chart = cs.predict(with_faults(load(T), ["X4.A:corroded=80mohm"]))
    lines = chart.to_csv().splitlines()
    k = next(k for k, text in enumerate(lines) if text.startswith("1,,MOT-,GND"))
    lines[k] = lines[k].replace(lines[k].split(",")[4], "3.02 V", 1)
    found = read_findings(load(T), "\n".join(lines))
    assert len(found.readings) == len(chart.readings)
    assert found.notes == ()


def test_a_chart_under_conditions_brings_them_along(load: Load) -> None:
    chart = cs.predict(load(T), supply="12.3 V", supply_at="4", ambient="30 degC", since="warm", unplug="X4", step="4")
    found = read_findings(load(T), chart.to_csv())
    c = found.conditions
    assert (c.supply, c.supply_at, c.ambient, c.since, c.unplugged) == (12.3, "4", 30.0, "warm", ("X4",))
    assert {r.task.conditions.unplugged for r in found.readings} >= {("X4",)}


def test_readings_of_another_circuit_are_noted(load: Load, chart_of: Callable[[str], cs.Chart]) -> None:
    text = f"# circuit: generic-linear\n{HEAD}4,,MOT-,GND,1 V\n"
    assert read_findings(load(T), text).notes == ("these are readings of 'generic-linear', not of 'tractor-cab-fan'",)
