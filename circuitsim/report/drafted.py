"""What to measure next for a circuit file that was drafted: as text and Markdown."""

from __future__ import annotations

from circuitsim.quantities import format_quantity
from circuitsim.report.markdown import escaped
from circuitsim.report.typeset import Line, clean, line, plain, wrap
from circuitsim.studies.narrowing import Narrowing
from circuitsim.studies.newcircuit import Drafted

__all__ = ["drafted_lines", "drafted_markdown", "drafted_text"]

_HEADING = "Readings of a vehicle known to be good that would narrow this file most"
_LEGEND = "worked out from its tolerances; the share is what is left of the width of the other readings' bands, on average"


def drafted_lines(found: Drafted, file: str, width: int | None = None) -> list[Line]:
    """Lay it out for a terminal; file: the one that was written; width: characters in a line."""
    width = width or 100
    lines = [line(text, "title") for text in wrap(clean(f"{file}: {found.circuit.title}"), width)]
    for text in _facts(found):
        lines += [line("  " + part, "faint") for part in wrap(clean(text), width - 2)]
    lines += [(), *(line(text, "heading") for text in wrap(_HEADING, width))]
    lines += [line("  " + text, "faint") for text in wrap(_LEGEND, width - 2)]
    lines += _indented(f"- {_noted(found)}", width, "label")
    for k, n in enumerate(found.narrowing, start=1):
        lines += _indented(f"{k}. {n.label}, {n.placed}: {_share(n.left)}", width, "label")
        for text in (n.where, _expected(n)):
            lines += [line("     " + part) for part in wrap(clean(text), width - 5)]
    lines += [(), *(line(text, "heading") for text in wrap(clean(_filled(found)), width))]
    lines += [line("  " + text) for text in _csv(found)]
    lines += [(), *(line(text) for text in wrap(clean(_next(file)), width, "  "))]
    return lines


def _indented(text: str, width: int, role: str) -> list[Line]:
    return [line("  " + part, role) for part in wrap(clean(text), width - 2, "   ")]


def drafted_text(found: Drafted, file: str, width: int | None = None) -> str:
    """Give it as plain text."""
    return plain(drafted_lines(found, file, width))


def drafted_markdown(found: Drafted, file: str) -> str:
    """Give it as Markdown with a GitHub table."""
    rows = ["| reading | where | expected | bands left | narrows most |", "| --- | --- | --- | --: | --- |"]
    for n in found.narrowing:
        cells = (f"{n.label}, {n.placed}", n.where, _band(n), _share(n.left), _most(n))
        rows.append("| " + " | ".join(escaped(clean(cell)) for cell in cells) + " |")
    parts = [
        f"# {escaped(clean(f'{file}: {found.circuit.title}'))}", "\n".join(f"- {escaped(clean(t))}" for t in _facts(found)),
        f"## {_HEADING}", f"{escaped(_LEGEND)}: {escaped(_noted(found))}", "\n".join(rows),
        f"{escaped(clean(_filled(found)))}:", "```csv\n" + "\n".join(_csv(found)) + "\n```", escaped(clean(_next(file))),
    ]  # fmt: skip
    return "\n\n".join(parts) + "\n"


def _facts(found: Drafted) -> tuple[str, ...]:
    m, half = found.motor, found.half_told
    return (
        f"fuse {format_quantity(m.fuse, 'A')}, {m.fuse_from}",
        f"motor current {format_quantity(m.current, 'A')} at full speed, {m.current_from}",
        f"motor resistance {format_quantity(m.resistance, 'Ω', 2)}, {m.resistance_from}",
        *(f"{name} wire: {size} ({origin}; give both, such as --{name}-wire '4mm2 2m')" for name, size, origin in half),
    )


def _noted(found: Drafted) -> str:
    return f"the battery's voltage, noted as always: {_share(found.plan.supply_left)}"


def _share(left: float) -> str:
    return f"{100 * left:.0f} %"


def _band(n: Narrowing) -> str:
    middle, low, high = (format_quantity(v, n.unit) for v in (n.expected, n.low, n.high))
    return f"{middle} ({low} … {high})"


def _most(n: Narrowing) -> str:
    return f"{n.most}, to {_share(n.most_left)}"


def _expected(n: Narrowing) -> str:
    return f"expected {_band(n)}; it narrows most: {_most(n)}"


def _filled(found: Drafted) -> str:
    told = format_quantity(found.plan.supply, "V")
    return f"Write them into a CSV file, with the battery's voltage at step off in place of {told}"


def _csv(found: Drafted) -> list[str]:
    """Give the lines of a file of readings, to be filled in."""
    rows = [f"{n.task.step},{n.task.red},{n.task.black},{n.task.at}," for n in found.narrowing]
    return [f"# supply: {format_quantity(found.plan.supply, 'V')}", "step,red,black,at,reading", *rows]


def _next(file: str) -> str:
    fitted = f"{file.removesuffix('.toml')}-fitted.toml"
    return (
        f"Its chart: circuitsim predict {file}. With the readings: circuitsim fit {file} READINGS.csv -o {fitted}. "
        "The vehicle maker's service information goes before this file."
    )
