"""Everything that asks the model: forecasts, those issued, what if, recheck, top-up plan, the track record.

Begin at `forecasts.answers`. May import everything from `core` to `records`.
"""
