"""What a decision rests on, in sentences."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.decisions.hold_curves import HORIZON
from service.core.translation import N_, _
from service.decisions.basis.open_cases import OpenCase
from service.forecasting.forecasts.last_seen import unseen_since
from service.forecasting.forecasts.schemas import EvidenceFlag
from service.forecasting.forecasts.sentences import count_days, look_first, read_first_said
from service.store.schema import IssuedForecast, Reading

_NEGLIGIBLE_DAYS = 0.5

SINCE_SEEN: Final = N_(
    "A chance that the fault is back counts from when the pack was last seen to hold: it may be back already without "
    "anybody having said so."
)
"""Said wherever that chance is told."""

WAITING_TO_REPLACE: Final = N_(
    "A week's wait is weighed here against replacing today, with a pack at hand. The parts counter also counts the "
    "days until the pack comes, and a plan may leave a vehicle out, so their figures differ."
)
WAITING_TO_ORDER: Final = N_(
    "Here waiting means ordering later: the days until the pack comes, a stranding and days off the road are counted. "
    "The fleet's ranking takes a pack as at hand, so its figures differ. The latest day keeps to the chosen risk, "
    "whatever that costs. A plan weighs costs alone, and may say of the same vehicle that waiting costs less."
)
WAITING_IN_A_PLAN: Final = N_(
    "A vehicle is weighed here against leaving it as it is until its fault returns, so one that the ranking puts first "
    "may still have no week. Costs alone are weighed: the order queue keeps to a chosen risk, and may say of the same "
    "vehicle that its pack is to be ordered now."
)
"""What a wait is weighed against: three questions, and so three figures of one vehicle."""


def look_first_of(session: Session, case: OpenCase, now: datetime) -> list[str]:
    """Return what to look at before anybody goes by a stored forecast: its grave flags, its age, later readings."""
    row = None if case.forecast_id is None or not case.grave else session.get(IssuedForecast, case.forecast_id)
    flags = [] if row is None else [EvidenceFlag.model_validate(flag) for flag in row.answer["flags"]]
    return [*look_first(flags), *newer_recorded(session, case, now), *unseen_since(case.seen_at, now)]


def read_since(session: Session, case: OpenCase, now: datetime) -> list[str]:
    """Say that the blocks were read after the moment from which the forecast counts: nobody is let go by it."""
    newest = session.scalar(
        select(func.max(Reading.time)).where(Reading.pack_id == case.pack_id, Reading.time.between(case.origin, now))
    )
    if newest is None or newest <= case.origin:
        return []
    said = _("The blocks were read on %(day)s, after the forecast that this rests on. Keep a new forecast first.")
    return [said % {"day": newest.date().isoformat()}]


def newer_recorded(session: Session, case: OpenCase, now: datetime) -> list[str]:
    """Say that something is recorded of a pack that its forecast does not know."""
    return read_since(session, case, now) or _behind(case)


def _behind(case: OpenCase) -> list[str]:
    if not case.behind:
        return []
    return [_("Something was entered since its newest forecast, which does not know it. Keep a new forecast first.")]


def read_first_at(case: OpenCase) -> list[str]:
    """Say of a pack that nobody read since its charge that it is read before it is let go."""
    return [read_first_said()] if case.unread else []


def look_first_at(case: OpenCase) -> list[str]:
    """Say the same of one case of many, without reading its whole forecast."""
    if not case.grave:
        return [*read_first_at(case), *_behind(case)]
    return [
        _(
            "Do not drive it or go by its figures until what its forecast warns of has been looked at: see the "
            "unit's page."
        )
    ]


def rests_on(case: OpenCase) -> str:
    """Say which forecast a decision rests on, and what was done to it."""
    named = (
        _("the forecast made for this question")
        if case.forecast_id is None
        else _("forecast %(number)s") % {"number": case.forecast_id}
    )
    words = {"forecast": named, "day": case.origin.date().isoformat(), "model": case.model_id}
    if case.days_since < _NEGLIGIBLE_DAYS:
        return _("It rests on %(forecast)s, whose days count from %(day)s, model %(model)s.") % words
    held = max(case.days_since, 1)
    return _(
        "It rests on %(forecast)s, whose days count from %(day)s, model %(model)s, read on over the %(held)s since "
        "then; it ends on day %(last)s from now, after which the risk is taken to go on as it was."
    ) % {**words, "held": count_days(held), "last": HORIZON - int(held)}
