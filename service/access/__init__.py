"""Who calls and what they may: access keys, roles, visits to the pages, and how often.

Begin at `identify`. May import `core`, `store` and `http`.
"""
