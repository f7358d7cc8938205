"""Simulated cohorts, data sets, fitting, scoring, calibration reports and the model registry."""
