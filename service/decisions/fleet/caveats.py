"""What has to be known before a ranking is read: forecasts in it that are old, and packs that are not in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.packs.family import PackFamily
from models.packs.history import family_problems
from models.packs.stops import stops_of
from service.core.translation import ngettext
from service.decisions.basis.open_cases import without_forecast
from service.forecasting.issued.scores import OLDEST_DAYS, ended
from service.records.history import histories_of
from service.store.schema import Pack, Score

MOST_NAMED: Final = 10
MOST_LOOKED_AT: Final = 500
"""Packs without a forecast whose facts are looked through for a stop, those topped up longest ago first. Our choice."""


def caveats(
    session: Session, picked: Sequence[Any], family: str | None, now: datetime, families: Mapping[str, PackFamily]
) -> list[str]:
    """Say what a ranking rests on that is old, and what it leaves out.

    Parameters
    ----------
    session : Session
    picked : sequence of SQL conditions on `Score`
        The part of the fleet that is ranked.
    family : str or None
        Packs of others are not named. Site and duty are not asked of a pack that is not ranked.
    now : datetime
    families : mapping of str to PackFamily
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
    stopped = _stopped(session, family, now, families)
    if stopped:
        words = ngettext(
            "%(count)s pack stands under a stop and is not ranked: %(packs)s. Look at it first.",
            "%(count)s packs stand under a stop and are not ranked: %(packs)s. Look at them first.",
            len(stopped),
        )
        named = ", ".join(stopped[:MOST_NAMED]) + (", …" if len(stopped) > MOST_NAMED else "")
        said.insert(0, words % {"count": len(stopped), "packs": named})
    return said


def _stopped(session: Session, family: str | None, now: datetime, families: Mapping[str, PackFamily]) -> list[str]:
    missing, _count = without_forecast(session, now, MOST_LOOKED_AT)
    names = [pack.pack_id for pack in missing]
    packs = session.scalars(select(Pack).where(Pack.id.in_(names)).order_by(Pack.id)).all() if names else []
    wanted = [pack for pack in packs if pack.family in families and family in (None, pack.family)]
    return [
        history.pack_id
        for history in histories_of(session, wanted)
        if not family_problems(history, families[history.family])
        and stops_of(history, families[history.family], at=now)
    ]
