"""Before a charge and after it: how much is missing, how to put it in, and what it bought.

Begin at `plan`. May import everything above it, `forecaster` among it.
"""
