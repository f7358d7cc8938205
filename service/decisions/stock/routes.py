"""The stock figure over REST. Nothing is stored and nothing is ordered."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Body, Depends, Path

from service.decisions.stock.answers import stock_of_family
from service.decisions.stock.schemas import StockAnswer, StockRequest
from service.http.body_limit import require_json
from service.http.dependencies import CurrentStore, KnownFamilies, Now
from service.http.problems import problem_responses

router = APIRouter(prefix="/v1", tags=["decisions"], dependencies=[Depends(require_json)])
_EXAMPLES: Final[dict[str, Any]] = {
    "house": {"summary": "Two on the shelf, costs as the house has stated them", "value": {"on_shelf": 2}},
    "stated": {
        "summary": "One new case in ten days",
        "value": {
            "on_shelf": 0,
            "new_cases_per_day": 0.1,
            "costs": {"currency": "EUR", "day_off_road": 60, "capital_per_day": 0.5},
        },
    },
}


@router.post(
    "/families/{family}/stock", operation_id="weigh_stock", responses=problem_responses(400, 413, 415, 422, 503)
)
def weigh_stock(
    family: Annotated[str, Path(description="Name of the pack family.", max_length=31)],
    asked: Annotated[StockRequest, Body(openapi_examples=_EXAMPLES)],
    store: CurrentStore,
    now: Now,
    families: KnownFamilies,
) -> StockAnswer:
    """Say how many packs of a family to hold until one ordered today would come."""
    with store.reading() as session:
        return stock_of_family(session, family, asked, now, families)
