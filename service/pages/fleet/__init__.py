"""The fleet office: the ranking, a plan to play with, returns to expect."""
