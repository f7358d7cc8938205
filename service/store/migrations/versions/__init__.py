"""The changes."""
