"""Packs as data: their families, one pack's history, and many histories as tables.

Begin at `history`. May import `base`.
"""
