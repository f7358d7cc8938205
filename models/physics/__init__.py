"""What happens in a pack: cells, blocks, a day of driving and rest, and the monitor that confirms a fault.

Begin at `day_step`, which brings all of it together. May import `base` and `packs`.
"""
