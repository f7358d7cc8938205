"""Record kinds and their six routes; `subjects` holds the eleven kinds.

Begin at `subject`. May import everything from `core` to `access`.
"""
