"""From a question about a release to its answer: the one path behind REST, the command line and the pages."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from sqlalchemy.orm import Session

from models.base.arrays import Floats
from models.base.errors import BadInput
from models.decisions.lead_time import LeadTime
from models.decisions.release import RECOVERY, ReleaseRisk, promised_on, release_risk, when_it_comes
from models.forecaster import Forecaster
from models.packs.cautions import Chemistry
from models.packs.family import PackFamily
from service.core import clock
from service.core.cautions import all_cautions
from service.core.translation import N_, _, ngettext, translated
from service.decisions.basis.lead_times import on_order, stated_lead_time
from service.decisions.basis.open_cases import OpenCases, open_case
from service.decisions.basis.sentences import SINCE_SEEN, look_first_of, newer_recorded, read_first_at, rests_on
from service.decisions.release.schemas import Arrival, EarlyToLate, ReleaseAnswer, ReleaseCase, ReleaseRequest
from service.forecasting.forecasts.answers import answer
from service.forecasting.forecasts.cases import family_of, plan_of, require_still_out
from service.forecasting.forecasts.last_seen import (
    age_of,
    asked_of_today,
    counts_from_today,
    require_seen_lately,
    unseen_since,
)
from service.forecasting.forecasts.sentences import less_promised, look_first, no_day_left, read_first
from service.forecasting.issued.scores import days_between
from service.forecasting.recheck.days import to_the_minute
from service.records.history import chemistry_unless_stopped

NOT_BEFORE_LOOKED_AT: Final = N_(
    "Do not let it go or promise any day until what the forecast warns of has been looked at."
)
"""Said where a forecast gravely warns."""


def release_of_pack(
    session: Session, pack_id: str, asked: ReleaseRequest, now: datetime, families: Mapping[str, PackFamily]
) -> ReleaseAnswer:
    """Say what a stored pack risks on the way to its replacement.

    Raises
    ------
    Stopped
        A fact on record ends the job.
    NoSuchRecord, Conflict
        As for `service.decisions.basis.open_cases.open_case`; or nothing was read of it lately.
    BadInput
        No arrival is given and no order is on record, the promised day has passed, or the lead time is unknown.
    """
    chemistry = chemistry_unless_stopped(session, pack_id, families, now)
    case = open_case(session, pack_id, now)
    require_seen_lately(pack_id, case.cases[0].seen_at, now)
    arrival = _stated(asked, now)
    if arrival is None:
        ordered = on_order(session, case.topped_at, now).get(pack_id)
        if ordered is None or ordered.lead_time is None:
            what = _("is not given, and no order for this pack is on record.") if ordered is None else ordered.said
            raise BadInput.one(
                "arrival",
                what,
                _("Say when it comes (promised, in_days or lead_time), or record the order with its pack."),
            )
        arrival = ordered.lead_time
    one = case.cases[0]
    unread = [*read_first_at(one), *newer_recorded(session, one, now)]
    first = [said for said in look_first_of(session, one, now) if said not in unread]
    return _answer(case, arrival, asked, one.km_per_day, now, chemistry, first, unread)


def release_of_history(
    asked: ReleaseCase,
    forecaster: Forecaster,
    families: Mapping[str, PackFamily],
    *,
    threads: int,
    now: datetime | None = None,
) -> ReleaseAnswer:
    """Say what a pack that was sent along risks; days count from now, or from the moment that was named.

    Raises
    ------
    BadInput, OutOfReach, Stopped, Conflict
        As for `service.forecasting.forecasts.answers.answer` and `release_of_pack`.
    """
    require_still_out(asked.case)
    case = asked_of_today(asked.case, now)
    forecast = answer(case, forecaster, families, threads=threads, now=now)
    forecast.flags[:0] = [flag for flag in age_of(asked.case, now) if flag not in forecast.flags]
    arrival = _stated(asked, forecast.origin)
    if arrival is None:
        raise BadInput.one("arrival", _("is not given."), _("Give one of promised, in_days and lead_time."))
    plan = plan_of(case) or next(iter(case.history.usage[-1:]), None)
    sent = OpenCases.sent(forecast, case.history)
    # Of a moment that was chosen it is judged as of then.
    as_of = forecast.origin if asked.case.at is not None else now or clock.now_utc()
    require_seen_lately(forecast.pack_id, sent.cases[0].seen_at, as_of)
    chemistry = family_of(case, families, now).chemistry
    usual = None if plan is None else plan.km_per_day
    aged = unseen_since(sent.cases[0].seen_at, forecast.origin) if asked.case.at is not None else []
    first = [*look_first(forecast.flags), *aged, *counts_from_today(asked.case, now)]
    return _answer(sent, arrival, asked, usual, forecast.origin, chemistry, first, read_first(forecast.flags))


def _stated(asked: Arrival, now: datetime) -> LeadTime | None:
    if asked.promised is not None:
        return promised_on(asked.promised, now.date())
    if asked.in_days is not None:
        said = ngettext(
            "Expected in %(days)s day, taken as exact.", "Expected in %(days)s days, taken as exact.", asked.in_days
        )
        return LeadTime.on(asked.in_days, said % {"days": asked.in_days})
    return None if asked.lead_time is None else stated_lead_time(_("the supplier"), asked.lead_time)


def _answer(
    case: OpenCases,
    arrival: LeadTime,
    asked: Arrival,
    planned_km: float | None,
    now: datetime,
    chemistry: Chemistry | None,
    first: list[str],
    unread: list[str],
) -> ReleaseAnswer:
    usual = planned_km if asked.km_per_day is None else asked.km_per_day
    band_low, band_high = case.promised_band
    risk = release_risk(
        case.promised,
        arrival,
        usual,
        asked.km_per_day_low,
        asked.km_per_day_high,
        band_low=band_low,
        band_high=band_high,
    )
    less = less_promised(float(risk.get_there[0]), float(release_risk(case.survival, arrival).get_there[0]))
    one = case.cases[0]
    against = unread or no_day_left(one.origin, days_between(one.origin, one.good_until), now)
    why = [_(NOT_BEFORE_LOOKED_AT)] if one.grave else against
    return ReleaseAnswer(
        pack_id=one.pack_id,
        as_of=now,
        model_id=one.model_id,
        forecast_id=one.forecast_id,
        forecast_origin=one.origin,
        first=[*first, *unread] if one.grave else [*against, *first],
        **(dict.fromkeys(_chances(risk)) if why else _chances(risk)),
        unclaimed=float(risk.unclaimed[0]),
        good_until=None if why else one.good_until,
        days=_range(risk.days[0]),
        km=EarlyToLate(early=None, middle=None, late=None) if why else _range(risk.km[0]),
        basis=[*([] if why else less), _(arrival.basis), rests_on(one), _(SINCE_SEEN)],
        sentence=" ".join(
            [why[0], _(when_it_comes(risk.days[0]))]
            if why
            else [*_promised_first(one.good_until, risk.days[0], now), _(risk.sentences[0])]
        ),
        conditions=[
            why[0] if why else _promise_until(one.good_until),
            *translated(c for c in risk.conditions if c != RECOVERY or not why),
        ],
        cautions=all_cautions(chemistry),
    )


def _promise_until(good_until: datetime) -> str:
    """Say what may be promised: until the hour at which the forecast's promise ends."""
    said = _("Promise it until %(day)s at most: nine in ten such packs hold that long.")
    return said % {"day": to_the_minute(good_until)}


def _promised_first(good_until: datetime, arrival_days: Floats, now: datetime) -> list[str]:
    """Say what is promised before any chance or distance, and that the replacement comes only after it."""
    said = [_promise_until(good_until)]
    if not math.isnan(arrival_days[1]) and now + timedelta(days=float(arrival_days[1])) > good_until:
        said.append(_("The replacement is expected after that: nothing is promised of the days between."))
    return said


def _chances(risk: ReleaseRisk) -> dict[str, float]:
    return {
        "get_there": float(risk.get_there[0]),
        "get_there_at_most": float(risk.get_there_at_most[0]),
        "band_low": float(risk.low[0]),
        "band_high": float(risk.high[0]),
    }


def _range(values: Floats) -> EarlyToLate:
    early, middle, late = (None if math.isnan(v) else float(v) for v in np.asarray(values))
    return EarlyToLate(early=early, middle=middle, late=late)
