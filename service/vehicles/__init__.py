"""Vehicles, by fleet number."""
