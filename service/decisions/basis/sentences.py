"""What a decision rests on, in sentences."""

from __future__ import annotations

from typing import Final

from models.decisions.hold_curves import HORIZON
from service.core.translation import N_, _
from service.decisions.basis.open_cases import OpenCase
from service.forecasting.forecasts.sentences import count_days

_NEGLIGIBLE_DAYS = 0.5

WAITING_TO_REPLACE: Final = N_(
    "A week's wait is weighed here against replacing today, with a pack at hand. The parts counter also counts the "
    "pack's way and a stranding, and a plan may leave a vehicle out, so their figures differ."
)
WAITING_TO_ORDER: Final = N_(
    "Waiting means ordering later here: the pack's way, a stranding and days off the road are counted in. The fleet's "
    "ranking takes a pack as at hand, so its figures differ."
)
WAITING_IN_A_PLAN: Final = N_(
    "A vehicle is weighed here against leaving it as it is until its fault returns, so one that the ranking puts first "
    "may still have no week."
)
"""What a wait is weighed against: three questions, and so three figures of one vehicle."""


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
