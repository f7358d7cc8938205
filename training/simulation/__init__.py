"""Invented packs: workshops, places, meters and habits around the physics of `models.physics`.

Begin at `cohort`. May import `files`.
"""
