"""Forecasting a stored pack: the same functions as for a history that is sent along."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from sqlalchemy.orm import Session

from models.families import PackFamily
from service.forecasts.answers import answer
from service.forecasts.schemas import ForecastCase
from service.packs.history import history_of_pack
from service.records.errors import Conflict
from service.sentences import USUAL_CONFIDENCE
from service.store.schema import IssuedForecast
from service.stored_forecasts.schemas import ForecastRequest
from training.registry import StoredModel


def case_of_pack(session: Session, pack_id: str, asked: ForecastRequest) -> ForecastCase:
    """Put a stored pack's history and a question together.

    Raises
    ------
    NoSuchRecord, BadInput
    Conflict
        Nothing is recorded of the pack that a forecast could start from.
    """
    history = history_of_pack(session, pack_id)
    if history is None:
        raise Conflict(f"Pack {pack_id} has no reading and no top-up yet. Record the top-up first.")
    return ForecastCase(
        history=history,
        at=asked.at,
        usage=asked.usage,
        # Told in any case: the recheck day in the calendar rests on it.
        confidence=tuple(dict.fromkeys((*asked.confidence, USUAL_CONFIDENCE))),
        replacement_in_days=asked.replacement_in_days,
    )


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
        As for `service.forecasts.answers.answer`.
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
