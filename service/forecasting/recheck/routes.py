"""Recheck plans over REST. Nothing is stored."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends

from service.forecasting.forecasts.asked_over_rest import By, stored_case
from service.forecasting.recheck.answers import answer
from service.forecasting.recheck.examples import STORED, sent_examples
from service.forecasting.recheck.schemas import RecheckAnswer, RecheckCase, RecheckRequest
from service.http.body_limit import require_json
from service.http.dependencies import CurrentStore, PathPack
from service.http.problems import problem_responses

router = APIRouter(prefix="/v1", tags=["recheck"], dependencies=[Depends(require_json)])


@router.post(
    "/packs/{pack_id}/recheck",
    operation_id="plan_recheck",
    responses=problem_responses(400, 404, 409, 413, 415, 422, 503),
)
def plan_recheck(
    pack_id: PathPack,
    asked: Annotated[RecheckRequest, Body(openapi_examples=STORED)],
    store: CurrentStore,
    by: By,
) -> RecheckAnswer:
    """Say on which day another reading of a stored pack is worth most, and what the reading then will mean.

    Simulated packs that explain its readings are run forward and read; the table says for how long each one is good.
    """
    return by(answer, stored_case(store, pack_id, asked, RecheckCase))


@router.post("/recheck", operation_id="plan_sent_recheck", responses=problem_responses(400, 409, 413, 415, 422))
def plan_sent_recheck(
    case: Annotated[RecheckCase, Body(openapi_examples=sent_examples())],
    by: By,
) -> RecheckAnswer:
    """Plan when to read a pack again whose whole history is sent along."""
    return by(answer, case)
