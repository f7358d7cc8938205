"""Figures of a forecast without those that its flags withhold: the one place that takes them out, for every door."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from models.forecasts.withheld import withheld_by
from service.forecasting.forecasts.schemas import EvidenceFlag


def told_figures(figures: Mapping[str, Any]) -> dict[str, Any]:
    """Return what `ForecastFigures` holds, as plain values, without what the flags among it withhold.

    Figures that were kept before are told no more than those of today.
    """
    codes = withheld_by(EvidenceFlag.model_construct(**flag) for flag in figures["flags"])
    told = {**figures, "withheld_by": list(codes)}
    if not codes:
        return told
    wait = figures["until_replacement"]
    return told | {
        "good_for": [promise | {"days": None, "beyond_horizon": False} for promise in figures["good_for"]],
        "until_replacement": None if wait is None else {**dict.fromkeys(wait), "days": wait["days"]},
        "return_days": [],
        "restricted_mean_days": None,
    }
