"""The calibration report of the current model."""
