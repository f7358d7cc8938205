"""How a model is made: moments to learn from, fitting, a workshop's own records, promotion.

Begin at `fitting`. May import everything from `files` to `cohort_report`.
"""
