"""Lines of a chart that look at a waveform, hold a level for a time, or have a lamp fitted; and what is not accepted."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from circuitsim.errors import CircuitFileError, InputError, QuantityError, UnknownNameError
from circuitsim.library import Circuit
from circuitsim.library.functions import CAPTURE, FUNCTIONS, INSTRUMENTS, function_of, on_bench, on_clamp, title_of, unit_of
from circuitsim.library.plain import circuit_of_text, text_of_circuit

Read = Callable[..., Circuit]
LEADS = 'instrument = "voltmeter"\n'


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_function_may_stand_in_a_chart(name: str, read: Read) -> None:
    first, second = read((LEADS, f'instrument = "{name}"\n'), ('instrument = "clamp"', f'instrument = "clamp-{name}"')).readings
    assert (first.instrument, second.instrument) == (name, f"clamp-{name}")
    assert (first.capture, second.capture) == ((CAPTURE,) * 2 if FUNCTIONS[name].capture else (0.0, 0.0))


def test_a_capture_time_and_a_lamp_are_read_and_kept(read: Read) -> None:
    circuit = read((LEADS, 'instrument = "min"\ncapture = "1 ms"\nfitted = ["lamp:X1.A/harness:X1.B/harness"]\n'))
    (first, _) = circuit.readings
    assert first.capture == 1e-3
    assert first.fitted == ("lamp:X1.A/harness:X1.B/harness",)
    again = circuit_of_text(text_of_circuit(circuit))
    assert again.readings == circuit.readings


WRONG = {
    "a function of a clamp needs a wire": (
        (LEADS, 'instrument = "clamp-ac"\n'), CircuitFileError, ("a clamp-ac needs the key 'at'",),
    ),
    "a function between leads needs leads": (
        ('instrument = "clamp"', 'instrument = "duty"'), CircuitFileError, ("a duty needs the key 'red'",),
    ),
    "a word that is no instrument": (
        (LEADS, 'instrument = "dutty"\n'), UnknownNameError, ("did you mean 'duty'",),
    ),
    "a capture time of what has none": (
        (LEADS, 'instrument = "duty"\ncapture = "1 ms"\n'), CircuitFileError, ("capture", "only min and max have one"),
    ),
    "a capture time without its unit": (
        (LEADS, 'instrument = "max"\ncapture = "1"\n'), QuantityError, ("capture", "has no unit"),
    ),
    "a capture time of an hour": (
        (LEADS, 'instrument = "max"\ncapture = "1 h"\n'), InputError, ("capture", "out of range", "1 µs to 10 s"),
    ),
    "a jumper for one reading": (
        (LEADS, LEADS + 'fitted = ["jumper:low:GND"]\n'), CircuitFileError, ("fitted", "accepted: lamp:A:B"),
    ),
    "a lamp that goes nowhere": (
        (LEADS, LEADS + 'fitted = ["lamp:lwo:GND"]\n'), UnknownNameError, ("fitted", "did you mean 'low'"),
    ),
}  # fmt: skip


@pytest.mark.parametrize(("change", "error", "says"), WRONG.values(), ids=WRONG)
def test_what_is_not_accepted(change: tuple[str, str], error: type[InputError], says: tuple[str, ...], read: Read) -> None:
    with pytest.raises(error) as caught:
        read(change)
    told = str(caught.value)
    assert "bench.toml:" in told
    assert "\n" not in told
    assert all(text in told for text in says), told


def test_what_an_instrument_is() -> None:
    assert [unit_of(n) for n in ("voltmeter", "clamp", "ac", "clamp-ac", "duty", "clamp-frequency")] == [
        "V",
        "A",
        "V",
        "A",
        "1",
        "Hz",
    ]
    assert [on_clamp(n) for n in ("voltmeter", "clamp", "clamp-min", "min")] == [False, True, True, False]
    assert [on_bench(n) for n in ("duty", "lamp", "voltmeter", "clamp-ac")] == ["voltmeter", "lamp", "voltmeter", "clamp-ac"]
    assert all(function_of(n) is None for n in INSTRUMENTS)
    assert function_of("clamp-max") is FUNCTIONS["max"]
    assert (title_of("clamp-min", "1 ms"), title_of("duty")) == ("clamp min of 1 ms", "duty")
