"""compare as a user types it; the list of faults on a narrow screen; --fault in the studies that follow waveforms."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Run = Callable[..., Result]

FAULT = ("--fault", "M1:dragging=200mN*m")
FEW = ("--probe", "MOT-:GND", "--probe", "at:M1", "--step", "2")


def test_the_table_says_what_is_in_and_who_can_tell(run: Run) -> None:
    result = run("compare", "tractor-cab-fan", *FAULT, *FEW, "--width", "80")
    assert result.exit_code == 0
    lines = result.output.splitlines()
    assert lines[0] == "tractor-cab-fan: healthy beside M1:dragging=200 mN·m"
    assert max(map(len, lines)) <= 80
    current = next(text for text in lines if text.startswith("on M1"))
    assert current.rstrip().endswith("yes, surely")
    low = next(text for text in lines if text.startswith("MOT- : GND"))
    assert "no (" in low
    assert "1 of 2 readings tell the two apart." in lines
    assert "Take care" in lines


def test_several_faults_at_once(run: Run) -> None:
    result = run("compare", "tractor-cab-fan", *FAULT, "--fault", "X4.A:corroded=50mohm", *FEW, "--format", "json")
    found = json.loads(result.output)
    assert found["faults"] == ["M1:dragging=200 mN·m", "X4.A:corroded=50 mΩ"]
    assert [r["tells"] for r in found["readings"]] == [False, True]
    assert found["blown"] == []


def test_a_fuse_that_opens_is_said(run: Run) -> None:
    result = run("compare", "tractor-cab-fan", "--fault", "W2:chafed-to-ground=60mohm", "--probe", "MOT+:GND", "--step", "4")
    assert result.exit_code == 0
    assert "F7 opens: the faulty readings are as it is then, at every step" in " ".join(result.output.split())


@pytest.mark.parametrize("faults", [FAULT, ()], ids=["two vehicles", "all faults"])
def test_every_form_tells_the_same(run: Run, tmp_path: Path, faults: tuple[str, ...]) -> None:
    """Records of JSON and of CSV agree; Markdown has a row for each reading or fault; a file gets what a screen gets."""
    command = ("compare", "tractor-cab-fan", *faults, *FEW)
    plain = json.loads(run(*command, "--format", "json").output)
    rows = list(csv.DictReader(io.StringIO(run(*command, "--format", "csv").output)))
    marked = run(*command, "--format", "markdown").output
    if faults:
        assert len(rows) == len(plain["readings"]) == 2
        assert [float(r["overlap"]) for r in rows] == pytest.approx([r["overlap"] for r in plain["readings"]], rel=1e-12)
        assert marked.count("\n| ") == len(rows) + 2  # its head and the line under it
    else:
        assert len(rows) == len(plain["faults"]) * len(plain["tests"])
        assert sum(r["tells"] == "True" for r in rows) == sum(b["shows"] for b in plain["best_tests"])
        assert marked.count("\n| ") == len(plain["faults"]) + 2
    assert run(*command, "-o", "found.json").exit_code == 0
    assert json.loads((tmp_path / "found.json").read_text(encoding="utf-8")) == plain


def test_worse_faults_show_more(run: Run) -> None:
    counts = [
        len(json.loads(run("compare", "tractor-cab-fan", *FEW, "--severity", s, "--format", "json").output)["unseen"])
        for s in ("low", "high")
    ]
    assert counts[0] > counts[1]


def test_circuit_options_and_conditions_go_to_both_vehicles(run: Run) -> None:
    options = ("--nominal", "24V", "--engine", "running", "--fault", "X4.A:corroded=200mohm", *FEW, "--format", "json")
    found = json.loads(run("compare", "generic-linear", *options).output)
    low = found["readings"][0]
    assert 12 < low["healthy"] < 28  # a middle step of a 24 V circuit
    assert "engine running" in found["conditions"]


@pytest.mark.parametrize(
    ("args", "told"),
    [
        (("--fault", "X4.A:corodded"), "did you mean 'corroded'"),
        (("--fault", "X4.A"), "--fault"),
        ((*FAULT, "--picture", "a.txt"), ".png"),
        ((*FAULT, "--severity", "high"), "--severity"),
        (("--severity", "hihg"), "did you mean 'high'"),
        (("--picture", "a.txt"), ".png"),
        (("--picture", "none/a.png"), "--picture"),
        (("--instrument", "ohmmeter"), "--instrument"),
        (("--probe", "MOT-:GDN"), "did you mean 'GND'"),
        ((*FAULT, "--step", "9"), "step"),
    ],
)
def test_bad_input_is_one_line(run: Run, tmp_path: Path, args: tuple[str, ...], told: str) -> None:
    result = run("compare", "tractor-cab-fan", *args)
    assert result.exit_code == 2
    assert told in result.stderr
    assert result.stderr.count("\n") == 1
    assert not list(tmp_path.iterdir())


def test_the_list_of_faults_fits_a_narrow_screen_and_says_things_once(run: Run) -> None:
    output = run("faults", "tractor-cab-fan", "--width", "80").output
    lines = output.splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) < 260
    assert output.count("green or white corrosion") == 1
    assert "Repair: clean or renew the terminal …; or replace the motor M1 (20 min)" in " ".join(output.split())
    for name in ("X4.A", "M1.crimp+", "U1", "S2", "FAN1"):
        assert name in output


def test_kinds_narrow_the_list(run: Run) -> None:
    names = [
        f["fault"]
        for f in json.loads(run("faults", "generic-pack", "--kind", "stuck-open", "--format", "json").output)["faults"]
    ]
    assert names
    assert all(n.endswith(":stuck-open") for n in names)
    none = run("faults", "tractor-cab-fan", "--site", "M1", "--kind", "corroded")
    assert none.exit_code == 0
    assert "0 faults" in none.output


def test_a_pdf_has_all_faults_on_pages(run: Run, tmp_path: Path) -> None:
    """One page as a picture, which says how many pages all rows take; as .pdf so many."""
    for name in ("faults.pdf", "faults.svg"):
        assert run("compare", "tractor-cab-fan", "--probe", "MOT-:GND", "--probe", "at:M1", "--picture", name).exit_code == 0
    pages = re.findall(rb"/Type /Page\b", (tmp_path / "faults.pdf").read_bytes())
    drawn = (tmp_path / "faults.svg").read_text("utf-8")
    told = re.search(r"rows that most tests show; all, on ([0-9]+) pages, with", drawn)
    assert told is not None
    assert len(pages) == int(told[1]) > 1


def test_the_surest_differences_come_first(run: Run) -> None:
    """A dragging motor draws more: the current tells, surest at the lowest step, where friction is most of the load."""
    result = run("compare", "tractor-cab-fan", *FAULT, "--width", "110")
    told, _, table = result.output.partition("\n\nreading ")
    head, _, surest = told.partition("Surest tells, each place at the step that tells best\n")
    assert "told apart: whoever sees" in head
    lines = surest.splitlines()
    assert re.fullmatch(r"  motor current, on M1 at step 1: 2\.\d\d A healthy, \d\.\d\d A faulty", lines[0])
    assert len(lines) == len({text.partition(" at step ")[0] for text in lines}) <= 6
    assert table.index("battery at its posts") < table.index("motor current")  # below, as in the chart
    marked = run("compare", "tractor-cab-fan", *FAULT, "--format", "markdown").output
    assert "tells best:\n\n- motor current, on M1 at step 1" in marked
    mild = run("compare", "tractor-cab-fan", "--fault", "M1:dragging=1mN*m", *FEW).output
    assert "none: no reading alone tells the two apart" in mild


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_a_picture_of_one_fault(run: Run, tmp_path: Path, suffix: str) -> None:
    """Every place by its leads, with both vehicles and what the marks mean; more places than a page holds go on pages."""
    chart = ("minibus-condenser-fan", "--fault", "X4.A:open") if suffix == ".pdf" else ("tractor-cab-fan", *FAULT)
    done = run("compare", *chart, "--picture", f"one{suffix}")
    assert (done.exit_code, done.stderr) == (0, "")
    drawn = (tmp_path / f"one{suffix}").read_bytes()
    assert len(drawn) > 10_000
    if suffix == ".pdf":
        assert len(re.findall(rb"/Type /Page\b", drawn)) == 2
    if suffix == ".svg":
        text = drawn.decode("utf-8")
        for said in ("healthy beside M1:dragging", "clamp on M1", "X5.5/harness : GND", "tells them apart", "surely"):
            assert said in text


def test_waveforms_and_wiggles_take_faults_too(run: Run) -> None:
    """The list of conditions says what is in; the figures follow it."""
    options = ("--step", "2", "--fault", "M1:dragging=150mN*m", "--format", "json")
    wave = json.loads(run("waveform", "generic-pwm", *options).output)
    assert "with M1:dragging=150 mN·m" in json.dumps(wave, ensure_ascii=False)
    wiggle = run("wiggle", "tractor-cab-fan", "--at", "X4.A", *options[:-2], "--trials", "20")
    assert wiggle.exit_code == 0
    assert "with M1:dragging=150 mN·m" in " ".join(wiggle.output.split())


@pytest.mark.parametrize(("faults", "said"), [(("X4.A:open",), "this fault"), (("X4.A:open", "F9:hot"), "these faults")])
def test_a_chart_with_faults_does_not_pass_for_a_good_circuit(run: Run, faults: tuple[str, ...], said: str) -> None:
    given = [part for f in faults for part in ("--fault", f)]
    text = " ".join(run("predict", "tractor-cab-fan", *given, "--probe", "MOT-:GND", "--step", "2").output.split())
    assert f"what the instrument shows on a circuit that is good but for {said}, and the band" in text
