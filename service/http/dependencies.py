"""What routes ask for: the store, the model that answers, the pack families, the time now, the pack of the path."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated

from fastapi import Depends, Path, Request

from models.packs.family import PackFamily
from service.core.model_source import ModelSource
from service.store.opening import Store
from training.registry import StoredModel


async def current_store(request: Request) -> Store:
    """Return the store."""
    store: Store = request.app.state.store
    return store


def current_model(request: Request) -> StoredModel:
    """Return the model that answers."""
    source: ModelSource = request.app.state.models
    return source.current()


async def model_source(request: Request) -> ModelSource:
    """Return what says which model answers, for those who ask for it only after something else."""
    source: ModelSource = request.app.state.models
    return source


async def known_families(request: Request) -> Mapping[str, PackFamily]:
    """Return the families by name."""
    families: Mapping[str, PackFamily] = request.app.state.families
    return families


async def time_now(request: Request) -> datetime:
    """Return the time now."""
    now: datetime = request.app.state.clock()
    return now


CurrentStore = Annotated[Store, Depends(current_store)]
CurrentModel = Annotated[StoredModel, Depends(current_model)]
Models = Annotated[ModelSource, Depends(model_source)]
KnownFamilies = Annotated[Mapping[str, PackFamily], Depends(known_families)]
Now = Annotated[datetime, Depends(time_now)]
PathPack = Annotated[str, Path(description="The pack's name.", max_length=64)]
