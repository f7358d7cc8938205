"""Topping charges."""
