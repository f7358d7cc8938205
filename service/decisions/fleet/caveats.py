"""What has to be known before a figure of the fleet is read: what must not be driven, what is old, what is left out."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any, Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.core.translation import _, ngettext
from service.decisions.basis.left_out import without_forecast_said
from service.decisions.basis.open_cases import too_old
from service.decisions.fleet.parts import on_packs
from service.decisions.fleet.schemas import Part
from service.forecasting.issued.scores import OLDEST_DAYS, still_out
from service.records.stopped import vehicle_names
from service.store.schema import Pack, Score, StoppedPack

MOST_NAMED: Final = 10

_CALLED: Final = func.coalesce(Score.vehicle_id, Score.pack_id)


def caveats(
    session: Session, picked: Sequence[Any], part: Part, now: datetime, counted: Collection[str] = ()
) -> list[str]:
    """Say what must not be driven, what rests on something old, and what is left out.

    Parameters
    ----------
    picked : sequence of SQL conditions on `Score`
        The part of the fleet that is asked about.
    part : Part
        The same. Of packs under a stop only the family is asked.
    counted : collection of str
        Packs under a stop that are counted all the same.
    """
    return [
        *stopped_in(session, part.family, counted),
        *warned_of(session, picked),
        *unread_in(session, picked),
        *silent_in(session, picked, now),
        *without_forecast_said(session, on_packs(part), now, old_told=True),
    ]


def silent_in(session: Session, picked: Sequence[Any], now: datetime) -> list[str]:
    """Name the packs that nobody has seen, or forecast, for so long that no figure of them is told or counted."""
    old = (too_old(now), still_out(), *picked)
    count = session.scalar(select(func.count()).select_from(Score).where(*old)) or 0
    if not count:
        return []
    since = func.coalesce(Score.seen_at, Score.origin)
    rows = session.execute(select(_CALLED, since).where(*old).order_by(since, Score.pack_id).limit(MOST_NAMED))
    named = ", ".join(_("%(pack)s (%(day)s)") % {"pack": pack, "day": day.date()} for pack, day in rows)
    words = ngettext(
        "%(count)s pack was not read or not forecast within %(days)s days, and no figure of it is told or counted: "
        "%(packs)s. Read it at rest first.",
        "%(count)s packs were not read or not forecast within %(days)s days, and no figure of them is told or counted: "
        "%(packs)s. Read them at rest first.",
        count,
    )
    return [words % {"count": count, "days": f"{OLDEST_DAYS:g}", "packs": named + and_more(count)}]


def and_more(count: int) -> str:
    """Say how many are not named of so many, if any."""
    return _(" and %(count)s more") % {"count": count - MOST_NAMED} if count > MOST_NAMED else ""


def stopped_in(session: Session, family: str | None, counted: Collection[str] = ()) -> list[str]:
    """Name the packs that facts stop: nothing is promised, ranked, planned or counted of them."""
    query = select(StoppedPack.pack_id).join(Pack, Pack.id == StoppedPack.pack_id).order_by(StoppedPack.pack_id)
    found = session.scalars(query if family is None else query.where(Pack.family == family))
    stopped = [pack_id for pack_id in found if pack_id not in counted]
    named_of = vehicle_names(session, stopped[:MOST_NAMED])
    if not stopped:
        return []
    words = ngettext(
        "%(count)s pack stands under a stop and is not counted here: %(packs)s. Look at it first.",
        "%(count)s packs stand under a stop and are not counted here: %(packs)s. Look at them first.",
        len(stopped),
    )
    named = ", ".join(named_of.get(pack, pack) for pack in stopped[:MOST_NAMED]) + and_more(len(stopped))
    return [words % {"count": len(stopped), "packs": named}]


def warned_of(session: Session, picked: Sequence[Any]) -> list[str]:
    """Name the vehicles that must not be driven before what their forecasts warn of is looked at."""
    count, named = _named(session, (Score.grave, still_out(), *picked))
    if not count:
        return []
    words = ngettext(
        "%(count)s forecast warns of something that has to be looked at before anybody drives the vehicle or goes by "
        "its figures: %(vehicles)s.",
        "%(count)s forecasts warn of something that has to be looked at before anybody drives the vehicles or goes by "
        "their figures: %(vehicles)s.",
        count,
    )
    return [words % {"count": count, "vehicles": named}]


def unread_in(session: Session, picked: Sequence[Any]) -> list[str]:
    """Name the vehicles that nobody read at rest since their charge, and of which nothing else warns."""
    count, named = _named(session, (Score.unread, ~Score.grave, still_out(), *picked))
    if not count:
        return []
    words = ngettext(
        "%(count)s vehicle was not read at rest since its charge and must not be driven before it is: %(vehicles)s.",
        "%(count)s vehicles were not read at rest since their charge and must not be driven before they are: "
        "%(vehicles)s.",
        count,
    )
    return [words % {"count": count, "vehicles": named}]


def _named(session: Session, conditions: Sequence[Any]) -> tuple[int, str]:
    """Count the scores of which some conditions hold, and name the first."""
    count = session.scalar(select(func.count()).select_from(Score).where(*conditions)) or 0
    if not count:
        return 0, ""
    named = session.scalars(select(_CALLED).where(*conditions).order_by(_CALLED).limit(MOST_NAMED)).all()
    return count, ", ".join(named) + (", …" if count > MOST_NAMED else "")
