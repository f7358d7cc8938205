"""Block voltages that were written in millivolts or per cell, taken as what they must be."""

from __future__ import annotations

from collections.abc import Sequence

from models.packs.family import PackFamily
from service.core.translation import _


def in_volts(block_v: Sequence[float | None], family: PackFamily | None) -> tuple[list[float | None], str]:
    """Convert readings in millivolts or per cell into volts of a block, and say so; empty if they are volts already.

    They are taken as such only if their median is out of what such a block can read, and is within it so converted.
    """
    known = sorted(volts for volts in block_v if volts is not None)
    if family is None or not known:
        return list(block_v), ""
    cells = family.cells_per_block
    low, high = cells * family.min_cell_v, cells * family.max_cell_v
    middle = known[len(known) // 2]
    if low <= middle <= high:
        return list(block_v), ""
    ways = (
        (0.001, _("The numbers were taken as millivolts of a block.")),
        (
            float(cells),
            _("The numbers were taken as volts of one cell, and counted times %(cells)s.") % {"cells": cells},
        ),
        (0.001 * cells, _("The numbers were taken as millivolts of one cell, times %(cells)s.") % {"cells": cells}),
    )
    for factor, said in ways:
        if low <= middle * factor <= high:
            return [None if volts is None else round(volts * factor, 4) for volts in block_v], said
    return list(block_v), ""
