"""What a release risks, over REST. Nothing is stored, and nothing is allowed or forbidden."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends

from service.decisions.release.answers import release_of_history, release_of_pack
from service.decisions.release.examples import STORED, sent_examples
from service.decisions.release.schemas import ReleaseAnswer, ReleaseCase, ReleaseRequest
from service.forecasting.forecasts.asked_over_rest import By
from service.http.body_limit import require_json
from service.http.dependencies import CurrentStore, KnownFamilies, Now, PathPack
from service.http.problems import problem_responses

router = APIRouter(prefix="/v1", tags=["decisions"], dependencies=[Depends(require_json)])


@router.post(
    "/packs/{pack_id}/release",
    operation_id="weigh_release",
    responses=problem_responses(400, 404, 409, 413, 415, 422, 503),
)
def weigh_release(
    pack_id: PathPack,
    asked: Annotated[ReleaseRequest, Body(openapi_examples=STORED)],
    store: CurrentStore,
    now: Now,
    families: KnownFamilies,
) -> ReleaseAnswer:
    """Say how likely a stored pack holds until its replacement comes, how far it drives, and what to tell the owner."""
    with store.reading() as session:
        return release_of_pack(session, pack_id, asked, now, families)


@router.post("/release", operation_id="weigh_sent_release", responses=problem_responses(400, 409, 413, 415, 422))
def weigh_sent_release(
    asked: Annotated[ReleaseCase, Body(openapi_examples=sent_examples())],
    by: By,
) -> ReleaseAnswer:
    """Weigh whether to let a pack go whose whole history is sent along. Nothing is stored."""
    return by(release_of_history, asked, asked.case)
