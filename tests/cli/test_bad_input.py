"""Every bad input gives one clear line on standard error, nothing on standard output, and exit code 2."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Run = Callable[..., Result]
Process = Callable[..., subprocess.CompletedProcess[bytes]]

T = "tractor-cab-fan"
G = "generic-linear"

# arguments, words that the one line must have
BAD: list[tuple[list[str], list[str]]] = [
    (["prdict", T], ["unknown command 'prdict'", "did you mean 'predict'?"]),
    ([""], ["unknown command ''", "list"]),
    (["--hlp"], ["unknown option '--hlp'", "did you mean '--help'?"]),
    (["-5V"], ["unknown option"]),
    (["predict"], ["CIRCUIT is missing: a name out of 'circuitsim list', or a .toml file", "circuitsim predict --help"]),
    (["show"], ["CIRCUIT is missing", "circuitsim show --help"]),
    (["list", "extra"], ["'extra' is too much; list takes nothing besides options", "circuitsim list --help"]),
    (["predict", T, "tractor", "cab fan"], ["'tractor cab fan' is too much; predict takes CIRCUIT besides options"]),
    (["wiggle", T], ["--at needs a value, such as --at X4.A"]),
    (["--version=3"], ["--version takes no value"]),
    (["tolerance", T, "--samples", "many"], ["--samples: 'many' found; accepted: a whole number from 1 on"]),
    (["wiggle", T, "--at", "X4.A", "--trials", "5"], ["--trials: '5' found; accepted: a whole number from 10 to 20000"]),
    (["diagnose", T, "--sure", "3"], ["accepted: a number from 0.5 to 0.9999"]),
    (["list", "--format", "xml"], ["unknown --format value 'xml'", "table, json"]),
    (["show", T, "--format", "jsn"], ["did you mean 'json'?"]),
    (["show", T, "--width", "ten"], ["--width: 'ten' found; accepted: a whole number from 30 to 1000"]),
    (["show", T, "--width", "-40"], ["--width", "-40"]),
    # the circuit
    (["predict", "tractor-cab-fn"], ["unknown circuit 'tractor-cab-fn'", "did you mean 'tractor-cab-fan'?"]),
    (["show", "tractor"], ["did you mean 'tractor-cab-fan'?"]),
    (["show", ""], ["unknown circuit ''"]),
    (["show", "  "], ["unknown circuit"]),
    (["show", "no/such.toml"], ["no/such.toml"]),
    (["show", "."], ["'.'"]),
    (["show", "./"], ["directory"]),
    (["show", "電圧\n\x1b[2J"], ["電圧\\n\\x1b[2J"]),
    (["show", "a" * 100_000], ["aaa…"]),
    (["show", "nul\0.toml"], ["nul\\x00.toml"]),
    # conditions
    (["predict", T, "--suply", "12.3V"], ["unknown option '--suply'", "did you mean '--supply'?"]),
    (["predict", T, "--supply"], ["--supply needs a value, such as --supply 12.3V"]),
    (["predict", T, "--supply", "12.3"], ["--supply:", "'12.3' has no unit"]),
    (["predict", T, "--supply", "12.3 A"], ["--supply:", "current", "voltage"]),
    (["predict", T, "--supply", "12,3V"], ["--supply:", "comma"]),
    (["predict", T, "--supply", ""], ["--supply:", "''"]),
    (["predict", T, "--supply", "-3V"], ["--supply: -3 V is out of range"]),
    (["predict", T, "--supply", "--engine"], ["--supply", "'--engine'"]),
    (["predict", T, "--supply-at", "4"], ["--supply-at", "needs --supply"]),
    (["predict", T, "--supply", "12V", "--supply-at", "9"], ["unknown step", "'9'"]),
    (["predict", T, "--ambient", "20"], ["--ambient:", "no unit"]),
    (["predict", T, "--ambient", "-300degC"], ["--ambient:", "absolute zero"]),
    (["predict", T, "--ambient", "300degC"], ["out of range", "-55 °C to 125 °C"]),
    (["predict", T, "--engine", "runing"], ["unknown --engine value 'runing'", "did you mean 'running'?"]),
    (["predict", T, "--engine", ""], ["unknown --engine value ''"]),
    (["predict", T, "--ignition", "of"], ["did you mean 'off'?"]),
    (["predict", T, "--since", "hot"], ["--since: unknown time on", "cold, warm, a time such as 10s or 2min, up to 100 h"]),
    (["predict", T, "--since", "1000h"], ["--since: '1000h' is out of range; accepted: cold, warm, or", "1 ms to 100 h"]),
    (["predict", T, "--unplug", "X44"], ["'X44'", "did you mean 'X4'?"]),
    (["predict", T, "--unplug", "X2"], ["'X2'", "can be unplugged"]),
    (["predict", T, "--unplug", ""], ["''"]),
    (["predict", T, "--fit", "jumper"], ["KIND:A:B"]),
    (["predict", T, "--fit", "fuse:MOT-:GND"], ["'fuse'", "jumper, lamp"]),
    (["predict", T, "--fit", "lamp:MOT-:GDN"], ["'GDN'", "did you mean 'GND'?"]),
    # what is read
    (["predict", T, "--step", "5"], ["unknown step of tractor-cab-fan '5'", "off, 1, 2, 3, 4"]),
    (["predict", T, "--step", "-1"], ["'-1'"]),
    (["predict", T, "--step", ""], ["''"]),
    (["predict", T, "--probe", "MOT-"], ["RED:BLACK"]),
    (["predict", T, "--probe", ""], ["RED:BLACK"]),
    (["predict", T, "--probe", ":"], ["RED:BLACK"]),
    (["predict", T, "--probe", "a:b:c"], ["RED:BLACK"]),
    (["predict", T, "--probe", "MOT-:MOT-"], ["--probe: 'MOT-:MOT-' has both leads on one point; accepted: two points"]),
    (["predict", T, "--probe", "mot-:MOT-"], ["both leads on one point"]),
    (["wiggle", T, "--at", "X4.A", "--probe", "GND:GND"], ["--probe: 'GND:GND' has both leads on one point"]),
    (["tolerance", T, "--probe", "GND:GND"], ["--probe: 'GND:GND' has both leads on one point"]),
    (["waveform", "minibus-condenser-fan", "--probe", "GND:GND"], ["both leads on one point"]),
    (["predict", T, "--fit", "jumper:MOT-:MOT-"], ["--fit: jumper:MOT-:MOT-: both ends are on one point"]),
    (["predict", T, "--probe", "CMDD:GND"], ["'CMDD'", "did you mean 'CMD'?"]),
    (["predict", T, "--probe", "FAN:GND"], ["'FAN'"]),
    (["predict", T, "--probe", "at:M11"], ["'M11'", "did you mean 'M1'?"]),
    (["predict", T, "--probe", "at:"], ["RED:BLACK"]),
    (["predict", T, "--probe", "MOT-:GND", "--instrument", "clamp"], ["accepted: voltmeter, ohmmeter, lamp"]),
    (["predict", T, "--probe", "AT:M1", "--instrument", "lamp"], ["--instrument", "at: is a clamp", "RED:BLACK"]),
    (["predict", T, "--rows", "mottor low side"], ["did you mean 'motor low side'? others: 'battery at rest"]),
    (["predict", T, "--instrument", "lamp"], ["--instrument", "needs --probe"]),
    (["predict", T, "--probe", "MOT-:GND", "--instrument", "lmp"], ["unknown --instrument value 'lmp'", "mean 'lamp'?"]),
    (["predict", T, "--meter", "standrd"], ["unknown meter 'standrd'", "did you mean 'standard'?"]),
    (["predict", T, "--probe", "MOT-:GND", "--rows", "xyz"], ["--rows: no row has 'xyz'", "MOT- : GND"]),
    (["predict", T, "--probe", "MOT-:GND", "--rows", ""], ["--rows: no row has ''"]),
    # options of generic circuits
    (["predict", T, "--nominal", "24V"], ["'tractor-cab-fan' has no option 'nominal'", "generic"]),
    (["show", T, "--set", "steps=3"], ["'tractor-cab-fan' has no option 'steps'", "generic"]),
    (["predict", G, "--nominal", "24"], ["'24' has no unit"]),
    (["predict", G, "--nominal", "5000V"], ["nominal", "out of range"]),
    (["predict", G, "--fuse", "20V"], ["voltage", "current"]),
    (["predict", G, "--steps", "0"], ["steps", "'0'", "1 to 9"]),
    (["predict", G, "--steps", "three"], ["steps", "'three'"]),
    (["predict", G, "--steps", "-3"], ["steps", "'-3'"]),
    (["predict", G, "--set", "nominal"], ["--set", "OPTION=VALUE"]),
    (["predict", G, "--set", "=24V"], ["--set", "OPTION=VALUE"]),
    (["predict", G, "--set", "nominal="], ["--set", "OPTION=VALUE"]),
    (["predict", G, "--set", ""], ["--set", "OPTION=VALUE"]),
    (["predict", G, "--set", "nominl=24V"], ["'nominl'", "did you mean 'nominal'?"]),
    (["predict", G, "--set", "circuit=x"], ["'circuit'"]),
    (["predict", G, "--set", "fuse=20A", "--set", "fuse=30A"], ["--set", "'fuse' is given twice"]),
    (["predict", G, "--set", "fuse=20A", "--fuse", "30A"], ["--fuse and --set fuse"]),
    # where it goes
    (["predict", T, "--format", "xml"], ["unknown --format value 'xml'"]),
    (["predict", T, "--output", ""], ["--output", "name of a file"]),
    (["predict", T, "--output", "c.xlsx"], ["c.xlsx: --output", ".csv, .json, .md, .txt or no ending"]),
    (["predict", T, "--output", "c.PDF", "--format", "csv"], ["no chart is written as .pdf", "--picture"]),
    (["predict", T, "--output", "new.toml"], ["no chart is written as .toml"]),
    (["predict", T, "--picture", "new.toml"], ["--picture", ".png, .svg, .pdf"]),
    (["predict", T, "--step", "2", "--picture", "c.png"], ["--picture", "no reading over several steps"]),
    (["predict", T, "--output", "."], ["--output", "directory"]),
    (["predict", T, "--output", "no/such/chart.csv"], ["no/such/chart.csv", "no such folder"]),
    (["predict", T, "--output", "nul\0"], ["--output"]),
]  # fmt: skip


@pytest.mark.parametrize(("args", "words"), BAD, ids=[" ".join(a)[:50].encode("unicode_escape").decode() for a, _ in BAD])
def test_one_clear_line(args: list[str], words: list[str], run: Run) -> None:
    result = run(*args)
    assert result.exit_code == 2
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    assert line.startswith("circuitsim: ")
    assert line.isprintable()
    assert len(line) < 1000
    for word in words:
        assert word in line


# Files that are no circuit; what is wrong inside a circuit file is the library's to test.
FILES: dict[str, tuple[bytes, list[str]]] = {
    "empty": (b"", ["empty"]),
    "not UTF-8": ('name = "Lüfter"'.encode("latin-1"), ["UTF-8", ":1:"]),
    "not TOML": (b"name = \n", [":1:"]),
    "a key that is not known": (b'nme = "x"\n', [":1:", "nme"]),
    "10 MB of noise": (bytes(range(256)) * 40_000, ["mine.toml"]),
    "nested without end": (b"a = " + b"[" * 100_000, ["mine.toml"]),
}


@pytest.mark.parametrize(("content", "words"), FILES.values(), ids=FILES)
def test_a_file_that_is_no_circuit(content: bytes, words: list[str], run: Run, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_bytes(content)
    for name in ("show", "predict"):
        result = run(name, "mine.toml")
        assert result.exit_code == 2
        assert result.stdout == ""
        (line,) = result.stderr.splitlines()
        assert line.startswith("circuitsim: mine.toml")
        for word in words:
            assert word in line


@pytest.mark.parametrize(
    ("args", "beginning"),
    [
        (("--supply", "-3V"), "--supply: -3 V is out of range"),
        (("--ambient", "300degC"), "--ambient: 300 °C is out of range"),
        (("--probe", "MOT-"), "--probe: 'MOT-' is not"),
        (("--fit", "lamp"), "--fit: 'lamp' is not"),
    ],
)
def test_an_option_is_named_as_it_is_typed_and_once(args: tuple[str, ...], beginning: str, run: Run) -> None:
    assert run("predict", T, *args).stderr.startswith(f"circuitsim: {beginning}")


def test_a_row_that_is_not_there_lists_a_few_and_no_page_of_them(run: Run) -> None:
    for command in ("predict", "tolerance"):
        line = run(command, T, "--rows", "zzz").stderr
        assert line.startswith("circuitsim: --rows: no row has 'zzz' in its label or leads; labels: 'battery at rest")
        assert "more" in line.split(", …")[1]
        assert len(line) < 300


def test_an_option_of_a_generic_circuit_is_named_as_it_is_typed(run: Run) -> None:
    assert run("predict", G, "--fuse", "20V").stderr.startswith("circuitsim: --fuse: ")


def test_a_list_too_long_for_a_message_says_where_it_is_whole(run: Run) -> None:
    result = run("predict", T, "--probe", "ZZZ:GND")
    assert result.stderr.endswith(f" more; see 'circuitsim show {T}'\n")
    assert "circuitsim show" not in run("predict", T, "--step", "9").stderr, "five steps are listed whole"


def test_the_circuit_s_own_file_is_never_written_to(run: Run, tmp_path: Path) -> None:
    from circuitsim.library.shelf import circuit_file

    text = circuit_file(T).read_bytes()
    folder = tmp_path / "fans"
    folder.mkdir()
    (folder / "mine.png").write_bytes(text)  # with a separator in it, any name may be a circuit's
    (tmp_path / "link").symlink_to("fans/mine.png")
    (tmp_path / "mine.toml").write_bytes(text)
    for circuit, option, target in (
        ("mine.toml", "-o", "mine.toml"), ("fans/mine.png", "--picture", "fans/mine.png"), ("fans/mine.png", "-o", "link"),
    ):  # fmt: skip
        result = run("predict", circuit, option, target)
        assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (2, "", 1)
        assert "circuit's own file" in result.stderr or "no chart is written as .toml" in result.stderr
        assert (tmp_path / circuit).read_bytes() == text


def test_as_a_user_types_it(process: Process) -> None:
    done = process("predict", "tractor-cab-fn")
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.startswith(b"circuitsim: unknown circuit 'tractor-cab-fn'; did you mean 'tractor-cab-fan'?")
    assert done.stderr.count(b"\n") == 1


def test_arguments_that_are_no_text(process: Process) -> None:
    for args in (("show", b"\xff\xfe"), (b"pre\xffdict",), ("predict", "tractor-cab-fan", "--step", b"\xff")):
        done = process(*args)
        assert done.returncode == 2
        assert done.stderr.count(b"\n") == 1
        assert b"\\udcff" in done.stderr
