"""Where the model files lie, and the names of the circuits among them."""

from __future__ import annotations

from functools import lru_cache
from os import PathLike
from pathlib import Path

from circuitsim.errors import CircuitFileError, InputError, UnknownNameError, nearest, shown

__all__ = ["circuit_file", "circuit_names", "models_folder", "part_files"]

_PACKAGE = Path(__file__).resolve().parents[1]


@lru_cache(maxsize=1)
def models_folder() -> Path:
    """Give the folder of the models: the checkout's when the package runs from one, else the installed copy.

    Raises CircuitFileError when neither is there.
    """
    checkout = _PACKAGE.parent
    # An unrelated folder of that name may lie beside an installed package; a checkout has its project file too.
    if (checkout / "pyproject.toml").is_file() and (checkout / "models" / "circuits").is_dir():
        return checkout / "models"
    if (_PACKAGE / "models" / "circuits").is_dir():
        return _PACKAGE / "models"
    raise CircuitFileError("the models are missing from this installation; install the package again")


def circuit_names() -> tuple[str, ...]:
    """List the circuits that `load` knows by name, in alphabetical order."""
    return tuple(sorted(path.stem for path in (models_folder() / "circuits").glob("*.toml")))


def part_files() -> tuple[Path, ...]:
    """List the files of parts."""
    return tuple(sorted((models_folder() / "parts").glob("*.toml")))


def circuit_file(name: str | PathLike[str]) -> Path:
    """Give the file of a circuit: a path is itself, a name is looked up.

    Text with a path separator in it, or ending in .toml, is a path. Raises UnknownNameError, with the nearest name or
    the file of that name, for a name that is no circuit's, and CircuitFileError for a file name with another ending.
    """
    if not isinstance(name, str):
        if isinstance(name, PathLike):
            return Path(name)
        raise CircuitFileError(f"a circuit is a name or a file, not {shown(name)}", key="circuit")
    names = circuit_names()
    if name in names:
        return models_folder() / "circuits" / f"{name}.toml"
    if "/" in name or "\\" in name or name.endswith(".toml"):
        return _existing(name, names)
    raise _no_circuit(name, names)


def _no_circuit(name: str, names: tuple[str, ...]) -> InputError:
    """Tell what a name may have meant: a file whose ending was left out or is another, or a circuit of a like name."""
    own = f"./{Path(name).with_suffix('.toml')}" if name.strip(". ") else ""
    beside = own if _is_there(own) else None
    ending = "a circuit file's name ends in .toml"
    if _is_there(name):
        hint = f"did you mean {shown(beside)}?" if beside else f"rename it, or write {shown('./' + name)}"
        return CircuitFileError(f"{ending}; {hint}", file=name)
    if "." in name and Path(name).suffix:
        like = beside or nearest(Path(name).stem, names)
        return CircuitFileError(f"no such file, and {ending}" + (f"; did you mean {shown(like)}?" if like else ""), file=name)
    return UnknownNameError("circuit", name, names, suggestion=beside)


def _is_there(name: str) -> bool:
    try:
        return bool(name) and "\0" not in name and Path(name).is_file()
    except OSError:
        return False  # too long to be a file's name


def _existing(name: str, names: tuple[str, ...]) -> Path:
    path = Path(name)
    try:
        if "\0" in name or path.exists():
            return path
    except OSError:
        return path  # reading it will say why
    like = nearest(path.stem, names)
    hint = f"; did you mean the circuit {shown(like)}?" if like else ""
    raise CircuitFileError(f"no such file{hint}", file=name)
