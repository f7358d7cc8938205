"""From a case to its answer: the one path behind REST and the command line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from models.base.arrays import Floats
from models.base.day_grid import GRID_VERSION, survival_at
from models.calibration.conformal import RISKS, told_hold
from models.forecaster import Forecaster
from models.forecasts.explanation import Explanation
from models.forecasts.forecast import Forecast
from models.packs.cautions import Chemistry
from models.packs.family import PackFamily
from service.core import clock
from service.core.cautions import all_cautions
from service.core.translation import _
from service.forecasting.forecasts.block_state import block_state
from service.forecasting.forecasts.cases import computing, family_of, plan_of
from service.forecasting.forecasts.last_seen import age_of
from service.forecasting.forecasts.schemas import (
    EvidenceEffect,
    EvidenceFlag,
    ForecastAnswer,
    ForecastCase,
    ForecastExplanation,
    ForecastFigures,
    SimilarPastPack,
)
from service.forecasting.forecasts.sentences import lead_of, movers, read_off, sentences_of, similar_pack, to_measure
from service.forecasting.forecasts.withheld import told_figures

RETURN_SHARES = (0.1, 0.25, 0.5, 0.75, 0.9)


def answer(
    case: ForecastCase,
    forecaster: Forecaster,
    families: Mapping[str, PackFamily],
    *,
    threads: int,
    now: datetime | None = None,
) -> ForecastAnswer:
    """Forecast a case.

    Parameters
    ----------
    families : mapping of str to PackFamily
        Known by name; a family defined in the case comes before these.
    threads : int
        Of the numerical libraries.
    now : datetime, optional
        The time now, by the clock if left out.

    Raises
    ------
    BadInput
        The family is unknown, or the history cannot be true of it.
    OutOfReach
        The pack is too far from anything the model has seen.
    """
    family = family_of(case, families, now)
    with computing(threads):
        asked = (case.history, case.at, plan_of(case), family)
        told = forecaster.explain(*asked) if case.explain else None
        forecast = forecaster.forecast(*asked) if told is None else told.forecast
    of_today = None if case.at is not None else now or clock.now_utc()
    figures = _figures(case, forecast, [*age_of(case, now, of_today_too=True), *case.corrected])
    explained = None
    if told is not None:
        explained = _explanation(told, bool(figures.withheld_by))
        explained.block_state = block_state(case.history, family, figures)
    return said_of(figures, family.chemistry, explained, of_today)


def said_of(
    figures: ForecastFigures,
    chemistry: Chemistry | None,
    explained: ForecastExplanation | None = None,
    now: datetime | None = None,
) -> ForecastAnswer:
    """Say in words what figures mean, with the cautions that go with them; `now` as for `lead_of`."""
    return ForecastAnswer(
        **{name: getattr(figures, name) for name in ForecastFigures.model_fields},
        lead=lead_of(figures, now),
        sentences=sentences_of(figures),
        cautions=all_cautions(chemistry),
        explanation=explained,
    )


def _figures(case: ForecastCase, forecast: Forecast, age: list[EvidenceFlag]) -> ForecastFigures:
    wait = case.replacement_in_days
    figures = {
        "pack_id": forecast.pack_id,
        "family": case.history.family,
        "origin": forecast.origin,
        "days_held": forecast.days_held,
        "good_for": [_good_for(forecast, level) for level in case.confidence],
        "until_replacement": None
        if wait is None
        else until_replacement(forecast.survival, forecast.band_low, forecast.band_high, forecast.told_levels(), wait),
        "return_days": [_return_day(share, forecast.quantile(share)) for share in RETURN_SHARES],
        "restricted_mean_days": forecast.restricted_mean(),
        "horizon_days": forecast.horizon_days,
        "told_levels": forecast.told_levels().tolist(),
        "surplus_left_out": forecast.surplus_left_out,
        "days": forecast.days.tolist(),
        "survival": forecast.survival.tolist(),
        "band_low": forecast.band_low.tolist(),
        "band_high": forecast.band_high.tolist(),
        "kinds": None if forecast.kinds is None else dict(forecast.kinds),
        "flags": [flag.model_dump() for flag in (*age, *map(EvidenceFlag.of, forecast.flags))],
        "own_outcomes": forecast.own_outcomes,
        "sister_outcomes": forecast.sister_outcomes,
        "block": forecast.block,
        "grid_version": GRID_VERSION,
        "model_id": forecast.model_id,
        "inputs_digest": forecast.inputs_digest,
    }
    return ForecastFigures.model_validate(told_figures(figures))


def _explanation(told: Explanation, withheld: bool) -> ForecastExplanation:
    effects = [
        EvidenceEffect(
            evidence=part.evidence, days=part.days, known=part.known, worth_days=told.worth.get(part.evidence)
        )
        for part in sorted(told.contributions, key=lambda part: -abs(part.days))
    ]
    mean_days = told.mean_days
    read_off_days = None if withheld else told.read_off
    sentences = [] if withheld else movers(effects, told.reference_days, mean_days, told.forecast.horizon_days)
    if read_off_days is not None:
        sentences.append(read_off(mean_days, *read_off_days))
    return ForecastExplanation(
        reference_days=told.reference_days,
        contributions=effects,
        sentences=sentences,
        read_off_days=read_off_days,
        to_measure=to_measure(effects),
        similar=[SimilarPastPack(**asdict(pack), sentence=similar_pack(pack)) for pack in told.similar],
    )


def _good_for(forecast: Forecast, confidence: float) -> dict[str, Any]:
    days = forecast.good_for(confidence)
    return {
        "confidence": confidence,
        "days": days,
        "beyond_horizon": days is not None and days >= forecast.horizon_days,
        "guarantee": _(forecast.guarantee(confidence)),
    }


def _return_day(share: float, day: float | None) -> dict[str, Any]:
    return {"returned": share, "day": day, "beyond_horizon": day is None}


def until_replacement(
    survival: Floats, band_low: Floats, band_high: Floats, told_levels: ArrayLike, days: float
) -> dict[str, float]:
    """Read the chance off what is promised, as a release does: beside the good-for days the curve would say more."""
    curves = np.stack([survival, band_low, band_high])
    promised = told_hold(curves, np.broadcast_to(told_levels, (len(curves), len(RISKS))))
    middle, low, high = survival_at(promised, days).tolist()
    return {"days": days, "hold_probability": middle, "band_low": low, "band_high": high}
