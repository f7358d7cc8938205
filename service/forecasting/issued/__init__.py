"""Forecasts kept as they were issued, and the score that each pack's newest gives it. Begin at `issuing`."""
