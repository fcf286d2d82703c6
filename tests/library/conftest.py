"""A small valid circuit file, and a way to write a changed one and read it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from circuitsim.library import Circuit, load

BENCH = """\
# An invented bench: a lamp-sized motor behind a fuse and a switch.
name = "bench"
title = "bench"
nominal = "12 V"
steps = ["off", "1", "2"]
motor = "M1"

[supply]
battery = "BAT"

[[run]]
name = "feed"
from = "BAT+"
to = "M1+"
along = [
  { fuse = "F1", part = "blade-fuse", rating = "10 A", colour = "RD" },  # a comment, with ] and }
  { switch = "K1", part = "relay-contact", closed = "ignition" },
  { wire = "W1", part = "vehicle-cable", area = "1.5 mm²", length = "2 m", colour = "RDBU" },
  { pin = "X1.A", part = "pin-2.8" },
]

[[run]]
name = "return"
from = "M1-"
to = "GND"
along = [
  { pin = "X1.B", part = "pin-2.8", walked = "part to harness" },
  { node = "LOW" },
  { resistor = "R1", resistance = { off = "1 MΩ", 1 = "4 Ω ±5 %", 2 = "0.1 Ω" } },
]

[[run]]
name = "ground"
from = "BAT-"
to = "GND"
along = [{ contact = "G1", part = "eyelet-m6" }]

[element.BAT]
kind = "battery"
part = "battery-12v"
plus = "BAT+"
minus = "BAT-"

[element.M1]
kind = "motor"
resistance = "0.5 Ω ±10 %"
constant = "30 mV·s/rad"
plus = "M1+"
minus = "M1-"
shaft = "FAN"

[element.FAN1]
kind = "axial-fan"
torque = "0.08 N·m"
speed = "2500 rpm"
shaft = "FAN"

[connector.X1]
title = "motor connector"
plugs = "M1"

[probe.low]
node = "LOW"
where = "behind the plug"
colour = "BU"

[[reading]]
label = "low side"
instrument = "voltmeter"
red = "low"
black = "GND"
steps = ["1", "2"]
unplugged = ["X1"]

[[reading]]
label = "motor current"
instrument = "clamp"
at = "M1"
"""

Read = Callable[..., Circuit]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Read the bench with some of its text replaced; each piece must stand in it exactly once."""

    def change(*pairs: tuple[str, str], more: str = "", **options: object) -> Circuit:
        text = BENCH
        for old, new in pairs:
            assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the bench"
            text = text.replace(old, new)
        path = tmp_path / "bench.toml"
        path.write_text(text + more, encoding="utf-8")
        return load(path, **options)

    return change


@pytest.fixture
def line_of() -> Callable[[str], int]:
    """Tell the line of the bench on which a piece of text stands."""
    return lambda piece: BENCH[: BENCH.index(piece)].count("\n") + 1
