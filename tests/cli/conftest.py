"""What the command line's tests share: running it in this process, and as a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from circuitsim.cli.app import program

Run = Callable[..., Result]
Process = Callable[..., "subprocess.CompletedProcess[bytes]"]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    """Run a command line in this process, in an empty folder; what nobody foresaw is raised."""
    monkeypatch.chdir(tmp_path)

    def invoke(*args: str) -> Result:
        return CliRunner().invoke(program, args, catch_exceptions=False)

    return invoke


@pytest.fixture
def command() -> str:
    """Give the installed command, as a user types it."""
    name = "circuitsim.exe" if os.name == "nt" else "circuitsim"
    script = Path(sysconfig.get_path("scripts")) / name
    assert script.is_file(), "the tests need the package installed: pip install -e '.[test]'"
    return str(script)


@pytest.fixture
def process(tmp_path: Path, command: str) -> Process:
    """Run the installed command as a process, in an empty folder, its output caught as bytes."""

    def start(*args: str | bytes, environment: dict[str, str] | None = None, **options: Any) -> Any:
        given = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "cwd": tmp_path, "timeout": 120, **options}
        env = {**os.environ, "PYTHONUTF8": "1", **(environment or {})}
        return subprocess.run([command, *args], env=env, check=False, **given)

    return start


@pytest.fixture
def module() -> list[str]:
    """Give the command line as a module of this interpreter."""
    return [sys.executable, "-m", "circuitsim"]
