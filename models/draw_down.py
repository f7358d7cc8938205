"""A pack drawn down by a known charge between two rest readings of one visit, as the readings on record tell it.

All blocks of a string give the same ampere-hours. Those of full capacity sink by less of theirs than a block that has
lost some, so two rest readings with a known charge between them tell what one alone cannot: a block's capacity.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Final

from models.families import PackFamily
from models.history import BlockReading, PackHistory

HELD_MOST_C: Final = 1.5
"""Two readings in a row under no more than this, in amperes per rated ampere-hour, are taken as one load held from the
first to the second. A test under load takes more, for seconds. Our choice."""

LEAST_DRAWN_SHARE: Final = 0.05
MOST_DRAWN_SHARE: Final = 0.5
"""Of rated capacity: less tells nothing; more would not have come out of a pack in use. Our choice."""

WITHIN_H: Final = 24.0
"""Hours between the two rest readings of one visit, at most. Our choice."""


@dataclass(frozen=True)
class DrawDown:
    """Two rest readings, and the load between them.

    Attributes
    ----------
    higher, lower : BlockReading
        At rest, before and after the load.
    loads : tuple of BlockReading
        Under the load.
    drawn_ah : float
        Charge drawn from the whole string: current times time between the readings of the load.
    held_h : float
        Hours between them.
    """

    higher: BlockReading
    lower: BlockReading
    loads: tuple[BlockReading, ...]
    drawn_ah: float
    held_h: float


def draw_downs(history: PackHistory, family: PackFamily, at: datetime) -> tuple[DrawDown, ...]:
    """Find the draw-downs on record by a moment, in order."""
    known = [r for r in history.readings if r.time <= at]
    rests = [place for place, reading in enumerate(known) if reading.state == "rest"]
    pairs = [(known[one], known[two], known[one + 1 : two]) for one, two in pairwise(rests)]
    found = (_draw_down(family, *pair) for pair in pairs if not _charged_between(history, *pair[:2]))
    return tuple(one for one in found if one is not None)


def as_it_stood(history: PackHistory, downs: Sequence[DrawDown]) -> PackHistory:
    """Set aside what was read of the pack while, and after, it was drawn down: it does not stand like that in use."""
    aside = {id(reading) for down in downs for reading in (down.lower, *down.loads)}
    return history.model_copy(update={"readings": tuple(r for r in history.readings if id(r) not in aside)})


def _draw_down(
    family: PackFamily, higher: BlockReading, lower: BlockReading, between: Sequence[BlockReading]
) -> DrawDown | None:
    if _hours(higher, lower) > WITHIN_H:
        return None
    loads: list[BlockReading] = []
    drawn = held = 0.0
    for one, two in pairwise(between):
        if _held(family, one) and _held(family, two):
            hours = _hours(one, two)
            drawn += ((one.current_a or 0.0) + (two.current_a or 0.0)) / 2 * hours
            held += hours
            loads += [two] if one in loads[-1:] else [one, two]
    if not LEAST_DRAWN_SHARE <= drawn / family.rated_ah <= MOST_DRAWN_SHARE:
        return None
    return DrawDown(higher, lower, tuple(loads), drawn, held)


def _held(family: PackFamily, reading: BlockReading) -> bool:
    return (
        reading.state == "discharge"
        and reading.current_a is not None
        and reading.current_a <= HELD_MOST_C * family.rated_ah
    )


def _charged_between(history: PackHistory, one: BlockReading, two: BlockReading) -> bool:
    return any(one.time < topup.time <= two.time for topup in history.topups)


def _hours(one: BlockReading, two: BlockReading) -> float:
    return (two.time - one.time).total_seconds() / 3600
