"""Files that people write: pack families and the documented tables.

Begin at `tables`. Imports no other package of `training`.
"""
