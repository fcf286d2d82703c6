"""Compiled programs against numpy's evaluation of the same record, and their mathematics against mpmath.

Both ways take the same operations in the same order, but a compiled a·b + c may be rounded once instead of twice.
So the reference carries a running bound of its rounding errors (Higham, Accuracy and Stability of Numerical
Algorithms, 2nd ed. 2002, section 3.3), and the two may differ by a few times that bound.
"""

from __future__ import annotations

import math
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuitsim.engine import native
from circuitsim.engine.blocks import write_program
from circuitsim.engine.native import available, compile_native, empty_rows
from circuitsim.engine.tracing import RUN, SETUP, Trace

pytestmark = pytest.mark.skipif(not available(), reason="llvmlite is not installed (the extra 'compiled')")

HALF_UNIT = 2.0**-53
RNG = np.random.default_rng(5)


@pytest.fixture(autouse=True)
def own_store(tmp_path, monkeypatch):
    """Keep these tests out of the user's store, and count what is compiled."""
    folder = tmp_path / "store"
    monkeypatch.setenv("CIRCUITSIM_CACHE", str(folder))
    return folder


# The functions ----------------------------------------------------------------------------------------------------

SPECIAL = [
    0.0, -0.0, math.inf, -math.inf, math.nan, 1.0, -1.0, np.nextafter(-1, 0), np.nextafter(-1, -2), 5e-324, -5e-324,
    1e-310, 709.782712893384, 709.7827128933841, 1e300, -1e300, -2.0, 1.79e308, -37.5, -50.0, -707.9, math.log(2) / 2,
    -math.log(2) / 2, 1.0 - 2**-53, 2.0**53, 2.0**54,
]  # fmt: skip
REFERENCE = {"exp": mpmath.exp, "expm1": mpmath.expm1, "log1p": mpmath.log1p, "tanh": mpmath.tanh}


def alone(name: str, x: np.ndarray) -> np.ndarray:
    """Run one function, compiled."""
    trace = Trace()
    program = compile_native(trace, [trace.function(name, trace.input("x[0]", RUN))], {"x[0]"})
    out = np.empty((1, x.size))
    program.run({"x": [x]}, out)
    return out[0]


@pytest.mark.parametrize("name", REFERENCE)
def test_functions_meet_their_special_values(name):
    # C17, annex F.10: what the functions give for infinities, NaN, zeros of either sign and overflow; numpy follows it.
    got = alone(name, np.array(SPECIAL))
    with np.errstate(all="ignore"):
        want = getattr(np, name)(np.array(SPECIAL))
    odd = ~np.isfinite(want) | (want == 0)
    if name == "exp":
        odd[SPECIAL.index(-1e300)] = True
    np.testing.assert_array_equal(got[odd], want[odd])
    np.testing.assert_array_equal(np.signbit(got[odd & ~np.isnan(want)]), np.signbit(want[odd & ~np.isnan(want)]))
    assert np.isfinite(got[~odd]).all()


@pytest.mark.parametrize("name", REFERENCE)
def test_functions_are_right_to_a_unit_or_two(name):
    spread = RNG.normal(size=1500) * np.exp(RNG.uniform(-30, 8, 1500))
    far = np.expm1(RNG.uniform(0, 700, 500)) if name == "log1p" else RNG.uniform(-707, 709, 500)
    x = np.array([*SPECIAL, *spread, *RNG.uniform(-1, 1, 1500), *far])
    got = alone(name, x)
    with mpmath.workprec(140):
        for a, b in zip(x.tolist(), got.tolist(), strict=True):
            if math.isnan(b) or math.isinf(b) or math.isinf(a) or (name == "exp" and a < -708.0):
                continue
            exact = REFERENCE[name](mpmath.mpf(a))
            # 2.5 units in the last place, of which half is the last rounding; the C library promises about one.
            assert abs(mpmath.mpf(b) - exact) <= 2.5 * math.ulp(float(exact)), (a, b)


def test_exp_gives_zero_before_denormals():
    np.testing.assert_array_equal(alone("exp", np.array([-708.1, -745.0, -800.0])), 0.0)
    assert (alone("exp", np.array([-707.9])) > sys.float_info.min).all()


def test_narrower_vectors_give_the_same_bytes(monkeypatch):
    x = RNG.uniform(-30, 30, 101)
    usual = [alone(name, x) for name in REFERENCE]
    own = native._target()
    for width in (2, 4, 8):
        monkeypatch.setattr(native, "_target", lambda width=width: replace(own, width=width))
        np.testing.assert_array_equal([alone(name, x) for name in REFERENCE], usual)


# Any program ------------------------------------------------------------------------------------------------------

ONE = ("absolute", "square", "sqrt", "exp", "log", "log1p", "expm1", "tanh", "sign", "reciprocal", "negative", "power")
TWO = ("add", "subtract", "multiply", "divide", "maximum", "minimum")
NUMBERS = st.one_of(
    st.floats(-50.0, 50.0), st.sampled_from([0.0, -0.0, 1.0, -1.0, math.nan, math.inf, -math.inf, 5e-324, 1e200])
)  # fmt: skip


@st.composite
def programs(draw):
    """Record some operations; give the trace and its results."""
    trace = Trace()
    pool = [trace.input(f"x[{k}]", RUN) for k in range(3)] + [trace.input(f"p[{k}]", SETUP) for k in range(3)]
    for _ in range(draw(st.integers(1, 25))):
        name = draw(st.sampled_from(ONE + TWO))
        a = draw(st.sampled_from(pool))
        if name in ("maximum", "minimum") and draw(st.booleans()):
            term = trace.function(name, a, draw(st.sampled_from([0.0, -3.0, 2.5])))
        elif name in TWO:
            term = getattr(trace, name)(
                a, draw(st.sampled_from([*pool, 2.0, -0.5])) if name[0] in "asd" else draw(st.sampled_from(pool))
            )
        elif name == "power":
            term = trace.function(name, a, draw(st.sampled_from([0.225, 1.5, -0.75])))
        else:
            term = trace.function(name, a) if name not in ("reciprocal", "negative") else getattr(trace, name)(a)
        if not isinstance(term, float):
            pool.append(term)
    return trace, [*draw(st.lists(st.sampled_from(pool), min_size=1, max_size=6)), pool[-1], 2.0]


SLOPES = {
    "square": lambda a, v: 2 * np.abs(a), "sqrt": lambda a, v: 0.5 / v, "exp": lambda a, v: v,
    "log": lambda a, v: 1 / np.abs(a), "log1p": lambda a, v: 1 / np.abs(1 + a), "expm1": lambda a, v: v + 1,
    "tanh": lambda a, v: np.ones_like(a), "reciprocal": lambda a, v: v * v, "absolute": lambda a, v: np.ones_like(a),
    "negative": lambda a, v: np.ones_like(a), "sign": lambda a, v: np.zeros_like(a),
}  # fmt: skip


def bound(name: str, a: list, e: list, v: np.ndarray) -> np.ndarray:
    """How far a value may be off, from its operands and how far those may be."""
    if name in ("maximum", "minimum"):
        return np.maximum(e[0], e[1])
    if name in ("add", "subtract"):
        spread = e[0] + e[1]
    elif name == "multiply":
        spread = np.abs(a[0]) * e[1] + np.abs(a[1]) * e[0] + e[0] * e[1]
    elif name == "divide":
        spread = (e[0] + np.abs(v) * e[1]) / np.abs(a[1])
    elif name == "power":
        spread = np.abs(a[1] * v / a[0]) * e[0]
    else:
        spread = SLOPES[name](a[0], v) * e[0]
    # Products of operands that are not quite known may have been rounded to the same number: the bound is then 0/0.
    return np.where(e[0] + (e[1] if len(e) > 1 else 0) == 0, 0, 2 * spread) + 6 * HALF_UNIT * np.abs(v)


def unsure(name: str, a: list, e: list, v: np.ndarray) -> np.ndarray:
    """Where a value hangs on the rounding of its operands: a step, a pole or an edge is within reach of their errors."""
    edge = {"sqrt": 0.0, "log": 0.0, "power": 0.0, "log1p": -1.0, "sign": 0.0, "reciprocal": 0.0}
    doubt = ~np.isfinite(e[0]) | (np.isfinite(v) & (np.abs(v) > 1e290)) | ((v != 0) & (np.abs(v) < 1e-290))
    if name in edge:
        doubt = doubt | ((e[0] > 0) & (np.abs(a[0] - edge[name]) <= 10 * e[0]))
    if len(e) > 1:
        doubt = doubt | ~np.isfinite(e[1])
    if name == "divide":
        doubt = doubt | ((e[1] > 0) & (np.abs(a[1]) <= 10 * e[1]))
    return doubt


def evaluated(trace: Trace, results: list, x: np.ndarray, p: list[float]) -> list[tuple]:
    """Evaluate by numpy; gives each result, how far it may be off, and where nothing can be said."""
    size = x.shape[1]
    done: list[tuple] = []
    for value in trace.values:
        if value.operation == "input":
            v = eval(value.arguments[0], {"x": x, "p": p}) * np.ones(size)  # a code of this test
            done.append((v, np.zeros(size), np.abs(v) > 1e290))
            continue
        parts = [
            done[a] if isinstance(a, int) else (np.full(size, a), np.zeros(size), np.zeros(size, bool)) for a in value.arguments
        ]
        a, e, doubt = ([part[k] for part in parts] for k in range(3))
        v = getattr(np, value.operation)(*a)
        exact = np.where(np.isfinite(v), bound(value.operation, a, e, v), 0.0)
        done.append((v, exact, np.any(doubt, axis=0) | unsure(value.operation, a, e, v) | ~np.isfinite(exact)))
    fixed = (np.zeros(size), np.zeros(size, bool))
    return [(np.full(size, t), *fixed) if isinstance(t, float) else (t[0] * done[t[1]][0], *done[t[1]][1:]) for t in results]


@settings(max_examples=60, deadline=None)
@given(programs(), st.lists(NUMBERS, min_size=33, max_size=33), st.lists(NUMBERS, min_size=3, max_size=3))
def test_any_program_gives_what_numpy_gives(recorded, numbers, parameters):
    trace, results = recorded
    x = np.array(numbers).reshape(3, 11)
    out = np.empty((len(results), 11))
    compile_native(trace, results, {"x[0]", "x[1]", "x[2]"}).run({"x": list(x), "p": parameters}, out)
    with np.errstate(all="ignore"):
        for got, (want, off, doubt) in zip(out, evaluated(trace, results, x, parameters), strict=True):
            sure = ~doubt
            finite = sure & np.isfinite(want)
            np.testing.assert_array_equal(got[sure & ~finite], want[sure & ~finite])
            # Four times the bound: the compiled form may err as far as the reference, each by first-order estimates.
            assert (np.abs(got - want)[finite] <= 4 * off[finite] + 1e-290).all()


def test_nan_wins_over_either_operand():
    trace = Trace()
    x, y = trace.input("x[0]", RUN), trace.input("x[1]", RUN)
    results = [trace.maximum(x, y), trace.minimum(x, y), trace.function("maximum", x, 0.0), trace.function("minimum", x, 0.0)]
    out = np.empty((4, 3))
    compile_native(trace, results, {"x[0]", "x[1]"}).run(
        {"x": [np.array([math.nan, 1.0, 2.0]), np.array([1.0, math.nan, 3.0])]}, out
    )
    np.testing.assert_array_equal(out, [[math.nan, math.nan, 3], [math.nan, math.nan, 2], [math.nan, 1, 2], [math.nan, 0, 0]])


def test_nothing_is_reordered():
    trace = Trace()
    x, y = trace.input("x[0]", RUN), trace.input("x[1]", RUN)
    text = write_program(trace, [trace.add(trace.multiply(x, y), y)], {"x[0]", "x[1]"}, 8).text
    assert not any(flag in text for flag in ("fast", "reassoc", "arcp", "nnan", "ninf", "afn"))
    big = np.array([1e16, 1e16])
    out = np.empty((1, 2))
    compile_native(trace, [trace.subtract(trace.add(x, y), x)], {"x[0]", "x[1]"}).run({"x": [big, np.ones(2)]}, out)
    np.testing.assert_array_equal(out, 0.0)  # (1e16 + 1) - 1e16 in doubles, ties to even


# Batches ----------------------------------------------------------------------------------------------------------


def sample_program() -> tuple[Trace, list]:
    trace = Trace()
    x, y, p, q = (trace.input(code, RUN if code[0] == "x" else SETUP) for code in ("x[0]", "x[1]", "p[0]", "p[2]"))
    both = trace.multiply(trace.function("exp", p), trace.add(x, q))
    return trace, [trace.divide(both, y), trace.negative(trace.function("tanh", both)), p, trace.negative(q), 1.5, x]


@pytest.mark.parametrize("size", range(1, 21))
def test_every_batch_size_gives_the_same_samples(size):
    trace, results = sample_program()
    program = compile_native(trace, results, {"x[0]", "x[1]", "p[2]"})
    x, q = RNG.uniform(1, 2, (2, 40)), RNG.normal(size=40)
    whole, part = np.empty((6, 40)), np.full((6, size + 2), 7.0)
    program.run({"x": list(x), "p": [0.3, None, q]}, whole)
    begin = 40 - size
    program.run({"x": list(x[:, begin:]), "p": [0.3, None, q[begin:]]}, part[:, 1:-1])
    np.testing.assert_array_equal(part[:, 1:-1], whole[:, begin:])
    np.testing.assert_array_equal(part[:, [0, -1]], 7.0)  # nothing beside the rows
    np.testing.assert_array_equal(whole[2:5].T, [[0.3, -v, 1.5] for v in q])


def test_parts_of_a_batch_may_be_run_apart():
    trace, results = sample_program()
    program = compile_native(trace, results, {"x[0]", "x[1]"})
    inputs = {"x": list(RNG.uniform(1, 2, (2, 53))), "p": [0.3, 0.0, 0.7]}
    whole, parts = np.empty((6, 53)), np.full((6, 53), 7.0)
    program.run(inputs, whole)
    bound = program.bind(inputs, parts)
    bound.run(3, 14)
    bound.run(14, 14)
    np.testing.assert_array_equal(parts[:, 3:14], whole[:, 3:14])
    np.testing.assert_array_equal(parts[:, [2, 14]], 7.0)
    for begin, end in ((-1, 3), (5, 4), (50, 54)):
        with pytest.raises(ValueError, match="of 53"):
            bound.run(begin, end)


def test_an_empty_batch_is_left_alone():
    trace, results = sample_program()
    program = compile_native(trace, results, {"x[0]", "x[1]"})
    program.run({"x": [np.empty(0), np.empty(0)], "p": [0.3, 0.0, 0.7]}, np.empty((6, 0)))


def test_threads_give_the_same_bytes():
    trace, results = sample_program()
    program = compile_native(trace, results, {"x[0]", "x[1]", "p[2]"})
    inputs = {"x": list(RNG.uniform(1, 2, (2, 5003))), "p": [0.3, 0.0, RNG.normal(size=5003)]}
    outs = [np.empty((6, 5003)) for _ in range(9)]
    program.run(inputs, outs[0])
    program.run(inputs, outs[1], threads=3)
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda out: program.run(inputs, out, threads=2), outs[2:]))
    for out in outs[1:]:
        np.testing.assert_array_equal(out, outs[0])


def test_a_number_may_stand_for_a_row():
    trace, results = sample_program()
    program = compile_native(trace, results, {"x[0]", "x[1]", "p[2]"})
    out, same = np.empty((6, 9)), np.empty((6, 9))
    x = RNG.uniform(1, 2, (2, 9))
    program.run({"x": list(x), "p": [0.3, 0.0, 0.7]}, out)
    program.run({"x": list(x), "p": [0.3, 0.0, np.full(9, 0.7)]}, same)
    np.testing.assert_array_equal(out, same)


def test_wrong_arrays_are_refused():
    trace, results = sample_program()
    program = compile_native(trace, results, {"x[0]", "x[1]"})
    x, p, out = RNG.uniform(1, 2, (2, 9)), [0.3, 0.0, 0.7], np.empty((6, 9))
    for message, inputs, rows in (
        ("5 rows for 6 results", {"x": x, "p": p}, out[:5]),
        ("side by side", {"x": x, "p": p}, np.empty((9, 6)).T),
        ("rows of doubles", {"x": x, "p": p}, out.astype(np.float32)),
        (r"x\[1\] has shape \(8,\)", {"x": [x[0], x[1, :8]], "p": p}, out),
        (r"p\[2\] is an array", {"x": x, "p": [0.3, 0.0, np.ones(9)]}, out),
        ("overlaps", {"x": [x[0], out[3]], "p": p}, out),
    ):
        with pytest.raises(ValueError, match=message):
            program.run(inputs, rows)
    with pytest.raises(ValueError, match="not a name and a place"):
        compile_native(trace, [trace.input("speed", RUN)], {"speed"})


def test_rows_begin_where_cache_lines_do():
    for size in (1, 8, 512, 4096, 4099):
        rows = empty_rows(3, size)
        assert rows.shape == (3, size)
        assert {row.ctypes.data % 64 for row in rows} == {0}
        assert rows.strides[0] % 4096 != 0


# The store --------------------------------------------------------------------------------------------------------


@pytest.fixture
def compiled(monkeypatch):
    """Sizes of what was compiled, in order."""
    done: list[int] = []
    compile_text = native._Target.machine_code

    def counted(self, text: str) -> bytes:
        code = compile_text(self, text)
        done.append(len(code))
        return code

    monkeypatch.setattr(native._Target, "machine_code", counted)
    return done


def outcome() -> np.ndarray:
    trace, results = sample_program()
    out = np.empty((6, 10))
    compile_native(trace, results, {"x[0]", "x[1]"}).run({"x": list(np.ones((2, 10))), "p": [0.3, 0.0, 0.7]}, out)
    return out


def test_a_program_is_compiled_once(own_store, compiled):
    first = outcome()
    np.testing.assert_array_equal(outcome(), first)
    assert len(compiled) == 1
    assert len(list(own_store.glob("native-*"))) == 1


@pytest.mark.parametrize("harm", ["flipped", "cut", "empty", "foreign", "open to others"])
def test_a_damaged_or_foreign_entry_is_never_run(own_store, compiled, harm):
    first = outcome()
    (entry,) = own_store.glob("native-*")
    data = entry.read_bytes()
    if harm == "open to others":
        entry.chmod(0o622)
    else:
        middle = len(data) // 2
        flipped = data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :]
        foreign = b"0" * 64 + data[64:]
        entry.write_bytes({"flipped": flipped, "cut": data[:middle], "empty": b"", "foreign": foreign}[harm])
    np.testing.assert_array_equal(outcome(), first)
    assert len(compiled) == 2


def test_without_a_store_programs_are_compiled_each_time(monkeypatch, compiled):
    monkeypatch.setenv("CIRCUITSIM_CACHE", "off")
    np.testing.assert_array_equal(outcome(), outcome())
    assert len(compiled) == 2


@pytest.fixture
def nothing_known():
    """Whether LLVM is there is asked once a process; here it is asked anew, and after the test too."""
    for known in (native._target, available):
        known.cache_clear()
    yield
    for known in (native._target, available):
        known.cache_clear()


def test_without_llvmlite_it_says_so(monkeypatch, nothing_known):
    monkeypatch.setitem(sys.modules, "llvmlite", None)
    assert not available()
    with pytest.raises(ModuleNotFoundError, match="llvmlite"):
        outcome()
