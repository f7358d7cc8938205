"""What a decision rests on, in sentences."""

from __future__ import annotations

from models.decisions.hold_curves import HORIZON
from service.open_cases.cases import OpenCase
from service.sentences import count_days

_NEGLIGIBLE_DAYS = 0.5


def rests_on(case: OpenCase) -> str:
    """Say which forecast a decision rests on, and what was done to it."""
    named = "the forecast made for this question" if case.forecast_id is None else f"forecast {case.forecast_id}"
    said = f"It rests on {named} of {case.origin.date().isoformat()}, model {case.model_id}"
    if case.days_since < _NEGLIGIBLE_DAYS:
        return said + "."
    held = max(case.days_since, 1)
    return (
        f"{said}, read on for a pack that has held for {count_days(held)} since then; past day {HORIZON - int(held)} "
        "its end is carried on, an assumption."
    )
