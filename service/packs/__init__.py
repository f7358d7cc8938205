"""Packs, the vehicles they sit in, and what their facts say when put together."""
