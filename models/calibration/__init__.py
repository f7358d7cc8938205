"""What moves fitted curves or bounds them: recalibration, conformal bounds, learning from few outcomes.

Begin at `recalibration`. May import `base`, `survival` and `estimators`.
"""
