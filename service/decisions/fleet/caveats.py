"""What has to be known before a ranking is read: forecasts in it that are old, and packs that are not in it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.core.translation import _, ngettext
from service.decisions.basis.open_cases import decided_on
from service.forecasting.issued.scores import OLDEST_DAYS, ended
from service.store.schema import Pack, Score, StoppedPack

MOST_NAMED: Final = 10


def caveats(session: Session, picked: Sequence[Any], family: str | None, now: datetime) -> list[str]:
    """Say what a ranking rests on that is old, and what it leaves out.

    Parameters
    ----------
    session : Session
    picked : sequence of SQL conditions on `Score`
        The part of the fleet that is ranked.
    family : str or None
        Packs of others are not named. Site and duty are not asked of a pack that is not ranked.
    now : datetime
    """
    said = silent_in(session, picked, now)
    grave = session.scalar(select(func.count()).select_from(Score).where(Score.grave, ~ended(), *picked)) or 0
    if grave:
        said.insert(0, warned_of(grave))
    return [*stopped_in(session, family), *said]


def silent_in(session: Session, picked: Sequence[Any], now: datetime) -> list[str]:
    """Name the packs that nobody has seen, or forecast, for so long that no figure of them is told or counted."""
    old = (~decided_on(now), ~ended(), *picked)
    count = session.scalar(select(func.count()).select_from(Score).where(*old)) or 0
    if not count:
        return []
    since = func.coalesce(Score.seen_at, Score.origin)
    rows = session.execute(select(Score.pack_id, since).where(*old).order_by(since, Score.pack_id).limit(MOST_NAMED))
    named = ", ".join(_("%(pack)s (%(day)s)") % {"pack": pack, "day": day.date()} for pack, day in rows)
    words = ngettext(
        "%(count)s pack was not read or not forecast within %(days)s days, and no figure of it is told or counted: "
        "%(packs)s. Read it at rest first.",
        "%(count)s packs were not read or not forecast within %(days)s days, and no figure of them is told or counted: "
        "%(packs)s. Read them at rest first.",
        count,
    )
    more = ", …" if count > MOST_NAMED else ""
    return [words % {"count": count, "days": f"{OLDEST_DAYS:g}", "packs": named + more}]


def stopped_in(session: Session, family: str | None) -> list[str]:
    """Name the packs that facts stop: nothing is promised, ranked, planned or counted of them."""
    query = select(StoppedPack.pack_id).join(Pack, Pack.id == StoppedPack.pack_id).order_by(StoppedPack.pack_id)
    stopped = session.scalars(query if family is None else query.where(Pack.family == family)).all()
    if not stopped:
        return []
    words = ngettext(
        "%(count)s pack stands under a stop and is not counted here: %(packs)s. Look at it first.",
        "%(count)s packs stand under a stop and are not counted here: %(packs)s. Look at them first.",
        len(stopped),
    )
    named = ", ".join(stopped[:MOST_NAMED]) + (", …" if len(stopped) > MOST_NAMED else "")
    return [words % {"count": len(stopped), "packs": named}]


def warned_of(forecasts: int) -> str:
    """Say that some forecasts carry grave flags."""
    words = ngettext(
        "%(count)s forecast warns of something that has to be looked at before anybody goes by its figures.",
        "%(count)s forecasts warn of something that has to be looked at before anybody goes by their figures.",
        forecasts,
    )
    return words % {"count": forecasts}
