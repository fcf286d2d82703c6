"""Files that are no circuits: one clear line, at once, whatever is in them; and where circuits are found by name."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from circuitsim.errors import CircuitFileError, InputError, UnknownNameError
from circuitsim.library import circuit_names, load, part_names
from circuitsim.library.shelf import models_folder

NOISE = random.Random(20_240_501)
LETTERS = "abcdefgh=[]{}\"'.,#\n "

BYTES: dict[str, tuple[bytes, str]] = {
    "empty": (b"", "is empty"),
    "blank": (b" \n\t\n", "is empty"),
    "not UTF-8": (b'name = "x"\ntitle = "\xe4"\n', r"bad\.toml:2: is not UTF-8 text: byte 0xe4"),
    "UTF-16": ('name = "x"'.encode("utf-16"), r"bad\.toml:1: is not UTF-8 text"),
    "zero bytes": (b"\0" * 1000, r"bad\.toml:1: is no TOML"),
    "10 MB of noise": (NOISE.randbytes(10_000_000), "is larger than 500 kB"),
    "10 MB of text": (b"x = 1\n" * 1_700_000, "is larger than 500 kB"),
    "400 kB of noise": (NOISE.randbytes(400_000), "is not UTF-8 text"),
    "400 kB of letters": ("".join(NOISE.choices(LETTERS, k=400_000)).encode(), r"bad\.toml:\d+: "),
    "a long line": (b"x = '" + b"a" * 100_000 + b"'", r"bad\.toml:1: a line of 100006 characters"),
    "deep nesting": (b"a = " + b"[\n" * 100_000, r"bad\.toml:13: tables nested more than 12 deep"),
    "a huge number": (b"nominal = " + b"9" * 3900, r"bad\.toml:1: nominal: an integer of 12956 bits found"),
    "many keys": (b"".join(b"k%d.a.b.c.d.e.f.g.h.i.j = 1\n" % k for k in range(12_000)), "unknown key 'k0'"),
    "half a file": (b'name = "bench"\nsteps = ["off", "1', r"bad\.toml:2: is no TOML"),
    "another language": (b"<html>\n<body>\n", r"bad\.toml:1: is no TOML"),
}


@pytest.mark.parametrize(("content", "says"), BYTES.values(), ids=BYTES)
def test_a_file_that_is_no_circuit(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    start = time.perf_counter()
    with pytest.raises(InputError, match=says) as caught:
        load(path)
    message = str(caught.value)
    assert "\n" not in message
    assert message.isprintable()
    assert len(message) < 1500  # one line that a screen holds
    # A person waits for it: seconds, on any machine. The slowest takes a second on a slow one.
    assert time.perf_counter() - start < 20.0


def test_a_directory(tmp_path: Path) -> None:
    with pytest.raises(CircuitFileError, match="is a directory"):
        load(tmp_path)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(CircuitFileError, match=r"here\.toml: no such file"):
        load(str(tmp_path / "here.toml"))
    with pytest.raises(CircuitFileError, match="no such file"):
        load(tmp_path / "here.toml")


def test_a_missing_file_that_is_called_much_like_a_circuit() -> None:
    with pytest.raises(CircuitFileError, match="did you mean the circuit 'tractor-cab-fan'"):
        load("./tractor-cab-fam.toml")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(CircuitFileError, match="is no plain file"):
        load(tmp_path / "pipe.toml")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="everything is readable to this user")
def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = tmp_path / "closed.toml"
    path.write_text("x = 1")
    path.chmod(0)
    with pytest.raises(CircuitFileError, match="can't be read"):
        load(path)


@pytest.mark.parametrize("name", ["a\0.toml", "/" + "x" * 5000 + ".toml"], ids=["null character", "too long"])
def test_a_name_that_can_be_no_files(name: str) -> None:
    with pytest.raises(CircuitFileError):
        load(name)


def test_an_unknown_circuit_is_told_with_the_nearest_name() -> None:
    with pytest.raises(UnknownNameError, match="unknown circuit 'tracter-cab-fan'; did you mean 'tractor-cab-fan'"):
        load("tracter-cab-fan")


@pytest.mark.parametrize("name", ["", " ", "x" * 10_000, "tractor cab fan\n"])
def test_other_names_that_are_no_circuits(name: str) -> None:
    with pytest.raises(UnknownNameError):
        load(name)


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("mine", "unknown circuit 'mine'; did you mean './mine.toml'?"),
        ("mine.txt", "mine.txt: no such file, and a circuit file's name ends in .toml; did you mean './mine.toml'?"),
        ("note.txt", "note.txt: a circuit file's name ends in .toml; rename it, or write './note.txt'"),
        ("note", "note: a circuit file's name ends in .toml; rename it, or write './note'"),
        ("other.txt", "other.txt: no such file, and a circuit file's name ends in .toml"),
        ("tractor-cab-fan.tml", "ends in .toml; did you mean 'tractor-cab-fan'?"),
    ],
)
def test_a_file_name_with_no_ending_or_another(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, says: str) -> None:
    monkeypatch.chdir(tmp_path)
    for there in ("mine.toml", "note.txt", "note"):
        (tmp_path / there).write_text("x = 1\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load(name)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_circuit_is_given_by_place_only() -> None:
    with pytest.raises(TypeError, match="positional"):
        load(circuit="tractor-cab-fan")  # type: ignore[call-arg]


@pytest.mark.parametrize("name", [None, 5, b"tractor-cab-fan", ["tractor-cab-fan"]])
def test_what_is_no_name_at_all(name: object) -> None:
    with pytest.raises(InputError, match="a circuit is a name or a file"):
        load(name)  # type: ignore[arg-type]


def test_the_circuits_and_parts_are_found() -> None:
    assert {
        "coach-defroster-fan", "generic-linear", "generic-pack", "generic-pwm", "harvester-cooler-fan",
        "minibus-condenser-fan", "tractor-cab-fan",
    } <= set(circuit_names())  # fmt: skip
    assert list(circuit_names()) == sorted(circuit_names())
    assert {"pin-6.3", "vehicle-cable", "blade-fuse"} <= set(part_names())


def run(code: str, *, home: Path | None = None) -> str:
    """Run Python in a process of its own; with `home`, from there and with the package that stands there."""
    environment = {**os.environ, "PYTHONPATH": str(home)} if home else dict(os.environ)
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=home or Path.cwd(),
        env=environment,
    )
    return done.stdout.strip()


def test_an_installed_package_finds_the_copy_inside_it(tmp_path: Path) -> None:
    """As a wheel lays it out: the models inside the package, and an unrelated folder 'models' beside it."""
    import circuitsim

    package = Path(str(circuitsim.__file__)).parent
    site = tmp_path / "site-packages"
    shutil.copytree(package, site / "circuitsim", ignore=shutil.ignore_patterns("__pycache__", "models"))
    shutil.copytree(models_folder(), site / "circuitsim" / "models")
    (site / "models" / "circuits").mkdir(parents=True)
    code = "from circuitsim.library import load; from circuitsim.library.shelf import models_folder as m; "
    found = run(code + "print(m()); load('tractor-cab-fan')", home=site)
    assert Path(found) == (site / "circuitsim" / "models").resolve()


def test_a_checkout_finds_its_own_models_rather_than_a_copy_inside_the_package(tmp_path: Path) -> None:
    import circuitsim

    package = Path(str(circuitsim.__file__)).parent
    shutil.copytree(package, tmp_path / "circuitsim", ignore=shutil.ignore_patterns("__pycache__", "models"))
    (tmp_path / "pyproject.toml").write_text("")
    (tmp_path / "models" / "circuits").mkdir(parents=True)
    (tmp_path / "circuitsim" / "models" / "circuits").mkdir(parents=True)
    found = run("from circuitsim.library.shelf import models_folder as m; print(m())", home=tmp_path)
    assert Path(found) == (tmp_path / "models").resolve()


def test_missing_models_are_told(tmp_path: Path) -> None:
    import circuitsim

    package = Path(str(circuitsim.__file__)).parent
    shutil.copytree(package, tmp_path / "circuitsim", ignore=shutil.ignore_patterns("__pycache__", "models"))
    code = (
        "from circuitsim.library import circuit_names\nfrom circuitsim.errors import CircuitFileError\n"
        "try:\n    circuit_names()\nexcept CircuitFileError as error:\n    print(error)"
    )
    assert "models are missing from this installation" in run(code, home=tmp_path)


def test_listing_circuits_loads_nothing_heavy() -> None:
    code = (
        "import sys; import circuitsim.library as l; l.circuit_names(); "
        "print(sorted({'pydantic', 'sympy', 'scipy', 'networkx', 'matplotlib'} & set(sys.modules)))"
    )
    assert run(code) == "[]"


def test_loading_a_circuit_needs_no_algebra_and_no_plots() -> None:
    code = (
        "import sys; import circuitsim.library as l; l.load('tractor-cab-fan'); "
        "print(sorted({'sympy', 'scipy', 'matplotlib'} & set(sys.modules)))"
    )
    assert run(code) == "[]"
