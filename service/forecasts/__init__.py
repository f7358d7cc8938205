"""Forecasts: a history in, a hold curve and its sentences out, nothing stored."""
