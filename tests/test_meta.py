"""House rules that a reader relies on, checked by reading the source; each rule is shown to bite."""

from __future__ import annotations

import ast
import importlib
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "circuitsim"
FILES = sorted(path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py"))
MOST_LINES = 450

Definition = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef
Rule = Callable[[str, str], list[str]]


@cache
def parsed(source: str) -> ast.Module:
    """Give the syntax tree of a source, which several rules look at."""
    return ast.parse(source)


def statements(body: list[ast.stmt]) -> Iterator[ast.stmt]:
    """Statements of one scope, with those inside ``if``, ``try``, ``with`` and loops."""
    for statement in body:
        yield statement
        if not isinstance(statement, Definition):
            for field in ("body", "orelse", "finalbody"):
                yield from statements(getattr(statement, field, []))
            for handler in getattr(statement, "handlers", []):
                yield from statements(handler.body)


def is_second_half(node: Definition) -> bool:
    """Whether the docstring belongs elsewhere: a property's setter, an overload, an override."""
    marks = {getattr(mark, "attr", getattr(mark, "id", "")) for mark in node.decorator_list}
    return bool(marks & {"setter", "deleter", "overload", "override"})


def public_definitions(body: list[ast.stmt], prefix: str = "") -> Iterator[tuple[str, Definition]]:
    """Name and node of each public class, function and method of a scope."""
    for node in statements(body):
        if isinstance(node, Definition) and not node.name.startswith("_") and not is_second_half(node):
            yield prefix + node.name, node
            if isinstance(node, ast.ClassDef):
                yield from public_definitions(node.body, f"{prefix}{node.name}.")


def undocumented(_file: str, source: str) -> list[str]:
    """Public module, class, function or method without a docstring."""
    tree = parsed(source)
    found = [] if ast.get_docstring(tree) else ["1: the module has no docstring"]
    return found + [
        f"{node.lineno}: {name} has no docstring" for name, node in public_definitions(tree.body) if not ast.get_docstring(node)
    ]


def bound_names(tree: ast.Module) -> set[str]:
    """Names that the top level of a module binds."""
    names: set[str] = set()
    for node in statements(tree.body):
        match node:
            case ast.FunctionDef() | ast.AsyncFunctionDef() | ast.ClassDef():
                names.add(node.name)
            case ast.Import() | ast.ImportFrom():
                names |= {(alias.asname or alias.name).split(".")[0] for alias in node.names}
            case ast.Assign() | ast.AnnAssign() | ast.AugAssign() | ast.For() | ast.With():
                stored = (part for part in ast.walk(node) if isinstance(part, ast.Name))
                names |= {part.id for part in stored if isinstance(part.ctx, ast.Store)}
    return names


def exports(tree: ast.Module) -> ast.expr | None:
    """The value given to ``__all__``, if any."""
    for node in statements(tree.body):
        match node:
            case ast.Assign(targets=[ast.Name(id="__all__")], value=value):
                return value
            case ast.AnnAssign(target=ast.Name(id="__all__"), value=value):
                return value
    return None


def wrong_exports(_file: str, source: str) -> list[str]:
    """``__all__`` that names what is not there, names it twice, or leaves out a public definition."""
    tree = parsed(source)
    value = exports(tree)
    if value is None:
        return []
    bound = bound_names(tree)
    lazy = "__getattr__" in bound
    try:
        listed = ast.literal_eval(value)
    except ValueError:
        # A lazy root may derive the list from its table; the names are then checked by importing, below.
        return [] if lazy else [f"{value.lineno}: __all__ is no plain list of names"]
    own = {name for name, _ in public_definitions(tree.body) if "." not in name}
    wrong = {
        "names what is not there": {name for name in listed if name not in bound and not lazy},
        "names twice": {name for name in listed if listed.count(name) > 1},
        "leaves out": own - set(listed),
    }
    return [f"{value.lineno}: __all__ {what}: {name}" for what, names in wrong.items() for name in sorted(names)]


def too_long(_file: str, source: str) -> list[str]:
    """A file that no longer fits in the head."""
    lines = len(source.splitlines())
    return [f"{lines}: more than {MOST_LINES} lines; split it along its nouns"] if lines > MOST_LINES else []


def prints(file: str, source: str) -> list[str]:
    """``print`` in library code; the command line may."""
    if file.startswith("cli/"):
        return []
    return [
        f"{node.lineno}: print"
        for node in ast.walk(parsed(source))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]


def asserts(_file: str, source: str) -> list[str]:
    """``assert`` in the package: it vanishes under ``-O`` and ends in a traceback."""
    return [f"{node.lineno}: assert" for node in ast.walk(parsed(source)) if isinstance(node, ast.Assert)]


def careless_handlers(_file: str, source: str) -> list[str]:
    """A bare ``except``, or one that swallows the error with ``pass`` or ``...``."""
    handlers = [node for node in ast.walk(parsed(source)) if isinstance(node, ast.ExceptHandler)]
    bare = [f"{node.lineno}: bare except" for node in handlers if node.type is None]
    return bare + [
        f"{node.lineno}: except that swallows the error"
        for node in handlers
        if all(isinstance(part, ast.Pass) or ast.unparse(part) == "..." for part in node.body)
    ]


def lines_matching(pattern: re.Pattern[str], source: str) -> list[str]:
    """Line and text of every match."""
    lines = enumerate(source.splitlines(), start=1)
    return [f"{number}: {match[0]}" for number, line in lines for match in pattern.finditer(line)]


def notes_to_self(_file: str, source: str) -> list[str]:
    """A note that something is still to be done; such things go into an issue."""
    # The brackets keep this very line from matching.
    return lines_matching(re.compile(r"\b(?:T[O]DO|FIX[M]E)\b"), source)


def machine_paths(_file: str, source: str) -> list[str]:
    """An absolute path of the machine that a file was written on."""
    return lines_matching(re.compile(r"(?<![\w.])/(?:work|tmp|home|root)/"), source)


SOURCE_RULES: dict[str, Rule] = {
    "docstrings": undocumented,
    "exports": wrong_exports,
    "length": too_long,
    "print": prints,
    "assert": asserts,
    "except": careless_handlers,
}
TEXT_RULES: dict[str, Rule] = {"notes": notes_to_self, "machine paths": machine_paths}


def tracked_files() -> list[str]:
    """Files that git tracks or would track; without git, those that lie there, less what tools leave."""
    git = shutil.which("git")
    if git and (ROOT / ".git").exists():
        command = [git, "-c", "safe.directory=*", "-C", str(ROOT), "ls-files", "-z", "--cached", "--others"]
        listed = subprocess.run([*command, "--exclude-standard"], capture_output=True, check=True, text=True)
        return sorted(name for name in listed.stdout.split("\0") if name and (ROOT / name).is_file())
    return sorted(path.relative_to(ROOT).as_posix() for path in walk(ROOT))


def walk(folder: Path) -> Iterator[Path]:
    """Files under a folder, without caches, build results and virtual environments."""
    for path in folder.iterdir():
        if path.is_file():
            yield path
        elif not (path / "pyvenv.cfg").exists() and not re.fullmatch(
            r"\.git|__pycache__|\..*_cache|\.hypothesis|htmlcov|build|dist|.*\.egg-info", path.name
        ):
            yield from walk(path)


TEXT_FILES = [name for name in tracked_files() if b"\0" not in (ROOT / name).read_bytes()]


def test_there_is_something_to_read() -> None:
    assert "__init__.py" in FILES
    assert {"pyproject.toml", "README.md", "circuitsim/__init__.py", "tests/test_meta.py"} <= set(TEXT_FILES)


# One test a rule, not one a file: two thousand tests that take a millisecond each take ten seconds to be told apart.


@pytest.mark.parametrize("rule", SOURCE_RULES)
def test_source_keeps_the_rule(rule: str) -> None:
    found = {file: SOURCE_RULES[rule](file, (PACKAGE / file).read_text(encoding="utf-8")) for file in FILES}
    assert {file: complaints for file, complaints in found.items() if complaints} == {}


@pytest.mark.parametrize("rule", TEXT_RULES)
def test_text_keeps_the_rule(rule: str) -> None:
    read = {name: (ROOT / name).read_text(encoding="utf-8", errors="replace") for name in TEXT_FILES}
    found = {name: TEXT_RULES[rule](name, text) for name, text in read.items()}
    assert {name: complaints for name, complaints in found.items() if complaints} == {}


def test_every_exported_name_can_be_had() -> None:
    lacking = {}
    for file in FILES:
        parts = ("circuitsim", *Path(file).with_suffix("").parts)
        if parts[-1] != "__main__":
            module = importlib.import_module(".".join(part for part in parts if part != "__init__"))
            lacking[file] = [name for name in getattr(module, "__all__", ()) if not hasattr(module, name)]
    assert {file: names for file, names in lacking.items() if names} == {}


HEAD = '"""Module."""\n'
NOTE = "todo".upper()
ELSEWHERE = "/".join(["", "work", "main"])

# rule, file, source, number of complaints
PLANTED: list[tuple[str, str, str, int]] = [
    ("docstrings", "a.py", "x = 1", 1),
    ("docstrings", "a.py", "", 1),
    ("docstrings", "a.py", HEAD + "def f(): ...", 1),
    ("docstrings", "a.py", HEAD + "async def f(): ...", 1),
    ("docstrings", "a.py", HEAD + "if x:\n    def f(): ...", 1),
    ("docstrings", "a.py", HEAD + "class A:\n    def f(self): ...", 2),
    ("docstrings", "a.py", HEAD + "class A:\n    'A.'\n    @property\n    def f(self): ...", 1),
    ("exports", "a.py", "__all__ = ['f', 'g']\ndef f(): ...", 1),
    ("exports", "a.py", "__all__ = ['f', 'f']\ndef f(): ...", 1),
    ("exports", "a.py", "__all__ = ['f']\ndef f(): ...\nclass A: ...", 1),
    ("exports", "a.py", "__all__: list[str] = ['g']", 1),
    ("exports", "a.py", "__all__ = list(table)", 1),
    ("length", "a.py", "x = 1\n" * (MOST_LINES + 1), 1),
    ("print", "report/a.py", "def f():\n    print('x')", 1),
    ("print", "clip.py", "print('x')", 1),
    ("assert", "a.py", "class A:\n    def f(self):\n        assert self", 1),
    ("except", "a.py", "try:\n    f()\nexcept:\n    g()", 1),
    ("except", "a.py", "try:\n    f()\nexcept ValueError:\n    pass", 1),
    ("except", "a.py", "def h():\n    try:\n        f()\n    except* ValueError:\n        ...", 1),
    ("notes", "a.md", f"# {NOTE}: later", 1),
    ("notes", "a.md", f"{NOTE}\nx\n({'fixme'.upper()})", 2),
    ("machine paths", "a.md", f"run {ELSEWHERE}/x", 1),
    ("machine paths", "a.toml", f'a = "{ELSEWHERE}/x"\nb = "file://{ELSEWHERE}/"', 2),
]

# rule, file, source
CLEAN: list[tuple[str, str, str]] = [
    ("docstrings", "a.py", HEAD + "def f():\n    'F.'\n    def g(): ..."),
    ("docstrings", "a.py", HEAD + "def _h(): ...\nclass _B:\n    def f(self): ..."),
    ("docstrings", "a.py", HEAD + "class A:\n    'A.'\n    def __init__(self): ..."),
    ("docstrings", "a.py", HEAD + "class A:\n    'A.'\n    @f.setter\n    def f(self, x): ..."),
    ("exports", "a.py", "from b import c\n__all__ = ['f', 'c', 'X', 'y']\nX, y = 1, 2\ndef f(): ..."),
    ("exports", "a.py", "__all__ = []\ndef _g(): ..."),
    ("exports", "__init__.py", "__all__ = sorted(table)\ndef __getattr__(name): ..."),
    ("exports", "a.py", "def f(): ..."),
    ("length", "a.py", "x = 1\n" * MOST_LINES),
    ("print", "cli/main.py", "print('x')"),
    ("print", "a.py", "'print(1)'\npaper.print()"),
    ("assert", "a.py", "'assert x'"),
    ("except", "a.py", "try:\n    f()\nexcept ValueError as error:\n    raise TypeError from error"),
    ("notes", "a.md", "to do; fixed; a fixme in small letters; MASTODON TODOS"),
    ("machine paths", "a.md", f"https://example.org{ELSEWHERE}/x, net{ELSEWHERE}/y, /usr/bin, rework/it"),
]


@pytest.mark.parametrize(("rule", "file", "source", "count"), PLANTED)
def test_a_planted_breach_is_caught(rule: str, file: str, source: str, count: int) -> None:
    assert len((SOURCE_RULES | TEXT_RULES)[rule](file, source)) == count


@pytest.mark.parametrize(("rule", "file", "source"), CLEAN)
def test_what_is_fine_passes(rule: str, file: str, source: str) -> None:
    assert (SOURCE_RULES | TEXT_RULES)[rule](file, source) == []


def test_every_rule_is_shown_to_bite_and_to_pass() -> None:
    assert {rule for rule, *_ in PLANTED} == {rule for rule, *_ in CLEAN} == set(SOURCE_RULES | TEXT_RULES)
