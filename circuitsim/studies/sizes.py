"""The sizes that a drafted circuit file is filled with: wires by the fuse, contacts and motor by current and voltage.

Everything is scaled from a circuit of 12 V, 18 A and a 30 A fuse, whose typical parts are those named ``any-…``. A value
that would hardly differ from its part's is left to the part.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from circuitsim.elements import element_kinds
from circuitsim.library.parts import parts
from circuitsim.quantities import format_quantity
from circuitsim.studies.answers import WIRES, Answers, Motor

__all__ = ["FULL_SPEED", "Size", "sizes", "wire_sizes"]

FULL_SPEED = 3000 * 2 * math.pi / 60
"""Speed at which a drafted motor runs at full speed, rad/s: assumed, as no electrical reading depends on it."""
_REFERENCE = (12.0, 18.0, 30.0)  # V, A, A of the fuse
_NEARLY = 1.2  # within this factor a part's own value serves
_SECTIONS = (0.35, 0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0, 25.0, 35.0, 50.0, 70.0, 95.0)  # mm², ISO 6722 (from memory)
_REST = 12.6  # V; of a battery of 12 V, rested and nearly full


@dataclass(frozen=True)
class Size:
    """A value, or some, as they stand in the file, and where they are from; both empty where the part's own serve."""

    text: str = ""
    origin: str = ""


def sizes(answers: Answers, motor: Motor, torque: Size, constant: Size) -> dict[str, Any]:
    """Give everything that the template needs of sizes; torque, constant: of the fan and the motor."""
    s = _Scale(answers, motor)
    return {
        **s.wires(), **s.contacts(), "battery": s.battery(), "alternator": s.alternator(),
        "motor": s.motor(constant), "fan": s.fan(torque), "stage": s.stage(), "command": s.command(), "taps": s.taps(),
    }  # fmt: skip


def wire_sizes(answers: Answers, motor: Motor) -> dict[str, Size]:
    """Give section and length, as the file has them, of each of `WIRES`."""
    found = _Scale(answers, motor).wires()
    return {name: found[f"{name}_wire"] for name in WIRES}


class _Scale:
    def __init__(self, answers: Answers, motor: Motor) -> None:
        self.answers, self.known = answers, motor
        volts, amps, fuse = _REFERENCE
        self.v, self.i, self.f = answers.nominal / volts, motor.current / amps, motor.fuse / fuse
        self.rest = _REST * self.v
        self.steps = [str(k) for k in range(1, answers.steps + 1)]

    # Wires and contacts -----------------------------------------------------------------------------------------

    def wires(self) -> dict[str, Size]:
        """Give each wire's section and length."""
        fuse = "by the fuse's rating" if self.answers.fuse is not None else "assumed"
        known = {name: (area, length) for name, area, length in self.answers.wires}

        def told(name: str) -> tuple[float | None, float | None]:
            return known.get(name, (None, None))

        i = math.sqrt(self.i)
        return {
            "feed_wire": _wire(4 * self.f, fuse, 2.0, told("feed")),
            "low_wire": _wire(4 * self.f, fuse, 0.5, told("low")),
            "ground_wire": _wire(4 * self.f, fuse, 0.8 if self.answers.control == "pack" else 0.6, told("ground")),
            "battery_wire": _wire(16 * i, "by the motor current", 1.5, told("battery")),
            "earth_wire": _wire(25 * i, "by the motor current", 0.6), "alternator_wire": _wire(16, "assumed", 1.5),
            "stub_wire": _wire(4 * self.f, fuse, 0.5), "top_wire": _wire(4 * self.f, fuse, 1.5),
            "tap_wire": _wire(2.5 * self.f, fuse, 1.5), "supply_wire": _wire(0.75, "assumed", 2.0),
            "thin_wire": _wire(0.75, "assumed", 0.6), "panel_wire": _wire(0.75, "assumed", 1.0),
            "command_wire": _wire(0.5, "assumed", 1.5),
            "lead": _inside(2.5 * self.i, 0.2), "choke": _inside(2.0 * self.i, 0.5),
        }  # fmt: skip

    def contacts(self) -> dict[str, Size]:
        """Give the contacts that carry the motor's current: bigger ones where it is bigger."""
        root = 1 / math.sqrt(self.i)
        clip = 1 / math.sqrt(self.i)
        resistance = 2e-3 * self.f**-1.2
        known = self.answers.fuse is not None
        wide = "" if known else " ×/÷ 1.6"
        text = f'rating = "{format_quantity(self.known.fuse, "A")}", resistance = "{_ohms(resistance)}{wide}"'
        return {
            "pin": _contact("any-power-pin", "resistance", root), "brush": _contact("any-brush", "resistance", 1 / self.i),
            "clip": _contact("any-joint", "resistance", clip), "relay": _contact("any-switch", "on_resistance", root),
            "selector": _contact("any-selector", "on_resistance", root), "eyelet": _contact("any-ground", "resistance", root),
            "fuse": Size(text, f"rating {self.known.fuse_from}, resistance by the rating"),
        }  # fmt: skip

    # What stands between ----------------------------------------------------------------------------------------

    def battery(self) -> dict[str, Size]:
        """Give the battery's values."""
        told = Size(format_quantity(self.rest, "V"), "assumed: rested and nearly full; --supply gives the measured one")
        return {"emf": told, **self._scaled("any-battery", "by the nominal voltage", {
            "resistance": self.v, "charge_resistance": self.v, "temperature_coefficient": self.v,
        })}  # fmt: skip

    def alternator(self) -> dict[str, Size]:
        """Give the alternator's values."""
        scaled = {"regulated": self.v, "temperature_coefficient": self.v}
        return self._scaled("any-alternator", "by the nominal voltage", scaled)

    def motor(self, constant: Size) -> dict[str, Size]:
        """Give the motor's values."""
        power = self.v * self.i
        return {
            "resistance": Size(self.known.resistance_text, self.known.resistance_from), "constant": constant,
            **self._scaled("any-fan-motor", "by current and voltage", {
                "brush_drop": math.sqrt(self.v), "brush_onset": math.sqrt(self.i), "friction": power, "viscous": power,
                "winding_resistance_heat": 1 / power, "case_resistance_heat": 1 / power,
            }),
        }  # fmt: skip

    def fan(self, torque: Size) -> dict[str, Size]:
        """Give the fan wheel's values."""
        speed = Size("3000 rpm", "assumed, see the motor's constant")
        return {"torque": torque, "speed": speed, **self._scaled("any-fan", "by the power", {"airflow": self.v * self.i})}

    def stage(self) -> dict[str, Size]:
        """Give the controller's values; nothing for a pack."""
        if self.answers.control == "pack":
            return {}
        linear = self.answers.control == "linear"
        power = self.v * self.i
        scaled = {"on_resistance": 1 / self.i, "current_limit": self.i, "wakes_at": self.v, "still_cooling": power,
                  "forced_cooling": power, **({} if linear else {"diode_resistance": 1 / self.i})}  # fmt: skip
        part = "any-linear-stage" if linear else "any-chopper"
        return {**self._direction(linear), **self._scaled(part, "by current and voltage", scaled)}

    def _direction(self, linear: bool) -> dict[str, Size]:
        """Give what makes the stage follow a falling or a rising command."""
        if self._rising and linear:
            gain, offset = (f"{x:.3g}" for x in self._line)
            return {
                "gain": Size(f"{gain} ±5 %", "assumed: below zero, as the low side falls while the command rises"),
                "offset": Size(f"{offset} V ±3 %", "assumed: above any supply, so that no command is off"),
                "pull_up": Size("1 GΩ ±0 %", "assumed: none; the panel makes the command"),
                "input_resistance": Size("100 kΩ ×/÷ 2", "assumed"),
            }
        if linear:
            return self._scaled("any-linear-stage", "by the nominal voltage", {"offset": self.v})
        if self._rising:
            return {
                "gain": Size("-1.15 ±4 %", "assumed: below zero, as the line is pulled low for less at faster steps"),
                "offset": Size("1.07 ±0.04", "assumed: pulled low all the time is off"),
            }
        return {}

    def _scaled(self, part: str, origin: str, factors: dict[str, float]) -> dict[str, Size]:
        found = {key: _other(part, key, factor) for key, factor in factors.items()}
        return {key: Size(text, origin) for key, text in found.items() if text}

    # Steps ------------------------------------------------------------------------------------------------------

    @property
    def _rising(self) -> bool:
        return self.answers.command == "rising"

    def _shares(self, lowest: float) -> list[float]:
        """Give the motor's share of its full voltage at each step, evenly spaced up to 1."""
        n = len(self.steps)
        return [1.0 if n == 1 else lowest + (1 - lowest) * k / (n - 1) for k in range(n)]

    def command(self) -> dict[str, str]:
        """Give the command at each step, where it is from, and its rule of thumb; nothing for a pack."""
        control = self.answers.control
        if control == "pack":
            return {}
        shares = self._shares(0.3)
        linear = self._levels if self._rising else self._rungs
        table = (self._duties if control == "pwm" else linear)(shares)
        cells = ", ".join(f"{step} = {text}" for step, text in zip(["off", *self.steps], table, strict=True))
        origin = "assumed: steps evenly spaced in the motor's voltage; measure the command at each"
        rule = "low when off, higher" if self._rising else "supply when off, lower"
        return {"table": cells, "origin": origin, "rule": f"{rule} at each faster step"}

    def _rungs(self, shares: list[float]) -> list[str]:
        """Resistors of a ladder against the controller's pull-up, for the low side that each step wants."""
        stage = parts()["any-linear-stage"].numbers
        offset = stage["offset"] * self.v
        wanted = [(self.rest * (1 - share) - offset) / stage["gain"] for share in shares[:-1]]
        # The last one lies well below the command at which the stage is fully on.
        rungs = [*(stage["pull_up"] * v / (self.rest - v) for v in wanted), 130.0]
        return ['"100 MΩ ×/÷ 5"', *(f'"{_ohms(r)}"' for r in rungs)]

    @property
    def _line(self) -> tuple[float, float]:
        """Gain and offset of a stage with a rising command; below 12 V the command shrinks with the supply."""
        gain, offset = _RISING
        return gain * max(self.v, 1.0), offset * self.v

    def _levels(self, shares: list[float]) -> list[str]:
        """Voltages that a panel puts out."""
        gain, offset = self._line
        wanted = [*((self.rest * (1 - share) - offset) / gain for share in shares[:-1]), _FULL * min(self.v, 1.0)]
        return ['"0.1 V"', *(f'"{format_quantity(v, "V", 2)} ±8 %"' for v in wanted)]

    def _duties(self, shares: list[float]) -> list[str]:
        """Shares of the time for which the line is pulled low."""
        stage = parts()["any-chopper"].numbers
        pulled = [(share - stage["offset"]) / stage["gain"] for share in shares]
        if self._rising:
            return ["0.99", *(f'"{1 - d:.2f} ±0.05"' for d in pulled[:-1]), '"0.01 ±0.005"']
        return ["0", *(f'"{d:.2f} ±0.05"' for d in pulled[:-1]), '"0.99 ±0.01"']

    def taps(self) -> list[dict[str, str]]:
        """Give the sections of a pack: each step's resistance less the next one's; nothing for other controls.

        A fan's current goes about with the power 1.8 of its motor's share s of the voltage, so the pack takes
        (1 - s)·V/(I·s^1.8) ohms (own derivation); the shares are in equal ratios.
        """
        if self.answers.control != "pack":
            return []
        n = len(self.steps)
        shares = [0.35 ** ((n - 1 - k) / (n - 1)) if n > 1 else 1.0 for k in range(n)]
        ohms = [(1 - s) * self.rest / (self.known.current * s**1.8) for s in shares]
        share = 3 * self.v * self.i / max(n - 1, 1)  # three sections share the cooling of the pack of 12 V and 18 A
        own = {key: _other("any-section", key, share) for key in ("still_cooling", "forced_cooling")}
        cooling = "".join(f', {key} = "{text}"' for key, text in own.items() if text)
        return [
            {
                "step": step, "next": self.steps[k + 1],
                "resistance": _ohms(ohms[k] - ohms[k + 1]), "cooling": cooling,
                "origin": "by the current: steps in equal ratios of the motor's voltage (assumed)",
            }
            for k, step in enumerate(self.steps[:-1])
        ]  # fmt: skip


_RISING, _FULL = (-3.4, 15.6), 5.0  # gain, and offset in V, of a 12 V stage; its command at full speed, V (assumed)


def _ohms(value: float) -> str:
    return format_quantity(value, "Ω", 2)


def _other(part: str, key: str, factor: float) -> str:
    """Give a part's value times a factor; nothing where that is nearly the part's own."""
    if abs(math.log(factor)) < math.log(_NEARLY):
        return ""
    own = parts()[part]
    unit = next(p.unit for p in element_kinds()[own.kind].parameters if p.name == key)
    return format_quantity(own.numbers[key] * factor, unit, 2, display=unit if unit == "W/K" else None)


def _contact(part: str, key: str, factor: float) -> Size:
    text = _other(part, key, factor)
    return Size(f'{key} = "{text}"', "by the motor current") if text else Size()


def _section(wanted: float) -> float:
    """Give the usual section nearest to one, mm²."""
    return min(_SECTIONS, key=lambda a: abs(math.log(a / wanted)))


def _wire(area: float, origin: str, length: float, told: tuple[float | None, float | None] = (None, None)) -> Size:
    """Give section (mm²) and length (m) of a wire: as told (SI), or usual ones with a wide tolerance."""
    if told == (None, None) and origin == "assumed":
        text = f'area = "{_section(area):g} mm² ×/÷ 1.5", length = "{_metres(length)} ×/÷ 2"'
        return Size(text, "assumed")
    section, section_from = f"{_section(area):g} mm² ×/÷ 1.5", origin
    if told[0] is not None:
        section, section_from = f"{format_quantity(told[0], 'm²')} ±5 %", "read off by you"
    metres, length_from = f"{_metres(length)} ×/÷ 2", "assumed"
    if told[1] is not None:
        metres, length_from = f"{_metres(told[1])} ×/÷ 1.3", "estimated by you"
    return Size(f'area = "{section}", length = "{metres}"', f"section {section_from}, length {length_from}")


def _metres(length: float) -> str:
    return format_quantity(length, "m", display="m")


def _inside(area: float, length: float) -> Size:
    """Give a conductor inside the motor."""
    text = f'area = "{area:.2g} mm² ×/÷ 1.5", length = "{_metres(length)} ±50 %"'
    return Size(text, "by the motor current")
