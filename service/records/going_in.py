"""What is asked about before a pack goes into a vehicle, through whichever door.

A stop, a fault that is back, a grave warning, another family, a change made just before, or a moment before an entry.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from models.base.errors import Problem
from models.packs.family import PackFamily
from models.packs.history import PackHistory, family_problems
from models.packs.stops import stops_of
from models.topup.evidence import SAME_VISIT
from service.core.translation import _
from service.records.field_words import to_the_minute
from service.records.history import sound_or_not
from service.records.subject import Situation
from service.records.unweighed import warned_packs
from service.store.schema import Assignment, Outcome, Pack, Reading, TopUp


def assigned(situation: Situation, now: datetime) -> list[Problem]:
    """Ask about a pack that an assignment puts into a vehicle as things stand, as `refit` asks of one.

    Of one that came out again by now nothing is asked, nor where only a time is corrected.
    """
    before, after = situation.before, situation.after
    if after is None or (after["until"] is not None and after["until"] <= now):
        return []
    named = ("pack_id", "vehicle_id")
    if before is not None and before["until"] is None and all(before[name] == after[name] for name in named):
        return []
    session, pack = situation.session, situation.session.get(Pack, after["pack_id"])
    if pack is None:
        return []
    other = other_family(session, after["vehicle_id"], after["since"], pack.id, pack.family)
    return [
        *stops_of_pack(session, pack, situation.families),
        *not_to_go_in(session, pack),
        *(replace(doubt, where="pack_id") for doubt in other),
    ]


def not_to_go_in(session: Session, pack: Pack) -> list[Problem]:
    """Ask about a pack whose fault is back and that was not charged since, or of which its forecast gravely warns."""
    said = []
    charged = select(func.max(TopUp.time)).where(TopUp.pack_id == pack.id).scalar_subquery()
    back = select(func.max(Outcome.time)).where(Outcome.pack_id == pack.id, Outcome.kind == "returned")
    since = session.scalar(back.where(or_(charged.is_(None), Outcome.time >= charged)))
    if since is not None:
        what = _("The fault of pack %(pack)s came back on %(day)s, and nothing was charged since.")
        mend = _("It would stop on the road. Charge and read it first, or put another pack in.")
        said.append(Problem("pack_id", what % {"pack": pack.id, "day": since.date().isoformat()}, mend))
    if warned_packs(session, [pack.id]):
        what = _(
            "The newest forecast of pack %(pack)s carries a grave warning: do not drive it until that has been "
            "looked at."
        )
        mend = _("Open the pack's page to see what it warns of, or put another pack in.")
        said.append(Problem("pack_id", what % {"pack": pack.id}, mend))
    return said


def stops_of_pack(session: Session, pack: Pack, families: Mapping[str, PackFamily]) -> list[Problem]:
    """Ask about everything on record that stops a pack, also while it lies on the shelf and no list tells of it."""
    family = families.get(pack.family)
    found = next((history for _name, history in sound_or_not(session, [pack])), None)
    if family is None or not isinstance(found, PackHistory) or family_problems(found, family):
        return []
    return [
        Problem("pack_id", _("STOP: %(what)s") % {"what": _(stop.text)}, _(stop.instead))
        for stop in stops_of(found, family)
    ]


def other_family(session: Session, vehicle_id: str, at: datetime, pack_id: str, family: str) -> list[Problem]:
    """Ask about a pack of another family than that of the pack which sat in the vehicle last."""
    last = (
        select(Pack.family)
        .join(Assignment, Assignment.pack_id == Pack.id)
        .where(Assignment.vehicle_id == vehicle_id, Assignment.since < at)
        .order_by(Assignment.since.desc())
        .limit(1)
    )
    before = session.scalar(last)
    if before in (None, family):
        return []
    what = _("%(pack)s is of the family %(family)s; the pack before it in %(vehicle)s was of %(before)s.")
    words = {"pack": pack_id, "family": family, "vehicle": vehicle_id, "before": before}
    return [
        Problem("family", what % words, _("A vehicle usually takes one family. Are vehicle, pack and family right?"))
    ]


def changed_just_now(old: Assignment, at: datetime) -> list[Problem]:
    """Ask about a change on top of one of the same visit: two people may have written at once."""
    if at - old.since > SAME_VISIT:
        return []
    what = _("Pack %(pack)s was only just put into %(vehicle)s, at %(time)s.")
    words = {"pack": old.pack_id, "vehicle": old.vehicle_id, "time": to_the_minute(old.since)}
    mend = _("Does it come out again already? If two of you entered the same change, one of the numbers is wrong.")
    return [Problem("pack_id", what % words, mend)]


def before_an_entry(session: Session, pack_id: str, at: datetime) -> list[Problem]:
    """Ask about a pack that comes out before the newest reading or charge on record of it."""
    newest = max(
        filter(
            None,
            (
                session.scalar(select(func.max(table.time)).where(table.pack_id == pack_id, table.time > at))
                for table in (Reading, TopUp)
            ),
        ),
        default=None,
    )
    if newest is None:
        return []
    what = _("Pack %(pack)s comes out at %(at)s, but was read or charged at %(time)s, after that.")
    words = {"pack": pack_id, "at": to_the_minute(at), "time": to_the_minute(newest)}
    return [
        Problem("at", what % words, _("Is the time of the change right? A pack is usually read before it comes out."))
    ]
