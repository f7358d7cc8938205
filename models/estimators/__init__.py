"""Everything with `fit` and `predict_survival`: from regressions to trees.

Begin at `hazard_trees` and `cox`, which are what ships; the interface stands in `models.survival.estimator`. May import
`base` and `survival`.
"""
