"""Simulated packs run forward under other plans: what if, and when to look again.

Begin at `what_if`. May import everything from `base` to `forecasts`.
"""
