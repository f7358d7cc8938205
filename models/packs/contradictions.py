"""Readings that cannot be what they are said to be: no figure rests on them, and each is named with its reason.

A reading "at rest" under a current is none. Under a discharge every block sinks by at least its own resistance, and
rises under a charge; one that does not, against the rest reading of the same visit, was read or noted wrong.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.base.arrays import Bools, Floats, Rows
from models.base.messages import Said, say, say_count
from models.packs.family import PackFamily
from models.packs.history import BlockReading, PackHistory

FLOWING_C: Final = 1 / 3
"""From this current on, in amperes per rated ampere-hour, a reading is not one at rest. Invented: more than a car that
stands ready draws (2 A of 6.5 Ah), and less than any test."""

WITHIN_S: Final = 0.2 * 86_400
"""Readings no further apart belong to one visit, s. Invented (as `models.features.raw.VISIT_DAYS`)."""

UNNOTED_SHARE: Final = 0.27
"""Current of a reading where it was not noted, as a share of the family's peak: the lesser of what
`models.features.raw` takes for discharge and charge. Invented."""

WARMEST_C: Final = 45.0
"""Resistance falls with warmth; a pack in use is no warmer than this (from memory, unverified)."""


def least_ohm(family: PackFamily, mohm: tuple[float, ...]) -> float:
    """Return the least resistance of a block, Ω, from that of a cell by charge, mΩ: of new cells, warm."""
    warm = np.exp(family.resistance_per_k * (WARMEST_C - 25.0))
    return 1e-3 * family.cells_per_block * min(mohm) * float(warm)


@dataclass(frozen=True)
class FamilyLimits:
    """What bounds the volts of a block between rest and current, of k families: arrays of shape (k,).

    Attributes
    ----------
    rated_ah, unnoted_a : array
    discharge_ohm, charge_ohm : array
        The least resistance of a block, Ω: of new cells, warm.
    discharge_leeway_v, charge_leeway_v : array
        By how much a block may stand against its resistance, V: on the other branch of its hysteresis, and at the end
        of the controller's window instead of its centre. Derived from the curve.
    """

    rated_ah: Floats
    unnoted_a: Floats
    discharge_ohm: Floats
    charge_ohm: Floats
    discharge_leeway_v: Floats
    charge_leeway_v: Floats

    @classmethod
    def of(cls, families: Sequence[PackFamily]) -> FamilyLimits:
        """Read them off some families."""

        def leeway_v(family: PackFamily, end_soc: float, branch_v: float) -> float:
            end, middle = np.interp([end_soc, family.soc_target], family.curves.soc, family.curves.ocv_v)
            return float(family.cells_per_block * (branch_v + abs(end - middle)))

        return cls(
            np.array([f.rated_ah for f in families]),
            np.array([UNNOTED_SHARE * f.peak_current_a for f in families]),
            np.array([least_ohm(f, f.curves.discharge_mohm) for f in families]),
            np.array([least_ohm(f, f.curves.charge_mohm) for f in families]),
            np.array([leeway_v(f, f.soc_high, f.hysteresis_charge_v) for f in families]),
            np.array([leeway_v(f, f.soc_low, f.hysteresis_discharge_v) for f in families]),
        )


@dataclass(frozen=True)
class Contradicted:
    """What cannot be true among n readings of up to b blocks.

    Attributes
    ----------
    flowing : bool array, shape (n,)
        Said to be at rest, but a current flows.
    against_rest : bool array, shape (n, b)
        The block lies on the wrong side of its own volts at rest.
    """

    flowing: Bools
    against_rest: Bools

    def whole(self, volts: Floats) -> Bools:
        """Return which readings are of no use at all, shape (n,): no rest, or wrong in half of the blocks or more."""
        known = (~np.isnan(volts)).sum(axis=1)
        return np.asarray(self.flowing | (self.against_rest.any(axis=1) & (2 * self.against_rest.sum(axis=1) >= known)))


def flows(current_a: float | None, family: PackFamily) -> bool:
    """Whether a current is too much for a pack said to be at rest."""
    return current_a is not None and abs(current_a) >= FLOWING_C * family.rated_ah


def contradicted(
    pack: Rows,
    second: Floats,
    state: NDArray[np.object_],
    current_a: Floats,
    volts: Floats,
    charges: Rows,
    limits: FamilyLimits,
    which: Rows,
) -> Contradicted:
    """Find what cannot be true among the readings of many packs.

    Parameters
    ----------
    pack : int array, shape (n,)
        Readings are in order of pack and time.
    second : array, shape (n,)
    state : object array, shape (n,)
        "rest", "discharge" or "charge".
    current_a : array, shape (n,)
        Discharge positive; NaN where not noted.
    volts : array, shape (n, b)
        NaN where not read.
    charges : int array, shape (n,)
        Top-ups of the pack by then: readings on both sides of a charge do not compare.
    which : int array, shape (n,)
        Family of each reading, by its place in `limits`.
    """
    rest = state == "rest"
    flowing = rest & (np.abs(np.nan_to_num(current_a)) >= FLOWING_C * limits.rated_ah[which])
    against = np.zeros(volts.shape, dtype=np.bool_)
    rests, loads = np.flatnonzero(rest & ~flowing), np.flatnonzero(~rest)
    if not len(rests) or not len(loads):
        return Contradicted(flowing, against)
    place = np.searchsorted(rests, loads)
    best, distance = np.zeros(len(loads), dtype=np.intp), np.full(len(loads), np.inf)
    for near in (rests[np.maximum(place - 1, 0)], rests[np.minimum(place, len(rests) - 1)]):
        apart = np.where(
            (pack[near] == pack[loads]) & (charges[near] == charges[loads]),
            np.abs(second[near] - second[loads]),
            np.inf,
        )
        best, distance = np.where(apart < distance, near, best), np.minimum(apart, distance)
    found = distance <= WITHIN_S
    loads, best = loads[found], best[found]
    family, out = which[loads], state[loads] == "discharge"
    noted = np.abs(current_a[loads])
    amps = np.where(np.isnan(noted), limits.unnoted_a[family], noted)
    least_v = amps * np.where(out, limits.discharge_ohm[family], limits.charge_ohm[family])
    leeway_v = np.where(out, limits.discharge_leeway_v[family], limits.charge_leeway_v[family])
    moved = np.where(out, 1.0, -1.0)[:, None] * (volts[best] - volts[loads])
    against[loads] = moved < (least_v - leeway_v)[:, None]  # never for what was not read
    return Contradicted(flowing, against)


@dataclass(frozen=True)
class Unused:
    """A reading, or some blocks of one, that no figure rests on.

    Attributes
    ----------
    blocks : tuple of int
        From 1; empty if nothing of it is used.
    text : str
        Which reading, and why.
    """

    time: datetime
    state: str
    blocks: tuple[int, ...]
    text: str


def without_contradictions(
    history: PackHistory, family: PackFamily, at: datetime | None = None
) -> tuple[PackHistory, tuple[Unused, ...]]:
    """Leave out of a history what cannot be what it is said to be.

    Parameters
    ----------
    history : PackHistory
        Fits the family.
    at : datetime, optional
        Readings after it are neither looked at nor left out.

    Returns
    -------
    PackHistory
        Itself where nothing is wrong.
    tuple of Unused
        In order.
    """
    known = [r for r in history.readings if at is None or r.time <= at]
    n = len(known)
    if not n:
        return history, ()
    topped = [t.time for t in history.topups]
    volts = np.array([[np.nan if v is None else v for v in r.block_v] for r in known])
    found = contradicted(
        np.zeros(n, dtype=np.intp),
        np.array([r.time.timestamp() for r in known]),
        np.array([r.state for r in known], dtype=object),
        np.array([np.nan if r.current_a is None else r.current_a for r in known]),
        volts,
        np.array([bisect_right(topped, r.time) for r in known], dtype=np.intp),
        FamilyLimits.of([family]),
        np.zeros(n, dtype=np.intp),
    )
    whole = found.whole(volts)
    if not whole.any() and not found.against_rest.any():
        return history, ()
    kept: list[BlockReading] = []
    unused = []
    for place, reading in enumerate(known):
        wrong = np.flatnonzero(found.against_rest[place])
        if whole[place]:
            unused.append(Unused(reading.time, reading.state, (), _why(reading, bool(found.flowing[place]))))
        elif len(wrong):
            blocks = tuple(int(b) + 1 for b in wrong)
            unused.append(Unused(reading.time, reading.state, blocks, _why_blocks(reading, blocks)))
            left = tuple(None if b in wrong else v for b, v in enumerate(reading.block_v))
            kept.append(reading.model_copy(update={"block_v": left}))
        else:
            kept.append(reading)
    return history.model_copy(update={"readings": (*kept, *history.readings[n:])}), tuple(unused)


def _when(reading: BlockReading) -> str:
    return reading.time.isoformat(sep=" ", timespec="minutes")


def _why(reading: BlockReading, flowing: bool) -> Said:
    if flowing:
        return say(
            "The rest reading of %(when)s is not used, because %(amps)s A are noted with it: at rest no current flows. "
            "Read all blocks at rest again, or correct state or current.",
            when=_when(reading),
            amps=f"{reading.current_a:g}",
        )
    if reading.state == "discharge":
        return say(
            "The reading under load of %(when)s is not used, because the blocks did not sink from where they rested: "
            "read all blocks again, at rest and under load.",
            when=_when(reading),
        )
    return say(
        "The reading under charge of %(when)s is not used, because the blocks did not rise from where they rested: "
        "read all blocks again, at rest and under load.",
        when=_when(reading),
    )


def _why_blocks(reading: BlockReading, blocks: tuple[int, ...]) -> Said:
    words = {"when": _when(reading), "blocks": ", ".join(map(str, blocks))}
    if reading.state == "discharge":
        return say_count(
            "Block %(blocks)s of the reading under load of %(when)s is not used, because it did not sink from where it "
            "rested: check its sense lead.",
            "Blocks %(blocks)s of the reading under load of %(when)s are not used, because they did not sink from "
            "where they rested: check their sense leads.",
            len(blocks),
            **words,
        )
    return say_count(
        "Block %(blocks)s of the reading under charge of %(when)s is not used, because it did not rise from where it "
        "rested: check its sense lead.",
        "Blocks %(blocks)s of the reading under charge of %(when)s are not used, because they did not rise from where "
        "they rested: check their sense leads.",
        len(blocks),
        **words,
    )
