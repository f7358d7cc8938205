"""A forecast as a value: curve, bounds, kind of weakness, flags, and what moved it.

Begin at `forecast`. May import everything from `base` to `features`.
"""
