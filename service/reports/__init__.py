"""Reports written as files by a job: the calibration report with what people were told."""
