"""Packs whose volts may not be those of their family or of its chemistry."""

from __future__ import annotations

import numpy as np

from models.base.arrays import Bools
from models.packs.screens.look import SLACK, Look
from models.packs.stops.cells import NOTHING_CELL_V
from models.packs.stops.identity import (
    FALLS,
    LITHIUM_CELL_MOHM,
    LITHIUM_CELL_V,
    LITHIUM_CELLS_V,
    LITHIUM_RISES,
    NIMH_CELL_MOHM,
    NIMH_CELL_V,
    NIMH_CELLS_V,
    NIMH_HYSTERESIS_V,
)
from models.packs.stops.known import VISIT, rest_window_v
from models.packs.tables import (
    SECONDS_PER_DAY,
)


def no_volts(look: Look) -> Bools:
    """Find packs with a block that reads as good as nothing."""
    most = look.of_reading(lambda f: f.cells_per_block * NOTHING_CELL_V)
    return look.any_of(look.reading_pack, look.ordered[:, 0] < most + SLACK)


def not_its_volts(look: Look) -> Bools:
    """Find packs of which the middle block rests outside the window of the family."""
    low, high = (look.of_reading(lambda f, end=end: rest_window_v(f)[end]) for end in (0, 1))  # type: ignore[misc]
    off = (look.median < low + SLACK) | (look.median > high - SLACK)
    return look.any_of(look.reading_pack, look.resting & off)


def chemistry(look: Look) -> Bools:
    """Find volts that fit the other chemistry too, where the sag under load may be that of it, or none is known."""
    nimh = look.of(lambda f: float(f.chemistry == "nimh")) == 1.0
    rest, found = look.resting, np.zeros(len(look.which), dtype=np.bool_)
    newest = np.full(len(look.which) + 1, np.nan)
    newest[look.reading_pack[rest]] = look.median[rest]
    median = newest[:-1]
    cells = np.round(median / np.where(nimh, LITHIUM_CELL_V, NIMH_CELL_V))
    low, high = (np.where(nimh, LITHIUM_CELLS_V[end], NIMH_CELLS_V[end]) for end in (0, 1))
    per_cell = median / np.maximum(cells, 1)
    fits = (cells >= 1) & (per_cell >= low - SLACK) & (per_cell <= high + SLACK)
    if not fits.any():
        return found
    other = cells * np.where(nimh, LITHIUM_CELL_MOHM, NIMH_CELL_MOHM)
    own = look.of(lambda f: f.cells_per_block * float(np.interp(f.soc_target, f.curves.soc, f.curves.discharge_mohm)))
    lithium_mohm, nimh_mohm = np.minimum(own, other), np.maximum(own, other)
    most_cells = np.maximum(look.of(lambda f: f.cells_per_block), np.round(median / NIMH_CELL_V))
    least_a = 1e3 * most_cells * NIMH_HYSTERESIS_V / (nimh_mohm - lithium_mohm)
    rows = np.flatnonzero(look.state("discharge") & (look.reading_pack >= 0))
    rows = rows[fits[look.reading_pack[rows]]]
    pack, current = look.reading_pack[rows], look.number("current_a")[rows]
    day, visit = look.reading_day, VISIT.total_seconds() / SECONDS_PER_DAY
    around = look.rests.around(pack, day[rows])
    apart = np.array([np.where(near >= 0, np.abs(day[near] - day[rows]), np.inf) for near in around])
    nearest = apart.min(axis=0)
    sags = np.array([1e3 * (look.median[near] - look.median[rows]) / current for near in around])
    sags[~(apart <= nearest + SLACK)] = np.nan
    maybe = (current >= least_a[pack] * (1 - 1e-9)) & (nearest <= visit + SLACK)
    surely = (current >= least_a[pack] * (1 + 1e-9)) & (nearest <= visit - SLACK) & (np.fmin(*sags) > SLACK)
    # What the newest load tells that tells anything is what counts.
    last = np.full(len(look.which), -np.inf)
    np.maximum.at(last, pack[surely], day[rows[surely]])
    told, maybe = np.isfinite(last), maybe & (day[rows] >= last[pack])
    as_lithium = look.any_of(pack, maybe & (np.fmin(*sags) < FALLS * nimh_mohm[pack] + SLACK))
    as_nimh = look.any_of(pack, maybe & (np.fmax(*sags) > LITHIUM_RISES * lithium_mohm[pack] - SLACK))
    as_neither = look.any_of(pack, maybe & (np.fmin(*sags) < FALLS * lithium_mohm[pack] + SLACK))
    return np.asarray(fits & np.where(nimh, as_lithium, ~told | as_nimh | as_neither))
