"""What holds for every request: problem documents, limits, entity tags, and what routes ask for.

Begin at `dependencies`. May import `core` and `store`.
"""
