"""How many open cases a figure leaves out, and why: the same count wherever a figure of several cases is told."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.core.translation import _, ngettext
from service.decisions.basis.open_cases import decided_on, how_many_without_forecast
from service.forecasting.forecasts.sentences import count_days
from service.forecasting.issued.scores import OLDEST_DAYS, not_weighed, still_out
from service.store.schema import Score


def without_forecast_said(
    session: Session, packs: Sequence[Any], now: datetime, *, old_told: bool = False
) -> list[str]:
    """Say how many open cases have no forecast to go by, as many as the order queue tells of, and why.

    Parameters
    ----------
    packs : sequence of SQL conditions on `Pack`
    old_told : bool
        Whether it was said already if there are only old ones.
    """
    unkept, old = how_many_without_forecast(session, now, packs)
    if not unkept and (old_told or not old):
        return []
    why = []
    if unkept:
        why.append(_("%(count)s without a kept forecast") % {"count": unkept})
    if old:
        words = _("%(count)s not read or not forecast within %(days)s")
        why.append(words % {"count": old, "days": count_days(OLDEST_DAYS)})
    said = ngettext(
        "%(count)s open case is not weighed: %(why)s. The order queue says what it needs.",
        "%(count)s open cases are not weighed: %(why)s. The order queue says what each needs.",
        unkept + old,
    )
    return [said % {"count": unkept + old, "why": ", ".join(why)}]


def not_counted(session: Session, picked: Sequence[Any], now: datetime) -> list[str]:
    """Say how many vehicles have to be looked at, read or forecast anew first: no figure of them is gone by.

    Parameters
    ----------
    picked : sequence of SQL conditions on `Score`
    """
    held = (not_weighed(), still_out(), decided_on(now), *picked)
    count = session.scalar(select(func.count()).select_from(Score).where(*held)) or 0
    if not count:
        return []
    said = ngettext(
        "%(count)s vehicle that has to be looked at, read or forecast anew first is not counted in these figures.",
        "%(count)s vehicles that have to be looked at, read or forecast anew first are not counted in these figures.",
        count,
    )
    return [said % {"count": count}]
