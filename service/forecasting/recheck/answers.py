"""From a question to a recheck plan: the one path behind REST and the command line."""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy.orm import Session

from models.base.errors import BadInput
from models.base.threads import thread_limit
from models.forecaster import Forecaster
from models.packs.family import PackFamily
from service.core.cautions import all_cautions
from service.core.translation import _
from service.forecasting.forecasts.answers import as_in_the_case, family_of, plan_of
from service.forecasting.forecasts.schemas import EvidenceFlag
from service.forecasting.recheck.days import day_reached
from service.forecasting.recheck.schemas import DayWorth, ReadingRow, RecheckAnswer, RecheckCase, RecheckRequest
from service.forecasting.recheck.sentences import row_sentence, sentences_of
from service.records.history import begun_history


def case_of_pack(session: Session, pack_id: str, asked: RecheckRequest) -> RecheckCase:
    """Put a stored pack's history and a question together.

    Raises
    ------
    NoSuchRecord, BadInput
    Conflict
        Nothing is recorded of the pack that a forecast could start from.
    """
    history = begun_history(session, pack_id, _("Record the top-up first."))
    return RecheckCase(history=history, at=asked.at, usage=asked.usage, risk=asked.risk)


def answer(
    case: RecheckCase, forecaster: Forecaster, families: Mapping[str, PackFamily], *, threads: int
) -> RecheckAnswer:
    """Plan the next reading of a case.

    Parameters
    ----------
    case : RecheckCase
    forecaster : Forecaster
    families : mapping of str to PackFamily
        Known by name; a family defined in the case comes before these.
    threads : int
        Of the numerical libraries.

    Raises
    ------
    BadInput
        The family is unknown, or the history cannot be true of it.
    OutOfReach
        The pack is too far from anything the model has seen.
    ModelRefused
        The model holds no simulated packs of the family.
    """
    family = family_of(case, families)
    usage = plan_of(case)
    try:
        with thread_limit(threads):
            plan = forecaster.recheck_plan(case.history, case.risk, case.at, usage, family)
    except BadInput as error:
        raise BadInput(as_in_the_case(error.problems)) from error
    present = plan.present
    return RecheckAnswer(
        pack_id=present.pack_id,
        family=family.name,
        origin=present.origin,
        risk=plan.risk,
        limit_day=plan.limit_day,
        day=plan.day,
        recheck_at=None if plan.day is None else day_reached(present.origin, plan.day),
        worth_days=plan.worth_days,
        candidates=[DayWorth(day=day, worth_days=worth) for day, worth in plan.candidates],
        table=[ReadingRow(**vars(row), sentence=row_sentence(row, plan)) for row in plan.table],
        effective_packs=plan.effective_packs,
        flags=[EvidenceFlag.of(flag) for flag in (*present.flags, *plan.flags)],
        sentences=sentences_of(plan),
        cautions=all_cautions(family.chemistry),
        model_id=present.model_id,
        inputs_digest=present.inputs_digest,
    )
