"""Forecasting a stored pack: the same functions as for a history that is sent along."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.base.errors import BadInput, TideoverError
from models.base.threads import thread_limit
from models.forecaster import Asked, digest_at
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.stops import stops_of
from service.core.translation import _
from service.forecasting.forecasts.answers import answer, answered
from service.forecasting.forecasts.cases import as_in_the_case, family_of
from service.forecasting.forecasts.schemas import ForecastAnswer, ForecastCase
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
    return case_of(begun_history(session, pack_id, _(ForecastCase.to_begin)), asked)


def case_of(history: PackHistory, asked: ForecastRequest) -> ForecastCase:
    """Put a history and a question together."""
    # Told in any case: the recheck day in the calendar rests on it.
    confidence = tuple(dict.fromkeys((*asked.confidence, USUAL_CONFIDENCE)))
    return ForecastCase(history=history, **dict(asked) | {"confidence": confidence})


def still_standing(
    session: Session,
    histories: Sequence[PackHistory],
    model: StoredModel,
    families: Mapping[str, PackFamily],
    now: datetime,
) -> set[str]:
    """Return the packs whose newest forecast would come out the same: same facts, same model, and not old."""
    columns = (Score.pack_id, Score.origin, Score.model_id, IssuedForecast.inputs_digest)
    rows = session.execute(
        select(*columns)
        .join(IssuedForecast, IssuedForecast.id == Score.forecast_id)
        .where(Score.pack_id.in_([history.pack_id for history in histories]))
    )
    scores = {row.pack_id: row for row in rows}
    standing = set()
    for history in histories:
        score, family = scores.get(history.pack_id), families.get(history.family)
        if score is None or family is None or score.model_id != model.model.model_id:
            continue
        if not history.last_fact_time <= score.origin or now - score.origin > REISSUED_AFTER:
            continue
        if score.inputs_digest == digest_at(history, score.origin, family) and not stops_of(history, family):
            standing.add(history.pack_id)
    return standing


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
    return _row(answer(case, model.model, families, threads=threads), asked, at, by)


def issued_together(
    histories: Sequence[PackHistory],
    model: StoredModel,
    families: Mapping[str, PackFamily],
    *,
    threads: int,
    at: datetime,
    by: str,
) -> list[IssuedForecast | TideoverError]:
    """Forecast several stored packs as things stand; the rows are not in the store yet.

    Facts from long ago say little of today: such a forecast starts now, after all the days the pack has held.

    Returns
    -------
    list, length len(histories)
        The row, or what `issued` raises.
    """
    asked = [ForecastRequest(at=at if at - h.last_fact_time > REISSUED_AFTER else None) for h in histories]
    cases = [case_of(*pair) for pair in zip(histories, asked, strict=True)]
    found: dict[int, IssuedForecast | TideoverError] = {}
    known: list[tuple[int, Asked, PackFamily]] = []
    for place, case in enumerate(cases):
        try:
            family = family_of(case, families)
        except BadInput as error:
            found[place] = error
            continue
        known.append((place, Asked(case.history, case.at, family=family), family))
    with thread_limit(threads):
        told = model.model.forecast_together([one for _, one, _ in known])
    for (place, _asked, family), forecast in zip(known, told, strict=True):
        if isinstance(forecast, BadInput):
            found[place] = BadInput(as_in_the_case(forecast.problems))
        elif isinstance(forecast, TideoverError):
            found[place] = forecast
        else:
            found[place] = _row(answered(cases[place], forecast, family), asked[place], at, by)
    return [found[place] for place in range(len(histories))]


def _row(given: ForecastAnswer, asked: ForecastRequest, at: datetime, by: str) -> IssuedForecast:
    return IssuedForecast(
        pack_id=given.pack_id,
        issued_at=at,
        issued_by=by,
        origin=given.origin,
        model_id=given.model_id,
        inputs_digest=given.inputs_digest,
        good_for_days=next(promise.days for promise in given.good_for if promise.confidence == USUAL_CONFIDENCE),
        asked=asked.model_dump(mode="json"),
        answer=given.model_dump(mode="json"),
    )
