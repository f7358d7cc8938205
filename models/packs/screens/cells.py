"""Packs in which a cell may be dead, reversed or driven below its floor."""

from __future__ import annotations

import numpy as np

from models.base.arrays import Bools
from models.packs.screens.look import SLACK, Look
from models.packs.stops.cells import collapse_v, one_cell_down_v


def reversed_block(look: Look) -> Bools:
    """Find packs with a block read below zero."""
    return look.any_of(look.reading_pack, look.ordered[:, 0] < SLACK)


def below_floor(look: Look) -> Bools:
    """Find packs with a block below its cells' floor, at rest or under charge; of lithium in any state."""
    floor = look.of_reading(lambda f: f.cells_per_block * f.min_cell_v)
    lithium = look.of_reading(lambda f: float(f.chemistry == "lithium-ion")) == 1.0
    asked = look.resting | look.state("charge") | lithium
    return look.any_of(look.reading_pack, asked & (look.ordered[:, 0] < floor + SLACK))


def collapsed(look: Look) -> Bools:
    """Under load the lowest block lies so far below the others: where any block does, it does.

    A block that reads nothing, which the check passes over, is held up as such.
    """
    peers, limit = look.median_from(1), np.full(len(look.ordered), np.nan)
    family_of = np.append(look.which, -1)[look.reading_pack]
    for number, family in enumerate(look.families):
        limit[family_of == number] = collapse_v(family, peers[family_of == number])
    return look.any_of(look.reading_pack, look.state("discharge") & (look.ordered[:, 0] <= limit + SLACK))


def cell_down(look: Look) -> Bools:
    """In some reading at rest a block lies a cell's worth below the others, or less if some block was just charged.

    Where any block does, the lowest one does: the median of the others rises by as much as it falls behind.
    """
    above = look.median_from(1)
    # Whichever block is left out, the median of the others lies between those without the highest and the lowest.
    below = look.median_to(1)
    soon = look.just_charged
    limit, family_of = np.full(len(look.ordered), np.nan), np.append(look.which, -1)[look.reading_pack]
    for number, family in enumerate(look.families):
        own = family_of == number
        allowed = (family.cells_per_block - 1) * family.hysteresis_charge_v
        limit[own] = np.where(
            soon[own],
            np.maximum(one_cell_down_v(family, above[own]), one_cell_down_v(family, below[own]) + allowed),
            one_cell_down_v(family, above[own]),
        )
    return look.any_of(look.reading_pack, look.resting & (look.ordered[:, 0] - above <= limit + SLACK))
