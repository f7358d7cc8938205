"""From a question to a top-up plan: the one path behind REST and the command line."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from models.base.errors import BadInput, Problem
from models.base.threads import thread_limit
from models.forecaster import Forecaster
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.topup.comparison import TopUpComparison, compare_topup
from models.topup.plan import plan_topup
from service.core.cautions import all_cautions
from service.core.translation import _, spoken
from service.forecasting.topup_plan.schemas import Comparison, TopUpPlanAnswer, TopUpPlanCase, TopUpPlanRequest
from service.records.history import begun_history


def case_of_pack(session: Session, pack_id: str, asked: TopUpPlanRequest) -> TopUpPlanCase:
    """Put a stored pack's history and a question together.

    Raises
    ------
    NoSuchRecord, BadInput
    Conflict
        Nothing is recorded of the pack that a plan could start from.
    """
    history = begun_history(session, pack_id, _("Record a reading of all blocks first."))
    return TopUpPlanCase(history=history, **{name: getattr(asked, name) for name in TopUpPlanRequest.model_fields})


def answer(
    case: TopUpPlanCase, forecaster: Forecaster, families: Mapping[str, PackFamily], *, threads: int
) -> TopUpPlanAnswer:
    """Plan the top-up of a case, and look back on its newest one.

    Parameters
    ----------
    case : TopUpPlanCase
    forecaster : Forecaster
    families : mapping of str to PackFamily
        Known by name; a family defined in the case comes before these.
    threads : int
        Of the numerical libraries.

    Raises
    ------
    BadInput
        The family is unknown, the history cannot be true of it, or it has no reading to go by.
    Stopped
        A fact ends the job, or charging, until something else is done.
    """
    family = case.family or families.get(case.history.family)
    if family is None:
        raise BadInput.one(
            "history.family",
            _("The family %(family)s is not known.") % {"family": repr(case.history.family)},
            _("Name one of %(known)s, or define it in the field family.") % {"known": ", ".join(sorted(families))},
        )
    try:
        with thread_limit(threads):
            plan = plan_topup(
                case.history,
                family,
                at=case.at,
                block=case.block,
                ambient_c=case.ambient_c,
                usage=case.usage,
                forecaster=forecaster,
            )
    except BadInput as error:
        raise BadInput(_as_in_the_case(p) for p in error.problems) from error
    made = _comparison(case.history, family, case.at, case.ambient_c)
    told: dict[str, Any] = {
        name: spoken(getattr(plan, name)) for name in TopUpPlanAnswer.model_fields if hasattr(plan, name)
    }
    told["cautions"] = all_cautions(family.chemistry)
    return TopUpPlanAnswer.model_validate(
        {
            **told,
            "family": family.name,
            "comparison": None if made is None else Comparison.model_validate(spoken(made)),
            "model_id": forecaster.model_id,
        }
    )


def _comparison(
    history: PackHistory, family: PackFamily, at: datetime | None, ambient_c: float | None
) -> TopUpComparison | None:
    """Look back on the newest top-up; None where there is none, or no reading of its block before it."""
    try:
        return compare_topup(history, family, at=at, ambient_c=ambient_c)
    except BadInput:
        return None


def _as_in_the_case(problem: Problem) -> Problem:
    """Name a place as the sender wrote it: a history is one field of a case."""
    inside = re.split(r"[.[]", problem.where)[0] in PackHistory.model_fields
    return Problem(f"history.{problem.where}" if inside else problem.where, problem.what, problem.mend)
