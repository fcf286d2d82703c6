"""Where the output goes: files written whole or not at all, terminals, closed pipes, encodings that lack signs."""

from __future__ import annotations

import errno
import io
import json
import os
import re
import stat
import struct
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from circuitsim.cli.diagnose import diagnose_command
from circuitsim.cli.output import put, working, write_file
from circuitsim.errors import InputError, UnknownNameError

Run = Callable[..., Result]
Process = Callable[..., subprocess.CompletedProcess[bytes]]

T = "tractor-cab-fan"
SHORT = (T, "--probe", "MOT-:GND", "--step", "4")


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


# Files ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "more", "beginning"),
    [
        ("chart.csv", (), b"\xef\xbb\xbf# circuit: tractor-cab-fan\n"),  # the mark by which spreadsheets know UTF-8
        ("chart.json", (), b'{\n "circuit": "tractor-cab-fan"'),
        ("chart.MD", (), b"# Cab fan"),
        ("chart.txt", (), b"Cab fan"),
        ("chart", (), b"Cab fan"),
        ("chart.csv", ("--format", "json"), b"{"),
        ("Meßwerte 1.csv", (), b"\xef\xbb\xbf#"),
        ("-o.csv", (), b"\xef\xbb\xbf#"),
    ],
)
def test_the_ending_of_the_file_tells_the_format(
    name: str, more: tuple[str, ...], beginning: bytes, run: Run, tmp_path: Path
) -> None:
    result = run("predict", *SHORT, "--output", name, *more)
    assert (result.exit_code, result.output) == (0, "")
    assert (tmp_path / name).read_bytes().startswith(beginning)
    assert names(tmp_path) == [name], "nothing else is left there"


def test_nothing_is_printed_or_written_when_there_is_nothing_to_draw(run: Run, tmp_path: Path) -> None:
    result = run("predict", *SHORT, "--picture", "chart.png", "-o", "chart.csv")
    assert (result.exit_code, result.stdout, names(tmp_path)) == (2, "", [])


def test_a_dash_is_the_screen(run: Run, tmp_path: Path) -> None:
    assert run("predict", *SHORT, "-o", "-").stdout == run("predict", *SHORT).stdout
    assert names(tmp_path) == []


def test_a_file_and_the_screen_get_the_same_text(run: Run, tmp_path: Path) -> None:
    for form in ("table", "json", "markdown", "csv"):
        assert run("predict", *SHORT, "--format", form, "-o", "chart").exit_code == 0
        shown = run("predict", *SHORT, "--format", form).stdout
        assert (tmp_path / "chart").read_text(encoding="utf-8-sig") == shown


def test_a_file_is_replaced_and_keeps_its_permissions(tmp_path: Path) -> None:
    file = tmp_path / "chart.csv"
    file.write_text("old", encoding="utf-8")
    file.chmod(0o640)
    write_file(str(file), b"new")
    assert (file.read_bytes(), stat.S_IMODE(file.stat().st_mode)) == (b"new", 0o640)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no umask")
def test_a_new_file_has_the_permissions_of_any_new_file(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_file(str(tmp_path / "chart.csv"), b"new")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "chart.csv").stat().st_mode) == 0o640


@pytest.mark.skipif(os.name == "nt", reason="a link needs rights there that few accounts have")
def test_a_link_keeps_pointing_at_its_file(tmp_path: Path) -> None:
    (tmp_path / "real.csv").write_text("old", encoding="utf-8")
    (tmp_path / "link.csv").symlink_to("real.csv")
    write_file(str(tmp_path / "link.csv"), b"new")
    assert (tmp_path / "link.csv").is_symlink()
    assert (tmp_path / "real.csv").read_bytes() == b"new"


@pytest.mark.parametrize("failing", ["os.fsync", "pathlib.Path.replace"])
def test_a_failure_midway_leaves_the_old_file_and_no_part(
    failing: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "chart.csv").write_text("old", encoding="utf-8")

    def fail(*_args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(failing, fail)
    with pytest.raises(InputError, match=r"chart\.csv: --output: can't be written: No space left on device"):
        write_file(str(tmp_path / "chart.csv"), b"new")
    assert names(tmp_path) == ["chart.csv"]
    assert (tmp_path / "chart.csv").read_text(encoding="utf-8") == "old"


def test_an_interrupt_midway_leaves_no_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(*_args: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("os.fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_file(str(tmp_path / "chart.csv"), b"new")
    assert names(tmp_path) == []


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_or_file_that_is_write_protected(run: Run, tmp_path: Path) -> None:
    (tmp_path / "locked").mkdir(mode=0o500)
    (tmp_path / "locked.csv").write_text("old", encoding="utf-8")
    (tmp_path / "locked.csv").chmod(0o400)
    for name in ("locked/chart.csv", "locked.csv"):
        result = run("predict", *SHORT, "--output", name)
        assert (result.exit_code, result.stderr.count("\n")) == (2, 1)
        assert f"{name}: --output: can't be written" in result.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_device_is_written_to_and_not_replaced(run: Run) -> None:
    assert run("predict", *SHORT, "--output", os.devnull).exit_code == 0
    assert not Path(os.devnull).is_file()
    result = run("predict", *SHORT, "--output", "/dev/full")
    assert result.exit_code == 2
    assert result.stderr == "circuitsim: /dev/full: --output: can't be written: No space left on device\n"


# Pipes and encodings -------------------------------------------------------------------------------------------------


@pytest.mark.skipif(os.name == "nt", reason="a POSIX shell is needed")
def test_a_reader_that_leaves_early_is_no_error(command: str, tmp_path: Path) -> None:
    # True reads nothing and leaves at once; the command finds the pipe closed when it writes, some seconds later.
    script = f"{command} show {T} | true; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=False, cwd=tmp_path)
    assert (done.stdout, done.stderr) == ("141\n", "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_full_disk_behind_standard_output(process: Process) -> None:
    with Path("/dev/full").open("wb") as full:
        done = process("show", T, stdout=full)
    assert done.returncode == 2
    assert done.stderr == b"circuitsim: standard output can't be written: No space left on device\n"


@pytest.mark.skipif(os.name == "nt", reason="a POSIX shell is needed")
def test_standard_output_that_is_closed(command: str, tmp_path: Path) -> None:
    script = f"{command} list >&-"
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=False, cwd=tmp_path)
    assert (done.returncode, done.stderr) == (2, "circuitsim: standard output is closed\n")


def test_signs_that_the_encoding_lacks_are_spelled_out(process: Process) -> None:
    plain = {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    done = process("predict", *SHORT, environment=plain)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"20 degC around" in done.stdout
    assert b"10 Mohm, +/-(0.5 % + 2 digits)" in done.stdout
    done = process("show", "Ω-fan", environment=plain)
    assert done.stderr.startswith(b"circuitsim: unknown circuit 'ohm-fan'")


def test_json_stays_exact_in_any_encoding(process: Process) -> None:
    args = ("show", T, "--format", "json")
    plain = process(*args, environment={"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})
    assert plain.returncode == 0
    assert json.loads(plain.stdout.decode("ascii")) == json.loads(process(*args).stdout.decode("utf-8"))


def test_every_sign_of_the_tables_has_a_spelling(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    from circuitsim.cli.output import _ASCII

    signs = {c for c in run("predict", T).stdout + run("show", T).stdout if not c.isascii()}
    assert signs - set(_ASCII) == set()
    put("µ\n")
    assert capsys.readouterr().out == "µ\n"


# Terminals -----------------------------------------------------------------------------------------------------------

STYLE = re.compile(r"\x1b\[([0-9;]*)m")
COLOURS = {str(n) for n in (*range(30, 39), *range(40, 49), *range(90, 98), *range(100, 108))}


@pytest.fixture
def on_terminal(command: str) -> Callable[..., str]:
    """Run the installed command on a terminal of so many columns; gives what it wrote there."""
    pty, termios = pytest.importorskip("pty"), pytest.importorskip("termios")
    import fcntl

    def run_there(columns: int, *args: str, shell: str = "", code: int = 0, **environment: str) -> str:
        master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        unset = ("NO_COLOR", "COLUMNS", "FORCE_COLOR", "TTY_COMPATIBLE")
        base = {key: value for key, value in os.environ.items() if key not in unset}
        env = {**base, "TERM": "xterm-256color", "PYTHONUTF8": "1", **environment}
        started_as = ["bash", "-c", shell.replace("circuitsim", command)] if shell else [command, *args]
        with subprocess.Popen(started_as, stdin=slave, stdout=slave, stderr=slave, env=env) as started:
            os.close(slave)
            found = b"".join(iter(lambda: read_terminal(master), b""))
            os.close(master)
        assert started.returncode == code, found
        return found.decode().replace("\r\n", "\n")

    return run_there


def read_terminal(master: int) -> bytes:
    try:
        return os.read(master, 65536)
    except OSError as error:
        if error.errno != errno.EIO:  # how Linux tells that the other side of a terminal has gone
            raise
        return b""


@pytest.mark.parametrize("columns", [40, 80, 120])
def test_a_table_fits_the_terminal(columns: int, on_terminal: Callable[..., str]) -> None:
    text = on_terminal(columns, "predict", T)
    assert STYLE.search(text)
    lines = STYLE.sub("", text).splitlines()
    assert columns - 8 <= max(map(len, lines)) <= columns


def test_a_pipe_gets_the_width_of_the_terminal_that_it_is_seen_on(on_terminal: Callable[..., str], tmp_path: Path) -> None:
    shown = on_terminal(70, shell=f"circuitsim predict {T} | cat").splitlines()
    assert 62 <= max(map(len, shown)) <= 70
    assert not STYLE.search("".join(shown))
    file = tmp_path / "chart.txt"
    on_terminal(70, shell=f"circuitsim predict {T} > {file}")
    assert max(map(len, file.read_text(encoding="utf-8").splitlines())) > 100, "a file is laid out for no terminal"


def test_a_message_is_broken_between_words_on_a_terminal(on_terminal: Callable[..., str], run: Run) -> None:
    args = ("predict", T, "--probe", "MOTX:GND")
    lines = on_terminal(60, *args, code=2).splitlines()
    assert len(lines) > 2
    assert max(map(len, lines)) <= 60
    assert " ".join(line.strip() for line in lines) == run(*args).stderr.rstrip("\n")


def test_no_colour_where_it_is_not_wanted(on_terminal: Callable[..., str]) -> None:
    # https://no-color.org: NO_COLOR set to anything but nothing means no colours; bold and dim are none.
    def colours(text: str) -> set[str]:
        return {code for match in STYLE.findall(text) for code in match.split(";")} & COLOURS

    assert colours(on_terminal(80, "predict", *SHORT))
    assert not colours(on_terminal(80, "predict", *SHORT, NO_COLOR="1"))
    assert not STYLE.search(on_terminal(80, "predict", *SHORT, TERM="dumb"))


def test_names_in_brackets_are_no_markup(on_terminal: Callable[..., str], tmp_path: Path) -> None:
    from circuitsim.library.shelf import circuit_file

    text = circuit_file(T).read_text(encoding="utf-8")
    title = "fan [bold red]of[/bold red] [/x] :smile:"
    (tmp_path / "mine.toml").write_text(re.sub(r'(?m)^title = ".*"', f'title = "{title}"', text, count=1), encoding="utf-8")
    shown = on_terminal(120, "predict", str(tmp_path / "mine.toml"), "--probe", "MOT-:GND", "--step", "4")
    assert title[1:] in STYLE.sub("", shown)


def test_json_on_a_terminal_has_no_colours(on_terminal: Callable[..., str]) -> None:
    shown = on_terminal(80, "predict", *SHORT, "--format", "json")
    assert json.loads(shown)["circuit"] == T


def test_every_role_of_a_piece_of_text_has_a_style() -> None:
    from circuitsim.cli.output import _STYLES
    from circuitsim.report.typeset import ROLES

    assert set(_STYLES) == set(ROLES) - {""}


# While it works -------------------------------------------------------------------------------------------------------


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("stream", "wait", "said"), [(_Terminal, 0.2, True), (_Terminal, 0.0, False), (io.StringIO, 0.2, False)]
)
def test_what_takes_long_says_so_on_a_terminal_and_takes_it_back(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], stream: type[io.StringIO], wait: float, said: bool
) -> None:
    """On standard error alone, once; what is quick, or goes to a file, says nothing."""
    error = stream()
    monkeypatch.setattr("sys.stderr", error)
    monkeypatch.setattr("circuitsim.cli.output._PATIENCE", 0.05)
    with working():
        time.sleep(wait)
        before = error.getvalue()
    assert before == ("working ...\r" if said else "")
    assert error.getvalue() == (f"{before}{' ' * 11}\r" if said else "")
    assert capsys.readouterr().out == ""


def test_diagnose_says_that_it_works(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """With a full chart it takes many seconds; an error on the way takes the word back as well."""
    error = _Terminal()
    monkeypatch.setattr("sys.stderr", error)
    monkeypatch.setattr("circuitsim.cli.output._PATIENCE", 0.01)
    path = tmp_path / "r.csv"
    path.write_text("step,red,black,reading\n4,MOT+,GND,12.2 V\n", "utf-8")
    with pytest.raises(UnknownNameError):
        diagnose_command.main(["tractor-cab-fan", str(path), "--cannot", "X99"], standalone_mode=False)
    assert error.getvalue() == f"working ...\r{' ' * 11}\r"
