"""Everything with `fit` and `predict_survival`: from regressions to trees and networks.

Begin at `trees_and_network`, which is what ships; the interface stands in `models.survival.estimator`. May import
`base` and `survival`.
"""
