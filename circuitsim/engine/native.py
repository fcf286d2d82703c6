"""Recorded programs (`Trace`) compiled for this processor: an optional way, some five times faster than numpy's.

Needs llvmlite (``pip install circuitsim[compiled]``); `available` says whether it is there, and numpy's way does the
same without it. A compiled program may be run by several threads at once; a run holds no lock. Sums of products may be
rounded once less than numpy does, otherwise the operations and their order are the same.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from importlib.util import find_spec
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuitsim.cache import store
from circuitsim.engine.blocks import ProgramText, write_program
from circuitsim.engine.tracing import Term, Trace

__all__ = ["Bound", "Native", "available", "compile_native", "empty_rows"]

Array = NDArray[np.float64]
Inputs = Mapping[str, Sequence[float | Array]]
_LINE = 8  # doubles in a cache line
_POINTER = ctypes.c_void_p


@lru_cache(maxsize=1)
def available() -> bool:
    """Whether programs can be compiled here: llvmlite is installed, loads, and knows this machine."""
    if find_spec("llvmlite") is None:
        return False
    try:
        _target()
    except (ImportError, OSError, RuntimeError):
        return False
    return True


def empty_rows(count: int, size: int) -> Array:
    """Give an uninitialised (count, size) array whose rows begin where cache lines do: a tenth faster to run over."""
    stride = -(-size // _LINE) * _LINE
    if stride % 512 == 0:  # rows a multiple of 4 KB apart compete for the same lines of the cache
        stride += _LINE
    flat = np.empty(count * stride + _LINE)
    first = -(flat.ctypes.data // flat.itemsize) % _LINE
    return flat[first : first + count * stride].reshape(count, stride)[:, :size]


def compile_native(trace: Trace, results: Sequence[Term], varying: Collection[str]) -> Native:
    """Compile a recorded program, or take its compiled form from the store on disk.

    Parameters
    ----------
    trace : Trace
        What was recorded. The codes of its inputs must be a name and a place: ``x[12]``.
    results : sequence of terms
        What is asked for, in this order.
    varying : collection of str
        Codes of the inputs that may differ between samples. What depends on none of them is computed once a call.

    Raises
    ------
    ModuleNotFoundError
        When llvmlite is not installed.
    RuntimeError
        When LLVM can't compile or load the program on this machine.
    """
    target = _target()
    program = write_program(trace, results, varying, target.width)
    kept, key = store(), sha256("\0".join([*target.key, program.text]).encode()).hexdigest()
    name = f"native-{key[:32]}.code"
    # The store gives only what this user wrote, whole, under this key.
    machine_code = kept.read(name, key) if kept else None
    if machine_code is None:
        machine_code = target.machine_code(program.text)
        if kept:
            kept.write(name, key, machine_code)
    return Native(program, machine_code)


@dataclass(frozen=True)
class _Target:
    """The processor here, as LLVM names it."""

    cpu: str
    features: str
    width: int
    key: tuple[str, ...]

    def machine_code(self, text: str) -> bytes:
        """Compile a module; gives an object file."""
        from llvmlite import binding

        machine = binding.Target.from_default_triple().create_target_machine(
            cpu=self.cpu, features=self.features, opt=_EFFORT, reloc="pic", codemodel=_MODEL
        )
        # No pass on the text before: what could be shared is shared already, and nothing may be reordered.
        with binding.parse_assembly(text) as module:
            module.verify()
            code: bytes = machine.emit_object(module)
        return code


_EFFORT = 1  # register allocation is what counts; more effort gave the same speed
_MODEL = "default" if sys.platform == "win32" else "small"


@lru_cache(maxsize=1)
def _target() -> _Target:
    import llvmlite
    from llvmlite import binding

    binding.initialize_native_target()
    binding.initialize_native_asmprinter()
    cpu, features = binding.get_host_cpu_name(), binding.get_host_cpu_features()
    # A value of eight doubles is one register with AVX-512; four are one or two elsewhere.
    width = 8 if features.get("avx512f") else 4
    text = features.flatten()
    versions = (llvmlite.__version__, str(binding.llvm_version_info), binding.get_default_triple())
    return _Target(cpu, text, width, ("native-1", cpu, text, str(_EFFORT), _MODEL, *versions))


class Native:
    """A compiled program, loaded; made by `compile_native`."""

    def __init__(self, program: ProgramText, machine_code: bytes) -> None:
        from llvmlite import binding

        _target()  # sets LLVM up
        self.program = program
        self.size = len(machine_code)
        # Kept as long as the functions are.
        self._linker = binding.create_lljit_compiler()
        library = binding.JITLibraryBuilder().add_object_img(machine_code).add_current_process()
        self._library = library.export_symbol("setup").export_symbol("run").link(self._linker, "program")
        tables = (_POINTER, _POINTER, _POINTER)
        self._setup = ctypes.CFUNCTYPE(None, *tables, ctypes.c_int64)(self._library["setup"])
        self._run = ctypes.CFUNCTYPE(None, *tables, ctypes.c_int64, ctypes.c_int64)(self._library["run"])
        self._rows = [_parsed(code) for code in program.rows]
        self._fixed = [_parsed(code) for code in program.fixed]

    def bind(self, inputs: Inputs, out: Array | Sequence[Array]) -> Bound:
        """Take the inputs and outputs of a batch, and compute what is the same for all its samples.

        Parameters
        ----------
        inputs : mapping
            By the name in an input's code, then by place: a number, or an array with one entry a sample (only for codes
            that were said to vary). ``{"x": [row, ...], "p": [...]}`` for codes such as ``x[0]`` and ``p[3]``.
        out : array (results, batch), or a sequence of arrays (batch,)
            Where results go: doubles side by side, nowhere overlapping the inputs.

        Raises
        ------
        ValueError
            When an array has another size or type than is asked for, or outputs overlap inputs.
        """
        outs = list(out)
        if len(outs) != self.program.results or not outs:
            raise ValueError(f"{len(outs)} rows for {self.program.results} results")
        size = outs[0].size
        for row in outs:
            if row.dtype != np.float64 or row.shape != (size,) or not row.flags.c_contiguous or not row.flags.writeable:
                raise ValueError("results need rows of doubles side by side, all of one size")
        rows = [_row(inputs[name][k], size, name, k) for name, k in self._rows]
        numbers = np.array([_number(inputs[name][k], name, k) for name, k in self._fixed], dtype=np.float64)
        constants = np.empty(self.program.constants)
        given, taken = _entries(numbers), _entries(constants)  # named, so that they are there during the call
        self._setup(_address(given), _address(constants), _address(taken), 0)
        row_table, out_table = _table(rows), _table(outs)
        if (np.abs(out_table[:, None] - row_table) < 8 * size).any():
            raise ValueError("an output overlaps an input")
        return Bound(self, self._run, rows, constants, outs, row_table, out_table)

    def run(self, inputs: Inputs, out: Array | Sequence[Array], threads: int = 1) -> None:
        """Run a whole batch, parts of it side by side; parameters and errors as of `bind`."""
        bound = self.bind(inputs, out)
        size = bound.outs[0].size
        if threads <= 1:
            return bound.run(0, size)
        edges = [size * k // threads // _LINE * _LINE for k in range(threads)] + [size]
        with ThreadPoolExecutor(threads) as pool:
            for done in [pool.submit(bound.run, a, b) for a, b in pairwise(edges)]:
                done.result()
        return None


@dataclass(frozen=True)
class Bound:
    """A compiled program with the inputs and outputs of a batch; `run` does samples begin to end, from any thread."""

    native: Native  # the function lives as long as this does
    function: Any
    rows: list[Array]
    constants: Array
    outs: list[Array]
    row_table: NDArray[np.int64]
    out_table: NDArray[np.int64]

    def run(self, begin: int, end: int) -> None:
        """Compute samples from begin up to, not including, end."""
        if not 0 <= begin <= end <= self.outs[0].size:
            raise ValueError(f"samples {begin} to {end} of {self.outs[0].size}")
        self.function(_address(self.row_table), _address(self.constants), _address(self.out_table), begin, end)


def _parsed(code: str) -> tuple[str, int]:
    name, _, place = code.partition("[")
    if not place.endswith("]") or not place[:-1].isdecimal():
        raise ValueError(f"input code {code!r} is not a name and a place, such as x[12]")
    return name, int(place[:-1])


def _row(value: float | Array, size: int, name: str, k: int) -> Array:
    if not isinstance(value, np.ndarray) or value.ndim == 0:
        return np.full(size, float(value))
    if value.shape != (size,):
        raise ValueError(f"{name}[{k}] has shape {value.shape}, not ({size},)")
    return np.ascontiguousarray(value, dtype=np.float64)


def _number(value: float | Array, name: str, k: int) -> float:
    if isinstance(value, np.ndarray) and value.ndim:
        raise ValueError(f"{name}[{k}] is an array, but the program was compiled for one number")
    return float(value)


def _address(array: NDArray[Any]) -> int:
    address: int = array.__array_interface__["data"][0]  # half the time of array.ctypes.data
    return address


def _table(rows: Sequence[Array]) -> NDArray[np.int64]:
    return np.array([_address(row) for row in rows], dtype=np.int64)


def _entries(numbers: Array) -> NDArray[np.int64]:
    """Give the address of each number: rows of one sample."""
    return _address(numbers) + np.arange(numbers.size, dtype=np.int64) * numbers.itemsize
