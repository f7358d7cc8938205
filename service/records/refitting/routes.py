"""Another pack in a vehicle, over REST."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Body, Depends, Path
from starlette.responses import Response

from service.http.body_limit import require_json
from service.http.dependencies import KnownFamilies
from service.http.problems import problem_responses
from service.records.refitting.refit import refit
from service.records.refitting.schemas import Refit, Refitted
from service.records.writing import Done, Write

router = APIRouter(prefix="/v1/vehicles", tags=["vehicles"], dependencies=[Depends(require_json)])

EXAMPLES: Final[dict[str, Any]] = {
    "new": {
        "summary": "A new pack in an invented van of Marrow Bay",
        "value": {"pack_id": "MB-P-0815", "family": "gravel-14", "age_years": 0, "odometer_km": 211480},
    }
}


@router.post(
    "/{vehicle_id}/pack",
    operation_id="fit_pack",
    response_model=Refitted,
    status_code=201,
    responses=problem_responses(400, 404, 409, 413, 415, 422, 503),
)
def fit_pack(
    vehicle_id: Annotated[str, Path(description="The vehicle's name.", max_length=64)],
    asked: Annotated[Refit, Body(openapi_examples=EXAMPLES)],
    write: Write,
    families: KnownFamilies,
) -> Response:
    """Put another pack into a vehicle: one assignment ends, the next begins, an open case of the old pack is closed."""

    def work(session: Any) -> Done:
        told, _changes = refit(session, vehicle_id, asked, families, write.writer)
        return Done(201, told, told.assignment_id)

    return write(work)
