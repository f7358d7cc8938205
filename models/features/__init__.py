"""The columns that a model sees: what each means, and how it follows from a pack's history.

Begin at `definitions`, the list of all columns. May import everything from `base` to `calibration`.
"""
