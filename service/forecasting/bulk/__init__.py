"""Forecasts of many packs at once, from a folder of tables into a folder of tables. Begin at `scoring`."""
