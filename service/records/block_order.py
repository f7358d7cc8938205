"""A reading that shows its blocks as another of the same visit does, but in another order: it is asked about."""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import select

from models.base.errors import Problem
from models.packs.block_order import Order, other_order
from models.packs.stops.known import VISIT
from service.core.translation import N_, _
from service.records.field_words import to_the_minute
from service.records.subject import Situation
from service.store.schema import Outcome, Pack, Reading, TopUp

_SAID: Final[dict[Order, str]] = {
    "reversed": N_("Counted from the other end these blocks read as those of %(time)s do; as they stand they do not."),
    "shifted": N_("Counted one place further these blocks read as those of %(time)s do; as they stand they do not."),
}

MOST_LAID_BESIDE: Final = 1000
"""Readings sent together of which each is laid beside its neighbours: it takes a thousandth of a second, and nobody is
to wait for more than one. Our choice; a logger numbers the blocks alike in all of its readings."""


def in_other_order(situation: Situation) -> list[Problem]:
    """Ask about volts that match another reading of the visit, in the same state, only in another order.

    A block that was charged between the two tells nothing, nor do readings between which the fault came back.
    """
    after, before, session = situation.after, situation.before, situation.session
    if after is None or situation.together > MOST_LAID_BESIDE:
        return []
    if before is not None and list(before["block_v"]) == list(after["block_v"]):
        return []
    pack = session.get(Pack, after["pack_id"])
    family = None if pack is None else situation.families.get(pack.family)
    if family is None:
        return []
    time, own = after["time"], situation.record_id or 0
    others = select(Reading.time, Reading.block_v).where(
        Reading.pack_id == after["pack_id"], Reading.state == after["state"], Reading.id != own
    )
    # The nearest on either side, however many there are of one visit.
    sides = (
        others.where(Reading.time.between(time - VISIT, time)).order_by(Reading.time.desc()),
        others.where(Reading.time.between(time, time + VISIT)).order_by(Reading.time),
    )
    found: list[Any] = [row for side in sides for row in session.execute(side.limit(1))]
    near = min(found, key=lambda row: abs(row.time - time), default=None)
    if near is None:
        return []
    span = sorted((time, near.time))
    back = select(Outcome.id).where(
        Outcome.pack_id == after["pack_id"], Outcome.kind != "running", Outcome.time.between(*span)
    )
    if session.scalar(back.limit(1)) is not None:
        return []
    charged = select(TopUp.blocks).where(TopUp.pack_id == after["pack_id"], TopUp.time.between(*span))
    blocks = {block for some in session.scalars(charged) for block in some}
    order = other_order(after["block_v"], near.block_v, family.cells_per_block, blocks)
    if order is None:
        return []
    what = _(_SAID[order]) % {"time": to_the_minute(near.time)}
    return [Problem("block_v", what, _("Number the blocks alike in both: the wrong one may be charged."))]
