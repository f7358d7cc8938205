"""From a question to a what-if: the one path behind REST and the command line."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from models.forecaster import Forecaster
from models.forecasts.charge_warnings import forbidding
from models.forecasts.withheld import withheld_by
from models.interventions.plans import USUAL_PLANS
from models.interventions.what_if import PlanForecast, WhatIf, nothing_weighed
from models.packs.family import PackFamily
from service.core.cautions import all_cautions
from service.core.translation import _
from service.forecasting.forecasts.cases import computing, family_of, plan_of
from service.forecasting.forecasts.last_seen import age_of, asked_of_today, counts_from_today
from service.forecasting.forecasts.remembered import remembered
from service.forecasting.forecasts.schemas import EvidenceFlag
from service.forecasting.forecasts.sentences import look_first, read_first
from service.forecasting.what_if.schemas import OtherPlan, PlanAnswer, WhatIfAnswer, WhatIfCase
from service.forecasting.what_if.sentences import sentence_of, sentences_of


def answer(
    case: WhatIfCase,
    forecaster: Forecaster,
    families: Mapping[str, PackFamily],
    *,
    threads: int,
    now: datetime | None = None,
) -> WhatIfAnswer:
    """Forecast a case under other plans.

    Parameters and errors are those of `service.forecasting.forecasts.answers.answer`, and besides:

    Raises
    ------
    BadInput
        Two plans have one name.
    ModelRefused
        The model holds no simulated packs of the family.
    """
    family = family_of(case, families, now)
    plans = USUAL_PLANS if case.plans is None else tuple(plan.plan() for plan in case.plans)
    asked = asked_of_today(case, now)
    question = (asked.history, plans, asked.at, plan_of(asked), family)
    with computing(threads):
        told = remembered(forecaster, ("what if", *question), lambda: forecaster.what_if(*question))
    present = told.present
    uncharged: list[str] = []
    if any(plan.topped_blocks for plan in plans) and forbidding(present.flags):
        uncharged = [_("No further charge is weighed until that has been looked at.")]
    aged = age_of(case, now, of_today_too=True)
    if withheld_by(aged):
        told = nothing_weighed(present)
    flags = [*aged, *case.corrected, *(EvidenceFlag.of(flag) for flag in (*present.flags, *told.flags))]
    return WhatIfAnswer(
        pack_id=present.pack_id,
        family=family.name,
        origin=present.origin,
        days_held=present.days_held,
        horizon_days=present.horizon_days,
        days=present.days.tolist(),
        plans=[_plan(one, told) for one in told.plans],
        cannot_tell=list(told.cannot_tell),
        effective_packs=told.effective_packs,
        agreement_gap=told.agreement_gap,
        flags=flags,
        first=[*look_first(flags), *read_first(flags), *uncharged, *counts_from_today(case, now)],
        sentences=sentences_of(told),
        cautions=all_cautions(family.chemistry),
        model_id=present.model_id,
        inputs_digest=present.inputs_digest,
    )


def _plan(told: PlanForecast, answer: WhatIf) -> PlanAnswer:
    return PlanAnswer.model_validate(
        {
            "plan": OtherPlan.of(told.plan),
            **{name: getattr(told, name).tolist() for name in ("survival", "gain", "gain_low", "gain_high")},
            **{
                name: getattr(told, name)
                for name in ("mean_days", "gained_days", "gained_low", "gained_high", "verdict")
            },
            "opens_pack": told.plan.touches_pack,
            "sentence": sentence_of(told, answer),
        }
    )
