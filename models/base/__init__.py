"""What everything stands on: errors that say where, what and how to mend it, the day grid, messages, threads.

Begin at `errors` and `day_grid`. Imports no other package of `models`.
"""
