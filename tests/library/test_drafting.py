"""A circuit written as a file reads back as the same circuit."""

from __future__ import annotations

from pathlib import Path

import pytest

import circuitsim as cs
from circuitsim.library import circuit_names
from circuitsim.library.drafting import circuit_text

OPTIONS = [("generic-linear", {"nominal": "24 V", "steps": 3, "current": "9 A"}), ("generic-pack", {"steps": 2})]


@pytest.mark.parametrize(("name", "options"), [*((n, {}) for n in circuit_names()), *OPTIONS])
def test_what_is_written_reads_back(name: str, options: dict[str, object], tmp_path: Path) -> None:
    """Values to nine digits, tolerances, nodes, tables, connectors, probes and readings are the same."""
    circuit = cs.load(name, **options)
    path = tmp_path / "again.toml"
    path.write_text(circuit_text(circuit, name="again", head=["written again"]), encoding="utf-8")
    again = cs.load(str(path))
    assert list(again.net.elements) != []
    assert set(again.net.elements) == set(circuit.net.elements)
    for e in circuit.net.elements.values():
        other = again.net.elements[e.name]
        assert (other.kind, other.nodes) == (e.kind, e.nodes)
        assert other.values == pytest.approx(e.values, rel=1e-8)
        own = {k: t for k, t in e.tolerances.items() if (e.name, k) not in circuit.step_tables}
        assert {k: t.kind for k, t in other.tolerances.items() if k in own} == {k: t.kind for k, t in own.items()}
        for k, t in own.items():
            assert other.tolerances[k].standard(e.values[k]) == pytest.approx(t.standard(e.values[k]), rel=1e-6)
    assert again.steps == circuit.steps
    assert again.switched == circuit.switched
    assert again.connectors == circuit.connectors
    assert again.probes == circuit.probes
    assert again.readings == circuit.readings
    assert set(again.step_tables) == set(circuit.step_tables)
    for key, table in circuit.step_tables.items():
        assert again.step_tables[key].values == pytest.approx(table.values, rel=1e-8)
