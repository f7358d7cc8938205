"""Packs that are out on a top-up now: their newest forecasts, read from today on."""
