"""A circuit file with numbers changed: only what changed is another, comments stay, and it reads back to six digits."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from circuitsim.library import Circuit, circuit_names, load
from circuitsim.library.circuit import StepTable
from circuitsim.library.rewriting import Rewritten, rewritten
from circuitsim.quantities import Tolerance

Read = Callable[..., Circuit]
PLAIN = [name for name in circuit_names() if not name.startswith("generic-")]
GENERIC: list[tuple[str, dict[str, Any]]] = [
    ("generic-linear", {}),
    ("generic-linear", {"nominal": "24 V", "steps": 3, "current": "9 A", "fuse": "20 A"}),
    ("generic-pack", {"steps": 5}),
]


def _moved(circuit: Circuit) -> Circuit:
    """Move all numbers that have a tolerance by a per cent or so, at random, and narrow their tolerances."""
    rng = np.random.default_rng(4)
    net, tables = circuit.net.copy(), dict(circuit.step_tables)
    for e in net.elements.values():
        for p, t in list(e.tolerances.items()):
            if (e.name, p) not in tables:
                e.values[p] *= 1 + 0.01 * float(rng.standard_normal())
                e.tolerances[p] = _narrow(t, e.values[p])
    for key, table in tables.items():
        if any(table.tolerances):
            values = tuple(v * (1 + 0.01 * float(rng.standard_normal())) for v in table.values)
            spreads = tuple(_narrow(t, v) if t else None for t, v in zip(table.tolerances, values, strict=True))
            tables[key] = StepTable(values, spreads)
    return replace(circuit, net=net, step_tables=tables)


def _narrow(t: Tolerance, value: float) -> Tolerance:
    if t.kind == "lognormal":
        return Tolerance("lognormal", math.exp(0.37 * math.log(t.size)))
    return Tolerance("normal", 0.37 * t.standard(value))


def _back(made: Rewritten, folder: Path) -> Circuit:
    path = folder / "made.toml"
    path.write_text(made.text, encoding="utf-8")
    return load(path)


def _assert_same(found: Circuit, wanted: Circuit) -> None:
    """Same elements at the same nodes, numbers to six digits, tolerances to a thousandth."""
    assert found.steps == wanted.steps
    assert found.net.elements.keys() == wanted.net.elements.keys()
    for name, e in wanted.net.elements.items():
        own = found.net.elements[name]
        assert own.nodes == e.nodes
        values = {p: v for p, v in e.values.items() if (name, p) not in wanted.step_tables}
        assert {p: own.values[p] for p in values} == pytest.approx(values, rel=1e-6)
        spreads = {p: t for p, t in e.tolerances.items() if (name, p) not in wanted.step_tables}
        _assert_spreads({p: own.tolerances.get(p) for p in spreads}, spreads)
    assert found.step_tables.keys() == wanted.step_tables.keys()
    for key, table in wanted.step_tables.items():
        assert found.step_tables[key].values == pytest.approx(table.values, rel=1e-6)
        _assert_spreads(dict(enumerate(found.step_tables[key].tolerances)), dict(enumerate(table.tolerances)))


def _assert_spreads(found: Mapping[Any, Tolerance | None], wanted: Mapping[Any, Tolerance | None]) -> None:
    for p, t in wanted.items():
        own = found[p]
        assert (own is None) == (t is None)
        if own and t:
            assert own.kind == t.kind
            sizes = [x.log_sigma or x.size for x in (own, t)]
            assert sizes[0] == pytest.approx(sizes[1], rel=1e-3)


@pytest.mark.parametrize("name", PLAIN)
def test_every_number_goes_where_it_is_used(name: str, tmp_path: Path) -> None:
    circuit = load(name)
    wanted = _moved(circuit)
    made = rewritten(circuit, wanted, name="fitted", title="fitted, too")
    assert not made.resolved
    found = _back(made, tmp_path)
    _assert_same(found, wanted)
    assert (found.name, found.title) == ("fitted", "fitted, too")
    assert found.readings == circuit.readings
    assert found.probes == circuit.probes
    old = Path(circuit.file).read_text(encoding="utf-8")
    assert [line for line in old.splitlines() if line.startswith("#")] == [
        line for line in made.text.splitlines()[1:] if line.startswith("#")
    ]


def test_what_has_not_changed_is_left_as_it_was(tmp_path: Path) -> None:
    circuit = load("tractor-cab-fan")
    net = circuit.net.copy()
    net.elements["W2"].values["length"] = 1.875
    net.elements["U1"].values["gain"] = 1.1875
    wanted = replace(circuit, net=net)
    made = rewritten(circuit, wanted, head=["on top"])
    old, new = Path(circuit.file).read_text(encoding="utf-8").splitlines(), made.text.splitlines()
    assert new[0] == "# on top"
    assert new[1].startswith("# Changed numbers stand where they are used")
    assert new[1].endswith("tractor-cab-fan.toml.")
    changed = [line for line in new[2:] if line not in old]
    assert len(changed) == 2
    assert 'length = "1.875 m ±10 %", colour = "RDYE"' in changed[0]
    assert changed[1] == 'gain = "1.1875 ±1.5 %"'
    assert [line for line in old if line not in new] == [line for line in old if 'wire = "W2"' in line]
    _assert_same(_back(made, tmp_path), wanted)


@pytest.mark.parametrize(("name", "options"), GENERIC)
def test_a_circuit_with_options_is_resolved(name: str, options: dict[str, Any], tmp_path: Path) -> None:
    circuit = load(name, **options)
    wanted = _moved(circuit)
    made = rewritten(circuit, wanted, name="fitted")
    assert made.resolved
    assert "# Everything is resolved here" in made.text
    assert "[options" not in made.text
    found = _back(made, tmp_path)
    assert not found.options
    _assert_same(found, wanted)


def test_comments_beside_a_value_stay(read: Read, tmp_path: Path) -> None:
    circuit = read(('resistance = "0.5 Ω ±10 %"', 'resistance = "0.5 Ω ±10 %" # measured, "by hand"'))
    wanted = _moved(circuit)
    made = rewritten(circuit, wanted)
    assert ' normal" # measured, "by hand"\n' in made.text
    assert "# a comment, with ] and }" in made.text
    _assert_same(_back(made, tmp_path), wanted)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('{ off = "1 MΩ", 1 = "4 Ω ±5 %", 2 = "0.1 Ω" }', '{ off = "1 MΩ", "1" = "4 Ω ±5 %", 2 = "0.1 Ω ±5 %" }'),
        ('{ off = "1 MΩ", 1 = "4 Ω ±5 %", 2 = "0.1 Ω" }', "{off='1 MΩ',1='4 Ω ±5 %',2='0.1 Ω ×/÷ 2'}"),
    ],
)
def test_tables_by_step_however_they_are_written(read: Read, tmp_path: Path, old: str, new: str) -> None:
    circuit = read((old, new))
    wanted = _moved(circuit)
    made = rewritten(circuit, wanted)
    assert not made.resolved
    _assert_same(_back(made, tmp_path), wanted)


def test_windows_line_ends_and_a_last_line_without_one(read: Read, tmp_path: Path) -> None:
    circuit = read()
    text = Path(circuit.file).read_text(encoding="utf-8")
    moved_last = text.replace('[element.BAT]\nkind = "battery"\npart = "battery-12v"\nplus = "BAT+"\nminus = "BAT-"\n\n', "")
    last = '\n[element.BAT]\nkind = "battery"\npart = "battery-12v"\nplus = "BAT+"\nminus = "BAT-"  # no more'
    Path(circuit.file).write_bytes(("\ufeff" + moved_last + last).replace("\n", "\r\n").encode())
    again = load(circuit.file)
    wanted = _moved(again)
    made = rewritten(again, wanted)
    assert not made.resolved
    assert 'minus = "BAT-"  # no more\nemf = ' in made.text
    _assert_same(_back(made, tmp_path), wanted)


def test_a_battery_given_by_its_charge_is_resolved(read: Read, tmp_path: Path) -> None:
    """Its voltage has no key of its own there: a file may give one or the other."""
    circuit = read(('part = "battery-12v"\nplus', 'part = "battery-12v"\ncharge = "80 %"\nplus'))
    net = circuit.net.copy()
    net.elements["BAT"].values["emf"] = 12.375
    wanted = replace(circuit, net=net)
    made = rewritten(circuit, wanted)
    assert made.resolved
    assert _back(made, tmp_path).net.elements["BAT"].values["emf"] == 12.375


def test_what_is_of_no_file_or_of_another_one_is_resolved(read: Read, tmp_path: Path) -> None:
    circuit = read()
    wanted = _moved(circuit)
    assert rewritten(replace(circuit, file=""), replace(wanted, file="")).resolved
    without = replace(circuit, net=circuit.net.copy(without=["W1"]))
    assert rewritten(without, without).resolved
    Path(circuit.file).write_text("name = 'something else'\n", encoding="utf-8")
    made = rewritten(circuit, wanted)  # changed on the disk since it was loaded
    assert made.resolved
    _assert_same(_back(made, tmp_path), wanted)


def test_a_repeated_run_is_resolved(tmp_path: Path) -> None:
    """One item of a run that is repeated for each step stands for several elements."""
    source = load("generic-pack").file
    text = Path(source).read_text(encoding="utf-8")
    start = text.index("# ---- options")
    end = text.index("\n# ----", start + 5)
    path = tmp_path / "pack.toml"
    path.write_text(text[:start] + text[end:], encoding="utf-8")
    circuit = load(path)
    assert 'each = "' in text
    assert not circuit.options
    wanted = _moved(circuit)
    made = rewritten(circuit, wanted)
    assert made.resolved
    _assert_same(_back(made, tmp_path), wanted)
