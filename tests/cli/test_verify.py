"""The verify command: exit codes, formats, files, bad input."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Run = Callable[..., Result]
T = "tractor-cab-fan"
HEAD = "# supply: 12.5 V\nstep,red,black,at,reading\n"
BAD = HEAD + "4,MOT+,GND,,9.0 V\n4,MOT-,GND,,0.25 V\n3,CMD,GND,,3.50 V\n"
GOOD = HEAD + "4,MOT+,GND,,12.02 V\n4,MOT-,GND,,0.25 V\n"


@pytest.fixture
def files(run: Run, tmp_path: Path) -> Path:
    """Write a file from before, a good one and a bad one from after; `run` works in their folder."""
    for name, text in (("before.csv", BAD), ("after.csv", GOOD), ("worse.csv", BAD.replace("0.25", "3.02"))):
        (tmp_path / name).write_text(text, "utf-8")
    return tmp_path


@pytest.mark.usefixtures("files")
def test_a_repair_that_worked_leaves_with_0(run: Run) -> None:
    done = run("verify", T, "before.csv", "after.csv", "--width", "80")
    assert (done.exit_code, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert max(len(text) for text in lines) <= 80
    assert "Every reading is back in its band (2 of 2)." in lines
    assert any(text.split()[:5] == ["4", "9.0", "V", "12.02", "V"] and text.endswith("in, was out") for text in lines)
    assert any(text.split()[:4] == ["3", "3.50", "V", "–"] and text.endswith("not repeated, was in") for text in lines)
    assert "  rule: battery voltage less at most 0.5 V (common practice)" in lines  # the shop's rule beside the band
    assert "in band does not prove the part" in done.stdout.lower().replace("\n", " ")


@pytest.mark.usefixtures("files")
def test_something_left_over_leaves_with_1(run: Run) -> None:
    done = run("verify", T, "before.csv", "worse.csv")
    assert (done.exit_code, done.stderr) == (1, "")
    assert "2 of 3 still outside: MOT- : GND at step 4 (in its band before); MOT+ : GND at step 4." in done.stdout
    assert " OUT above by " in done.stdout
    assert " OUT below by " in done.stdout


def test_what_was_seen_alone_can_be_left_over(run: Run, files: Path) -> None:
    rows = "4,MOT+,12.02 V,\n4,MOT-,0.25 V,\n4,,,noisy\n"
    (files / "seen.csv").write_text("# supply: 12.5 V\nstep,red,reading,observe\n" + rows, "utf-8")
    done = run("verify", T, "before.csv", "seen.csv")
    assert done.exit_code == 1
    assert "Still seen: noisy at step 4." in done.stdout


@pytest.mark.usefixtures("files")
def test_json(run: Run) -> None:
    done = run("verify", T, "before.csv", "worse.csv", "--format", "json")
    found = json.loads(done.stdout)
    assert done.exit_code == 1
    assert found["passed"] is False
    assert [(r["red"], r["before"], r["after"], r["inside"], r["was_inside"]) for r in found["readings"]] == [
        ("MOT+", "9.0 V", "9.0 V", False, False),
        ("MOT-", "0.25 V", "3.02 V", False, True),
        ("CMD", "3.50 V", "3.50 V", True, True),
    ]
    low, high = found["readings"][0]["low"], found["readings"][0]["high"]
    assert low < found["readings"][0]["expected"] < high
    assert found["readings"][0]["left_over"] == pytest.approx(9.0 - low)
    assert found["not_repeated"] == []


@pytest.mark.usefixtures("files")
def test_csv_and_markdown(run: Run) -> None:
    rows = list(csv.DictReader(io.StringIO(run("verify", T, "before.csv", "after.csv", "--format", "csv").stdout)))
    assert [(r["red"], r["before"], r["after"], r["inside"]) for r in rows] == [
        ("MOT+", "9.0 V", "12.02 V", "yes"), ("MOT-", "0.25 V", "0.25 V", "yes"), ("CMD", "3.50 V", "", ""),
    ]  # fmt: skip
    text = run("verify", T, "before.csv", "after.csv", "--format", "markdown").stdout
    table = [line for line in text.splitlines() if line.startswith("|")]
    assert len(table) == 5
    assert {line.count(" | ") for line in table[:2]} == {6}
    assert "**Every reading is back in its band (2 of 2).**" in text


def test_into_a_file(run: Run, files: Path) -> None:
    for name, begins in (
        ("v.json", "{"),
        ("v.csv", "\ufeffstep,"),
        ("v.md", "# tractor"),
        ("v.txt", "tractor-cab-fan: before"),
    ):
        done = run("verify", T, "before.csv", "after.csv", "-o", name)
        assert (done.exit_code, done.stdout) == (0, "")
        assert (files / name).read_text("utf-8").startswith(begins)


def test_a_printed_chart_of_a_good_circuit_is_in_its_bands(run: Run, files: Path) -> None:
    """What a faulty circuit would read, and what a good one: the whole round by files."""
    for name, faults in (("faulty.csv", ("--fault", "X4.A:corroded=300mohm")), ("good.csv", ())):
        (files / name).write_text(run("predict", T, *faults, "--format", "csv").stdout, "utf-8")
    assert run("verify", T, "faulty.csv", "good.csv").exit_code == 0
    assert run("verify", T, "good.csv", "faulty.csv").exit_code == 1


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["verify", T, "before.csv"], "AFTER is missing"),
        (["verify", T, "before.csv", "none.csv"], "none.csv: can't be read: No such file"),
        (["verify", T, ".", "after.csv"], ".: can't be read"),
        (["verify", "tractor-cab-fn", "before.csv", "after.csv"], "did you mean 'tractor-cab-fan'?"),
        (["verify", T, "-", "-"], "AFTER: only one of BEFORE and AFTER can come from standard input"),
        (
            ["verify", T, "before.csv", "wrong.csv"],
            "wrong.csv:2: red: unknown probe point of tractor-cab-fan 'MOTT'; did you mean",
        ),
        (["verify", T, "before.csv", "after.csv", "--meter", "precice"], "did you mean 'precise'?"),
        (["verify", T, "before.csv", "after.csv", "--format", "xml"], "unknown --format value 'xml'"),
        (["verify", T, "before.csv", "after.csv", "-o", "before.csv"], "before.csv: --output: is a file of readings"),
        (["verify", T, "before.csv", "after.csv", "-o", "x.pdf"], "x.pdf"),
        (["verify", T, "before.csv", "after.csv", "--set", "nominal=24V"], "has no option 'nominal'"),
    ],
)
def test_bad_input_is_one_line(run: Run, files: Path, args: list[str], words: str) -> None:
    (files / "wrong.csv").write_text("step,red,reading\n4,MOTT,1 V\n", "utf-8")
    kept = (files / "before.csv").read_bytes()
    done = run(*args)
    assert (done.exit_code, done.stdout) == (2, "")
    assert words in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert (files / "before.csv").read_bytes() == kept


def test_the_help_tells_the_exit_codes(run: Run) -> None:
    text = " ".join(run("verify", "--help").stdout.split())
    assert "1 when something is left over" in text
    assert "0 nothing is left over, 1 something is left over or nothing could be judged" in text
    assert "What was not repeated is named" in text


def test_what_was_not_repeated_is_named_and_is_not_left_over(run: Run, files: Path) -> None:
    """What was wrong and was not read again is not proved, which is said; only what is there still leaves with 1."""
    (files / "part.csv").write_text(HEAD + "4,MOT-,GND,,0.25 V\n", "utf-8")
    done = run("verify", T, "before.csv", "part.csv")
    told = " ".join(done.stdout.split())
    assert done.exit_code == 0
    assert "Not repeated, though outside before: MOT+ : GND at step 4; read there too, or nothing is proved there." in told
    assert "Not repeated, though nothing was wrong there before: CMD : GND at step 3." in told
    found = json.loads(run("verify", T, "before.csv", "part.csv", "--format", "json").stdout)
    assert (found["passed"], found["left_over"]) == (False, False)
    (files / "none.csv").write_text(HEAD, "utf-8")
    assert run("verify", T, "before.csv", "none.csv").exit_code == 1


def test_a_fuse_that_carries_too_much_after_a_repair_is_a_caution(run: Run, files: Path) -> None:
    (files / "much.csv").write_text(HEAD + "4,,,M1,31.0 A\n", "utf-8")
    done = run("verify", T, "before.csv", "much.csv", "--width", "200")
    assert "- 31 A on F7 (30 A) at step 4: more than its rating. Find out why; never fit a bigger fuse.\n" in done.stdout


def test_swapped_leads_are_thought_of(run: Run, files: Path) -> None:
    """A good reading with its sign changed is out, and named as what it may be; so is a clamp the wrong way round."""
    rows = "4,MOT+,GND,,-12.02 V\n4,MOT-,GND,,0.25 V\n4,,,M1,-18.0 A\n"
    (files / "turned.csv").write_text(HEAD + rows, "utf-8")
    done = run("verify", T, "before.csv", "turned.csv", "--width", "200")
    assert done.exit_code == 1
    assert "; leads swapped? +12.02 V would fit" in done.stdout
    verdict = (
        "Measure again first: MOT+ : GND at step 4 (leads swapped? +12.02 V would fit); clamp on M1 at step 4 (clamp the other"
    )
    assert verdict in done.stdout
    (files / "low.csv").write_text(HEAD + "4,MOT+,GND,,-9.0 V\n", "utf-8")
    assert "swapped" not in run("verify", T, "before.csv", "low.csv").stdout
