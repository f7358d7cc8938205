"""Top-up plans over REST. Nothing is stored, and nothing is allowed or forbidden."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends

from service.forecasting.forecasts.asked_over_rest import By, stored_case
from service.forecasting.topup_plan.answers import answer
from service.forecasting.topup_plan.examples import STORED, sent_examples
from service.forecasting.topup_plan.schemas import TopUpPlanAnswer, TopUpPlanCase, TopUpPlanRequest
from service.http.body_limit import require_json
from service.http.dependencies import CurrentStore, PathPack
from service.http.problems import problem_responses

router = APIRouter(prefix="/v1", tags=["top-up plans"], dependencies=[Depends(require_json)])


@router.post(
    "/packs/{pack_id}/topup-plan",
    operation_id="plan_topup",
    responses=problem_responses(400, 404, 409, 413, 415, 422, 503),
)
def plan_stored_topup(
    pack_id: PathPack,
    asked: Annotated[TopUpPlanRequest, Body(openapi_examples=STORED)],
    store: CurrentStore,
    by: By,
) -> TopUpPlanAnswer:
    """Say how much charge a stored pack's weak block is short of, how to put it in, where to stop, what it buys.

    Cautions first. With a top-up on record, also what went in against what was expected.
    """
    case = stored_case(store, pack_id, asked, TopUpPlanCase)
    return by(answer, case, charging=True, ambient_c=case.ambient_c)


@router.post("/topup-plans", operation_id="plan_sent_topup", responses=problem_responses(400, 409, 413, 415, 422))
def plan_sent_topup(
    case: Annotated[TopUpPlanCase, Body(openapi_examples=sent_examples())],
    by: By,
) -> TopUpPlanAnswer:
    """Plan a top-up for a pack whose whole history is sent along. Nothing is stored."""
    return by(answer, case, charging=True, ambient_c=case.ambient_c)
