"""Forecasts made from the stored history, kept as they were issued."""
