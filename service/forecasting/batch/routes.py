"""POST /v1/forecasts/batch."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Any, Final

from fastapi import APIRouter, HTTPException, Request
from starlette.concurrency import iterate_in_threadpool
from starlette.responses import StreamingResponse

from models.base.errors import BadInput
from service.core.translation import _
from service.forecasting.batch.answers import answered_lines
from service.forecasting.batch.schemas import BatchAbout, BatchForecast, BatchLine, BatchRefusal
from service.http.dependencies import CurrentModel, KnownFamilies
from service.http.problems import problem_responses
from service.http.turns import Turns

LINES: Final = "application/x-ndjson"

BATCH: Final = "/v1/forecasts/batch"

router = APIRouter(prefix="/v1", tags=["forecasts"])


def _schema(*kinds: Any) -> dict[str, Any]:
    return {"type": "string", "description": "One JSON object a line: " + " or ".join(k.__name__ for k in kinds) + "."}


async def _require_lines(request: Request) -> None:
    declared = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if declared != LINES:
        said = f"declared as {declared}" if declared else "not declared as anything"
        raise HTTPException(415, f"The body is {said}; send one JSON object a line with Content-Type: {LINES}.")


@router.post(
    "/forecasts/batch",
    operation_id="make_forecasts",
    response_class=StreamingResponse,
    responses={
        200: {
            "description": "What holds for all first, then a line for each line that was sent, in that order.",
            "content": {LINES: {"schema": _schema(BatchAbout, BatchForecast, BatchRefusal)}},
        },
        **problem_responses(409, 413, 415, 422, 503),
    },
    openapi_extra={"requestBody": {"required": True, "content": {LINES: {"schema": _schema(BatchLine)}}}},
)
async def make_forecasts(model: CurrentModel, families: KnownFamilies, request: Request) -> StreamingResponse:
    """Say how long many top-ups will hold, a pack a line; nothing is stored.

    Each line holds a pack's `history`, and may name a moment (`at`). It is answered by the figures that
    `POST /v1/forecasts` gives, or by why there are none; a line that cannot be read takes nothing from the others.
    The answer comes while it is being made. For a folder of any number of packs use `tideover score`.
    """
    await _require_lines(request)
    state = request.app.state
    turns: Turns = state.turns
    lines = [line for line in (await request.body()).splitlines() if line.strip()]
    if not lines:
        raise BadInput.one("body", _("holds no line."), _("Send one JSON object a line."))
    slots = await turns.take(request, "long")

    async def parts() -> AsyncIterator[bytes]:
        try:
            made = answered_lines(lines, model.model, families, threads=state.settings.threads, now=state.clock())
            async for part in iterate_in_threadpool(made):
                yield part
        finally:
            slots.release()

    return StreamingResponse(parts(), media_type=LINES)
