"""Suppliers, what they offer and what they delivered."""
