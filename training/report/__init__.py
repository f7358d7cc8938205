"""The calibration report: is the forecaster any good, for whom, and how sure is that."""

from training.report.build import build_report
from training.report.content import CalibrationReport, Thresholds
from training.report.inputs import ReportInputs
from training.report.page import render_html
from training.report.reading import read_report

__all__ = ["CalibrationReport", "ReportInputs", "Thresholds", "build_report", "read_report", "render_html"]
