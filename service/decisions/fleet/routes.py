"""The fleet office's questions over REST. Nothing is stored."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Body, Depends, Path, Query

from service.decisions.fleet.by_age import age_of_family
from service.decisions.fleet.planning import plan_of_fleet, returns_of_fleet
from service.decisions.fleet.ranking import rank_fleet
from service.decisions.fleet.schemas import (
    AgeAnswer,
    AgeRequest,
    FleetPlanAnswer,
    PlanRequest,
    RankingAnswer,
    RankingRequest,
    ReturnsAnswer,
    ReturnsRequest,
)
from service.http.body_limit import require_json
from service.http.dependencies import CurrentStore, KnownFamilies, Now
from service.http.problems import problem_responses

router = APIRouter(prefix="/v1", tags=["decisions"])
_PLANS: Final[dict[str, Any]] = {
    "house": {
        "summary": "Two slots a week for six weeks, costs as the house has stated them",
        "value": {"slots": [2, 2, 2, 2, 2, 2]},
    },
    "stated": {
        "summary": "Packs that arrive in weeks 1 and 3, money for four",
        "value": {
            "slots": [1, 1, 2, 2],
            "packs": [2, 0, 3, 0],
            "budget": 5800,
            "pack": 1450,
            "costs": {
                "currency": "EUR",
                "planned_work": 180,
                "return_work": 250,
                "stranding": 600,
                "day_off_road": 60,
                "capital_per_day": 0.5,
                "return_value": 900,
            },
        },
    },
}


@router.get("/fleet/ranking", operation_id="rank_fleet", responses=problem_responses(422, 503))
def read_ranking(
    asked: Annotated[RankingRequest, Query()], store: CurrentStore, now: Now, families: KnownFamilies
) -> RankingAnswer:
    """Rank vehicles by the expected cost of waiting one more week, a page at a time, as last scored."""
    with store.reading() as session:
        return rank_fleet(session, asked, now, families)


@router.post(
    "/fleet/plan",
    operation_id="plan_fleet",
    dependencies=[Depends(require_json)],
    responses=problem_responses(400, 413, 415, 422, 503),
)
def make_plan(
    asked: Annotated[PlanRequest, Body(openapi_examples=_PLANS)], store: CurrentStore, now: Now, families: KnownFamilies
) -> FleetPlanAnswer:
    """Plan which pack to replace in which week under slots, packs and a budget, within a time limit."""
    with store.reading() as session:
        return plan_of_fleet(session, asked, now, families)


@router.get("/fleet/returns", operation_id="count_returns", responses=problem_responses(422, 503))
def read_returns(
    asked: Annotated[ReturnsRequest, Query()], store: CurrentStore, now: Now, families: KnownFamilies
) -> ReturnsAnswer:
    """Count the returns to expect in each week, with an interval, if nothing is replaced before."""
    with store.reading() as session:
        return returns_of_fleet(session, asked, now, families)


@router.get("/families/{family}/age-policy", operation_id="weigh_age", responses=problem_responses(422, 503))
def read_age_policy(
    family: Annotated[str, Path(description="Name of the pack family.", max_length=31)],
    asked: Annotated[AgeRequest, Query()],
    store: CurrentStore,
    now: Now,
    families: KnownFamilies,
) -> AgeAnswer:
    """Say on which day after a top-up to replace packs of a family, by the own record of how long top-ups held."""
    with store.reading() as session:
        return age_of_family(session, family, asked, now, families)
