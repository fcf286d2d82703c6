"""The cache on disk: never needed, never trusted beyond its checksum and owner, never in the way."""

from __future__ import annotations

import json
import marshal
import os
import shutil
import stat
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_circuits import BENCH_FAN

import circuitsim as cs
from circuitsim import cache
from circuitsim.elements.base import Domain, element_kinds
from circuitsim.elements.contacts import PartingPin
from circuitsim.elements.loads import ProbeLamp
from circuitsim.engine.kernels import kernels_of
from circuitsim.engine.statement import statement_of
from circuitsim.library import Circuit, circuit_names
from circuitsim.library.loading import _read
from circuitsim.library.plain import circuit_of_text, parts_of_text, text_of_circuit, text_of_parts
from circuitsim.library.shelf import circuit_file

ROOT = Path(__file__).resolve().parents[1]
posix_only = pytest.mark.skipif(not hasattr(os, "getuid"), reason="the system has no owners of this kind")
not_root = pytest.mark.skipif(hasattr(os, "getuid") and os.getuid() == 0, reason="root may write anywhere")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give an empty cache of the test's own."""
    own = tmp_path / "cache"
    monkeypatch.setenv("CIRCUITSIM_CACHE", str(own))
    cache._opened.cache_clear()
    return own


class Maker:
    """Makes a text and counts how often it was asked to."""

    def __init__(self, text: str = "x = 1\n") -> None:
        self.text, self.calls = text, 0

    def __call__(self) -> str:
        self.calls += 1
        return self.text


def entries(folder: Path) -> list[Path]:
    return sorted(folder.iterdir())


# What it gives ----------------------------------------------------------------------------------------------


def test_a_text_is_made_once(folder: Path) -> None:
    make = Maker("äöü\nΩ\n")
    assert [cache.fetch("law", ("a", b"b"), make) for _ in range(3)] == ["äöü\nΩ\n"] * 3
    assert make.calls == 1
    assert [p.suffix for p in entries(folder)] == [".txt"]


def test_parts_of_a_key_do_not_run_together(folder: Path) -> None:
    texts = {key: cache.fetch("law", key, Maker(repr(key))) for key in (("ab", "c"), ("a", "bc"), ("abc",), ("abc", ""), ())}
    assert texts == {key: repr(key) for key in texts}
    assert cache.fetch("other", ("abc",), Maker("another kind")) == "another kind"


def test_code_runs_and_its_source_stays_readable(folder: Path) -> None:
    make = Maker("def f():\n    return 42\n")
    for _ in range(2):
        scope: dict[str, Any] = {}
        exec(cache.fetch_code("law", ("f",), make), scope)
        assert scope["f"]() == 42
    assert make.calls == 1
    source, code = sorted(entries(folder), key=lambda path: path.suffix, reverse=True)
    assert (source.suffix, code.suffix) == (".py", ".code")
    head, text = source.read_text(encoding="utf-8").split("\n", maxsplit=1)
    assert head.startswith("# circuitsim-cache")
    assert text == make.text


def test_code_of_another_interpreter_is_compiled_anew(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make = Maker()
    cache.fetch_code("law", ("f",), make)
    monkeypatch.setattr(cache, "_INTERPRETER", ("other", "1", "little"))
    cache.fetch_code("law", ("f",), make)
    assert make.calls == 1  # the source serves both
    assert sum(p.suffix == ".code" for p in entries(folder)) == 2


def test_an_error_in_the_making_is_the_caller_s(folder: Path) -> None:
    def fail() -> str:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        cache.fetch("law", ("a",), fail)
    assert not entries(folder)


# What is not trusted ----------------------------------------------------------------------------------------


def _truncate(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-5])


def _flip(path: Path) -> None:
    raw = bytearray(path.read_bytes())
    raw[-2] ^= 1
    path.write_bytes(bytes(raw))


def _cut_head(path: Path) -> None:
    path.write_bytes(path.read_bytes().split(b"\n", maxsplit=1)[1])


def _other_format(path: Path) -> None:
    path.write_bytes(path.read_bytes().replace(b"circuitsim-cache-", b"circuitsim-cache-9", 1))


DAMAGES: dict[str, Callable[[Path], object]] = {
    "truncated": _truncate,
    "one bit": _flip,
    "empty": lambda path: path.write_bytes(b""),
    "no head": _cut_head,
    "other format": _other_format,
    "binary rubbish": lambda path: path.write_bytes(bytes(range(256)) * 20),
    "no checksum of ours": lambda path: path.write_bytes(b"# circuitsim-cache-1 0 0\nimport os\n"),
    "a folder": lambda path: (path.unlink(), path.mkdir()),
}


@pytest.mark.parametrize("damage", DAMAGES.values(), ids=DAMAGES)
def test_a_damaged_entry_is_made_anew(folder: Path, damage: Callable[[Path], object]) -> None:
    make = Maker("def f():\n    return 42\n")
    cache.fetch_code("law", ("f",), make)
    for path in entries(folder):
        damage(path)
    scope: dict[str, Any] = {}
    exec(cache.fetch_code("law", ("f",), make), scope)
    assert scope["f"]() == 42
    assert make.calls == 2


@pytest.mark.parametrize("damage", [d for name, d in DAMAGES.items() if name != "a folder"])
def test_what_was_damaged_is_written_over(folder: Path, damage: Callable[[Path], object]) -> None:
    make = Maker()
    cache.fetch("law", ("f",), make)
    damage(entries(folder)[0])
    assert [cache.fetch("law", ("f",), make) for _ in range(2)] == [make.text] * 2
    assert make.calls == 2


def test_an_entry_under_another_name_is_not_taken(folder: Path) -> None:
    cache.fetch("law", ("a",), Maker("a"))
    cache.fetch("law", ("b",), Maker("b"))
    first, second = entries(folder)
    content = first.read_bytes()
    first.write_bytes(second.read_bytes())
    second.write_bytes(content)
    assert cache.fetch("law", ("a",), Maker("made anew")) == "made anew"


def test_marshalled_data_that_is_no_code_is_not_run(folder: Path) -> None:
    cache.fetch_code("law", ("f",), Maker())
    (path,) = (p for p in entries(folder) if p.suffix == ".code")
    digest = path.read_bytes().split()[2].decode()
    found = cache.store()
    assert found is not None
    for content in (marshal.dumps({"not": "code"}), b"", b"\xff\xff", b"r"):
        found.write(path.name, digest, content)
        assert cache.fetch_code("law", ("f",), Maker()).co_names == ("x",)


@posix_only
@pytest.mark.parametrize("mode", [0o770, 0o707, 0o777, 0o1777])
def test_a_folder_that_others_may_write_to_is_not_used(folder: Path, mode: int) -> None:
    folder.mkdir()
    folder.chmod(mode)
    make = Maker()
    assert [cache.fetch("law", ("a",), make) for _ in range(2)] == [make.text] * 2
    assert make.calls == 2
    assert not entries(folder)


@posix_only
def test_an_entry_that_others_may_write_to_is_not_used(folder: Path) -> None:
    make = Maker()
    cache.fetch("law", ("a",), make)
    entries(folder)[0].chmod(0o666)
    cache.fetch("law", ("a",), make)
    assert make.calls == 2
    assert stat.S_IMODE(entries(folder)[0].stat().st_mode) == 0o600


@posix_only
def test_another_user_s_folder_and_entries_are_not_used(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make = Maker()
    cache.fetch("law", ("a",), make)
    owner = os.getuid()
    monkeypatch.setattr(os, "getuid", lambda: owner + 1)
    cache.fetch("law", ("a",), make)  # the folder was found good before; its entry is not
    assert make.calls == 2
    cache._opened.cache_clear()
    assert cache.store() is None


@posix_only
def test_a_link_in_place_of_folder_or_entry_is_not_followed(folder: Path, tmp_path: Path) -> None:
    make = Maker()
    cache.fetch("law", ("a",), make)
    elsewhere = tmp_path / "elsewhere"
    entries(folder)[0].rename(elsewhere)
    next_name = folder / entries_name(folder, "a")
    next_name.symlink_to(elsewhere)
    cache.fetch("law", ("a",), make)
    assert make.calls == 2
    folder.rename(tmp_path / "moved")
    folder.symlink_to(tmp_path / "moved")
    cache._opened.cache_clear()
    assert cache.store() is None


def entries_name(folder: Path, part: str) -> str:
    """Name of the entry with a key of one part."""
    return f"law-{cache._digest('law', (part,))[:32]}.txt"


# Where it lies ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("word", ["off", "OFF", " off "])
def test_it_can_be_turned_off(folder: Path, word: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CIRCUITSIM_CACHE", word)
    make = Maker()
    assert [cache.fetch("law", ("a",), make) for _ in range(2)] == [make.text] * 2
    assert make.calls == 2
    assert not folder.exists()


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="the platform has folders of its own")
def test_the_usual_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CIRCUITSIM_CACHE")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    assert cache._place() == str(tmp_path / "xdg" / "circuitsim")
    # "All paths must be absolute. If … a relative path … consider the path invalid and ignore it": XDG Base Directory.
    monkeypatch.setenv("XDG_CACHE_HOME", "xdg")
    assert cache._place() == str(tmp_path / "home" / ".cache" / "circuitsim")
    monkeypatch.delenv("XDG_CACHE_HOME")
    assert cache._place() == str(tmp_path / "home" / ".cache" / "circuitsim")


def test_without_a_home_it_works_without_a_cache(monkeypatch: pytest.MonkeyPatch) -> None:
    def homeless() -> Path:
        raise RuntimeError("could not determine home directory")

    for name in ("CIRCUITSIM_CACHE", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(Path, "home", homeless)
    assert cache.store() is None
    assert cache.fetch("law", ("a",), Maker("made")) == "made"


def test_a_file_in_place_of_the_folder(folder: Path) -> None:
    folder.write_text("no folder", encoding="utf-8")
    assert cache.fetch("law", ("a",), Maker("made")) == "made"
    assert folder.read_text(encoding="utf-8") == "no folder"


@posix_only
@not_root
def test_a_write_protected_folder_is_read_and_no_more(folder: Path) -> None:
    kept, other = Maker("kept"), Maker("other")
    cache.fetch("law", ("a",), kept)
    folder.chmod(0o500)
    try:
        assert cache.fetch("law", ("a",), kept) == "kept"
        assert [cache.fetch("law", ("b",), other) for _ in range(2)] == ["other"] * 2
    finally:
        folder.chmod(0o700)
    assert (kept.calls, other.calls) == (1, 2)
    assert len(entries(folder)) == 1


def test_a_read_only_disk_is_no_error(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make, really = Maker("made"), os.open

    def read_only(path: Any, flags: int, *more: int) -> int:
        if flags & os.O_CREAT:
            raise OSError(30, "Read-only file system")
        return really(path, flags, *more)

    monkeypatch.setattr(os, "open", read_only)
    assert [cache.fetch("law", ("a",), make) for _ in range(2)] == ["made", "made"]
    assert (make.calls, entries(folder)) == (2, [])


def test_a_full_disk_is_no_error(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_given: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    make = Maker("made")
    assert [cache.fetch("law", ("a",), make) for _ in range(2)] == ["made", "made"]
    assert not entries(folder)  # no part of an entry is left behind


def test_a_folder_that_vanishes_is_no_error(folder: Path) -> None:
    cache.fetch("law", ("a",), Maker())
    shutil.rmtree(folder)
    assert cache.fetch("law", ("a",), Maker("made")) == "made"


# Size -------------------------------------------------------------------------------------------------------


def test_the_oldest_entries_go_first(folder: Path) -> None:
    found = cache.store()
    assert found is not None
    for k in range(20):
        cache.fetch("law", (str(k),), Maker("x" * 1000))
        os.utime(folder / entries_name(folder, str(k)), (1e9 + k, 1e9 + k))
    leftover, strangers = folder / f"{entries_name(folder, '0')}.1-2.tmp", (folder / "notes.tmp", folder / "mine.txt")
    leftover.write_text("", encoding="utf-8")
    for stranger in strangers:
        stranger.write_text("not ours", encoding="utf-8")
        os.utime(stranger, (1e8, 1e8))
    os.utime(leftover, (1e9, 1e9))
    size = (folder / entries_name(folder, "0")).stat().st_size
    found.prune(largest=10 * size, most=1000)
    left = {k for k in range(20) if (folder / entries_name(folder, str(k))).exists()}
    assert left == set(range(13, 20))  # three quarters of ten are 7
    assert not leftover.exists()
    found.prune(largest=10**9, most=4)
    assert all(stranger.exists() for stranger in strangers)
    assert len(entries(folder)) == 5  # three entries and the strangers


def test_what_is_read_counts_as_young(folder: Path) -> None:
    cache.fetch("law", ("a",), Maker())
    path = entries(folder)[0]
    os.utime(path, (1e9, 1e9))
    cache.fetch("law", ("a",), Maker())
    assert time.time() - path.stat().st_mtime < 3600


def test_writing_prunes(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pruned: list[cache.Store] = []
    monkeypatch.setattr(cache.Store, "prune", lambda store: pruned.append(store))
    for k in range(300):
        cache.fetch("law", (str(k),), Maker())
    assert len(pruned) == 2  # at the first entry, and at the 257th


# Many at once -----------------------------------------------------------------------------------------------

WRITER = """
import sys
from circuitsim.cache import fetch
for turn in range(60):
    for k in range(5):
        text = fetch("law", (str(k),), lambda: str(k) * 5000)
        assert text == str(k) * 5000, "a part of an entry was read"
    if turn % 10 == int(sys.argv[1]):
        from circuitsim.cache import store
        for path in store().folder.iterdir():
            path.unlink(missing_ok=True)
"""


def test_many_processes_at_once(folder: Path) -> None:
    started = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(k)], stderr=subprocess.PIPE, text=True, env={**os.environ})
        for k in range(4)
    ]
    errors = [process.communicate(timeout=120)[1] for process in started]
    assert errors == [""] * 4
    assert [p for p in entries(folder) if p.suffix == ".tmp"] == []


# Keys -------------------------------------------------------------------------------------------------------


def test_changed_sources_give_another_fingerprint(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "circuitsim"
    shutil.copytree(ROOT / "circuitsim", package, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(cache, "_PACKAGE", package)

    def prints() -> tuple[str, str, str]:
        cache.fingerprint.cache_clear()
        return cache.fingerprint("elements"), cache.fingerprint("errors.py"), cache.fingerprint("elements", "errors.py")

    try:
        before = prints()
        assert len(set(before)) == 3
        with (package / "elements" / "heat.py").open("a", encoding="utf-8") as stream:
            stream.write("\n# changed\n")
        after = prints()
        assert [a == b for a, b in zip(before, after, strict=True)] == [False, True, False]
        (package / "errors.py").unlink()
        assert prints()[1] != prints()[1]  # nothing to go by: never the same twice
    finally:
        cache.fingerprint.cache_clear()


def test_a_release_is_told_without_importing(tmp_path: Path) -> None:
    text = "import sys; from circuitsim.cache import release; print(release('sympy'), 'sympy' in sys.modules)"
    found = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True, cwd=tmp_path)
    digest, loaded = found.stdout.split()
    assert (len(digest), loaded) == (64, "False")
    assert cache.release("no_such_package_anywhere") == ""


# What is kept -----------------------------------------------------------------------------------------------


def same(a: Circuit, b: Circuit) -> bool:
    """Whether two circuits are the same to the last bit, in the same order."""
    for x, y in zip(a.net.elements.values(), b.net.elements.values(), strict=True):
        if type(x) is not type(y) or repr(sorted(vars(x).items())) != repr(sorted(vars(y).items())):
            return False
    nets = [(n.name, n.ground, list(n.elements), n.aliases(), sorted(n._named)) for n in (a.net, b.net)]
    others = [[repr(getattr(c, f.name)) for f in fields(c) if f.name != "net"] for c in (a, b)]
    return nets[0] == nets[1] and others[0] == others[1]


@pytest.mark.parametrize("name", circuit_names())
def test_a_circuit_in_plain_form_is_the_same_circuit(name: str) -> None:
    read = _read(circuit_file(name), {})
    assert same(circuit_of_text(text_of_circuit(read)), read)


def test_parts_in_plain_form_are_the_same_parts() -> None:
    from circuitsim.library.part_reader import read_all

    read = read_all()
    back = parts_of_text(text_of_parts(read))
    assert back == read
    assert list(back) == list(read)


def test_a_stored_circuit_follows_its_file_and_its_options(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    text = circuit_file("tractor-cab-fan").read_text(encoding="utf-8")
    file.write_text(text, encoding="utf-8")
    first, again = cs.load(file), cs.load(file)
    assert same(first, again)
    assert first.net.elements["BAT"] is not again.net.elements["BAT"]
    file.write_text(text.replace('title = "', 'title = "another ', 1), encoding="utf-8")
    assert cs.load(file).title.startswith("another ")
    file.write_text("nonsense", encoding="utf-8")
    for _ in range(2):
        with pytest.raises(cs.InputError):
            cs.load(file)
    steps = [len(cs.load("generic-linear", **given).steps) for given in ({}, {"steps": 2}, {"steps": 5}, {"steps": 2})]
    assert steps[1:] == [3, 6, 3]


def test_somebody_else_s_kind_of_element_is_not_cached(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from circuitsim.elements import base

    class Other(cs.Resistor):
        """A resistor of another make."""

    monkeypatch.setitem(base._KINDS, "resistor", Other)
    cs.load("tractor-cab-fan")
    assert [p.name for p in entries(folder)] == [] if folder.exists() else True


KINDS = [*element_kinds().values(), PartingPin, ProbeLamp]


@pytest.mark.parametrize("kind", [k for k in KINDS if k.__module__.startswith("circuitsim.")], ids=lambda k: k.__name__)
def test_laws_out_of_the_cache_are_those_derived(kind: type[cs.Element], folder: Path) -> None:
    """The kept source and the one made in memory give the same bits; so does the form for frozen bodies, but for rounding."""
    stored, derived = kernels_of(kind), statement_of(kind).kernels
    rng = np.random.default_rng(5)
    inputs = [rng.uniform(0.5, 2.0, (3, 4)) for _ in derived.inputs]
    size = len(derived.rows) + len(derived.jacobian)
    a, b, cold = (np.zeros((size, 3, 4)) for _ in range(3))
    count, setup, evaluate = stored.cold
    fixed: list[Any] = [None] * count
    with np.errstate(all="ignore"):  # a fan blocked more than its curve allows has no square root
        stored.evaluate(inputs, a)
        derived.evaluate(inputs, b)
        setup(inputs, fixed)
        evaluate([*inputs, *fixed], cold)
    assert np.array_equal(a, b, equal_nan=True)
    hot = {t.name for t in kind.terminals if t.domain is Domain.THERMAL}
    rows = [r not in hot for r in derived.rows]
    kept = np.array([*rows, *(rows[r] for r, _ in derived.jacobian)])
    # Rounding: a dozen operations of 1.1e-16 each in another order, on terms up to some thousand times the result.
    assert np.allclose(cold[kept], a[kept], rtol=1e-12, atol=1e-12, equal_nan=True)
    assert (cold[~kept] == 0).all()


@pytest.mark.parametrize(("joined", "plain", "state"), [(PartingPin, cs.Pin, "mated"), (ProbeLamp, cs.Lamp, "connected")])
def test_parted_elements_are_the_plain_ones_or_nothing(joined: type[cs.Element], plain: type[cs.Element], state: str) -> None:
    """With the state at 1 the same law as the plain class; with 0 no current at all, whatever the voltage."""
    both, one = kernels_of(joined), kernels_of(plain)
    rng = np.random.default_rng(3)
    values = dict(zip(both.inputs, rng.uniform(0.5, 2.0, len(both.inputs)), strict=True))
    on, off, wanted = (np.zeros((len(one.rows), 1)) for _ in range(3))
    both.residual([values[n] if n != state else 1.0 for n in both.inputs], on)
    both.residual([values[n] if n != state else 0.0 for n in both.inputs], off)
    one.residual([values[n] for n in one.inputs], wanted)
    assert np.allclose(on, wanted, rtol=1e-15, atol=0)  # one factor of exactly 1
    electrical = [k for k, row in enumerate(one.rows) if row in ("a", "b")]
    assert (off[electrical] == 0).all()
    assert (wanted[electrical] != 0).all()


# From end to end --------------------------------------------------------------------------------------------

HEAVY = ("sympy", "scipy", "networkx", "pydantic", "matplotlib", "tomllib", "mpmath")
RUN = textwrap.dedent(
    """
    import json, sys
    from circuitsim.cli import main
    try:
        main()
    finally:
        sys.stderr.write(json.dumps(sorted(sys.modules)))
    """
)


def predict(*args: str, environment: dict[str, str] | None = None) -> tuple[bytes, set[str]]:
    """Run `predict` as a process of its own; give what it printed and the modules it loaded."""
    done = subprocess.run(
        [sys.executable, "-c", RUN, "predict", *args],
        capture_output=True, check=True, env={**os.environ, **(environment or {})},
    )  # fmt: skip
    return done.stdout, set(json.loads(done.stderr))


def test_a_second_run_loads_nothing_heavy_and_prints_the_same(folder: Path) -> None:
    """And so does one without a cache, and one whose cache was ruined in all ways."""
    first, loaded = predict(BENCH_FAN)
    assert {"sympy", "pydantic"} <= loaded
    second, loaded = predict(BENCH_FAN)
    assert loaded & set(HEAVY) == set()
    assert {"numpy", "click"} <= loaded
    assert second == first
    without, loaded = predict(BENCH_FAN, environment={"CIRCUITSIM_CACHE": "off"})
    assert {"sympy", "pydantic"} <= loaded
    assert without == first
    for k, path in enumerate(entries(folder)):
        list(DAMAGES.values())[k % 7](path)
    again, loaded = predict(BENCH_FAN)
    assert again == first
    assert "sympy" in loaded
    third, loaded = predict(BENCH_FAN)
    assert third == first
    assert "sympy" not in loaded


def test_a_second_run_of_a_chopped_circuit_with_options_does_too(folder: Path) -> None:
    args = ("generic-pwm", "--fuse", "30A", "--since", "warm", "--step", "2", "--probe", "MOT-:GND")
    first, _ = predict(*args)
    second, loaded = predict(*args)
    assert loaded & set(HEAVY) == set()
    assert second == first
