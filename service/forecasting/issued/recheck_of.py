"""The recheck plan that goes with a forecast: same model, same facts, same moment."""

from __future__ import annotations

from collections.abc import Mapping

from models.base.errors import BadInput, ModelRefused, OutOfReach
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.stops import Stopped
from service.forecasting.issued.schemas import ForecastRequest
from service.forecasting.recheck.answers import answer
from service.forecasting.recheck.schemas import RecheckAnswer, RecheckCase
from service.store.schema import IssuedForecast
from training.registry import StoredModel


def plan_with(
    row: IssuedForecast, history: PackHistory, model: StoredModel, families: Mapping[str, PackFamily], *, threads: int
) -> RecheckAnswer | None:
    """Return the plan, or None if the model can make none of this pack.

    Parameters
    ----------
    history : PackHistory
        That the forecast was made from.
    model : StoredModel
        That made it.
    threads : int
        Of the numerical libraries.
    """
    try:
        asked = ForecastRequest.model_validate(row.asked)
        case = RecheckCase(history=history, at=row.origin, usage=asked.usage)
        return answer(case, model.model, families, threads=threads, now=row.issued_at)
    except (BadInput, OutOfReach, ModelRefused, Stopped):
        return None
