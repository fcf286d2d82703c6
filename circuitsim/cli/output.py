"""What leaves the command line: text on standard output, lines on a terminal, files, and messages on standard error."""

from __future__ import annotations

import codecs
import json
import math
import os
import stat
import sys
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from circuitsim.errors import InputError, one_line

if TYPE_CHECKING:
    from circuitsim.report.typeset import Line

__all__ = [
    "CLOSED_PIPE", "NO_POINT", "check_ending", "check_target", "deliver", "leave_without_reading", "put", "put_lines", "say",
    "spare", "terminal_width", "working", "write_file",
]  # fmt: skip

CLOSED_PIPE = 141
"""Exit code when the reader of standard output has gone: what a shell reports for a broken pipe."""

NO_POINT = 3
"""Exit code where there is no operating point, or no reading, that can be trusted."""

_WORKING, _PATIENCE = "working ...", 2.0  # s before it is said

_OTHERS = {
    ".xlsx", ".xls", ".xlsm", ".ods", ".tsv", ".pdf", ".doc", ".docx", ".odt", ".rtf", ".tex", ".html", ".htm", ".xml",
    ".yaml", ".yml", ".toml", ".png", ".svg", ".jpg", ".jpeg", ".gif", ".zip",
}  # fmt: skip
"""Endings of formats that no chart is written in; a circuit's file ends in one of them."""
_ASCII = {
    "Ω": "ohm", "µ": "u", "°": "deg", "±": "+/-", "×": "x", "÷": "/", "≤": "<=", "≥": ">=", "…": "..", "–": "-",
    "→": "->", "·": "*", "²": "2", "³": "3",
}  # fmt: skip
_STYLES = {
    "title": "bold", "heading": "bold underline", "step": "bold", "label": "cyan", "shown": "bold", "band": "",
    "faint": "dim", "rule": "italic", "verdict": "bold red", "caution": "yellow",
}  # fmt: skip


def _spelled_out(error: UnicodeError) -> tuple[str, int]:
    """Spell in ASCII what the encoding of the output has no sign for; what has no spelling becomes a question mark."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(_ASCII.get(c, "?") for c in error.object[error.start : error.end]), error.end


codecs.register_error("circuitsim.spelled-out", _spelled_out)


def terminal_width(width: int | None) -> int | None:
    """Give the width to lay text out for: the one asked for, or that of the terminal, or None when there is none.

    What goes into a pipe is most likely seen on the terminal that the messages go to.
    """
    if width is not None:
        return width
    if _is_terminal(sys.stdout):
        return _columns(sys.stdout)
    return _columns(sys.stderr) if _is_pipe(sys.stdout) and _is_terminal(sys.stderr) else None


def _is_terminal(stream: Any) -> bool:
    return stream is not None and bool(stream.isatty())


def _is_pipe(stream: Any) -> bool:
    with suppress(OSError, ValueError, AttributeError):  # closed, or nothing that the system knows
        return stat.S_ISFIFO(os.fstat(stream.fileno()).st_mode)
    return False


def _columns(stream: Any) -> int:
    """Give the columns of a stream's terminal: what COLUMNS says, else what the terminal says, else 80."""
    asked = os.environ.get("COLUMNS", "")
    if asked.isdecimal() and int(asked):
        return int(asked)
    with suppress(OSError, ValueError):
        return os.get_terminal_size(stream.fileno()).columns or 80
    return 80


def put(text: str) -> None:
    """Write text to standard output, in an encoding that may lack some of its signs.

    Raises InputError when it can't be written. When the reader has gone, ends the command quietly.
    """
    stream = sys.stdout
    if stream is None:
        raise InputError("standard output is closed")
    encoding = stream.encoding or "utf-8"
    try:
        stream.write(text.encode(encoding, "circuitsim.spelled-out").decode(encoding))
        stream.flush()
    except OSError as error:
        _forget(stream)
        if isinstance(error, BrokenPipeError):
            raise click.exceptions.Exit(CLOSED_PIPE) from None
        raise InputError(f"standard output can't be written: {error.strerror}") from None


def _forget(stream: Any) -> None:
    """Point a stream's descriptor at nothing, so that the rest of its buffer raises no second error on leaving."""
    with suppress(OSError):
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, stream.fileno())
        os.close(nothing)


def put_lines(lines: Sequence[Line]) -> None:
    """Write lines to standard output: with styles on a terminal, plain elsewhere."""
    from circuitsim.report.typeset import plain

    put(_styled(lines) if _is_terminal(sys.stdout) else plain(lines))


def _styled(lines: Sequence[Line]) -> str:
    """Colour lines by role; NO_COLOR and a terminal without colours are respected."""
    import io

    from rich.console import Console
    from rich.text import Text

    out = io.StringIO()
    console = Console(file=out, force_terminal=True, highlight=False, markup=False, emoji=False, legacy_windows=False)
    for spans in lines:
        text = Text()
        for span in spans:
            text.append(span.text, _STYLES.get(span.role, ""))
        text.rstrip()
        console.print(text, soft_wrap=True)
    return out.getvalue()


def say(message: str) -> None:
    """Write a message to standard error, in one line unless that is a narrower terminal; closed, the exit code must do."""
    stream = sys.stderr
    if stream is None:
        return
    encoding = stream.encoding or "utf-8"
    text = f"circuitsim: {one_line(message, 1400)}".encode(encoding, "circuitsim.spelled-out").decode(encoding)
    if _is_terminal(stream):
        import textwrap

        width = max(_columns(stream), 20)
        text = textwrap.fill(text, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
    with suppress(OSError):
        stream.write(text + "\n")
        stream.flush()


@contextmanager
def working() -> Iterator[None]:
    """Say 'working …' on standard error, when that is a terminal, while something takes long; it is gone when that is done."""
    stream = sys.stderr
    if not _is_terminal(stream):
        yield
        return
    told = threading.Event()

    def tell() -> None:
        told.set()
        _on_terminal(stream, f"{_WORKING}\r")

    timer = threading.Timer(_PATIENCE, tell)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
        timer.join()  # one that has begun to speak ends before anything else is written
        if told.is_set():
            _on_terminal(stream, f"{' ' * len(_WORKING)}\r")


def _on_terminal(stream: Any, text: str) -> None:
    with suppress(OSError, ValueError):
        stream.write(text)
        stream.flush()


def leave_without_reading(found: Iterable[tuple[float, str]]) -> None:
    """End the command with exit code 3 where no value is a reading; `found` are values with the verdicts on their points."""
    from circuitsim.engine.verdicts import NO_READING

    cells = list(found)
    if not cells or any(math.isfinite(value) and not verdict.startswith(NO_READING) for value, verdict in cells):
        return
    say(f"nothing here is a reading: {'; '.join(dict.fromkeys(verdict for _, verdict in cells))}")
    raise click.exceptions.Exit(NO_POINT)


def deliver(text: str, kind: str, output: str | None) -> None:
    """Write text of a kind (json, csv, …) to a file, or to standard output when `output` is None or ``-``."""
    if output not in (None, "-"):
        write_file(str(output), _encoded(text, kind))
        return
    if kind == "json" and sys.stdout is not None:
        try:
            text.encode(sys.stdout.encoding or "utf-8")
        except UnicodeEncodeError:
            text = _ascii_json(text)
    put(text)


def _encoded(text: str, kind: str) -> bytes:
    if kind == "csv":  # spreadsheets know UTF-8 by its mark
        return text.encode("utf-8-sig", "circuitsim.spelled-out")
    try:
        return text.encode()
    except UnicodeEncodeError:
        return _ascii_json(text).encode() if kind == "json" else text.encode("utf-8", "circuitsim.spelled-out")


def _ascii_json(text: str) -> str:
    return json.dumps(json.loads(text), indent=1) + "\n"


def check_target(output: str | None, option: str = "--output") -> None:
    """Raise InputError for a file that surely can't be written, before any work is done for it."""
    if output in (None, "-"):
        return
    if not output or "\0" in output:
        raise InputError("needs the name of a file", key=option)
    path = Path(output)
    if path.is_dir():
        raise InputError("is a directory; give the name of a file", file=output, key=option)
    if not path.parent.is_dir():
        raise InputError("can't be written: there is no such folder", file=output, key=option)
    if path.exists() and not os.access(path, os.W_OK):
        raise InputError("can't be written: it is write-protected", file=output, key=option)


def check_ending(output: str | None) -> None:
    """Raise InputError for a file whose ending promises a format that no chart is written in."""
    ending = Path(output).suffix.lower() if output else ""
    if ending in _OTHERS:
        text = f"no chart is written as {ending}, accepted: .csv, .json, .md, .txt or no ending; --picture draws one"
        raise InputError(text, file=output, key="--output")


def spare(circuit_file: str, output: str | None, option: str = "--output") -> None:
    """Raise InputError when what is to be written is the file that the circuit was read from."""
    if output not in (None, "-") and circuit_file and Path(str(output)).exists():
        with suppress(OSError):
            if Path(str(output)).samefile(circuit_file):
                raise InputError("is the circuit's own file; give another name", file=output, key=option)


def write_file(output: str, data: bytes, option: str = "--output") -> None:
    """Write a file in one go: whoever looks sees the old content or the new, never a part.

    An existing file keeps its permissions, and a link its target. A device or a pipe is written to directly.
    Raises InputError, naming the file, when it can't be written; no part is left behind.
    """
    check_target(output, option)
    try:
        target = Path(output).resolve()
        mode = target.stat().st_mode if target.exists() else None
        if mode is not None and not stat.S_ISREG(mode):
            target.write_bytes(data)
        else:
            _replace(target, data, mode)
    except OSError as error:
        raise InputError(f"can't be written: {error.strerror}", file=output, key=option) from None


def _replace(target: Path, data: bytes, mode: int | None) -> None:
    temporary = target.parent / f".circuitsim-{os.urandom(8).hex()}.tmp"
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if mode is not None:
            temporary.chmod(stat.S_IMODE(mode))
        temporary.replace(target)
    except BaseException:
        with suppress(OSError):
            temporary.unlink()
        raise
