"""Imports point only downward through the layers of the package.

The checker reads the source, so it sees imports inside functions, under ``TYPE_CHECKING`` and by
``import_module("...")`` as well as those at the top of a file.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

import pytest

ROOT_NAME = "circuitsim"
PACKAGE = Path(__file__).resolve().parents[1] / ROOT_NAME
FILES = sorted(path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py"))

# Top to bottom. A module may import its own package, its level and everything below.
LAYERS = (
    ("__main__", "cli", "web"),
    ("report",),
    ("studies",),
    ("measure",),
    ("library",),
    ("engine",),
    ("network",),
    ("elements",),
    ("quantities", "errors", "cache"),
)
LEVEL = {name: level for level, names in enumerate(LAYERS) for name in names}
BOTTOM = len(LAYERS) - 1


def layer_of(file: str) -> str:
    """First component of a file's module inside the package; empty for the package root."""
    first = PurePosixPath(file).with_suffix("").parts[0]
    return "" if first == "__init__" else first


def resolve(file: str, dots: int, module: str) -> str:
    """Absolute dotted name of ``module`` as written in ``file`` with ``dots`` leading dots."""
    if dots == 0:
        return module
    home = (ROOT_NAME, *PurePosixPath(file).parent.parts)
    return ".".join([*home[: len(home) - dots + 1], *([module] if module else [])])


def names_imported(file: str, node: ast.AST) -> list[tuple[int, str]]:
    """Line and absolute dotted name of what one statement or call imports."""
    match node:
        case ast.Import():
            return [(node.lineno, alias.name) for alias in node.names]
        case ast.ImportFrom():
            base = resolve(file, node.level, node.module or "")
            # 'from circuitsim import errors' takes a module, 'from circuitsim import Netlist' takes the root.
            from_root = base == ROOT_NAME
            taken = (f"{base}.{a.name}" if from_root and a.name in LEVEL else base for a in node.names)
            return [(node.lineno, name) for name in taken]
        case ast.Call(
            func=ast.Name(id="import_module" | "__import__") | ast.Attribute(attr="import_module"),
            args=[ast.Constant(value=str(written)), *_],
        ):
            module = written.lstrip(".")
            return [(node.lineno, resolve(file, len(written) - len(module), module))]
    return []


def is_deferred(node: ast.AST) -> bool:
    """Whether what stands inside ``node`` does not run when the module is imported."""
    match node:
        case ast.FunctionDef() | ast.AsyncFunctionDef() | ast.Lambda():
            return True
        case ast.If(test=ast.Name(id="TYPE_CHECKING") | ast.Attribute(attr="TYPE_CHECKING")):
            return True
    return False


def imports(file: str, tree: ast.AST, deferred: bool = False) -> Iterator[tuple[int, str, bool]]:
    """Line, layer (empty for the package root) and 'is deferred' of each import of this package."""
    for node in ast.iter_child_nodes(tree):
        for line, name in names_imported(file, node):
            first, *rest = name.split(".")
            if first == ROOT_NAME:
                yield line, rest[0] if rest else "", deferred
        yield from imports(file, node, deferred or is_deferred(node))


def complaint(source: str, target: str, deferred: bool) -> str | None:
    """Why layer ``source`` may not import layer ``target``; None where it may."""
    if target == "":
        return "imports the package root; import the module that defines the name"
    if target not in LEVEL:
        return f"imports {target}, which is in no layer"
    if source == "":
        eager = not deferred and LEVEL[target] < BOTTOM
        return f"the root imports {target} eagerly; do it inside __getattr__" if eager else None
    if LEVEL[target] < LEVEL[source]:
        return f"{source} imports {target}, which is above it"
    return None


def violations(file: str, source: str) -> list[str]:
    """Every breach of the layers in one file, as 'line: reason'."""
    layer = layer_of(file)
    if layer and layer not in LEVEL:
        return [f"1: {layer} is in no layer; add it to LAYERS"]
    found = ((line, complaint(layer, target, late)) for line, target, late in imports(file, ast.parse(source)))
    return [f"{line}: {reason}" for line, reason in found if reason]


def two_way(sources: dict[str, str]) -> set[frozenset[str]]:
    """Pairs of layers that import each other: two of one level may do so one way only."""
    pairs = {(layer_of(file), target) for file, source in sources.items() for _, target, _ in imports(file, ast.parse(source))}
    return {frozenset(pair) for pair in pairs if pair[0] != pair[1] and pair[::-1] in pairs}


def test_the_package_is_there() -> None:
    assert "__init__.py" in FILES
    assert {layer_of(file) for file in FILES} >= {"quantities", "elements", "network", "engine"}


@pytest.mark.parametrize("file", FILES)
def test_imports_point_down(file: str) -> None:
    assert violations(file, (PACKAGE / file).read_text(encoding="utf-8")) == []


def test_no_two_layers_import_each_other() -> None:
    assert two_way({file: (PACKAGE / file).read_text(encoding="utf-8") for file in FILES}) == set()


PLANTED = {
    "absolute": ("engine/solve.py", "from circuitsim.studies import predict"),
    "plain import": ("measure/probe.py", "import circuitsim.report.table as table"),
    "relative": ("engine/solve.py", "from ..studies.predict import chart"),
    "relative to the root": ("elements/motor.py", "from .. import cli"),
    "package's own file": ("engine/__init__.py", "from ..library import load"),
    "top-level module": ("errors.py", "from . import network"),
    "late": ("network.py", "def draw():\n    from circuitsim.report import diagram"),
    "late, nested": ("library/load.py", "class A:\n  def f(self):\n    with x:\n      import circuitsim.cli"),
    "asynchronous": ("studies/fit.py", "async def f():\n    from circuitsim.web import app"),
    "for types only": ("elements/wire.py", "if TYPE_CHECKING:\n    from circuitsim.engine import Point"),
    "conditional": ("quantities.py", "if x:\n    pass\nelse:\n    import circuitsim.network"),
    "import_module": ("engine/solve.py", "importlib.import_module('circuitsim.studies.predict')"),
    "import_module, relative": ("engine/solve.py", "import_module('..studies', __package__)"),
    "__import__": ("engine/solve.py", "x = __import__('circuitsim.report')"),
    "the root": ("cli/main.py", "import circuitsim"),
    "the root, late": ("studies/predict.py", "def f():\n    import circuitsim as cs"),
    "a name from the root": ("cli/main.py", "from circuitsim import Netlist"),
    "a name from the root, relative": ("network.py", "from . import Netlist"),
    "unknown target": ("cli/main.py", "from circuitsim.helpers import f"),
    "unknown module": ("helpers.py", "x = 1"),
    "eager root": ("__init__.py", "from circuitsim.network import Netlist"),
}

ALLOWED = {
    "down": ("cli/main.py", "from circuitsim.studies import predict\nfrom ..report.table import table"),
    "down, late": ("studies/predict.py", "def f():\n    from circuitsim.engine import solve"),
    "bottom by way of the root": ("network.py", "from circuitsim import errors\nfrom . import quantities"),
    "own package": ("engine/solve.py", "from . import compile\nfrom .batch import f"),
    "own package, absolute": ("engine/solve.py", "import circuitsim.engine.batch"),
    "own level": ("cli/main.py", "from circuitsim.web import app"),
    "bottom level": ("quantities.py", "from circuitsim.errors import UnitError"),
    "lazy root": ("__init__.py", "def __getattr__(name):\n    from circuitsim.cli import main"),
    "root for types": ("__init__.py", "if TYPE_CHECKING:\n    from circuitsim.network import Netlist"),
    "root, eager bottom": ("__init__.py", "from circuitsim.errors import UnitError"),
    "others": ("errors.py", "import circuitsimilar.cli\nfrom numpy import array\nimport_module('web')"),
}


@pytest.mark.parametrize(("file", "source"), PLANTED.values(), ids=PLANTED)
def test_a_planted_violation_is_caught(file: str, source: str) -> None:
    assert len(violations(file, source)) == 1


@pytest.mark.parametrize(("file", "source"), ALLOWED.values(), ids=ALLOWED)
def test_what_is_allowed_passes(file: str, source: str) -> None:
    assert violations(file, source) == []


def test_a_violation_names_the_line_and_both_layers() -> None:
    (found,) = violations("engine/solve.py", "import numpy\ndef f():\n    from circuitsim.cli import main")
    assert found == "3: engine imports cli, which is above it"


def test_a_planted_circle_is_caught() -> None:
    there = {"cli/main.py": "from circuitsim.web import app", "web/app.py": "from . import page"}
    and_back = {"web/page.py": "def f():\n    from circuitsim.cli import main"}
    assert two_way(there) == set()
    assert two_way(there | and_back) == {frozenset({"cli", "web"})}
