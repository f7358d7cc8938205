"""Blocks of many packs that are noted as charged twice at the newest visit, with nothing read between."""

from __future__ import annotations

from datetime import timedelta
from typing import NamedTuple

import numpy as np

from models.forecasts.newest_topups import NewestTopUps
from models.packs.stops.known import VISIT


class ChargedAgain(NamedTuple):
    """A block, from 1, and the charge of both notes together, Ah; NaN where one was not noted."""

    block: int
    together_ah: float


def charged_again(newest: NewestTopUps) -> dict[int, list[ChargedAgain]]:
    """Find blocks with two charges within a visit of the newest top-up, no reading and no outcome between the two.

    Returns
    -------
    dict of int to list of ChargedAgain
        By place among the packs.
    """
    tables = newest.tables
    owner, end = newest.owner("topups"), tables.days("topups")
    since = newest.day - VISIT / timedelta(days=1)
    rows = np.flatnonzero((owner >= 0) & (end >= np.append(since, np.nan)[owner]))
    several = np.flatnonzero(np.bincount(owner[rows], minlength=len(newest)) > 1)
    if not len(several):
        return {}
    over = tables.words("outcomes", "kind") != "running"
    found: dict[int, list[ChargedAgain]] = {}
    for pack in several.tolist():
        read, outcomes = tables.days("readings")[newest.rows_of("readings", pack)], newest.rows_of("outcomes", pack)
        ended = tables.days("outcomes")[outcomes[over[outcomes]]]
        own = newest.rows_of("topups", pack)
        own = own[end[own] >= since[pack]]
        own = own[np.argsort(end[own], kind="stable")]
        for at, later in enumerate(own):
            for earlier in own[:at]:
                first, last = end[earlier], end[later]
                if ((read > first) & (read <= last)).any() or ((ended >= first) & (ended <= last)).any():
                    continue
                ah = float(tables.column("topups", "charge_ah")[[earlier, later]].sum())
                shared = set.intersection(
                    *(set(str(tables.words("topups", "blocks")[r]).split()) for r in (earlier, later))
                )
                open_ones = [b for b in sorted(map(int, shared)) if not newest.swapped(pack, b - 1, last)]
                found.setdefault(pack, []).extend(ChargedAgain(b, ah) for b in open_ones)
    return {pack: told for pack, told in found.items() if told}
