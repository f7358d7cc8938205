"""Block readings."""
