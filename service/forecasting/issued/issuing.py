"""Forecasting a stored pack: the same functions as for a history that is sent along."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.orm import Session

from models.forecaster import digest_at
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.stops import stops_of
from service.core.translation import _
from service.forecasting.forecasts.answers import answer
from service.forecasting.forecasts.schemas import ForecastCase
from service.forecasting.forecasts.sentences import USUAL_CONFIDENCE
from service.forecasting.issued.schemas import ForecastRequest
from service.records.history import begun_history
from service.store.schema import IssuedForecast, Score
from training.registry import StoredModel

REISSUED_AFTER: Final = timedelta(days=14)
"""After so long the scoring job forecasts a pack anew even if nothing new is known. Our choice: the forecast then still
reaches far enough for a delivery of some weeks."""


def case_of_pack(session: Session, pack_id: str, asked: ForecastRequest) -> ForecastCase:
    """Put a stored pack's history and a question together.

    Raises
    ------
    NoSuchRecord, BadInput
    Conflict
        Nothing is recorded of the pack that a forecast could start from.
    """
    history = begun_history(session, pack_id, _("Record the top-up first."))
    return case_of(history, asked)


def case_of(history: PackHistory, asked: ForecastRequest) -> ForecastCase:
    """Put a history and a question together."""
    return ForecastCase(
        history=history,
        at=asked.at,
        usage=asked.usage,
        # Told in any case: the recheck day in the calendar rests on it.
        confidence=tuple(dict.fromkeys((*asked.confidence, USUAL_CONFIDENCE))),
        replacement_in_days=asked.replacement_in_days,
        explain=asked.explain,
    )


def still_stands(
    session: Session, history: PackHistory, model: StoredModel, families: Mapping[str, PackFamily], now: datetime
) -> bool:
    """Whether the newest forecast of a pack would come out the same: same facts, same model, and not old."""
    score = session.get(Score, history.pack_id)
    family = families.get(history.family)
    if score is None or family is None or score.model_id != model.model.model_id:
        return False
    if not history.last_fact_time <= score.origin or now - score.origin > REISSUED_AFTER:
        return False
    if stops_of(history, family):
        return False
    forecast = session.get_one(IssuedForecast, score.forecast_id)
    return forecast.inputs_digest == digest_at(history, forecast.origin, family)


def issued(
    case: ForecastCase,
    asked: ForecastRequest,
    model: StoredModel,
    families: Mapping[str, PackFamily],
    *,
    threads: int,
    at: datetime,
    by: str,
) -> IssuedForecast:
    """Forecast a stored pack; the row is not in the store yet.

    Raises
    ------
    BadInput, OutOfReach
        As for `service.forecasting.forecasts.answers.answer`.
    """
    given = answer(case, model.model, families, threads=threads)
    return IssuedForecast(
        pack_id=case.history.pack_id,
        issued_at=at,
        issued_by=by,
        origin=given.origin,
        model_id=given.model_id,
        inputs_digest=given.inputs_digest,
        good_for_days=next(promise.days for promise in given.good_for if promise.confidence == USUAL_CONFIDENCE),
        asked=asked.model_dump(mode="json"),
        answer=given.model_dump(mode="json"),
    )
