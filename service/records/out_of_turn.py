"""A charge whose time lies before the readings that were taken to find the weak block: it is asked about."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.base.errors import Problem
from models.packs.stops.known import VISIT
from service.core.translation import _
from service.records.field_words import to_the_minute
from service.store.schema import Outcome, Reading, TopUp


def before_its_readings(
    session: Session, pack_id: str, time: datetime, blocks: Sequence[int], also_done: str | None
) -> list[Problem]:
    """Ask about a charge after which a charged block rests lowest of all, and no higher than before it.

    A block that was charged stands above its peers at first. One that was not, in the next reading at rest, was
    probably read before it was charged. Looked for within one visit (`models.packs.stops.known.VISIT`), as long as the
    fault has not come back between.
    """
    if also_done is not None:
        return []  # another module rests where it likes
    rests = select(Reading).where(Reading.pack_id == pack_id, Reading.state == "rest")
    read = session.scalar(
        rests.where(Reading.time > time, Reading.time <= time + VISIT).order_by(Reading.time).limit(1)
    )
    if read is None:
        return []
    happened = select(Outcome.id).where(Outcome.pack_id == pack_id, Outcome.time.between(time, read.time))
    charged = select(TopUp.id).where(TopUp.pack_id == pack_id, TopUp.time > time, TopUp.time <= read.time)
    if session.scalar(happened.limit(1)) is not None or session.scalar(charged.limit(1)) is not None:
        return []
    since = session.scalar(
        select(TopUp.time).where(TopUp.pack_id == pack_id, TopUp.time < time).order_by(TopUp.time.desc()).limit(1)
    )
    earlier = rests.where(Reading.time <= time, *(() if since is None else (Reading.time > since,)))
    before = session.scalar(earlier.order_by(Reading.time.desc()).limit(1))
    for block in blocks:
        now_v = _above_others(read.block_v, block)
        then_v = None if before is None else _above_others(before.block_v, block)
        lowest = now_v is not None and read.block_v[block - 1] == min(v for v in read.block_v if v is not None)
        if now_v is None or now_v >= 0 or not lowest or (then_v is not None and then_v < now_v):
            continue
        what = _("This charge lies before the readings of %(time)s, in which block %(block)s still rests lowest.")
        mend = _("Is the time right? If they were taken before the charge, it ended after them.")
        return [Problem("time", what % {"time": to_the_minute(read.time), "block": block}, mend)]
    return []


def _above_others(volts: Sequence[float | None], block: int) -> float | None:
    """Return how far a block stands above the mean of the others, V; None where either was not read."""
    own = volts[block - 1]
    others = [v for place, v in enumerate(volts) if place != block - 1 and v is not None]
    return None if own is None or not others else own - sum(others) / len(others)
