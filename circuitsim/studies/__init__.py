"""What users ask."""

from __future__ import annotations

from circuitsim.studies.chart import Chart, OperatingPoint, Reading
from circuitsim.studies.predict import predict

__all__ = ["Chart", "OperatingPoint", "Reading", "predict"]
