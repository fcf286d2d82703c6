r"""A store on disk for what can be made again: generated code, elimination orders, circuits in plain form.

`fetch` gives a text by its key, and makes it only when the store has none. A key is all that the text is made from:
the content of the files it comes from, that of the modules that make it (`fingerprint`), versions, options. Nothing
in the store is ever needed: whatever is wrong with it (no home, a full or write-protected disk, another user's folder,
a damaged entry) means that the text is made anew, without a word; only bugs in the making show.

Where: the folder that the environment variable CIRCUITSIM_CACHE names (``off``: nowhere), else that of the platform:
``$XDG_CACHE_HOME/circuitsim``, ``~/.cache/circuitsim``, ``~/Library/Caches/circuitsim`` or
``%LOCALAPPDATA%\circuitsim\cache``.

Trust: entries hold code, so a folder counts only when it belongs to this user and no one else may write to it, and so
does each entry (where the system has such owners; elsewhere the user's own folders are private by default). An entry
carries its key and a checksum of its content, and is written beside its place and moved there in one go, so that
neither a crash nor a second process leaves half of one. Old entries go when the store grows past 64 MB.
"""

from __future__ import annotations

import marshal
import os
import re
import stat
import sys
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from types import CodeType

__all__ = ["LARGEST", "Store", "fetch", "fetch_bytes", "fetch_code", "fingerprint", "release", "store"]

LARGEST = 64 * 2**20
"""Bytes in the store before the entries that were longest unused are thrown away."""
_MOST = 4096  # entries
_SUFFIXES = (".txt", ".py", ".code", ".data")
_FORMAT = "circuitsim-cache-1"
_ENTRY = 16 * 2**20  # bytes; no entry is larger
_DAY = 86400.0
_STARTED = time.time()
_ENTRIES = re.compile(r"[a-z-]+-[0-9a-f]{32}\.(txt|py|code|data)(\..*tmp)?")
"""Names that are ours; nothing else in the folder is ever touched."""
_OWN = hasattr(os, "getuid")
_READ = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
_PACKAGE = Path(__file__).resolve().parent


def fetch(kind: str, key: Iterable[str | bytes], build: Callable[[], str], suffix: str = ".txt") -> str:
    """Give the text of a key out of the store; make and keep it when there is none.

    Parameters
    ----------
    kind : str
        What it is, in letters: the beginning of the file's name.
    key : iterable of str or bytes
        All that the text is made from, in a fixed order.
    build : callable
        Makes the text.
    suffix : str
        Ending of the file's name, for people who look into it: .txt, .py or .data.
    """
    return fetch_bytes(kind, key, lambda: build().encode(), suffix).decode()


def fetch_bytes(kind: str, key: Iterable[str | bytes], build: Callable[[], bytes], suffix: str = ".data") -> bytes:
    """Give the bytes of a key; parameters as in `fetch`."""
    found = store()
    if found is None:
        return build()
    digest = _digest(kind, key)
    name = f"{kind}-{digest[:32]}{suffix}"
    data = found.read(name, digest)
    if data is None:
        data = build()
        found.write(name, digest, data)
    return data


def fetch_code(kind: str, key: Iterable[str | bytes], build: Callable[[], str]) -> CodeType:
    """Give the compiled code of a source text; parameters as in `fetch`.

    The source is kept readable beside the compiled form, which is of this interpreter's version alone.
    """
    found, parts = store(), list(key)
    digest = _digest(kind, [*parts, *_INTERPRETER])
    name = f"{kind}-{digest[:32]}.code"
    data = found.read(name, digest) if found else None
    if data is not None:
        with suppress(ValueError, EOFError, TypeError):
            code = marshal.loads(data)  # written by this user, and its checksum is right
            if isinstance(code, CodeType):
                return code
    source = fetch(kind, parts, build, ".py")
    code = compile(source, f"<{kind} {_digest(kind, parts)[:12]}>", "exec", dont_inherit=True)
    if found:
        found.write(name, digest, marshal.dumps(code))
    return code


_INTERPRETER = (sys.implementation.cache_tag or "", sys.version, sys.byteorder)


def _digest(kind: str, key: Iterable[str | bytes]) -> str:
    total = sha256(f"{_FORMAT}\0{kind}\0".encode())
    for part in key:
        raw = part.encode("utf-8", "surrogatepass") if isinstance(part, str) else part
        total.update(f"{len(raw)}:".encode())
        total.update(raw)
    return total.hexdigest()


@lru_cache(maxsize=16)
def fingerprint(*places: str) -> str:
    """Give a hash of the content of modules of this package, each a file or a folder in it: ``"elements"``.

    Where the package's source can't be read, or is newer than this process, it is a random text, which no entry of another
    process has.
    """
    total = sha256()
    try:
        for place in places:
            path = _PACKAGE / place
            for file in [path] if place.endswith(".py") else sorted(path.glob("*.py")):
                if file.stat().st_mtime > _STARTED:  # what was imported may be another text
                    return os.urandom(16).hex()
                raw = file.read_bytes()
                total.update(f"{place} {file.name} {len(raw)}:".encode())
                total.update(raw)
    except OSError:
        return os.urandom(16).hex()
    return total.hexdigest()


@lru_cache(maxsize=8)
def release(package: str) -> str:
    """Give what tells one release of a third-party package from another, without importing it ('' when not there)."""
    from importlib.util import find_spec

    spec = find_spec(package)
    if spec is None or spec.origin is None:
        return ""
    own = Path(spec.origin)
    for file in (own.with_name("release.py"), own.with_name("version.py"), own):
        with suppress(OSError):
            return sha256(file.read_bytes()).hexdigest()
    return spec.origin


# The folder -----------------------------------------------------------------------------------------------------


def store() -> Store | None:
    """Give the store of this process as the environment says now; None when there is none to be used."""
    return _opened(_place())


def _place() -> str:
    """Give the absolute path of the folder, or '' for none."""
    setting = os.environ.get("CIRCUITSIM_CACHE", "").strip()
    if setting.lower() == "off":
        return ""
    try:
        return str(Path(setting).absolute() if setting else _usual_place())
    except (OSError, RuntimeError):  # no home, no working folder
        return ""


def _usual_place() -> Path:
    shared = Path(os.environ.get("XDG_CACHE_HOME", ""))
    if shared.is_absolute():  # a relative one is to be ignored, the XDG specification says
        return shared / "circuitsim"
    if os.name == "nt" and os.environ.get("LOCALAPPDATA"):
        return Path(os.environ["LOCALAPPDATA"]) / "circuitsim" / "cache"
    own = Path("Library", "Caches") if sys.platform == "darwin" else Path(".cache")
    home = Path.home()
    if not home.is_absolute():
        raise RuntimeError("no home")
    return home / own / "circuitsim"


@lru_cache(maxsize=8)
def _opened(folder: str) -> Store | None:
    if not folder:
        return None
    path = Path(folder)
    try:
        path.mkdir(mode=0o700, parents=True, exist_ok=True)
        fits = _trusted(path.lstat(), stat.S_ISDIR)
    except (OSError, ValueError):
        return None
    return Store(path) if fits else None


def _trusted(status: os.stat_result, is_kind: Callable[[int], bool]) -> bool:
    """Whether something is of a kind, this user's, and closed to writing by others."""
    if not is_kind(status.st_mode):
        return False
    return not _OWN or (status.st_uid == os.getuid() and not status.st_mode & 0o022)


class Store:
    """A folder of entries, each a file: one line with format, key and checksum, then the content.

    Reading gives None for whatever is not exactly as written; writing that fails is given up for this process.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._writes = True
        self._written = 0

    def read(self, name: str, digest: str) -> bytes | None:
        """Give the content of an entry; None when it is not there, not ours, damaged, or of another key."""
        try:
            handle = os.open(self.folder / name, _READ)
        except (OSError, ValueError):
            return None
        try:
            status = os.fstat(handle)
            if not _trusted(status, stat.S_ISREG) or status.st_size > _ENTRY:
                return None
            data = b"".join(iter(lambda: os.read(handle, 1 << 20), b""))
            if time.time() - status.st_mtime > _DAY:  # what is in use counts as young
                with suppress(OSError, NotImplementedError, TypeError):
                    os.utime(handle)
        except OSError:
            return None
        finally:
            os.close(handle)
        head, _, content = data.partition(b"\n")
        return content if head == _head(digest, content) else None

    def write(self, name: str, digest: str, content: bytes) -> None:
        """Put an entry in its place in one go; does nothing when the folder can't be written to."""
        if not self._writes or len(content) > _ENTRY // 2:
            return
        temporary = self.folder / f"{name}.{os.getpid()}-{os.urandom(4).hex()}.tmp"
        try:
            handle = os.open(temporary, _NEW, 0o600)
            try:
                with os.fdopen(handle, "wb") as stream:
                    stream.write(_head(digest, content) + b"\n" + content)
                temporary.replace(self.folder / name)
            except OSError:
                temporary.unlink()
                raise
        except OSError:
            self._writes = False
            return
        if self._written % 256 == 0:
            self.prune()
        self._written += 1

    def prune(self, largest: int = LARGEST, most: int = _MOST) -> None:
        """Throw away what was longest unused until there are three quarters of the limits, and what a crash left."""
        now = time.time()
        found: list[tuple[float, int, Path]] = []
        paths: list[Path] = []
        with suppress(OSError):
            paths += self.folder.iterdir()
        for path in paths:
            with suppress(OSError):  # another process is at it too
                status = path.lstat()
                if not _ENTRIES.fullmatch(path.name):
                    continue
                if path.suffix in _SUFFIXES:
                    found.append((status.st_mtime, status.st_size, path))
                elif path.suffix == ".tmp" and now - status.st_mtime > 0.04 * _DAY:
                    path.unlink()
        size, count = sum(f[1] for f in found), len(found)
        if size <= largest and count <= most:
            return
        for _, taken, path in sorted(found):
            if size <= 0.75 * largest and count <= 0.75 * most:
                break
            with suppress(OSError):  # gone already, or not to be removed
                path.unlink()
            size, count = size - taken, count - 1


def _head(digest: str, content: bytes) -> bytes:
    return f"# {_FORMAT} {digest} {sha256(content).hexdigest()}".encode()
