"""What hangs on forecasts: release, ordering, stock, fleet, calendar; `basis` is what they share.

Begin at `basis.open_cases`. May import everything from `core` to `forecasting`.
"""
