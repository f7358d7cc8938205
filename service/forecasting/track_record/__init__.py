"""What people were told and what came of it; calibration, alarm, drift. Begin at `reading`."""
