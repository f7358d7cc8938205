"""What a decision rests on, in sentences."""

from __future__ import annotations

from models.decisions.hold_curves import HORIZON
from service.core.translation import _
from service.decisions.basis.open_cases import OpenCase
from service.forecasting.forecasts.sentences import count_days

_NEGLIGIBLE_DAYS = 0.5


def rests_on(case: OpenCase) -> str:
    """Say which forecast a decision rests on, and what was done to it."""
    named = (
        _("the forecast made for this question")
        if case.forecast_id is None
        else _("forecast %(number)s") % {"number": case.forecast_id}
    )
    words = {"forecast": named, "day": case.origin.date().isoformat(), "model": case.model_id}
    if case.days_since < _NEGLIGIBLE_DAYS:
        return _("It rests on %(forecast)s of %(day)s, model %(model)s.") % words
    held = max(case.days_since, 1)
    return _(
        "It rests on %(forecast)s of %(day)s, model %(model)s, read on for a pack that has held for %(held)s since "
        "then; it ends on day %(last)s from now, after which the risk is taken to go on as it was."
    ) % {**words, "held": count_days(held), "last": HORIZON - int(held)}
