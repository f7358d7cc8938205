"""How a model does once it answers: the live record, its alarm, and drift.

Begin at `live_record`. May import everything from `files` to `learning`.
"""
