"""POST /v1/forecasts."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends, Request

from service.forecasting.forecasts.answers import answer
from service.forecasting.forecasts.asked_over_rest import By
from service.forecasting.forecasts.examples import request_examples
from service.forecasting.forecasts.schemas import ForecastAnswer, ForecastCase
from service.http.body_limit import require_json
from service.http.problems import problem_responses

router = APIRouter(prefix="/v1", tags=["forecasts"])


@router.post(
    "/forecasts",
    operation_id="make_forecast",
    responses=problem_responses(400, 409, 413, 415, 422),
    dependencies=[Depends(require_json)],
)
def make_forecast(
    case: Annotated[ForecastCase, Body(openapi_examples=request_examples())],
    by: By,
    request: Request,
) -> ForecastAnswer:
    """Say how long a top-up will hold, from the pack's whole history; with `explain`, also what moves the forecast.

    Nothing is stored.
    """
    given = by(answer, case)
    request.app.state.measures.note_flags([flag.model_dump() for flag in given.flags])
    return given
