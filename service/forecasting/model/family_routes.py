"""GET /v1/families."""

from __future__ import annotations

from fastapi import APIRouter
from pydantic import BaseModel, Field

from models.packs.family import PackFamily
from service.http.dependencies import KnownFamilies
from service.http.problems import problem_responses

router = APIRouter(prefix="/v1", tags=["families"])


class FamilyList(BaseModel):
    """Every family that a history can name."""

    families: list[PackFamily] = Field(
        description="Any of these, changed, can serve as the inline family of a forecast."
    )


@router.get("/families", operation_id="list_families", responses=problem_responses())
def list_families(families: KnownFamilies) -> FamilyList:
    """List the pack families with their layout, curves and limits."""
    return FamilyList(families=list(families.values()))
