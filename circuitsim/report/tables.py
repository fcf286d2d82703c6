"""The chart of expected readings as text: plain, for a terminal, or as Markdown."""

from __future__ import annotations

from circuitsim.library.circuit import Circuit
from circuitsim.report.layout import lay_out
from circuitsim.report.markdown import markdown
from circuitsim.report.sheet import sheet_of
from circuitsim.report.typeset import Line, plain
from circuitsim.studies import Chart

__all__ = ["chart_lines", "chart_markdown", "chart_text"]


def chart_lines(chart: Chart, circuit: Circuit | None = None, width: int | None = None) -> list[Line]:
    """Give a chart as lines with roles, for a terminal.

    Parameters
    ----------
    chart
        From `predict`.
    circuit
        The circuit it is of; adds the titles of connectors and where the probe points are.
    width
        Characters in a line; None for as many as the table needs.
    """
    return lay_out(sheet_of(chart, circuit), width)


def chart_text(chart: Chart, circuit: Circuit | None = None, width: int | None = None) -> str:
    """Give a chart as plain text; parameters as in `chart_lines`."""
    return plain(chart_lines(chart, circuit, width))


def chart_markdown(chart: Chart, circuit: Circuit | None = None) -> str:
    """Give a chart as Markdown with GitHub's tables; parameters as in `chart_lines`."""
    return markdown(sheet_of(chart, circuit))
