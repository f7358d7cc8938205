"""Blocks of which cells are shorted, reversed or driven below their floor."""

from __future__ import annotations

from typing import Final

import numpy as np

from models.base.arrays import Bools, Floats
from models.base.messages import Said, say, say_count
from models.packs.family import PackFamily
from models.packs.stops.known import Known, blocks_said, day, ocv_at

NOTHING_CELL_V: Final = 0.05
"""A block that reads less than this for each of its cells reads nothing: no cell with anything in it rests so low.
Invented."""

REVERSED_CELL_V: Final = 1.6
"""What a nickel-metal hydride cell that load reverses takes from its block, V: its own 1.2 to 1.3 V, and 0.3 to 0.4 V
the wrong way round. From memory, unverified."""


def one_cell_down_v(family: PackFamily, peers_v: Floats) -> Floats:
    """Deviation at rest, V, from which a block reads as if a cell were shorted or reversed; below 0, one for each peer.

    One cell's share of what the peers rest at, less what the other cells may stand above them inside the controller's
    window. Derived from the family's curve.
    """
    above = ocv_at(family, family.soc_high) - ocv_at(family, family.soc_target)
    return -(peers_v / family.cells_per_block - (family.cells_per_block - 1) * above)


def half_a_cell_v(cells: float | Floats, peers_v: Floats) -> Floats:
    """How far below its peers a block rests, V, that is as near to one whole cell's voltage missing as to none.

    Half of what a cell of the peers rests at. An emptied block may read so, and so may one with an empty or reversed
    cell: from here on the second is the nearer. Derived.

    Parameters
    ----------
    cells : float or array
        In series in a block.
    peers_v : array
        What the others rest at, V; broadcast against it.
    """
    return np.asarray(peers_v / cells / 2)


def driven_backwards(known: Known) -> Said | None:
    """Find blocks that read the wrong way round since their cells were measured."""
    below = known.still("reversed", known.volts_v < 0)
    if not below.any():
        return None
    return say(
        "%(blocks)s read below 0 V: cells are driven the wrong way round, or the leads are crossed.",
        blocks=blocks_said(below),
    )


def no_volts(known: Known) -> Said | None:
    """Find blocks that read nothing at all since their cells were measured.

    Whether a lead was off or the cells are dead no later reading tells: a slip is corrected or removed on record.
    """
    most = known.family.cells_per_block * NOTHING_CELL_V
    nothing = known.still("no-volts", (known.volts_v >= 0) & (known.volts_v <= most))
    if not nothing.any():
        return None
    return say(
        "%(blocks)s read no voltage: a sense lead is off or broken, or the cells are dead or shorted.",
        blocks=blocks_said(nothing),
    )


def below_floor(known: Known) -> Said | None:
    """Find blocks that read below their floor at rest or under charge and were not measured since.

    Current that flows in lifts volts: whoever is below then is no better at rest. Lithium-ion counts in any state.
    """
    family = known.family
    floor, nothing = (family.cells_per_block * v for v in (family.min_cell_v, NOTHING_CELL_V))
    lithium = family.chemistry == "lithium-ion"
    counts = known.at_rest | known.noted_as("charge") | lithium
    # What reads nothing is told by itself.
    below = (known.volts_v < floor) & (known.volts_v > nothing) & counts[:, None]
    low = (known.rest_v < floor) | known.still("below-floor", below)
    if not low.any() or not known.its_volts:
        return None
    return say(
        "%(blocks)s read below %(floor)s V, that is %(least)s V a cell: cells were driven below their floor and may be "
        "reversed.",
        blocks=blocks_said(low),
        floor=f"{floor:g}",
        least=f"{family.min_cell_v:g}",
    )


def collapse_v(family: PackFamily, peers_v: Floats) -> Floats:
    """Volts under load at or below which several cells of a block have given out; one for each peer.

    Two reversed cells below the peers, or half of what they read where that is less, and below the floor in use. A
    block at its fault lies 1.0 to 1.2 V of 12 cells below them (common practice, no source). Derived.
    """
    fallen = peers_v - np.minimum(2 * REVERSED_CELL_V, peers_v / 2)
    return np.minimum(fallen, family.cells_per_block * family.min_cell_v)


def collapsed(known: Known) -> Said | None:
    """Find a block that broke down under load, and whose cells nobody has measured since."""
    family = known.family
    if family.chemistry == "lithium-ion" or not known.its_volts:
        return None  # lithium-ion stops at its floor under load already
    nothing = family.cells_per_block * NOTHING_CELL_V
    down = (known.volts_v <= collapse_v(family, known.others_v)) & (known.volts_v > nothing)
    found = known.newest_still("collapsed", down & known.noted_as("discharge")[:, None])
    if found is None:
        return None
    row, down = found
    volts = known.volts_v[row]
    worst = int(np.argmin(np.where(down, volts, np.inf)))
    words = {
        "day": day(known.readings[row].time),
        "block": worst + 1,
        "volts": f"{volts[worst]:g}",
        "peers": f"{known.others_v[row, worst]:.1f}",
    }
    if family.cells_per_block == 1:
        return say(
            "Under load on %(day)s block %(block)s fell to %(volts)s V while its peers read %(peers)s V: its "
            "cell is empty, dead or driven the wrong way round, or a joint of it is burning.",
            **words,
        )
    return say(
        "Under load on %(day)s block %(block)s fell to %(volts)s V while its peers read %(peers)s V: several "
        "of its cells are empty, dead or driven the wrong way round, or a joint of it is burning.",
        **words,
    )


def cell_down(known: Known) -> Said | None:
    """Find a block that rests as if cells of it were shorted or reversed, or rested so and was not measured since.

    A level reading later undoes nothing: a slip of the meter is corrected or removed on record.
    """
    if not known.its_volts:
        return None
    family = known.family
    now = _down(family, known.rest_v, known.peers_v, known.just_charged)
    if now.any():
        block, volts, cells = _furthest(family, known.rest_v, known.peers_v, now)
        if family.cells_per_block == 1:
            return say(
                "Block %(block)s rests %(volts)s V below its peers: its cell is probably shorted or reversed.",
                block=block,
                volts=f"{volts:.2f}",
            )
        return say_count(
            "Block %(block)s rests %(volts)s V below its peers, about the voltage of one cell: one of its %(all)s "
            "cells is probably shorted or reversed.",
            "Block %(block)s rests %(volts)s V below its peers, about the voltage of %(cells)s cells: %(cells)s of its "
            "%(all)s cells are probably shorted or reversed.",
            cells,
            block=block,
            volts=f"{volts:.2f}",
            cells=cells,
            all=family.cells_per_block,
        )
    # What reads nothing is told by itself.
    down = _down(family, known.volts_v, known.others_v, known.fresh)
    down &= known.at_rest[:, None] & (known.volts_v > family.cells_per_block * NOTHING_CELL_V)
    then = known.newest_still("cell-down", down)
    if then is None:
        return None
    row, now = then
    block, volts, cells = _furthest(family, known.volts_v[row], known.others_v[row], now)
    return say_count(
        "On %(day)s block %(block)s rested %(volts)s V below its peers, as with one of its %(all)s cells "
        "shorted or reversed. No charge mends such a cell, and no better reading later.",
        "On %(day)s block %(block)s rested %(volts)s V below its peers, as with %(cells)s of its %(all)s cells "
        "shorted or reversed. No charge mends such a cell, and no better reading later.",
        cells,
        day=day(known.readings[row].time),
        block=block,
        volts=f"{volts:.2f}",
        cells=cells,
        all=family.cells_per_block,
    )


def _down(family: PackFamily, rest_v: Floats, peers_v: Floats, just_charged: Bools) -> Bools:
    """Whether blocks rest a cell's worth or more below their peers; one that was just charged stands above its rest."""
    above_rest_v = (family.cells_per_block - 1) * family.hysteresis_charge_v
    limit = one_cell_down_v(family, peers_v) + np.where(just_charged, above_rest_v, 0.0)
    # Peers that read next to nothing say nothing of a cell: a block that reads as they do would pass as down.
    return np.asarray((rest_v - peers_v <= limit) & (limit < 0))


def _furthest(family: PackFamily, rest_v: Floats, peers_v: Floats, down: Bools) -> tuple[int, float, int]:
    """Of blocks that are down the one (from 1) that is so furthest, by how many V, and cells that are worth it."""
    off = rest_v - peers_v
    worst = int(np.argmin(np.where(down, off, np.inf)))
    cells = min(max(round(-off[worst] * family.cells_per_block / peers_v[worst]), 1), family.cells_per_block)
    return worst + 1, float(-off[worst]), cells
