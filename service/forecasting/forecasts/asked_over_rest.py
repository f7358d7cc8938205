"""A question over REST: what all of its routes hand on to the one function that answers it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, TypeVar

from fastapi import Depends, Request

from models.packs.family import PackFamily
from service.core.model_source import ModelSource
from service.forecasting.forecasts.cases import OfPack, case_of_pack, require_unstopped
from service.forecasting.forecasts.schemas import PackCase, PackQuestion
from service.http.dependencies import KnownFamilies, Models, Now
from service.store.opening import Store

Given = TypeVar("Given")


@dataclass(frozen=True)
class Answering:
    """What a question is answered by: the model of now, the known families, so many threads, the time."""

    models: ModelSource
    families: Mapping[str, PackFamily]
    threads: int
    now: datetime

    def __call__(
        self, answer: Callable[..., Given], asked: Any, case: PackCase | None = None, **conditions: Any
    ) -> Given:
        """Answer a question that carries a case, or is one. Facts that end the job come first, and need no model.

        Parameters
        ----------
        **conditions
            Of `service.forecasting.forecasts.cases.require_unstopped`.
        """
        require_unstopped(asked if case is None else case, self.families, **conditions)
        return answer(asked, self.models.current().model, self.families, threads=self.threads, now=self.now)


async def answering(models: Models, families: KnownFamilies, now: Now, request: Request) -> Answering:
    """Return what answers."""
    return Answering(models, families, request.app.state.settings.threads, now)


def stored_case(store: Store, pack_id: str, asked: PackQuestion, kind: type[OfPack]) -> OfPack:
    """Put the history of the path's pack and a question together."""
    with store.reading() as session:
        return case_of_pack(session, pack_id, asked, kind)


By = Annotated[Answering, Depends(answering)]
