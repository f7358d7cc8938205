"""Topping charges as a subject of the store."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import Annotated, Final

from pydantic import Field, FiniteFloat
from sqlalchemy import select

from models.base.errors import BadInput, Problem
from models.base.moments import Moment
from models.base.numbers import NO_TRUTH_VALUE
from models.packs.history import TopUp, family_problems
from models.topup.planned import past_plan
from service.core.translation import _
from service.records.field_words import to_the_minute
from service.records.history import history_of_pack
from service.records.out_of_turn import before_its_readings
from service.records.schemas import PackName
from service.records.sense import fits_family
from service.records.slips import slips
from service.records.subject import Situation, Subject
from service.store.schema import Outcome, Pack, Reading
from service.store.schema import TopUp as TopUpRow

MOST_PLANNED: Final = 100
"""Top-ups sent together of which each is laid beside a plan: it takes some 15 ms of processor time, and nobody is to
wait for more than two seconds. Our choice; of more of them the forecasts say what went in past what was missing."""

BlockNumber = Annotated[int, Field(ge=1, le=200), NO_TRUTH_VALUE]


class NewTopUp(TopUp):
    """One topping charge of one or more blocks; its time is the end of the charge."""

    pack_id: PackName
    time: Moment
    blocks: Annotated[tuple[BlockNumber, ...], Field(min_length=1, max_length=200)]
    rest_before_v: Annotated[FiniteFloat, Field(ge=-250), NO_TRUTH_VALUE] | None = None
    rest_after_v: Annotated[FiniteFloat, Field(ge=-250), NO_TRUTH_VALUE] | None = None


def _doubts(situation: Situation, now: datetime) -> list[Problem]:
    return [*slips(situation, now, "topup"), *_twice(situation), *_out_of_turn(situation), *_past_plan(situation)]


def _past_plan(situation: Situation) -> list[Problem]:
    """Ask about a charge of more than a plan from the readings before it would have let in."""
    after, before = situation.after, situation.before
    if after is None or situation.together > MOST_PLANNED:
        return []
    if before is not None and before["charge_ah"] == after["charge_ah"] and not _moved(situation):
        return []
    try:
        history = history_of_pack(situation.session, after["pack_id"])
    except BadInput:  # what is stored contradicts itself: no plan is made from it
        return []
    family = None if history is None else situation.families.get(history.family)
    if history is None or family is None or family_problems(history, family):
        return []
    topup = TopUp.model_construct(**{name: after[name] for name in TopUp.model_fields})
    found = past_plan(history, family, topup)
    # Slips tell already of more than a block can hold.
    if found is None or (topup.charge_ah or 0.0) > family.rated_ah:
        return []
    words = {"charge": f"{topup.charge_ah:g}", "block": found[0], "most": f"{found[1]:.1f}"}
    what = _(
        "%(charge)s Ah is more than the top-up plan lets into block %(block)s by the readings before: %(most)s Ah."
    )
    mend = _("Is it in Ah, and of one block? If so much went in, it may be overcharged: look for swelling and heat.")
    return [Problem("charge_ah", what % words, mend)]


def _moved(situation: Situation) -> bool:
    """Whether a change says anew which blocks were charged, or when."""
    after, before = situation.after, situation.before
    return after is not None and (before is None or any(before[name] != after[name] for name in ("time", "blocks")))


def _out_of_turn(situation: Situation) -> list[Problem]:
    if not _moved(situation):
        return []
    assert situation.after is not None, "it moved"
    values = {name: situation.after[name] for name in ("pack_id", "time", "blocks", "also_done")}
    return before_its_readings(situation.session, **values)


def _twice(situation: Situation) -> list[Problem]:
    """Ask about a second charge of a block between which and the first nobody read it, nor did the fault come back."""
    if not _moved(situation):
        return []
    after = situation.after
    assert after is not None, "it moved"
    session, pack_id, time = situation.session, after["pack_id"], after["time"]
    others = select(TopUpRow).where(TopUpRow.pack_id == pack_id, TopUpRow.id != (situation.record_id or 0))
    for other in session.scalars(others.order_by(TopUpRow.time)):
        shared = sorted(set(other.blocks) & set(after["blocks"]))
        first, last = sorted((other.time, time))
        read = select(Reading.id).where(Reading.pack_id == pack_id, Reading.time > first, Reading.time <= last)
        back = select(Outcome.id).where(
            Outcome.pack_id == pack_id, Outcome.kind != "running", Outcome.time.between(first, last)
        )
        if not shared or session.scalar(read.limit(1)) is not None or session.scalar(back.limit(1)) is not None:
            continue
        words = {"block": shared[0], "number": other.id, "time": to_the_minute(other.time)}
        what = _("Block %(block)s was charged by top-up %(number)s at %(time)s too, and nothing was read between.")
        mend = _("If it is the same charge, entered twice, leave this one out.")
        return [Problem("time", what % words, mend)]
    return []


TOPUPS: Final = Subject(
    name="topups",
    one="topup",
    table=TopUpRow,
    new=NewTopUp,
    example={
        "pack_id": "MB-VAN-07",
        "time": "2026-03-02T12:50:00+00:00",
        "blocks": [5],
        "charge_ah": 1.1,
        "end_v": 13.45,
        "duration_h": 2.0,
        "rest_after_v": 13.21,
        "rest_after_h": 17.3,
    },
    references={"pack_id": Pack},
    unique=("pack_id", "time"),
    filters=("pack_id",),
    time="time",
    happened=("time",),
    check=partial(fits_family, kind=TopUp),
    doubts=_doubts,
    ordered="topups",
)
