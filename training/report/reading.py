"""A report that was stored with its model."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from training.report.content import CalibrationReport
from training.report.verdicts import judge


def read_report(stored: Mapping[str, Any]) -> CalibrationReport:
    """Return a stored report, its verdicts judged anew from its figures and thresholds: in the words of today."""
    report = CalibrationReport.model_validate(stored)
    return report.model_copy(update={"verdicts": judge(report.whole, report.groups, report.thresholds)})
