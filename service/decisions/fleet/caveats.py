"""What has to be known before a ranking is read: forecasts in it that are old, and packs that are not in it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.core.translation import ngettext
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
    said = []
    old = (Score.origin <= now - timedelta(days=OLDEST_DAYS), ~ended(), *picked)
    count = session.scalar(select(func.count()).select_from(Score).where(*old)) or 0
    if count:
        oldest = session.scalar(select(func.min(Score.origin)).where(*old))
        words = ngettext(
            "%(count)s forecast is older than %(days)s days, of %(oldest)s: read that pack again and have the fleet "
            "scored before you go by it.",
            "%(count)s forecasts are older than %(days)s days, the oldest of %(oldest)s: read those packs again and "
            "have the fleet scored before you go by them.",
            count,
        )
        said.append(
            words % {"count": count, "days": f"{OLDEST_DAYS:g}", "oldest": "" if oldest is None else oldest.date()}
        )
    grave = session.scalar(select(func.count()).select_from(Score).where(Score.grave, ~ended(), *picked)) or 0
    if grave:
        said.insert(0, warned_of(grave))
    return [*stopped_in(session, family), *said]


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
