"""Forecasting a stored pack: the same functions as for a history that is sent along."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.base.errors import BadInput, TideoverError
from models.forecasts.forecast import Flag
from models.forecasts.inputs import digest_at
from models.forecasts.last_seen import ASK_AFTER_DAYS, days_unseen
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.screens import stops_of_each
from service.core.translation import _
from service.forecasting.forecasts.answers import answer, said_of
from service.forecasting.forecasts.last_seen import age_of
from service.forecasting.forecasts.schemas import DEFAULT_CONFIDENCES, ForecastAnswer, ForecastCase, ForecastFigures
from service.forecasting.forecasts.sentences import USUAL_CONFIDENCE
from service.forecasting.forecasts.together import Asked, told_together
from service.forecasting.forecasts.withheld import told_figures
from service.forecasting.issued.recheck_of import plan_with
from service.forecasting.issued.schemas import ForecastRequest
from service.records.ahead import not_yet
from service.records.history import begun_history
from service.records.taken_away import taken_away
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
    case = case_of(begun_history(session, pack_id, _(ForecastCase.to_begin)), asked)
    return case.with_corrected(taken_away(session, [pack_id]).get(pack_id))


def case_of(history: PackHistory, asked: ForecastRequest) -> ForecastCase:
    """Put a history and a question together."""
    # Told in any case: the recheck day in the calendar rests on it.
    confidence = tuple(dict.fromkeys((*asked.confidence, USUAL_CONFIDENCE)))
    return ForecastCase(history=history, **dict(asked) | {"confidence": confidence})


def require_begun(asked: ForecastRequest, now: datetime) -> None:
    """Refuse to keep a forecast from a moment that has not come: it would promise the days between as already held.

    Raises
    ------
    BadInput
    """
    if ahead := not_yet({"at": asked.at}, now):
        mend = _("Leave it out, or give a moment that has come: a forecast that is kept counts from what is known.")
        raise BadInput.one(ahead[0].where, ahead[0].what, mend)


def still_standing(
    session: Session,
    histories: Sequence[PackHistory],
    model: StoredModel,
    families: Mapping[str, PackFamily],
    now: datetime,
) -> set[str]:
    """Return the packs whose newest forecast would come out the same: same facts, same model, and not old."""
    columns = (Score.pack_id, Score.origin, Score.model_id, IssuedForecast.inputs_digest)
    rows = session.connection().execute(
        select(*columns)
        .join(IssuedForecast, IssuedForecast.id == Score.forecast_id)
        .where(Score.pack_id.in_([history.pack_id for history in histories]))
    )
    scores = {row.pack_id: row for row in rows}
    same = []
    for history in histories:
        score, family = scores.get(history.pack_id), families.get(history.family)
        if score is None or family is None or score.model_id != model.model.model_id:
            continue
        if not history.last_fact_time <= score.origin or now - score.origin > REISSUED_AFTER:
            continue
        if score.inputs_digest == digest_at(history, score.origin, family):
            same.append(history)
    stops = stops_of_each(same, families)
    return {history.pack_id for history, found in zip(same, stops, strict=True) if not found}


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
    row = _row(answer(case, model.model, families, threads=threads, now=at), asked, at, by)
    if row.good_for_days >= 1:  # else no later day comes before what is promised has ended
        # Kept with it, so that sheet, slip, calendar and the recheck's page go on naming the same day.
        plan = plan_with(row, case.history, model, families, threads=threads)
        row.recheck_at = None if plan is None else plan.recheck_at
    return row


def issued_together(
    histories: Sequence[PackHistory],
    model: StoredModel,
    families: Mapping[str, PackFamily],
    *,
    corrected: Mapping[str, Flag],
    basis: Flag | None,
    threads: int,
    at: datetime,
    by: str,
) -> tuple[list[dict[str, Any]], dict[str, TideoverError]]:
    """Forecast many stored packs as things stand.

    Facts from long ago say little of today: such a forecast starts now, after all the days the pack has held.

    Parameters
    ----------
    corrected : mapping of str to Flag
        What was taken away of the record, by pack (`service.records.taken_away`).
    basis : Flag or None
        What was taken away of what the model learned from.

    Returns
    -------
    list of dict
        Columns of `IssuedForecast` of those that can be forecast, without their numbers. ``answer`` holds the figures
        alone: `whole_answer` says them when somebody asks.
    dict of str to TideoverError
        By pack, what `issued` raises of the others.
    """
    moments = [at if days_unseen(history.last_fact_time, at) > ASK_AFTER_DAYS else None for history in histories]
    said = {moment: ForecastRequest(at=moment).model_dump(mode="json") for moment in moments}
    cases = [
        ForecastCase(history=history, at=moment).with_corrected(corrected.get(history.pack_id)).with_corrected(basis)
        for history, moment in zip(histories, moments, strict=True)
    ]
    asked = [Asked(one.history, one.at, [*age_of(one, at, of_today_too=True), *one.corrected]) for one in cases]
    rows, refused = [], {}
    told = told_together(asked, model.model, families, DEFAULT_CONFIDENCES, threads=threads)
    for history, moment, found in zip(histories, moments, told, strict=True):
        if isinstance(found, TideoverError):
            refused[history.pack_id] = found
            continue
        row = {
            "pack_id": history.pack_id,
            "issued_at": at,
            "issued_by": by,
            "origin": datetime.fromisoformat(found["origin"]),
            "model_id": found["model_id"],
            "inputs_digest": found["inputs_digest"],
            "good_for_days": next(p["days"] or 0.0 for p in found["good_for"] if p["confidence"] == USUAL_CONFIDENCE),
            "asked": said[moment],
            "answer": found,
            "recheck_at": None,
        }
        rows.append(row)
    return rows, refused


def whole_answer(row: IssuedForecast, families: Mapping[str, PackFamily]) -> ForecastAnswer:
    """Return the answer of a forecast as it was issued; figures that the scoring job kept are said only now."""
    told = told_figures(row.answer)
    if "sentences" in told:
        return ForecastAnswer.model_validate(told)
    figures = ForecastFigures.model_validate(told)
    family = families.get(figures.family)
    # As it was told: of today where nobody had named a moment.
    of_today = None if row.asked.get("at") is not None else row.issued_at
    return said_of(figures, None if family is None else family.chemistry, now=of_today)


def _row(given: ForecastAnswer, asked: ForecastRequest, at: datetime, by: str) -> IssuedForecast:
    return IssuedForecast(
        pack_id=given.pack_id,
        issued_at=at,
        issued_by=by,
        origin=given.origin,
        model_id=given.model_id,
        inputs_digest=given.inputs_digest,
        good_for_days=next(promise.days or 0.0 for promise in given.good_for if promise.confidence == USUAL_CONFIDENCE),
        asked=asked.model_dump(mode="json"),
        answer=given.model_dump(mode="json"),
    )
