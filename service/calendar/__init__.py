"""Recheck and order days as a calendar."""
