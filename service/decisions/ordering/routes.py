"""When to order, over REST. Nothing is stored and nothing is ordered."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends

from service.decisions.ordering.answers import orders_of_history, orders_of_pack
from service.decisions.ordering.examples import STORED, sent_orders_examples
from service.decisions.ordering.queue import queue_of_cases
from service.decisions.ordering.schemas import OrdersAnswer, OrdersCase, OrdersRequest, QueueAnswer, QueueRequest
from service.forecasting.forecasts.asked_over_rest import By
from service.http.body_limit import require_json
from service.http.dependencies import CurrentStore, KnownFamilies, Now, PathPack
from service.http.problems import problem_responses

router = APIRouter(prefix="/v1", tags=["decisions"], dependencies=[Depends(require_json)])


@router.post(
    "/packs/{pack_id}/orders",
    operation_id="weigh_orders",
    responses=problem_responses(400, 404, 409, 413, 415, 422, 503),
)
def weigh_orders(
    pack_id: PathPack,
    asked: Annotated[OrdersRequest, Body(openapi_examples=STORED)],
    store: CurrentStore,
    now: Now,
    families: KnownFamilies,
) -> OrdersAnswer:
    """Weigh every standing offer for one open case on every order day: cost, risk, and the latest day to order."""
    with store.reading() as session:
        return orders_of_pack(session, pack_id, asked, now, families)


@router.post("/orders/queue", operation_id="queue_orders", responses=problem_responses(400, 413, 415, 422, 503))
def queue_orders(
    asked: Annotated[QueueRequest, Body(openapi_examples=STORED)],
    store: CurrentStore,
    now: Now,
    families: KnownFamilies,
) -> QueueAnswer:
    """Queue the open cases by the latest day on which their pack must be ordered, each with its reasons."""
    with store.reading() as session:
        return queue_of_cases(session, asked, now, families)


@router.post("/orders", operation_id="weigh_sent_orders", responses=problem_responses(400, 409, 413, 415, 422))
def weigh_sent_orders(
    asked: Annotated[OrdersCase, Body(openapi_examples=sent_orders_examples())],
    by: By,
) -> OrdersAnswer:
    """Weigh offers for a pack, both sent along. Nothing is stored."""
    return by(orders_of_history, asked, asked.case)
