"""The days that were told when a forecast of a unit was kept: an owner goes by these, whatever is forecast since."""

from __future__ import annotations

from fastapi import Request

from service.core.dates import day_in_words, in_words
from service.core.translation import _
from service.forecasting.forecasts.last_seen import as_of_now
from service.forecasting.forecasts.schemas import EvidenceFlag
from service.forecasting.forecasts.sentences import look_first
from service.forecasting.recheck.days import dates_said, day_reached
from service.pages.bench.state_of_unit import Unit
from service.pages.rendering import zone_of
from service.store.schema import IssuedForecast


def given_out(request: Request, unit: Unit) -> tuple[IssuedForecast, str] | None:
    """Return the forecast that was kept of the unit since the top-up, and the days that it names on sheet and slip."""
    row = unit.kept
    if row is None or unit.topped_at is None or row.origin < unit.topped_at or row.good_for_days < 1:
        return None
    zone, last, now = zone_of(request), day_reached(row.origin, row.good_for_days), request.app.state.clock()
    flags = [EvidenceFlag.model_validate(flag) for flag in row.answer["flags"]]
    if warned := look_first(as_of_now(flags, unit.history, now)):
        return row, " ".join(warned)
    if last <= now:
        return row, _("What it promised ended on %(day)s.") % {"day": in_words(last, zone)}
    return row, " ".join(dates_said(last, row.recheck_at, zone, in_words, day_in_words))
