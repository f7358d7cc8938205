"""Whether the volts are those of the pack that the family describes: its cells, and their chemistry."""

from __future__ import annotations

from bisect import bisect
from dataclasses import dataclass
from math import ceil
from typing import Final

import numpy as np

from models.base.messages import Said, say, say_count
from models.packs.family import PackFamily
from models.packs.stops.known import VISIT, Known, rest_window_v, volts_of

NIMH_CELL_V: Final = 1.30
NIMH_CELL_MOHM: Final = 4.5
NIMH_HYSTERESIS_V: Final = 0.09
NIMH_CELLS_V: Final = (1.25, 1.38)
"""One cell of nickel-metal hydride: at rest about mid-charge, its resistance, its hysteresis from one branch to the
other, and what it rests at between 20 and 90 % of charge. NREL ADVISOR data files ESS_NIMH6 (round cells: 1.29 V,
4.5 mΩ) and ESS_NiMH7_rc_temp (prismatic: 1.32 V, 3.1 mΩ new, half as much again after years), and, for the hysteresis,
ESS_NIMH60."""

LITHIUM_CELL_V: Final = 3.7
LITHIUM_CELL_MOHM: Final = 2.4
LITHIUM_CELLS_V: Final = (3.4, 4.2)
LITHIUM_FLOOR_V: Final = 2.5
"""One lithium-ion cell, likewise, and what it reads when it is flat: from memory, unverified."""

LITHIUM_RISES: Final = 3.75
FALLS: Final = 0.75
"""By what factors the resistance of such cells may differ from that of new ones at 25 °C: lithium-ion up, at the end of
life (2.5 times) and in the cold (1.5 times); either down, when warm (2 % a kelvin over a dozen). From
memory, unverified."""

CHEMISTRY_WORDS: Final = {"nimh": say("nickel-metal hydride"), "lithium-ion": say("lithium-ion")}


def its_volts(known: Known) -> Said | None:
    """Find blocks that rest as those of the family never do."""
    if known.its_volts:
        return None
    low, high = rest_window_v(known.family)
    looks = _looks_like(known.median_v, known.family)
    return say_count(
        "The blocks rest at %(volts)s V in the middle; one %(chemistry)s cell, as family %(family)s has it, rests at "
        "%(low)s to %(high)s V. %(looks)s",
        "The blocks rest at %(volts)s V in the middle; %(cells)s %(chemistry)s cells in series, as family %(family)s "
        "has them, rest at %(low)s to %(high)s V. %(looks)s",
        known.family.cells_per_block,
        volts=f"{known.median_v:.2f}",
        cells=known.family.cells_per_block,
        chemistry=CHEMISTRY_WORDS[known.family.chemistry],
        family=known.family.name,
        low=f"{low:.1f}",
        high=f"{high:.1f}",
        looks=looks,
    )


def _looks_like(volts: float, family: PackFamily) -> Said:
    """Say what such volts would fit."""
    cells = round(volts / NIMH_CELL_V)
    per_cell = volts / cells if cells else float("nan")
    if family.chemistry == "nimh" and 1 <= cells < family.cells_per_block:
        return say_count(
            "It looks like readings of one cell each.", "It looks like readings of %(cells)s cells each.", cells,
            cells=cells,
        )  # fmt: skip
    lithium = round(volts / LITHIUM_CELL_V)
    if family.chemistry == "nimh" and lithium >= 1 and _within(volts / lithium, LITHIUM_CELLS_V):
        return say("It looks like lithium-ion cells, or like blocks of more cells.")
    if family.chemistry == "lithium-ion" and _within(per_cell, NIMH_CELLS_V):
        return say("It looks like nickel-metal hydride cells, or like readings of part of a block.")
    return say("The pack is of another kind, was read in another way, or is flat.")


def _within(value: float, span: tuple[float, float]) -> bool:
    return span[0] <= value <= span[1]


def _other_cells(family: PackFamily, volts: float) -> tuple[int, float] | None:
    """How many cells of the other chemistry would rest at these volts, and their resistance in mΩ; None if none do."""
    if family.chemistry == "lithium-ion":
        cells, span, each = round(volts / NIMH_CELL_V), NIMH_CELLS_V, NIMH_CELL_MOHM
    else:
        cells, span, each = round(volts / LITHIUM_CELL_V), LITHIUM_CELLS_V, LITHIUM_CELL_MOHM
    return (cells, cells * each) if cells >= 1 and _within(volts / cells, span) else None


def _sag_mohm(known: Known, apart_mohm: float) -> float | None:
    """Resistance of the middle block by a reading under load and the rest reading nearest to it, mΩ; None without one.

    The load has to sink the two chemistries further apart than hysteresis moves them.
    """
    family = known.family
    cells = max(family.cells_per_block, round(known.median_v / NIMH_CELL_V))
    least_a = 1e3 * cells * NIMH_HYSTERESIS_V / apart_mohm
    rests = known.rests
    times = [r.time for r in rests]
    for load in reversed(known.readings):
        if load.state != "discharge" or load.current_a is None or load.current_a < least_a:
            continue
        place = bisect(times, load.time)
        near = min(rests[max(place - 1, 0) : place + 1], key=lambda rest: abs(rest.time - load.time))
        if abs(near.time - load.time) <= VISIT:
            sag_v = float(np.nanmedian(volts_of(near)) - np.nanmedian(volts_of(load)))
            if sag_v > 0:  # else it was read or noted wrong, and tells nothing
                return 1e3 * sag_v / load.current_a
    return None


@dataclass(frozen=True)
class _Sag:
    """What the middle block sinks by under load, and what cells of the family and of the other chemistry would, mΩ."""

    own_mohm: float
    other_mohm: float
    read_mohm: float | None

    @property
    def as_lithium(self) -> bool:
        return self.read_mohm is not None and self.read_mohm <= LITHIUM_RISES * min(self.own_mohm, self.other_mohm)

    @property
    def as_nimh(self) -> bool:
        return self.read_mohm is not None and self.read_mohm >= FALLS * max(self.own_mohm, self.other_mohm)


def _sag(known: Known, other_mohm: float) -> _Sag:
    """Hold what was read under load against both chemistries."""
    family = known.family
    own_mohm = family.cells_per_block * float(np.interp(family.soc_target, family.curves.soc,
                                                        family.curves.discharge_mohm))  # fmt: skip
    read = _sag_mohm(known, abs(own_mohm - other_mohm))
    if read is not None and read < FALLS * min(own_mohm, other_mohm):
        read = None  # less than cells of either kind have: it was read or noted wrong, and tells nothing
    return _Sag(own_mohm, other_mohm, read)


def chemistry(known: Known) -> Said | None:
    """Find volts and sag under load of another chemistry, or volts that fit both and no load or label that tells."""
    family = known.family
    other = None if np.isnan(known.median_v) or not known.its_volts else _other_cells(family, known.median_v)
    if other is None:
        return None
    cells, other_mohm = other
    sag = _sag(known, other_mohm)
    words = {
        "volts": f"{known.median_v:.2f}",
        "own": family.cells_per_block,
        "own_kind": CHEMISTRY_WORDS[family.chemistry],
        "cells": cells,
        "kind": CHEMISTRY_WORDS["nimh" if family.chemistry == "lithium-ion" else "lithium-ion"],
    }
    if sag.read_mohm is None:
        if family.chemistry == "nimh" or known.label_read:
            return None  # of nickel-metal hydride that ends charging alone: `label_unread`
        return say(
            "The blocks rest at %(volts)s V in the middle: %(own)s %(own_kind)s cells would, and so would %(cells)s "
            "%(kind)s cells. No reading under load tells which they are.",
            **words,
        )
    if (sag.as_nimh and not sag.as_lithium) == (family.chemistry == "nimh") or sag.as_nimh == sag.as_lithium:
        return None
    return say(
        "The blocks rest at %(volts)s V in the middle and sink under load as %(cells)s %(kind)s cells would, not as "
        "%(own)s %(own_kind)s cells (%(sag)s mΩ where %(ohms)s mΩ is usual).",
        **words,
        sag=f"{sag.read_mohm:.0f}",
        ohms=f"{sag.own_mohm:.0f}",
    )


def lithium_cells(volts: float) -> int:
    """Return how many lithium-ion cells in series could rest at these volts, flat or full; 0 where none could."""
    cells = ceil(volts / LITHIUM_CELLS_V[1])
    return cells if volts >= cells * LITHIUM_FLOOR_V else 0


def label_unread(known: Known) -> Said | None:
    """Find blocks named as nickel-metal hydride that may be of lithium-ion: neither a label nor a load told.

    Volts at rest tell the two apart for hardly any block: three cells of the one rest where one of the other does.
    """
    family = known.family
    if family.chemistry != "nimh" or known.label_read or not known.readings or not known.its_volts:
        return None
    read = not np.isnan(known.median_v)
    volts = known.median_v if read else rest_window_v(family)[1]
    cells = lithium_cells(volts)
    if not cells:
        return None
    kinds = {"nimh": CHEMISTRY_WORDS["nimh"], "lithium": CHEMISTRY_WORDS["lithium-ion"]}
    if not read:
        return say(
            "Nobody read the blocks at rest, or noted what the label says: nothing tells that the cells are %(nimh)s "
            "and not %(lithium)s.",
            **kinds,
        )
    sag = _sag(known, cells * LITHIUM_CELL_MOHM)
    if (sag.as_nimh and not sag.as_lithium) or chemistry(known) is not None:
        return None
    return say_count(
        "The blocks rest at %(volts)s V in the middle: %(own)s %(nimh)s cells would, and so would one %(lithium)s "
        "cell. Nobody noted what the label says, and no reading under load tells which they are.",
        "The blocks rest at %(volts)s V in the middle: %(own)s %(nimh)s cells would, and so would %(cells)s "
        "%(lithium)s cells. Nobody noted what the label says, and no reading under load tells which they are.",
        cells,
        volts=f"{volts:.2f}",
        own=family.cells_per_block,
        cells=cells,
        **kinds,
    )
