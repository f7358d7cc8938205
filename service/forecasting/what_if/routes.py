"""What-ifs over REST. Nothing is stored, and nothing is recommended."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends

from service.forecasting.forecasts.asked_over_rest import By, stored_case
from service.forecasting.what_if.answers import answer
from service.forecasting.what_if.examples import STORED, sent_examples
from service.forecasting.what_if.schemas import WhatIfAnswer, WhatIfCase, WhatIfRequest
from service.http.body_limit import require_json
from service.http.dependencies import CurrentStore, PathPack
from service.http.problems import problem_responses

router = APIRouter(prefix="/v1", tags=["what if"], dependencies=[Depends(require_json)])


@router.post(
    "/packs/{pack_id}/what-if",
    operation_id="compare_plans",
    responses=problem_responses(400, 404, 409, 413, 415, 422, 503),
)
def compare_plans(
    pack_id: PathPack,
    asked: Annotated[WhatIfRequest, Body(openapi_examples=STORED)],
    store: CurrentStore,
    by: By,
) -> WhatIfAnswer:
    """Say how long a stored pack's top-up would hold if it were used, parked, charged or mended otherwise.

    Simulated packs that explain its readings are run forward under every plan; for the present plan the curve is the
    forecast's own. Says which plans the evidence cannot tell apart.
    """
    return by(answer, stored_case(store, pack_id, asked, WhatIfCase))


@router.post("/what-if", operation_id="compare_sent_plans", responses=problem_responses(400, 409, 413, 415, 422))
def compare_sent_plans(
    case: Annotated[WhatIfCase, Body(openapi_examples=sent_examples())],
    by: By,
) -> WhatIfAnswer:
    """Compare ways to use a pack whose whole history is sent along."""
    return by(answer, case)
