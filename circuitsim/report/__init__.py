"""Results as people read them: tables and descriptions of circuits."""

from __future__ import annotations

from circuitsim.report.tables import chart_lines, chart_markdown, chart_text

__all__ = ["chart_lines", "chart_markdown", "chart_text"]
