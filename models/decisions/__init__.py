"""Decisions that hang on a hold curve: releasing a vehicle, ordering, stocking and replacing packs.

Pure functions from curves, dates and money to figures and sentences. Nothing here says "go": it states a risk, what
it costs and what the figure rests on, and leaves the decision to a licensed person.
"""
