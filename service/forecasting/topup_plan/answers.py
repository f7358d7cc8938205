"""From a question to a top-up plan: the one path behind REST and the command line."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from typing import Any

from models.base.errors import BadInput, TideoverError
from models.forecaster import Forecaster
from models.forecasts.forecast import Flag
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.topup.comparison import TopUpComparison, compare_topup
from models.topup.plan import plan_topup
from service.core import clock
from service.core.cautions import all_cautions
from service.core.translation import spoken
from service.forecasting.forecasts.cases import computing, family_of
from service.forecasting.forecasts.last_seen import age_of, require_seen_lately
from service.forecasting.forecasts.schemas import EvidenceFlag
from service.forecasting.forecasts.sentences import look_first
from service.forecasting.topup_plan.schemas import Comparison, TopUpPlanAnswer, TopUpPlanCase


def answer(
    case: TopUpPlanCase,
    forecaster: Forecaster,
    families: Mapping[str, PackFamily],
    *,
    threads: int,
    now: datetime | None = None,
) -> TopUpPlanAnswer:
    """Plan the top-up of a case, and look back on its newest one.

    Parameters and errors are those of `service.forecasting.forecasts.answers.answer`, and besides:

    Raises
    ------
    BadInput
        It has no reading to go by.
    Stopped
        A fact, or a grave warning of the top-up that is out, ends the job, or charging, until something else is done.
    Conflict
        The newest reading is too old to charge by, and nobody asked for the moment of it.
    """
    family = family_of(case, families, now)
    with computing(threads):
        plan = plan_topup(
            case.history,
            family,
            at=case.at,
            block=case.block,
            ambient_c=case.ambient_c,
            usage=case.usage,
            forecaster=forecaster,
        )
    read_at = None if case.at is not None else plan.at
    require_seen_lately(case.history.pack_id, read_at, now or clock.now_utc())
    made = _comparison(case.history, family, case.at, case.ambient_c)
    told: dict[str, Any] = {
        name: spoken(getattr(plan, name)) for name in TopUpPlanAnswer.model_fields if hasattr(plan, name)
    }
    first = _warned(case, family, forecaster, now)
    corrected = [flag.text for flag in case.corrected]
    told["sentences"] = type(told["sentences"])((*first, *corrected, *told["sentences"]))
    told["cautions"] = all_cautions(family.chemistry)
    return TopUpPlanAnswer.model_validate(
        {
            **told,
            "family": family.name,
            "comparison": None if made is None else Comparison.model_validate(spoken(made)),
            "model_id": forecaster.model_id,
        }
    )


def _warned(case: TopUpPlanCase, family: PackFamily, forecaster: Forecaster, now: datetime | None) -> list[str]:
    """Return what has to be looked at before anything more is put in: age, and grave flags of the top-up that is out.

    Those that end charging until somebody looked (`models.forecasts.charge_warnings`) left no plan to be told.
    A plan goes by the newest reading: that a pack was charged or ran since says nothing of how far its block sank.
    """
    read = case.history.model_copy(update={"topups": (), "outcomes": ()})
    age = age_of(case.model_copy(update={"history": read}), now)
    flags: tuple[Flag, ...] = ()
    if case.history.topups:
        with suppress(TideoverError):  # what cannot be forecast, or is over, has no flags
            flags = forecaster.forecast(case.history, case.at, family=family).flags
    return look_first([*age, *(EvidenceFlag.of(flag) for flag in flags)])


def _comparison(
    history: PackHistory, family: PackFamily, at: datetime | None, ambient_c: float | None
) -> TopUpComparison | None:
    """Look back on the newest top-up; None where there is none, or no reading of its block before it."""
    try:
        return compare_topup(history, family, at=at, ambient_c=ambient_c)
    except BadInput:
        return None
