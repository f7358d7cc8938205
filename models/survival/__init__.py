"""Statistics of times to an event under censoring and late entry, and the interface of every estimator.

Begin at `estimator`. May import `base`; pack data and physics play no part here.
"""
