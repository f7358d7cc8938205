"""GET /v1/families."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from pydantic import BaseModel, Field

from models.families import PackFamily
from service.problems import problem_responses

router = APIRouter(prefix="/v1", tags=["families"])


class FamilyList(BaseModel):
    """Every family that a history can name."""

    families: list[PackFamily] = Field(
        description="Any of these, changed, can serve as the inline family of a forecast."
    )


def known_families(request: Request) -> Mapping[str, PackFamily]:
    """Return the families by name, as a dependency."""
    families: Mapping[str, PackFamily] = request.app.state.families
    return families


KnownFamilies = Annotated[Mapping[str, PackFamily], Depends(known_families)]


@router.get("/families", operation_id="list_families", responses=problem_responses())
def list_families(families: KnownFamilies) -> FamilyList:
    """List the pack families with their layout, curves and limits."""
    return FamilyList(families=list(families.values()))
