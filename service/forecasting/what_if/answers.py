"""From a question to a what-if: the one path behind REST and the command line."""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy.orm import Session

from models.base.errors import BadInput
from models.base.threads import thread_limit
from models.forecaster import Forecaster
from models.interventions.plans import USUAL_PLANS
from models.interventions.what_if import PlanForecast, WhatIf
from models.packs.family import PackFamily
from service.core.cautions import all_cautions
from service.core.translation import _
from service.forecasting.forecasts.answers import as_in_the_case, family_of, plan_of
from service.forecasting.forecasts.schemas import EvidenceFlag
from service.forecasting.what_if.schemas import OtherPlan, PlanAnswer, WhatIfAnswer, WhatIfCase, WhatIfRequest
from service.forecasting.what_if.sentences import sentence_of, sentences_of
from service.records.history import begun_history


def case_of_pack(session: Session, pack_id: str, asked: WhatIfRequest) -> WhatIfCase:
    """Put a stored pack's history and a question together.

    Raises
    ------
    NoSuchRecord, BadInput
    Conflict
        Nothing is recorded of the pack that a forecast could start from.
    """
    history = begun_history(session, pack_id, _("Record the top-up first."))
    return WhatIfCase(history=history, at=asked.at, usage=asked.usage, plans=asked.plans)


def answer(
    case: WhatIfCase, forecaster: Forecaster, families: Mapping[str, PackFamily], *, threads: int
) -> WhatIfAnswer:
    """Forecast a case under other plans.

    Parameters
    ----------
    case : WhatIfCase
    forecaster : Forecaster
    families : mapping of str to PackFamily
        Known by name; a family defined in the case comes before these.
    threads : int
        Of the numerical libraries.

    Raises
    ------
    BadInput
        The family is unknown, the history cannot be true of it, or two plans have one name.
    OutOfReach
        The pack is too far from anything the model has seen.
    ModelRefused
        The model holds no simulated packs of the family.
    """
    family = family_of(case, families)
    plans = USUAL_PLANS if case.plans is None else tuple(plan.plan() for plan in case.plans)
    usage = plan_of(case)
    try:
        with thread_limit(threads):
            told = forecaster.what_if(case.history, plans, case.at, usage, family)
    except BadInput as error:
        raise BadInput(as_in_the_case(error.problems)) from error
    present = told.present
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
        flags=[EvidenceFlag.of(flag) for flag in (*present.flags, *told.flags)],
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
